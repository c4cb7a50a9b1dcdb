"""Picture sets that others made, fetched through their packages, never committed: ``python tests/hostile/corpora.py``.

They lie under ``.cache/corpora``. Without ``--all`` only the small ones that need no source packages are fetched.
Origins and what was seen in them: OUTSIDE_CHECKS 6.2 and 6.3. Where CI is true a missing set fails its tests;
elsewhere they are skipped, with the command to run.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

HOME = Path(__file__).parents[2] / ".cache" / "corpora"
SUITE = "bookworm"
MIRROR = "http://deb.debian.org/debian"


@dataclass(frozen=True)
class Corpus:
    """A set: how its archive is fetched, and which of its files are taken."""

    name: str
    kind: str
    package: str
    wanted: str
    always: bool = True


CORPORA = (
    Corpus("orientation_debian", "deb", "golang-github-disintegration-imaging-dev", r"testdata/orientation_\d\.jpg$"),
    Corpus("exif_debian", "deb", "golang-github-rwcarlsen-goexif-dev", r"exif/.*\.(jpg|jpeg)$"),
    Corpus("orientation_sdist", "sdist", "sorl-thumbnail==13.4.0", r"tests/data/.*\.jpe?g$"),
    Corpus("heif_sdist", "sdist", "pillow-heif==1.8.1", r"tests/images/.*\.(heic|heif|hif|avif)$"),
    Corpus("png_source", "source", "libpng1.6", r"contrib/(testpngs/crashers|pngsuite)/.*\.png$", always=False),
    Corpus("heif_source", "source", "libheif", r"fuzzing/corpus/", always=False),
    Corpus("exif_source", "source", "exiv2", r"test/data/.*\.(jpe?g|png|webp|hei[cf]|tif|psd|gif|eps)$", always=False),
)  # fmt: skip


def folder(name: str) -> Path:
    """The folder of a set; fails or skips the calling test when it was not fetched."""
    path = HOME / name
    if not path.is_dir():
        how = "fetch it with: python tests/hostile/corpora.py --all"
        if os.environ.get("CI") == "true" and next(c for c in CORPORA if c.name == name).always:
            pytest.fail(f"the set {name} is missing; {how}")
        pytest.skip(f"the set {name} is not here; {how}")
    return path


def files(name: str) -> list[Path]:
    """All files of a set, sorted."""
    return sorted(p for p in folder(name).rglob("*") if p.is_file())


def fetch(corpus: Corpus, work: Path) -> int:
    """Fetch one set; returns the number of files taken."""
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir(parents=True)
    how: dict[str, Callable[[str, Path], list[tarfile.TarFile]]] = {"deb": _deb, "sdist": _sdist, "source": _source}
    out = HOME / corpus.name
    partial = out.with_suffix(".part")
    shutil.rmtree(partial, ignore_errors=True)
    taken = 0
    for archive in how[corpus.kind](corpus.package, work):
        for member in archive:
            if member.isfile() and re.search(corpus.wanted, member.name, re.IGNORECASE):
                data = archive.extractfile(member)
                assert data is not None
                # Our own flat names: a path inside a stranger's archive is not to be trusted.
                name = re.sub(r"[^A-Za-z0-9._-]+", "_", "_".join(Path(member.name).parts[-2:]))
                partial.mkdir(parents=True, exist_ok=True)
                (partial / name).write_bytes(data.read())
                taken += 1
    if taken == 0:
        raise RuntimeError(f"{corpus.name}: nothing of {corpus.package} matched {corpus.wanted}")
    shutil.rmtree(out, ignore_errors=True)
    partial.rename(out)
    return taken


def _run(*command: str | Path, cwd: Path) -> None:
    done = subprocess.run([str(c) for c in command], cwd=cwd, capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"{' '.join(map(str, command[:3]))}: {done.stderr.strip()[-400:]}")


def _deb(package: str, work: Path) -> list[tarfile.TarFile]:
    _run("apt-get", *_private(work), "download", package, cwd=work)
    unpacked = subprocess.run(["dpkg-deb", "--fsys-tarfile", next(work.glob("*.deb"))], capture_output=True, check=True)
    return [tarfile.open(fileobj=io.BytesIO(unpacked.stdout))]


def _sdist(package: str, work: Path) -> list[tarfile.TarFile]:
    _run(
        sys.executable,
        "-m",
        "pip",
        "download",
        "-q",
        "--no-deps",
        "--no-binary",
        ":all:",
        "-d",
        work,
        package,
        cwd=work,
    )
    return [tarfile.open(p) for p in work.glob("*.tar.*")]


def _source(package: str, work: Path) -> list[tarfile.TarFile]:
    _run("apt-get", *_private(work), "source", "--download-only", package, cwd=work)
    return [tarfile.open(p) for p in work.glob("*.orig.tar.*") if not p.name.endswith(".asc")]


def _private(work: Path) -> list[str]:
    """Options that give apt its own lists, so that neither root nor the machine's settings are touched."""
    state = work.parent / "apt"
    for name in ("lists/partial", "cache/archives/partial"):
        (state / name).mkdir(parents=True, exist_ok=True)
    sources = state / "sources.list"
    options = [
        "-o", f"Dir::Etc::SourceList={sources}", "-o", "Dir::Etc::SourceParts=/dev/null",
        "-o", f"Dir::State::Lists={state / 'lists'}", "-o", f"Dir::Cache={state / 'cache'}",
        "-o", "APT::Sandbox::User=", "-o", "Debug::NoLocking=true",
    ]  # fmt: skip
    if not sources.exists():
        key = "/usr/share/keyrings/debian-archive-keyring.gpg"
        sources.write_text("".join(f"{k} [signed-by={key}] {MIRROR} {SUITE} main\n" for k in ("deb", "deb-src")))
        _run("apt-get", *options, "update", "-qq", cwd=state)
    return options


def main() -> int:
    """Fetch what is missing."""
    parser = argparse.ArgumentParser(description="Fetch picture sets for the tests.")
    parser.add_argument("--all", action="store_true", help="also those inside Debian source packages")
    wanted = [c for c in CORPORA if c.always or parser.parse_args().all]
    failed = 0
    with tempfile.TemporaryDirectory() as work:
        for corpus in wanted:
            if (HOME / corpus.name).is_dir():
                continue
            try:
                sys.stderr.write(f"{corpus.name}: {fetch(corpus, Path(work) / corpus.name)} files\n")
            except (RuntimeError, OSError, StopIteration, tarfile.TarError, subprocess.CalledProcessError) as error:
                sys.stderr.write(f"{corpus.name}: {error}\n")
                failed += 1
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
