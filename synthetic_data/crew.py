"""Who renders the blocks of a set: this process alone, processes of this machine, or a Dask cluster.

All give the same blocks, in the order in which they are finished.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import threading
import time
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.process import BaseProcess
from typing import Any

from updraft_key.model.errors import MissingExtra

from .blocks import Block, Job, render_block
from .render import THREADS
from .spec import SceneError

TRIES = 3
PATIENCE = 5.0
"""Times the slowest of the latest blocks: if nothing is finished for so long, the workers are taken for stuck."""
LATEST = 64
"""Blocks. The first ones wait for kernels to be compiled by all workers at once, and say nothing about later ones."""
LEAST_PATIENCE = 60.0
"""Seconds."""


def _claim(counter: Any, gpus: int, processes: int) -> None:
    """Give a worker its CUDA device, or its share of the cores, before any renderer is imported."""
    with counter.get_lock():
        number = counter.value
        counter.value += 1
    if gpus > 0:
        os.environ["CUDA_VISIBLE_DEVICES"] = str(number % gpus)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault(THREADS, str(max((os.cpu_count() or 1) // processes, 1)))
    threading.Thread(target=_leave_with_parent, name="leave-with-parent", daemon=True).start()


def _leave_with_parent() -> None:
    """End this worker when its parent is gone: after ``kill -9`` of a run, nothing of it stays in memory."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def run_jobs(jobs: Sequence[Job], processes: int, gpus: int, engine: str, until: float) -> Iterator[Block]:
    """Run jobs and yield blocks as they finish; no new job is started after ``until`` (``time.monotonic``).

    Args:
        jobs: in the order in which they are started.
        processes: workers on this machine; 0 works in this process.
        gpus: CUDA devices; worker i uses device i mod ``gpus``. 0 leaves devices alone.
        engine: ``local``, or ``dask:tcp://host:port`` (a Dask scheduler; workers need this package).
        until: when to stop handing out work.

    Raises:
        SceneError: for another engine.
        MissingExtra: Dask is not installed.
        BrokenProcessPool: workers died, or did not come back, three times over.
    """
    if engine.startswith("dask:"):
        yield from _on_dask(jobs, engine.removeprefix("dask:"), until)
    elif engine != "local":
        raise SceneError(f"engine: expected local or dask:tcp://host:port, got {engine!r}")
    elif processes == 0:
        for job in jobs:
            if time.monotonic() < until:
                yield render_block(job)
    else:
        left = list(jobs)
        took: list[float] = []
        for attempt in range(TRIES):
            try:
                for block in _on_processes(tuple(left), processes, gpus, until, took):
                    left.remove(block.job)
                    yield block
                return
            except BrokenProcessPool:
                if attempt == TRIES - 1:
                    raise
                sys.stderr.write(f"\na worker died; starting again with the {len(left)} blocks that are left\n")


def _on_processes(jobs: Sequence[Job], processes: int, gpus: int, until: float, took: list[float]) -> Iterator[Block]:
    """As ``run_jobs``; ``took`` gets the seconds of every block, waiting for a worker included."""
    context = multiprocessing.get_context("spawn")
    counter = context.Value("i", 0)
    others = multiprocessing.active_children()
    with ProcessPoolExecutor(processes, context, _claim, (counter, gpus, processes)) as pool:
        waiting = iter(jobs)
        running: set[Future[Block]] = set()
        begun: dict[Future[Block], float] = {}
        more = True
        while more or running:
            while more and len(running) < processes + 2 and time.monotonic() < until:
                job = next(waiting, None)
                if job is None:
                    more = False
                else:
                    future = pool.submit(render_block, job)
                    running.add(future)
                    begun[future] = time.monotonic()
            more = more and time.monotonic() < until
            if running:
                done, running = wait(running, _patience(took), return_when=FIRST_COMPLETED)
                if not done:
                    _end_stuck(others, len(running))
                for future in done:
                    block = future.result()
                    took.append(time.monotonic() - begun.pop(future))
                    yield block


def _patience(took: Sequence[float]) -> float | None:
    """Seconds to wait for the next block, by the seconds that those before it took; None before there is one."""
    return max(PATIENCE * max(took[-LATEST:]), LEAST_PATIENCE) if took else None


def _end_stuck(others: Collection[BaseProcess], blocks: int) -> None:
    """Kill this process's children but ``others``: to their pool workers that do not come back have then died.

    Seen on GPUs, once in 14,000 scenes, and in four of six runs that made 4,000 to 5,000 scenes each.
    """
    sys.stderr.write(f"\n{blocks} blocks do not come back; their workers are ended\n")
    for child in multiprocessing.active_children():
        if child not in others:
            child.kill()


def _on_dask(jobs: Sequence[Job], address: str, until: float) -> Iterator[Block]:
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise MissingExtra("rendering on a Dask cluster", "cluster") from error
    with Client(address) as client:
        waiting = iter(jobs)
        width = 2 * max(sum(client.nthreads().values()), 1)
        first = [job for _, job in zip(range(width), waiting, strict=False)]
        running = as_completed([client.submit(render_block, job, pure=False) for job in first])
        for future in running:
            block: Block = future.result()
            job = next(waiting, None) if time.monotonic() < until else None
            if job is not None:
                running.add(client.submit(render_block, job, pure=False))
            yield block
