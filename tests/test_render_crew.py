"""Workers of a rendering run: one that never comes back is given up, and what the others made is there."""

from __future__ import annotations

import multiprocessing
import time
from dataclasses import dataclass

import pytest
from updraft_key.synthetic_data import crew
from updraft_key.synthetic_data.blocks import Job, Settings

pytestmark = pytest.mark.render


@dataclass(frozen=True, slots=True)
class Stuck(Job):
    """No scenes to render, and a worker that takes it up sleeps for an hour if it is the second."""

    def __getattribute__(self, name: str) -> object:
        worker = multiprocessing.parent_process() is not None
        if worker and name == "settings" and object.__getattribute__(self, "first") == 1:
            time.sleep(3600)
        return object.__getattribute__(self, name)


def test_a_worker_that_never_comes_back_is_given_up(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("mitsuba")
    monkeypatch.setattr(crew, "LEAST_PATIENCE", 1.0)
    monkeypatch.setattr(crew, "PATIENCE", 0.5)
    jobs = [Stuck(Settings(size=32, samples=1, views=1), first, 0) for first in range(4)]
    began = time.monotonic()
    made = [block.job.first for block in crew.run_jobs(jobs, 2, 0, "local", float("inf"))]
    assert sorted(made) == [0, 2, 3]
    assert time.monotonic() - began < 120
    assert "1 blocks never came back" in capfd.readouterr().err
    assert not multiprocessing.active_children()
