"""What lies in an inbox: pictures grouped into cases, from a folder, a zip or a CSV, local or through fsspec.

Grouping, in this order: a CSV says it (columns ``case`` and ``file``); one sub-folder is one case; in a flat
folder, the part of the name before its last ``_`` or ``-`` and number is the case (``ann_1.jpg`` and
``ann_2.jpg`` belong to ``ann``), and a name without such an ending is a case of its own.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from updraft_key.model.errors import ArchiveError, UpdraftKeyError

from .archive import PictureZip

_ENDING = re.compile(r"^(?P<case>.+?)[ _-]+\d{1,6}$")
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


def case_of(label: str) -> str:
    """Return the case that a label belongs to.

    >>> case_of("ann_1.jpg"), case_of("boat 7/IMG.jpg"), case_of("lone.jpg")
    ('ann', 'boat 7', 'lone')
    """
    path = PurePosixPath(label.replace("\\", "/"))
    folders = [p for p in path.parts[:-1] if p not in ("/", "..", ".")]
    if folders:
        return "/".join(folders)
    stem = path.stem or path.name
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
        groups: dict[str, list[Item]] = {}
        for item in self._items():
            groups.setdefault(item.case, []).append(item)
        if not groups:
            raise UpdraftKeyError(f"expected pictures in {self.url!r}, found none")
        return [
            Case(name, tuple(sorted(items, key=lambda i: (i.label, i.ref)))) for name, items in sorted(groups.items())
        ]

    def _items(self) -> Iterator[Item]:
        lower = self.url.lower()
        if lower.endswith(".zip"):
            yield from self._from_zip()
        elif lower.endswith(".csv"):
            yield from self._from_csv()
        else:
            yield from self._from_folder()

    def _from_folder(self) -> Iterator[Item]:
        fs, root = _filesystem(self.url)
        if not fs.isdir(root):
            raise UpdraftKeyError(f"expected a folder, a .zip or a .csv, got {self.url!r}")
        base = root.rstrip("/")
        for path in sorted(fs.find(base)):
            label = path[len(base) :].lstrip("/")
            if label.lower().endswith(_OTHER_FILES) or PurePosixPath(label).name.startswith("."):
                continue
            yield Item(case_of(label), label, str(fs.unstrip_protocol(path)))

    def _from_zip(self) -> Iterator[Item]:
        fs, path = _filesystem(self.url)
        if not fs.exists(path):
            raise UpdraftKeyError(f"expected a zip archive at {self.url!r}, found nothing")
        with fs.open(path, "rb") as handle, PictureZip(handle) as archive:
            for member in archive.members():
                if not member.label.lower().endswith(_OTHER_FILES):
                    yield Item(case_of(member.label), member.label, f"{member.index}")

    def _from_csv(self) -> Iterator[Item]:
        fs, path = _filesystem(self.url)
        if not fs.exists(path):
            raise UpdraftKeyError(f"expected a CSV at {self.url!r}, found nothing")
        with fs.open(path, "rb") as handle:
            text = handle.read(_CSV_BYTES).decode("utf-8-sig", errors="replace")
        rows = csv.DictReader(io.StringIO(text))
        if not rows.fieldnames or not {"case", "file"} <= set(rows.fieldnames):
            raise UpdraftKeyError(f"expected the columns 'case' and 'file' in {self.url!r}, got {rows.fieldnames}")
        base = path.rsplit("/", 1)[0]
        for row in rows:
            name = (row["file"] or "").replace("\\", "/")
            if not name or name.startswith("/") or ".." in PurePosixPath(name).parts or "://" in name:
                raise UpdraftKeyError(f"expected a file beside the CSV, got {name!r}: no paths outside it")
            yield Item(row["case"] or name, name, str(fs.unstrip_protocol(f"{base}/{name}")))


class Reader:
    """Reads an item's bytes, capped; keeps a zip open between reads. One for each worker."""

    def __init__(self, inbox_url: str, max_bytes: int = 25 << 20) -> None:
        self._url = inbox_url
        self._max = max_bytes
        self._zip: PictureZip | None = None
        self._handle: Any = None

    def read(self, item: Item) -> bytes:
        """Return the bytes of one item.

        Raises:
            ArchiveError: the item is in a zip and cannot be read safely.
            UpdraftKeyError: it is gone, unreadable or over the byte cap.
        """
        if self._url.lower().endswith(".zip"):
            return self._read_member(item)
        try:
            fs, path = _filesystem(item.ref)
            with fs.open(path, "rb") as handle:
                data: bytes = handle.read(self._max + 1)
        except OSError as err:
            raise UpdraftKeyError(f"expected a readable file, got: {err.strerror or type(err).__name__}") from err
        if len(data) > self._max:
            raise UpdraftKeyError(f"expected at most {self._max} bytes, got a larger file: send a smaller picture")
        return data

    def _read_member(self, item: Item) -> bytes:
        if self._zip is None:
            fs, path = _filesystem(self._url)
            self._handle = fs.open(path, "rb")
            self._zip = PictureZip(self._handle)
        for member in self._zip.members():
            if str(member.index) == item.ref:
                return self._zip.read(member)
        raise ArchiveError(f"expected member {item.ref} in the archive, found none: did it change?")

    def close(self) -> None:
        """Close what was opened."""
        if self._zip is not None:
            self._zip.close()
            self._handle.close()
            self._zip = None


def _filesystem(url: str) -> tuple[Any, str]:
    import fsspec

    try:
        fs, path = fsspec.core.url_to_fs(url)
    except (ValueError, ImportError) as err:
        raise UpdraftKeyError(f"expected a path or an fsspec URL that is installed, got {url!r}: {err}") from err
    return fs, str(path)
