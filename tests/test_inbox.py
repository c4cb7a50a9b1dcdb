"""An inbox grouped into cases: folders, prefixes, a CSV, a zip; local and through fsspec's memory."""

import zipfile
from pathlib import Path

import fsspec
import pytest
from updraft_key.app.inbox import Inbox, Reader, case_of
from updraft_key.model.errors import UpdraftKeyError


@pytest.mark.parametrize(
    ("label", "case"),
    [
        ("ann_1.jpg", "ann"),
        ("ann_2.jpg", "ann"),
        ("boat-003.heic", "boat"),
        ("lone.jpg", "lone"),
        ("1042_1.jpg", "1042"),
        ("ann_0042.jpg", "ann"),
        ("Boat of Ann 3.jpg", "Boat of Ann"),
        ("IMG_0042.jpg", "IMG_0042"),  # names by themselves tell no customer, so they are never put together
        ("DSC00042.JPG", "DSC00042"),
        ("DSC_0042 (1).jpg", "DSC_0042 (1)"),
        ("IMG-20240501-WA0003.jpg", "IMG-20240501-WA0003"),
        ("20240501_123456.jpg", "20240501_123456"),
        ("photo 2.jpg", "photo 2"),
        ("chat picture 2024-05-01 at 12.34.56.jpg", "chat picture 2024-05-01 at 12.34.56"),
        ("ann/IMG_1.jpg", "ann"),
        ("2026/ann/x.jpg", "2026/ann"),
        ("../ann/x.jpg", "ann"),
        ("ann\\x.jpg", "ann"),
        ("7.jpg", "7"),
        (".jpg", ".jpg"),
    ],
)
def test_case_of(label: str, case: str) -> None:
    assert case_of(label) == case


def fill(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(name.encode())


def shape(inbox: Inbox) -> dict[str, list[str]]:
    return {c.name: [i.label for i in c.items] for c in inbox.cases()}


def test_one_folder_a_customer(tmp_path: Path) -> None:
    fill(tmp_path, "ann/b.jpg", "ann/a.jpg", "bo/1.png", "notes.txt", ".hidden")
    assert shape(Inbox(str(tmp_path))) == {"ann": ["ann/a.jpg", "ann/b.jpg"], "bo": ["bo/1.png"]}


def test_flat_folder_by_prefix(tmp_path: Path) -> None:
    fill(tmp_path, "ann_2.jpg", "ann_1.jpg", "bo.jpg")
    assert shape(Inbox(str(tmp_path))) == {"ann": ["ann_1.jpg", "ann_2.jpg"], "bo": ["bo.jpg"]}


def test_csv_says_it(tmp_path: Path) -> None:
    fill(tmp_path, "x.jpg", "y.jpg")
    (tmp_path / "list.csv").write_text("case,file\ncarl,y.jpg\ncarl,x.jpg\n")
    assert shape(Inbox(str(tmp_path / "list.csv"))) == {"carl": ["x.jpg", "y.jpg"]}


@pytest.mark.parametrize("name", ["../secret.jpg", "/etc/passwd", "http://example.org/x.jpg", "a/../../b.jpg"])
def test_csv_reaches_nothing_outside_its_folder(tmp_path: Path, name: str) -> None:
    (tmp_path / "list.csv").write_text(f"case,file\nc,{name}\n")
    with pytest.raises(UpdraftKeyError, match="no paths outside"):
        Inbox(str(tmp_path / "list.csv")).cases()


def test_zip_and_its_reader(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "in.zip", "w") as archive:
        archive.writestr("ann/1.jpg", b"one")
        archive.writestr("ann/2.jpg", b"two")
    inbox = Inbox(str(tmp_path / "in.zip"))
    reader = Reader(inbox.url)
    assert [reader.read(i) for c in inbox.cases() for i in c.items] == [b"one", b"two"]
    reader.close()


def test_memory_file_system() -> None:
    fs = fsspec.filesystem("memory")
    fs.pipe("/inbox/ann/1.jpg", b"one")
    inbox = Inbox("memory://inbox")
    assert shape(inbox) == {"ann": ["ann/1.jpg"]}
    assert Reader(inbox.url).read(inbox.cases()[0].items[0]) == b"one"
    fs.rm("/inbox", recursive=True)


def test_over_the_byte_cap(tmp_path: Path) -> None:
    fill(tmp_path, "a.jpg")
    item = Inbox(str(tmp_path)).cases()[0].items[0]
    with pytest.raises(UpdraftKeyError, match=r"expected at most .* MiB, got a larger file"):
        Reader(str(tmp_path), max_bytes=3).read(item)


def test_a_file_that_went_away(tmp_path: Path) -> None:
    fill(tmp_path, "a.jpg")
    item = Inbox(str(tmp_path)).cases()[0].items[0]
    (tmp_path / "a.jpg").unlink()
    with pytest.raises(UpdraftKeyError, match="expected a readable file"):
        Reader(str(tmp_path)).read(item)


@pytest.mark.parametrize("name", ["missing", "missing.zip", "missing.csv", "noscheme://x"])
def test_nothing_there(tmp_path: Path, name: str) -> None:
    url = name if "://" in name else str(tmp_path / name)
    with pytest.raises(UpdraftKeyError):
        Inbox(url).cases()


def test_an_empty_folder(tmp_path: Path) -> None:
    with pytest.raises(UpdraftKeyError, match="found none"):
        Inbox(str(tmp_path)).cases()
