"""What lies in an inbox: pictures grouped into cases, from a folder, a zip or a CSV, local or through fsspec.

Grouping, in this order: a CSV says it (columns ``case`` and ``file``); one sub-folder is one case; in a flat
folder, the part of the name before its last ``_`` or ``-`` and number is the case (``ann_1.jpg`` and
``ann_2.jpg`` belong to ``ann``), and a name without such an ending is a case of its own. Names that a camera or a
phone gives by itself (``IMG_0042.jpg``) tell no customer: each is a case of its own, since two customers' pictures
in one case would be worse than one customer's in two.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from updraft_key.model.errors import ArchiveError, UpdraftKeyError

from .archive import Member, PictureZip

_ENDING = re.compile(r"^(?P<case>.+?)[ _-]+\d{1,6}$")
_WORDS = "img|mvimg|pxl|dscn?|dscf|pic|vid|mov|clip|photo|foto|image|bild|picture|scan|screenshot"
_CAMERA = (
    re.compile(r"[A-Z0-9_]{4}\d{4}"),  # DCF object names (CIPA DC-009): four free characters and four digits
    re.compile(rf"(?:{_WORDS})[ _.-]*\(?\d.*", re.IGNORECASE),
    re.compile(r".*?(?:19|20)\d\d[-_.]?[01]\d[-_.]?[0-3]\d\D{0,4}[0-2]\d[-_.]?[0-5]\d.*"),  # a date and a time
)
"""Names that cameras and phones give by themselves (the latter two: common practice, no source)."""
_OTHER_FILES = (".csv", ".txt", ".md", ".json", ".jsonl", ".html", ".ds_store", ".ini", ".db")
_CSV_BYTES = 64 << 20


@dataclass(frozen=True, slots=True)
class Item:
    """One file of the inbox. ``ref`` finds it again (URL, or member index of the zip); ``label`` is for people."""

    case: str
    label: str
    ref: str


@dataclass(frozen=True, slots=True)
class Case:
    """The files of one customer or one question, in name order."""

    name: str
    items: tuple[Item, ...]
    stamps: tuple[str, ...] = ()

    @property
    def mark(self) -> str:
        """A short hash of the files' names, places and sizes: another mark is another case to do."""
        return hashlib.sha256(repr((self.items, self.stamps)).encode()).hexdigest()[:24]


def case_of(label: str) -> str:
    """Return the case that a label belongs to.

    >>> case_of("ann_1.jpg"), case_of("boat 7/IMG.jpg"), case_of("lone.jpg"), case_of("IMG_0042.jpg")
    ('ann', 'boat 7', 'lone', 'IMG_0042')
    """
    path = PurePosixPath(label.replace("\\", "/"))
    folders = [p for p in path.parts[:-1] if p not in ("/", "..", ".")]
    if folders:
        return "/".join(folders)
    stem = path.stem or path.name
    if any(pattern.fullmatch(stem) for pattern in _CAMERA):
        return stem
    match = _ENDING.match(stem)
    return match["case"].rstrip(" _-") if match else stem


@dataclass(frozen=True, slots=True)
class Inbox:
    """Where the pictures are: ``url`` of a folder, a ``.zip`` or a ``.csv`` (any fsspec scheme, or a local path).

    Raises:
        UpdraftKeyError: nothing there, or a CSV without the two columns.
    """

    url: str

    def cases(self) -> list[Case]:
        """List all cases, sorted by name, files sorted within. Reads names only, no picture."""
        groups: dict[str, list[tuple[Item, str]]] = {}
        for item, stamp in self._items():
            groups.setdefault(item.case, []).append((item, stamp))
        if not groups:
            raise UpdraftKeyError(f"expected pictures in {self.url!r}, found none")
        ordered = [(name, sorted(rows, key=lambda r: (r[0].label, r[0].ref))) for name, rows in sorted(groups.items())]
        return [Case(name, tuple(i for i, _ in rows), tuple(stamp for _, stamp in rows)) for name, rows in ordered]

    def _items(self) -> Iterator[tuple[Item, str]]:
        """Every file, with a stamp that changes when its content does, as far as that is known without reading it."""
        lower = self.url.lower()
        if lower.endswith(".zip"):
            yield from self._from_zip()
        elif lower.endswith(".csv"):
            yield from self._from_csv()
        else:
            yield from self._from_folder()

    def _from_folder(self) -> Iterator[tuple[Item, str]]:
        fs, root = filesystem(self.url)
        if not fs.isdir(root):
            raise UpdraftKeyError(f"expected a folder, a .zip or a .csv, got {self.url!r}")
        base = root.rstrip("/")
        for path, facts in sorted(fs.find(base, detail=True).items()):
            label = path[len(base) :].lstrip("/")
            if not _left_out(label):
                yield Item(case_of(label), label, str(fs.unstrip_protocol(path))), str(facts.get("size"))

    def _from_zip(self) -> Iterator[tuple[Item, str]]:
        fs, path = filesystem(self.url)
        if not fs.exists(path):
            raise UpdraftKeyError(f"expected a zip archive at {self.url!r}, found nothing")
        with fs.open(path, "rb") as handle, PictureZip(handle) as archive:
            for member in archive.members():
                if not _left_out(member.label):
                    yield Item(case_of(member.label), member.label, f"{member.index}"), member.stamp

    def _from_csv(self) -> Iterator[tuple[Item, str]]:
        fs, path = filesystem(self.url)
        if not fs.exists(path):
            raise UpdraftKeyError(f"expected a CSV at {self.url!r}, found nothing")
        with fs.open(path, "rb") as handle:
            text = handle.read(_CSV_BYTES).decode("utf-8-sig", errors="replace")
        rows = csv.DictReader(io.StringIO(text))
        if not rows.fieldnames or not {"case", "file"} <= set(rows.fieldnames):
            raise UpdraftKeyError(f"expected the columns 'case' and 'file' in {self.url!r}, got {rows.fieldnames}")
        base, here = path.rsplit("/", 1)[0], is_local(self.url)
        for row in rows:
            name = (row["file"] or "").replace("\\", "/")
            if not name or name.startswith("/") or ".." in PurePosixPath(name).parts or "://" in name:
                raise UpdraftKeyError(f"expected a file beside the CSV, got {name!r}: no paths outside it")
            place = f"{base}/{name}"
            # Elsewhere each look at a size would be a call over the wire, and the list itself is the word.
            stamp = str(fs.size(place)) if here and fs.isfile(place) else ""
            yield Item(row["case"] or name, name, str(fs.unstrip_protocol(place))), stamp


