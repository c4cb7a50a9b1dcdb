"""The zip door: labels only, sizes counted on what comes out, everything odd refused with a plain word."""

import io
import stat
import struct
import zipfile

import pytest
from updraft_key.app.archive import ArchiveLimits, PictureZip
from updraft_key.model.errors import ArchiveError


def make_zip(*members: tuple[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> io.BytesIO:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members:
            archive.writestr(name, data)
    out.seek(0)
    return out


def read_all(source: io.BytesIO, limits: ArchiveLimits | None = None) -> dict[str, bytes]:
    with PictureZip(source, limits) as archive:
        return {m.label: archive.read(m) for m in archive.members()}


def test_members_come_back_whole() -> None:
    assert read_all(make_zip(("a/1.jpg", b"one"), ("b.jpg", b"two"))) == {"a/1.jpg": b"one", "b.jpg": b"two"}


def test_folders_are_no_members() -> None:
    assert read_all(make_zip(("a/", b""), ("a/1.jpg", b"x"))) == {"a/1.jpg": b"x"}


@pytest.mark.parametrize("name", ["../../etc/passwd", "/etc/passwd", "C:\\x.jpg", "a/../../b.jpg", "n" * 300 + ".jpg"])
def test_hostile_names_stay_labels(name: str, tmp_path: object) -> None:
    with PictureZip(make_zip((name, b"x"))) as archive:
        members = list(archive.members())
        assert archive.read(members[0]) == b"x"  # read into memory; nothing is ever written


def test_twice_the_same_name_gives_both() -> None:
    with pytest.warns(UserWarning, match="Duplicate name"):
        source = make_zip(("a.jpg", b"1"), ("a.jpg", b"2"))
    with PictureZip(source) as archive:
        assert [archive.read(m) for m in archive.members()] == [b"1", b"2"]


def test_a_link_is_refused() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        info = zipfile.ZipInfo("link.jpg")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(info, "/etc/passwd")
    out.seek(0)
    with pytest.raises(ArchiveError, match="symbolic link"):
        read_all(out)


def test_a_bomb_is_refused_by_its_ratio() -> None:
    with pytest.raises(ArchiveError, match="unpacks to over"):
        read_all(make_zip(("b.png", b"\0" * (8 << 20))))


def test_one_member_over_the_cap_is_refused() -> None:
    source = make_zip(("b.jpg", bytes(range(256)) * 20), method=zipfile.ZIP_STORED)
    with pytest.raises(ArchiveError, match="at most 4096 bytes"):
        read_all(source, ArchiveLimits(member_bytes=4096))


def test_all_members_over_the_cap_are_refused() -> None:
    source = make_zip(("a.jpg", b"x" * 3000), ("b.jpg", b"y" * 3000), method=zipfile.ZIP_STORED)
    with pytest.raises(ArchiveError, match="at most 5000 bytes"):
        read_all(source, ArchiveLimits(total_bytes=5000))


def test_too_many_members_are_refused() -> None:
    source = make_zip(*((f"{i}.jpg", b"") for i in range(5)))
    with pytest.raises(ArchiveError, match="at most 4 entries, got 5"):
        read_all(source, ArchiveLimits(members=4))


def test_a_lying_size_is_caught() -> None:
    """The header claims 5 bytes; the stream holds more. What comes out is counted, or the CRC fails."""
    raw = bytearray(make_zip(("a.jpg", b"x" * 5000)).getvalue())
    at = raw.index(b"PK\x01\x02") + 24  # uncompressed size in the central directory (APPNOTE 4.3.12)
    raw[at : at + 4] = struct.pack("<I", 5)
    with pytest.raises(ArchiveError):
        read_all(io.BytesIO(bytes(raw)))


def test_an_encrypted_member_is_refused() -> None:
    raw = bytearray(make_zip(("a.jpg", b"x")).getvalue())
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        raw[raw.index(signature) + offset] |= 1
    with pytest.raises(ArchiveError, match="encrypted"):
        read_all(io.BytesIO(bytes(raw)))


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip at all", b"\x1f\x8b" + b"0" * 50])
def test_anything_else_is_no_zip(data: bytes) -> None:
    with pytest.raises(ArchiveError, match="expected a zip archive"):
        PictureZip(io.BytesIO(data))


@pytest.mark.parametrize("cut", range(1, 200, 13))
def test_cut_short_never_crashes(cut: int) -> None:
    raw = make_zip(("a.jpg", bytes(range(200))), ("b.jpg", b"z" * 50)).getvalue()
    with pytest.raises(ArchiveError):
        read_all(io.BytesIO(raw[:-cut]))
