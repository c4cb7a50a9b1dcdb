"""Where the results of a screening run go: a folder of this machine, or any place that fsspec can write to.

The work itself is always done in a local folder, since its ledger is an SQLite file. For a place elsewhere that is a
work folder of this machine, named after the place, so that a stopped run goes on there; what is finished is then
copied to the place.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from updraft_key.model.errors import UpdraftKeyError

from .inbox import filesystem, is_local
from .sheets import is_a_result


def work_folder(out: str, environment: dict[str, str] | None = None) -> Path:
    """The local folder in which a run for ``out`` works: ``out`` itself when it is local.

    Raises:
        UpdraftKeyError: a scheme that is not known or not installed.
    """
    if is_local(out):
        return Path(filesystem(out)[1])
    given = dict(os.environ) if environment is None else environment
    cache = Path(given.get("XDG_CACHE_HOME") or Path(given.get("HOME") or Path.home()) / ".cache")
    return cache / "updraft-key" / "screen" / hashlib.sha256(out.rstrip("/").encode()).hexdigest()[:16]


def deliver(work: Path, out: str) -> int:
    """Copy the results in ``work`` to ``out``, unless they are there already; returns the number of files.

    The ledger and the lock stay where they are. Files of an earlier delivery that are no more are removed, in the
    folders and by the names that results have; the overview goes last, so that it never points to what is not there.

    Raises:
        UpdraftKeyError: the place cannot be written.
    """
    if is_local(out):
        return 0
    fs, root = filesystem(out)
    root = root.rstrip("/")
    files = sorted(
        (p for p in work.rglob("*") if p.is_file() and ".sqlite" not in p.name and p.suffix != ".part"),
        key=lambda p: (p.suffix == ".html", str(p)),
    )
    names = {p.relative_to(work).as_posix() for p in files}
    try:
        for path in files:
            with fs.open(f"{root}/{path.relative_to(work).as_posix()}", "wb") as handle:
                handle.write(path.read_bytes())
        for old in fs.find(root):
            name = old[len(root) :].lstrip("/")
            if name not in names and is_a_result(name):
                fs.rm_file(old)
    except Exception as error:  # every file system has errors of its own
        raise UpdraftKeyError(f"expected to write into {out}: {error}; check the place and your rights") from error
    return len(files)
