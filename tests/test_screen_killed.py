"""``kill -9`` at random moments of ``screen``: run again, it ends with the bytes of a run that nobody disturbed."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from killing import strike, wanted

EXAMPLES = Path(__file__).parent.parent / "app" / "assets" / "examples"
COMMAND = (sys.executable, "-m", "updraft_key.app.cli", "screen")


@pytest.fixture(scope="module")
def inbox(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven named pictures, one twin, one broken file beside a good one, one case of a broken file, a hostile name."""
    folder = tmp_path_factory.mktemp("inbox")
    pictures = sorted(EXAMPLES.glob("*.jpg"))
    for picture in pictures:
        shutil.copy(picture, folder / picture.name)
    (folder / "ann").mkdir()
    shutil.copy(pictures[0], folder / "ann" / "=cmd()<b>.jpg")
    (folder / "ann" / "broken.jpg").write_bytes(b"\xff\xd8\xff broken")
    (folder / "lost.jpg").write_bytes(pictures[0].read_bytes()[:300])
    return folder


def made(out: Path) -> dict[str, bytes]:
    """Every file's bytes but the work table's and the lock's: nothing half written may be left lying there either."""
    return {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file() and ".sqlite" not in p.name}


def share_done(out: Path) -> float:
    """Share of the cases that the work table of a run holds."""
    if not (out / "work.sqlite").is_file():
        return 0.0
    try:
        with sqlite3.connect(f"file:{out / 'work.sqlite'}?mode=ro", uri=True, timeout=5.0) as db:
            done = int(db.execute("SELECT count(*) FROM done").fetchone()[0])
        db.close()
    except sqlite3.Error:  # struck before the table was made
        return 0.0
    return done / CASES


CASES = len(list(EXAMPLES.glob("*.jpg"))) + 2


@pytest.mark.parametrize("kills", [5, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_and_resumed(kills: int, inbox: Path, tmp_path: Path) -> None:
    began = time.monotonic()
    subprocess.run([*COMMAND, inbox, "--out", tmp_path / "whole"], check=True, capture_output=True)
    seconds = time.monotonic() - began
    assert share_done(tmp_path / "whole") == 1.0
    kills = wanted(kills)
    blows = strike(lambda out: [*COMMAND, inbox, "--out", out], kills, seconds, made, share_done, tmp_path, "screen")
    assert blows.landed == kills and blows.orphans == 0, blows
    if kills >= 50:  # otherwise the moments may all have fallen into the start
        assert blows.midway >= kills // 10, blows
