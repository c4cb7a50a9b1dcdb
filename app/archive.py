"""The only door for zip files: members are read one by one into memory, and never unpacked to a disk.

Member names are labels and nothing else: no path is ever built from one. Sizes are counted on the bytes that
come out, not on what the archive's own directory claims.
"""

from __future__ import annotations

import stat
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import IO

from updraft_key.model.errors import ArchiveError

_CHUNK = 1 << 16


@dataclass(frozen=True, slots=True)
class ArchiveLimits:
    """Ceilings for one archive.

    Attributes:
        members: number of entries.
        member_bytes: unpacked bytes of one entry.
        total_bytes: unpacked bytes of all entries read in one pass.
        ratio: unpacked over packed bytes of one entry, checked past the first MiB. Pictures do not shrink:
            a high ratio is a bomb, not a photo.
    """

    members: int = 50_000
    member_bytes: int = 25 << 20
    total_bytes: int = 64 << 30
    ratio: float = 100.0


@dataclass(frozen=True, slots=True)
class Member:
    """One entry: ``label`` is its name as text (unsafe to use as a path), ``index`` its place in the archive.

    ``stamp`` is the size and checksum that the archive's directory claims.
    """

    index: int
    label: str
    stamp: str = ""


class PictureZip:
    """A zip opened for reading its members as bytes.

    Raises:
        ArchiveError: not a zip, damaged directory, or more members than the limit.
    """

    def __init__(self, source: Path | IO[bytes], limits: ArchiveLimits | None = None) -> None:
        self._limits = limits or ArchiveLimits()
        try:
            self._zip = zipfile.ZipFile(source)
            self._infos = self._zip.infolist()
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, RuntimeError) as err:
            raise ArchiveError(f"expected a zip archive of pictures, got something else: {err}") from err
        if len(self._infos) > self._limits.members:
            count = len(self._infos)
            self.close()
            raise ArchiveError(f"expected at most {self._limits.members} entries, got {count}: split the archive")
        self._spent = 0

    def __enter__(self) -> PictureZip:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._zip.close()

    def members(self) -> Iterator[Member]:
        """Yield every entry that is a file, in archive order."""
        for index, info in enumerate(self._infos):
            if not info.is_dir():
                yield Member(index, info.filename, f"{info.file_size}:{info.CRC}")

    def read(self, member: Member) -> bytes:
        """Return one member's bytes.

        Raises:
            ArchiveError: a link, an encrypted or damaged member, or one over the limits.
        """
        info = self._infos[member.index]
        mode = info.external_attr >> 16
        if mode and stat.S_ISLNK(mode):
            raise ArchiveError("expected a picture, got a symbolic link: not followed")
        if info.flag_bits & 0x1:
            raise ArchiveError("expected a plain member, got an encrypted one: send it without a password")
        out = bytearray()
        try:
            with self._zip.open(info) as handle:
                while block := handle.read(_CHUNK):
                    out += block
                    self._spent += len(block)
                    self._check(len(out), max(info.compress_size, 1))
        except (
            zipfile.BadZipFile,
            zlib.error,
            OSError,
            EOFError,
            ValueError,
            NotImplementedError,
            RuntimeError,
        ) as err:
            raise ArchiveError(f"expected a whole member, got a damaged one: {err}") from err
        return bytes(out)

    def _check(self, size: int, packed: int) -> None:
        if size > self._limits.member_bytes:
            raise ArchiveError(f"expected at most {self._limits.member_bytes} bytes in one picture, got more")
        if size > 1 << 20 and size / packed > self._limits.ratio:
            raise ArchiveError(f"expected a picture, got a member that unpacks to over {self._limits.ratio:.0f} times")
        if self._spent > self._limits.total_bytes:
            raise ArchiveError(f"expected at most {self._limits.total_bytes} bytes in one archive, got more")
