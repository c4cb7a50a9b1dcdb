"""What strangers sent is gone when the server is, however it ended."""

from __future__ import annotations

import signal
from pathlib import Path

import httpx
import pytest
from served import served

pytest.importorskip("gradio", reason="the [web] extra")

from updraft_key.app.private_folder import ALIVE, sweep


def folders(place: Path) -> set[str]:
    return {p.name for p in place.glob("updraft-key-*")}


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_server_leaves_nothing(number: signal.Signals, tmp_path: Path) -> None:
    data = {"files": ("a.jpg", b"\xff\xd8\xff sent by a stranger" * 100_000, "image/jpeg")}
    with served(TMPDIR=str(tmp_path)) as it:
        assert len(httpx.post(f"{it.url}/gradio_api/upload", files=data, trust_env=False).json()) == 1
        assert len(folders(tmp_path)) == 1
        assert not [p for p in tmp_path.rglob("*") if p.is_file() and p.stat().st_size], "it lies on the disk"
        it.process.send_signal(number)
        it.process.wait(20)
        assert folders(tmp_path) == set()


def test_what_a_killed_server_left_the_next_one_removes_and_a_living_ones_stays(tmp_path: Path) -> None:
    with served(TMPDIR=str(tmp_path)) as dead:
        left = folders(tmp_path)
        dead.process.kill()
        dead.process.wait(20)
    assert folders(tmp_path) == left and len(left) == 1
    with served(TMPDIR=str(tmp_path)):
        now = folders(tmp_path)
        assert len(now) == 1 and now != left
        assert sweep(tmp_path) == 0 and folders(tmp_path) == now


def test_foreign_folders_and_links_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "updraft-key-plain").mkdir()
    own = tmp_path / "own"
    own.mkdir()
    (own / ALIVE).touch()
    (tmp_path / "updraft-key-link").symlink_to(own)
    lured = tmp_path / "updraft-key-lured"
    lured.mkdir()
    (lured / ALIVE).symlink_to(own / ALIVE)
    assert sweep(tmp_path) == 0
    assert own.is_dir() and lured.is_dir() and (tmp_path / "updraft-key-plain").is_dir()
    (tmp_path / "updraft-key-dead").mkdir()
    (tmp_path / "updraft-key-dead" / ALIVE).touch()
    assert sweep(tmp_path) == 1 and not (tmp_path / "updraft-key-dead").exists()