def _left_out(label: str) -> bool:
    """Whether a name is no customer's picture: lists, notes, hidden files, and what archivers add."""
    parts = PurePosixPath(label.replace("\\", "/")).parts
    hidden = any(p.startswith(".") and p not in ("..", ".") for p in parts)
    return hidden or "__MACOSX" in parts or label.lower().endswith(_OTHER_FILES)


class Reader:
    """Reads an item's bytes, capped; keeps a zip open between reads. One for each worker.

    Raises:
        UpdraftKeyError: the inbox cannot be seen from here (as on a cluster whose workers lack the disk).
    """

    def __init__(self, inbox_url: str, max_bytes: int = 25 << 20) -> None:
        self._url = inbox_url
        self._max = max_bytes
        self._zip: PictureZip | None = None
        self._members: dict[str, Member] = {}
        self._handle: Any = None
        fs, path = filesystem(inbox_url)
        if not fs.exists(path):
            raise UpdraftKeyError(
                f"expected every worker to see the inbox {inbox_url!r}, one does not; give a place that all can read"
            )

    def read(self, item: Item, most: int | None = None) -> bytes:
        """Return the bytes of one item, at most ``most`` (the reader's own cap by default).

        Raises:
            ArchiveError: the item is in a zip and cannot be read safely.
            UpdraftKeyError: it is gone, unreadable or over the byte cap.
        """
        if self._url.lower().endswith(".zip"):
            return self._read_member(item)
        cap = most or self._max
        try:
            fs, path = filesystem(item.ref)
            with fs.open(path, "rb") as handle:
                # Where the size is known no more is asked for: to make room for 25 MB and give it back costs 1.3 ms.
                size = getattr(handle, "size", None)
                data: bytes = handle.read((cap if size is None else min(size, cap)) + 1)
        except OSError as err:
            raise UpdraftKeyError(f"expected a readable file, got: {err.strerror or type(err).__name__}") from err
        if len(data) > cap:
            most_mib = f"{cap / (1 << 20):.3g} MiB"
            raise UpdraftKeyError(f"expected at most {most_mib}, got a larger file: send a smaller picture")
        return data

    def _read_member(self, item: Item) -> bytes:
        if self._zip is None:
            fs, path = filesystem(self._url)
            self._handle = fs.open(path, "rb")
            self._zip = PictureZip(self._handle)
            self._members = {str(m.index): m for m in self._zip.members()}
        if item.ref not in self._members:
            raise ArchiveError(f"expected member {item.ref} in the archive, found none: did it change?")
        return self._zip.read(self._members[item.ref])

    def close(self) -> None:
        """Close what was opened."""
        if self._zip is not None:
            self._zip.close()
            self._handle.close()
            self._zip = None


def filesystem(url: str) -> tuple[Any, str]:
    """The file system of a path or fsspec URL, and the path in it.

    Raises:
        UpdraftKeyError: a scheme that is not known or not installed.
    """
    import fsspec

    try:
        fs, path = fsspec.core.url_to_fs(url)
    except (ValueError, ImportError) as err:
        raise UpdraftKeyError(f"expected a path or an fsspec URL that is installed, got {url!r}: {err}") from err
    return fs, str(path)


def is_local(url: str) -> bool:
    """Whether a path or URL is on this machine's disks.

    Raises:
        UpdraftKeyError: as ``filesystem``.
    """
    return "file" in _protocols(url)


def in_memory(url: str) -> bool:
    """Whether a URL is in this process's memory, which no other process sees."""
    return "memory" in _protocols(url)


def _protocols(url: str) -> tuple[str, ...]:
    known = filesystem(url)[0].protocol
    return (known,) if isinstance(known, str) else tuple(known)
