"""Uploads wait in memory: taken once, by their own key, bounded in bytes and age; nothing goes to the disk."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

pytest.importorskip("gradio", reason="the [web] extra")
pytestmark = pytest.mark.web

from fake_engine import FakeEngine  # noqa: E402
from live import running  # noqa: E402
from updraft_key.app.server import ServerSettings  # noqa: E402
from updraft_key.app.uploads import NoRoomError, Uploads, key_of, path_of  # noqa: E402


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def test_a_file_is_taken_once_and_by_its_own_key() -> None:
    uploads = Uploads()
    one, two = uploads.keep("a.jpg", b"same"), uploads.keep("b.jpg", b"same")
    assert one != two and len(uploads) == 2
    got = uploads.take(one)
    assert got is not None and (got.name, got.data) == ("a.jpg", b"same")
    assert uploads.take(one) is None, "taken once"
    assert uploads.take(two) is not None, "the same bytes sent twice are two files"
    for key in (None, "", 7, ["x"], "no such key"):
        assert uploads.take(key) is None


def test_what_nobody_asks_for_is_forgotten() -> None:
    clock = Clock()
    uploads = Uploads(seconds=600, clock=clock)
    old = uploads.keep("a.jpg", b"1")
    clock.now = 601
    new = uploads.keep("b.jpg", b"2")
    assert len(uploads) == 1 and uploads.take(old) is None and uploads.take(new) is not None


def test_room_is_bounded_and_given_back() -> None:
    clock = Clock()
    uploads = Uploads(most_bytes=100, spare_seconds=60, clock=clock)
    with uploads.room(60):
        with pytest.raises(NoRoomError), uploads.room(60):
            pass
        with uploads.room(40):
            pass
    kept = uploads.keep("a.jpg", bytes(80))
    with pytest.raises(NoRoomError), uploads.room(60):
        pass
    clock.now = 61  # whoever left it lying that long gives way to somebody who sends now
    with uploads.room(60):
        assert uploads.take(kept) is None


def test_room_is_given_back_when_reading_fails() -> None:
    uploads = Uploads(most_bytes=100)
    with pytest.raises(RuntimeError), uploads.room(100):
        raise RuntimeError
    with uploads.room(100):
        pass


def test_many_hands_at_once_lose_nothing() -> None:
    uploads, got = Uploads(), []

    def work(n: int) -> None:
        for i in range(50):
            with uploads.room(10):
                key = uploads.keep(f"{n}-{i}", b"x" * 10)
            taken = uploads.take(key)
            got.append(taken.name if taken else None)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert sorted(got) == sorted(f"{n}-{i}" for n in range(8) for i in range(50)) and len(uploads) == 0
    with uploads.room(400 << 20):
        pass


def test_the_path_only_carries_the_key() -> None:
    assert key_of(path_of("abc", "/tmp/updraft-key-x")) == "abc"
    for path in (None, 3, {}, "x" * 5000):
        assert key_of(path) is None
    assert key_of("/etc/passwd") == "etc", "and a key that nobody was given takes nothing"


@pytest.fixture
def uploads() -> Uploads:
    return Uploads(most_bytes=1_000_000)


@pytest.fixture
def client(uploads: Uploads, monkeypatch: pytest.MonkeyPatch) -> Iterator[httpx.Client]:
    monkeypatch.setattr("updraft_key.app.server.Uploads", lambda: uploads)
    with running(ServerSettings(), FakeEngine()) as live, live.client() as made:
        yield made


def test_a_full_server_is_busy_and_says_when_to_come_again(client: httpx.Client) -> None:
    data = {"files": ("a.jpg", bytes(700_000), "image/jpeg")}
    assert client.post("/gradio_api/upload", files=data).status_code == 200
    full = client.post("/gradio_api/upload", files=data)
    assert full.status_code == 503 and "busy" in full.text and int(full.headers["retry-after"]) > 0


def test_names_come_without_folders_and_nothing_is_written(client: httpx.Client, uploads: Uploads) -> None:
    names = ["../../evil.jpg", "C:\\boat\\photo.jpg", "\u202egpj.exe"]
    sent = [("files", (name, b"x" * 200_000, "image/jpeg")) for name in names]
    paths = client.post("/gradio_api/upload", files=sent).json()
    assert not any(Path(path).exists() or Path(path).parent.exists() for path in paths)
    taken = [uploads.take(key_of(path)) for path in paths]
    assert [t.name for t in taken if t] == ["evil.jpg", "photo.jpg", "gpj.exe"]
    assert all(t is not None and t.data == b"x" * 200_000 for t in taken)


def test_an_upload_that_breaks_off_leaves_nothing(client: httpx.Client, uploads: Uploads) -> None:
    def half() -> Iterator[bytes]:
        yield b'--b\r\nContent-Disposition: form-data; name="files"; filename="a.jpg"\r\n\r\n' + b"x" * 300_000
        raise ConnectionAbortedError

    head = {"content-type": "multipart/form-data; boundary=b", "content-length": "900000"}
    with pytest.raises(ConnectionAbortedError):
        client.post("/gradio_api/upload", content=half(), headers=head)
    for _ in range(100):
        if client.post("/gradio_api/upload", files={"files": ("b.jpg", bytes(700_000))}).status_code == 200:
            break
        time.sleep(0.05)
    assert len(uploads) == 1, "the room of the broken one is free again"
