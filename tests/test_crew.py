"""A worker that dies, hangs or fails costs its own case and no other; no task is ever lost."""

import os
import platform
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from updraft_key.app.crew import DaskCrew, LocalCrew, SoloCrew
from updraft_key.app.ledger import taking_turn
from updraft_key.model.errors import StoreError, UpdraftKeyError


def work(task: str) -> dict[str, Any]:
    if task.startswith("die"):
        os._exit(9)
    if task.startswith("hang"):
        time.sleep(600)
    if task.startswith("fail"):
        raise ZeroDivisionError(task)
    if task.startswith("refuse"):
        raise UpdraftKeyError("no network")
    return {"did": task}


def reserve(megabytes: int) -> dict[str, Any]:
    return {"got": len(bytearray(megabytes << 20)) >> 20}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux enforces the ceiling")
def test_memory_beyond_the_ceiling_costs_its_own_case() -> None:
    rows = dict(LocalCrew(2, 20.0, 1 << 30).run(reserve, [64, 2048, 65]))
    assert rows == {64: {"got": 64}, 2048: None, 65: {"got": 65}}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux enforces the ceiling")
def test_this_process_alone_has_a_ceiling_while_it_works_and_none_afterwards() -> None:
    import resource

    before = resource.getrlimit(resource.RLIMIT_AS)
    rows = dict(SoloCrew(1 << 30).run(reserve, [64, 2048, 65]))
    assert rows == {64: {"got": 64}, 2048: None, 65: {"got": 65}}
    assert resource.getrlimit(resource.RLIMIT_AS) == before and reserve(2048) == {"got": 2048}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux enforces the ceiling")
def test_a_limit_that_somebody_else_has_set_stays() -> None:
    code = (
        "import resource as r; from updraft_key.app.confine import ceiling\n"
        "theirs = (5 << 30, r.RLIM_INFINITY); r.setrlimit(r.RLIMIT_AS, theirs)\n"
        "with ceiling(1 << 30) as held: print(held, r.getrlimit(r.RLIMIT_AS) == theirs)\n"
        "print(r.getrlimit(r.RLIMIT_AS) == theirs)\n"
        "r.setrlimit(r.RLIMIT_AS, (r.RLIM_INFINITY, r.RLIM_INFINITY))\n"
        "with ceiling(1 << 30) as outer, ceiling(1 << 20) as inner: print(outer, inner)\n"
        "print(r.getrlimit(r.RLIMIT_AS) == (r.RLIM_INFINITY, r.RLIM_INFINITY))\n"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.split() == ["False", "True", "True", "True", "False", "True"]


def limit(_task: int) -> dict[str, Any]:
    import resource

    return {"free": resource.getrlimit(resource.RLIMIT_AS)[0] == resource.RLIM_INFINITY, "pid": os.getpid()}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux enforces the ceiling")
def test_a_clusters_workers_have_a_ceiling_until_the_run_ends() -> None:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=2, dashboard_address=None, host="127.0.0.1") as there:
        crew = DaskCrew(there.scheduler_address, patience=60.0, memory=1 << 30)
        rows = dict(crew.run(reserve, [64, 4096, 65]))
        assert rows == {64: {"got": 64}, 4096: None, 65: {"got": 65}}
        (during,) = [row for _, row in crew.run(limit, [0])]
        with distributed.Client(there.scheduler_address) as client:
            after = client.submit(limit, 1, pure=False).result(30.0)
    assert during is not None and during["pid"] == after["pid"] != os.getpid()
    assert not during["free"] and after["free"]


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc has it")
def test_memory_that_was_let_go_is_given_back() -> None:
    code = (
        "import ctypes; from pathlib import Path; from updraft_key.app.confine import give_back\n"
        "c = ctypes.CDLL(None); c.malloc.restype = ctypes.c_void_p; c.free.argtypes = [ctypes.c_void_p]\n"
        "held = lambda: int(Path('/proc/self/statm').read_text().split()[1]) * 4096 >> 20\n"
        "blocks = [c.malloc(100_000) for _ in range(2000)]\n"
        "[ctypes.memset(ctypes.c_void_p(at), 1, 100_000) for at in blocks]\n"
        "full = held(); [c.free(at) for at in blocks[:-1]]; kept = held()\n"  # the last one stands in the way
        "print(full - kept < 20, give_back(), kept - held() > 150)\n"
    )
    environment = {k: v for k, v in os.environ.items() if not k.startswith("MALLOC_")}
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment)
    assert said.stdout.split() == ["True", "True", "True"]


def test_the_process_ends_without_a_last_search_for_cycles() -> None:
    code = (
        "import atexit, gc; from updraft_key.app.confine import leave_quickly\n"
        "count = gc.get_freeze_count\n"  # some interpreters start with a few hundred
        "atexit.register(lambda: print(count() > 1000)); leave_quickly(); print(count() < 1000)\n"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.split() == ["True", "True"]


def arithmetic(_task: int) -> dict[str, Any]:
    return {"threads": os.environ.get("OPENBLAS_NUM_THREADS")}


def test_a_worker_starts_no_threads_of_numpy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    assert dict(LocalCrew(1, 20.0).run(arithmetic, [0])) == {0: {"threads": "1"}}
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "3")
    assert dict(LocalCrew(1, 20.0).run(arithmetic, [0])) == {0: {"threads": "3"}}


def outcome(tasks: list[str], patience: float = 20.0) -> dict[str, Any]:
    rows = list(LocalCrew(2, patience).run(work, tasks))
    assert len(rows) == len(tasks)
    return dict(rows)


def test_death_and_failure_cost_their_own_case() -> None:
    tasks = [f"good {n}" for n in range(6)] + ["die 1", "fail"] + [f"good {n}" for n in range(6, 12)] + ["die 2"]
    assert outcome(tasks) == {t: {"did": t} if t.startswith("good") else None for t in tasks}


def test_hanging_costs_its_own_case() -> None:
    assert outcome(["good", "hang", "fine"], 4.0) == {"good": {"did": "good"}, "hang": None, "fine": {"did": "fine"}}


def test_what_stops_every_case_stops_the_run() -> None:
    with pytest.raises(UpdraftKeyError, match="no network"):
        outcome(["refuse"])


def test_one_run_at_a_time_in_a_folder(tmp_path: Path) -> None:
    with taking_turn(tmp_path), pytest.raises(StoreError, match="another run may be at work"), taking_turn(tmp_path):
        pass
    with taking_turn(tmp_path):
        pass


def test_in_this_process_a_failure_costs_its_own_case_too() -> None:
    assert list(SoloCrew().run(work, ["good", "fail"])) == [("good", {"did": "good"}), ("fail", None)]
    with pytest.raises(UpdraftKeyError, match="no network"):
        list(SoloCrew().run(work, ["refuse"]))


def test_progress_tells_rate_and_time_left() -> None:
    from updraft_key.app.sorting import progress

    assert progress(30, 90, 0.5) == "30 of 90 cases, 0.5 a second, about 2 min left"
    assert progress(80, 90, 0.5) == "80 of 90 cases, 0.5 a second, about 20 s left"
    assert progress(90, 90, 4.0) == "90 of 90 cases, 4.0 a second"
