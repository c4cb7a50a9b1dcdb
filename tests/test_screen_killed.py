"""``kill -9`` at random moments of ``screen``: run again, it ends with the bytes of a run that nobody disturbed."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from killing import strike, wanted
from screened import EXAMPLES, fill, made

COMMAND = (sys.executable, "-m", "updraft_key.app.cli", "screen")


@pytest.fixture(scope="module")
def inbox(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("inbox"))


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


CASES = len(list(EXAMPLES.glob("*.jpg"))) + 3
"""The named pictures, ``ann``, and two of a broken file each."""


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
