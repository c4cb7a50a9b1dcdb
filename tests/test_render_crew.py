"""Workers of a rendering run: one that does not come back is ended, and its block is made by another."""

from __future__ import annotations

import multiprocessing
import time
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

import pytest
from updraft_key.synthetic_data import crew
from updraft_key.synthetic_data.blocks import Job, Settings

pytestmark = pytest.mark.render


@dataclass(frozen=True, slots=True)
class Stuck(Job):
    """No scenes to render; the worker that takes up the second sleeps for an hour, only once if ``once`` is a file."""

    once: str = ""

    def __getattribute__(self, name: str) -> object:
        worker = multiprocessing.parent_process() is not None
        if worker and name == "settings" and object.__getattribute__(self, "first") == 1:
            once = object.__getattribute__(self, "once")
            if not once or not Path(once).exists():
                Path(once or "/dev/null").touch()
                time.sleep(3600)
        return object.__getattribute__(self, name)


@pytest.fixture
def jobs(monkeypatch: pytest.MonkeyPatch) -> list[Stuck]:
    pytest.importorskip("mitsuba")
    monkeypatch.setattr(crew, "LEAST_PATIENCE", 5.0)
    monkeypatch.setattr(crew, "PATIENCE", 1.5)
    return [Stuck(Settings(size=32, samples=1, views=1), first, 0) for first in range(4)]


def test_the_block_of_a_stuck_worker_is_made_by_another(
    jobs: list[Stuck], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    jobs = [Stuck(j.settings, j.first, 0, str(tmp_path / "been")) for j in jobs]
    made = [block.job.first for block in crew.run_jobs(jobs, 2, 0, "local", float("inf"))]
    assert sorted(made) == [0, 1, 2, 3]
    assert "1 blocks do not come back" in capfd.readouterr().err
    assert not multiprocessing.active_children()


def test_a_block_that_always_sticks_ends_the_run_in_the_end(jobs: list[Stuck]) -> None:
    made = []
    with pytest.raises(BrokenProcessPool):
        made.extend(block.job.first for block in crew.run_jobs(jobs, 2, 0, "local", float("inf")))


def test_a_stuck_worker_does_not_hold_up_a_run_whose_time_is_over(jobs: list[Stuck]) -> None:
    began = time.monotonic()
    made = [block.job.first for block in crew.run_jobs(jobs, 4, 0, "local", began + 1.0)]
    assert sorted(made) == [0, 2, 3]
    assert time.monotonic() - began < 60


def test_a_slow_start_does_not_make_patient_for_ever() -> None:
    assert crew._patience([]) is None
    assert crew._patience([150.0]) == 150.0 * crew.PATIENCE
    assert crew._patience([150.0] * 22 + [20.0] * crew.LATEST) == 20.0 * crew.PATIENCE
    assert crew._patience([0.1]) == crew.LEAST_PATIENCE
