"""Every error that a caller can act on, under one root.

::

    UpdraftKeyError
    ├── PhotoError            this picture cannot be used; other pictures of the call still can
    │   ├── PhotoFormat       not one of the taken formats
    │   ├── PhotoTooLarge     more bytes or pixels than the limit
    │   └── PhotoUnreadable   a taken format, but broken, cut short or too slow to decode
    ├── ArchiveError          a zip that cannot be read safely
    ├── ModelFileError        the network file is missing, foreign, altered or answers nonsense
    ├── EvidenceError         a hand test or reading that the vocabulary does not know
    ├── CatalogueError        a parts catalogue with rows that cannot be used
    ├── MeasureError          no scale in the picture, or a measurement that cannot be made
    ├── StoreError            the database of cases cannot be opened, read or written
    └── MissingExtra          an optional part of the program is not installed

Messages say what was expected, what came, and what to do.
"""

from __future__ import annotations


class UpdraftKeyError(Exception):
    """Root of all errors that this package raises on purpose."""


class PhotoError(UpdraftKeyError):
    """A picture cannot be used."""


class PhotoFormat(PhotoError):
    """The bytes are not one of the picture formats that are taken."""


class PhotoTooLarge(PhotoError):
    """The picture has more bytes or pixels than the limit."""


class PhotoUnreadable(PhotoError):
    """The picture is of a taken format but broken, cut short, or too slow to decode."""


class ArchiveError(UpdraftKeyError):
    """A zip archive cannot be read safely."""


class ModelFileError(UpdraftKeyError):
    """The network file is missing, foreign, altered, or gives values that cannot be used."""


class EvidenceError(UpdraftKeyError):
    """A cue, reading or hand test is not in the vocabulary."""


class CatalogueError(UpdraftKeyError):
    """A parts catalogue has rows that cannot be used."""


class MeasureError(UpdraftKeyError):
    """No usable scale in the picture, or a measurement that cannot be made from it."""


class StoreError(UpdraftKeyError):
    """The database of cases cannot be opened, read or written."""


class MissingExtra(UpdraftKeyError):
    """An optional part of the program is not installed."""

    def __init__(self, what: str, extra: str) -> None:
        super().__init__(f"{what} needs packages that are not installed: pip install 'updraft-key[{extra}]'")
        self.extra = extra
