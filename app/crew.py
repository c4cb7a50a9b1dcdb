"""Who does the work of a screening run: the processes of this machine, this process alone, or a Dask cluster.

All take the same function and give the same rows. The local crew survives a worker that dies or hangs on a
hostile file: the cases that were in its hands are done again one by one, each in a process of its own with a
time limit; one that kills or outlasts that process too is reported as such and the rest goes on.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from typing import Any, Protocol

from updraft_key.model.errors import MissingExtra, UpdraftKeyError

from .confine import MEMORY, ceiling, confine, one_arithmetic_thread, one_drawing_thread

log = logging.getLogger(__name__)

Row = dict[str, Any]
Work = Callable[[Any], Row]


class Engine(Protocol):
    """Runs ``work`` over tasks and yields (task, row) as they finish, in any order, lazily."""

    def run(self, work: Work, tasks: Iterable[Any]) -> Iterator[tuple[Any, Row | None]]:
        """Yield each task with its row, or None when the task killed or outlasted its process."""
        ...


@dataclass(frozen=True, slots=True)
class LocalCrew:
    """One process a core (spawned, one thread each).

    Attributes:
        processes: number of workers; 0 means one a core.
        patience: seconds that one task may take before its worker is given up.
        memory: address space of a worker, bytes (Linux; elsewhere not enforced).
    """

    processes: int = 0
    patience: float = 180.0
    memory: int = MEMORY

    def run(self, work: Work, tasks: Iterable[Any]) -> Iterator[tuple[Any, Row | None]]:
        """See ``Engine.run``."""
        count = self.processes or len(os.sched_getaffinity(0))
        source = iter(tasks)
        while True:
            lost = yield from self._shift(work, source, count)
            if lost is None:
                return
            for task in lost:
                yield task, self._alone(work, task)

    def _shift(
        self, work: Work, source: Iterator[Any], count: int
    ) -> Generator[tuple[Any, Row | None], None, list[Any] | None]:
        """One pool's life. Returns None when the source is empty, or the tasks lost with a broken pool."""
        context = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin, initargs=(self.memory,))
        flying: dict[Future[Row], tuple[Any, float]] = {}
        try:
            for task in source:
                try:
                    flying[pool.submit(work, task)] = (task, time.monotonic())
                except BrokenProcessPool:
                    # The pool died between two submissions: this task is in nobody's hands yet and must not be lost.
                    return [*(t for t, _ in flying.values()), task]
                if len(flying) >= 3 * count:
                    yield from self._land(flying)
            while flying:
                yield from self._land(flying)
            return None
        except (BrokenProcessPool, TimeoutError):
            return [task for task, _ in flying.values()]
        finally:
            for process in list((pool._processes or {}).values()):
                if flying:
                    process.kill()
            pool.shutdown(wait=not flying, cancel_futures=True)

    def _land(self, flying: dict[Future[Row], tuple[Any, float]]) -> Iterator[tuple[Any, Row | None]]:
        """Yield what has finished; wait for at least one."""
        done, _ = wait(flying, timeout=self.patience, return_when=FIRST_COMPLETED)
        if not done:
            raise TimeoutError
        for future in done:
            row = _row_of(future)  # raises BrokenProcessPool with the task still in ``flying``
            task, _ = flying.pop(future)
            yield task, row

    def _alone(self, work: Work, task: Any) -> Row | None:
        """Do one task in a process of its own; None when it dies or takes too long."""
        context = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(1, mp_context=context, initializer=_begin, initargs=(self.memory,))
        try:
            future = pool.submit(work, task)
            if not wait([future], timeout=self.patience).done:
                raise TimeoutError
            return _row_of(future)
        except (BrokenProcessPool, TimeoutError):
            for process in list((pool._processes or {}).values()):
                process.kill()
            return None
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _begin(memory: int) -> None:
    """Make a new worker small and mortal before it sees a stranger's file."""
    one_arithmetic_thread()
    one_drawing_thread()
    confine(memory)
    _leave_with_parent()


