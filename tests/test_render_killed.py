"""``kill -9`` at random moments of ``render``: run again, it ends with the bytes of a run that nobody disturbed."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest
from killing import strike, wanted

pytestmark = pytest.mark.render
SCENES = 4


def command(out: Path) -> list[str | Path]:
    """A small set: 32 pixels, one light path a pixel, two workers, blocks of one scene."""
    small = ["--size", "32", "--samples", "1", "--block", "1", "--processes", "2", "--count", str(4 * SCENES)]
    return [sys.executable, "-m", "updraft_key.app.cli", "render", "--out", out, *small]


def made(out: Path) -> dict[str, bytes]:
    """Every file's bytes: nothing half written may be left lying there either."""
    return {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file()}


def share_done(out: Path) -> float:
    """Share of the blocks that are finished."""
    return len(list((out / "blocks").glob("[!.]*.jsonl"))) / SCENES


@pytest.mark.parametrize("kills", [2, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_and_resumed(kills: int, tmp_path: Path) -> None:
    pytest.importorskip("mitsuba", reason="the [render] extra")
    began = time.monotonic()
    subprocess.run(command(tmp_path / "whole"), check=True, capture_output=True)
    seconds = time.monotonic() - began
    assert share_done(tmp_path / "whole") == 1.0 and (tmp_path / "whole" / "labels.jsonl").stat().st_size > 0
    kills = wanted(kills)
    blows = strike(command, kills, seconds, made, share_done, tmp_path, "render", patience=2.0)
    assert blows.landed == kills and blows.orphans == 0, blows
    if kills >= 50:
        assert blows.midway >= kills // 10, blows