def _leave_with_parent() -> None:
    """End this worker when its parent is gone: after ``kill -9`` of a run, nothing of it stays in memory."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, name="leave-with-parent", daemon=True).start()


def _row_of(future: Future[Row]) -> Row | None:
    """A finished task's row; None when its work failed in a way that nobody foresaw: that costs its own case only.

    Raises:
        BrokenProcessPool: the worker died.
        UpdraftKeyError: the whole run cannot work (no network, a bad template or catalogue).
    """
    try:
        return future.result()
    except (BrokenProcessPool, UpdraftKeyError):
        raise
    except Exception:
        log.warning("the work on a case failed", exc_info=True)
        return None


@dataclass(frozen=True, slots=True)
class SoloCrew:
    """This process, one case after the other: what an inbox in this process's memory needs, and a debugger likes.

    A file that asks for more memory than there may be costs its own case. One that kills or holds the process stops the
    run with it, for nobody is there to end it: run again, it goes on at the same case.

    Attributes:
        memory: address space that one task may take beyond what the process has, bytes (Linux; elsewhere not enforced).
    """

    memory: int = MEMORY

    def run(self, work: Work, tasks: Iterable[Any]) -> Iterator[tuple[Any, Row | None]]:
        """See ``Engine.run``."""
        for task in tasks:
            try:
                with ceiling(self.memory):
                    row: Row | None = work(task)
            except UpdraftKeyError:
                raise
            except Exception:
                log.warning("the work on a case failed", exc_info=True)
                row = None
            yield task, row


@dataclass(frozen=True, slots=True)
class DaskCrew:
    """The workers of a Dask scheduler.

    A case whose workers die is tried on as many workers as the scheduler allows (``allowed-failures``), then given
    up as one that kills its process. Until the run ends its workers have a ceiling on their memory. A case that hangs
    is not ended: the run gives up after ``patience`` if nothing else comes back.

    Attributes:
        address: of the scheduler, ``tcp://host:port``.
        in_flight: cases handed out ahead.
        patience: seconds that the scheduler, a first worker, and any next case may keep us waiting.
        memory: address space that each thread of a worker may take beyond what the worker has, bytes (Linux).

    Raises:
        MissingExtra: dask.distributed is not installed.
        UpdraftKeyError: nobody answers at the address, no worker is there, or nothing comes back.
    """

    address: str
    in_flight: int = 64
    patience: float = 180.0
    memory: int = MEMORY

    def run(self, work: Work, tasks: Iterable[Any]) -> Iterator[tuple[Any, Row | None]]:
        """See ``Engine.run``."""
        try:
            from distributed import Client
        except ImportError as err:
            raise MissingExtra("--engine dask", "cluster") from err
        try:
            client = Client(self.address, timeout=min(10.0, self.patience))
        except (OSError, ValueError, TimeoutError) as err:
            raise UpdraftKeyError(f"expected a Dask scheduler at {self.address}, nobody answered") from err
        with client:
            try:
                client.wait_for_workers(1, timeout=min(30.0, self.patience))
            except TimeoutError as err:
                raise UpdraftKeyError(f"the Dask scheduler at {self.address} has no worker; start some") from err
            from .dask_ceiling import DaskCeiling

            with DaskCeiling.on(client, self.memory):
                yield from self._work(client, work, iter(tasks))

    def _work(self, client: Any, work: Work, source: Iterator[Any]) -> Iterator[tuple[Any, Row | None]]:
        from distributed import as_completed

        flying: dict[str, Any] = {}
        landed = as_completed(timeout=self.patience)

        def hand_out() -> None:
            for task in islice(source, self.in_flight - len(flying)):
                future = client.submit(work, task, pure=False)
                flying[future.key] = task
                landed.add(future)

        hand_out()
        while flying:
            try:
                future = next(landed)
            except TimeoutError as err:
                raise UpdraftKeyError(
                    f"nothing came back from the Dask workers for {self.patience:.0f} s; look at them and run again"
                ) from err
            fault = None if future.status == "finished" else future.exception()
            if isinstance(fault, UpdraftKeyError):
                raise fault
            yield flying.pop(future.key), future.result() if fault is None else None
            future.release()
            hand_out()


def engine(name: str, processes: int = 0) -> Engine:
    """Return the engine called ``local``, ``here`` or ``dask:tcp://host:port``.

    Raises:
        UpdraftKeyError: any other name.
    """
    if name == "local":
        return LocalCrew(processes)
    if name == "here":
        return SoloCrew()
    if name.startswith("dask:") and "://" in name:
        return DaskCrew(name.removeprefix("dask:"))
    raise UpdraftKeyError(f"expected the engine 'local', 'here' or 'dask:tcp://host:port', got {name!r}")
