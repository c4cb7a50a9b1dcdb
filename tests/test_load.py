"""Many people at once: no error but a polite "busy", nobody starved, memory flat, p95 stated.

A short sample by default; five minutes of 64 clients under ``-m slow``. Figures go to ``artefacts/load.json``.
"""

from __future__ import annotations

import json
import os
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import httpx
import numpy as np
import pytest
from fake_engine import painted
from served import served

pytestmark = pytest.mark.web
ROOT = Path(__file__).parent.parent
HAVE_WEIGHTS = (ROOT / "model" / "weights" / "cues.onnx").exists()


@pytest.fixture(scope="module")
def server() -> Iterator[tuple[str, int]]:
    with served(*(["real"] if HAVE_WEIGHTS else []), OMP_NUM_THREADS="1") as it:
        with httpx.Client(base_url=it.url, timeout=60.0, trust_env=False) as client:
            for _ in range(2 * 4):  # decoders start, the network is loaded: what follows is steady work
                client.post("/v1/identify", files=[("photos", ("a.jpg", painted("iron"), "image/jpeg"))] * 2)
        yield it.url, it.process.pid


def resident(pid: int) -> int:
    """Bytes held by a process and its children (Linux)."""
    children = [int(p.name) for p in Path("/proc").glob("[0-9]*") if _parent(p) == pid]
    pages = sum(int(Path(f"/proc/{p}/statm").read_text().split()[1]) for p in (pid, *children))
    return pages * os.sysconf("SC_PAGE_SIZE")


def _parent(folder: Path) -> int:
    try:
        return int((folder / "stat").read_text().rpartition(")")[2].split()[1])
    except (OSError, ValueError, IndexError):
        return -1


def crowd(server: tuple[str, int], clients: int, seconds: float) -> dict[str, object]:
    """Let ``clients``, each from an address of its own, ask without pause for ``seconds``."""
    url, pid = server
    end = time.monotonic() + seconds
    codes: Counter[int] = Counter()
    answered: Counter[int] = Counter()
    times: list[float] = []
    faults: list[str] = []
    lock = threading.Lock()

    def ask(number: int) -> None:
        transport = httpx.HTTPTransport(local_address=f"127.0.1.{number + 1}")
        data = painted(("iron", "alloy4", "alloy5", "unclear")[number % 4], (1600 + number, 1200))
        with httpx.Client(base_url=url, transport=transport, timeout=60.0) as client:
            while time.monotonic() < end:
                begin = time.monotonic()
                try:
                    got = client.post("/v1/identify", files={"photos": ("a.jpg", data, "image/jpeg")})
                except httpx.HTTPError as error:
                    with lock:
                        faults.append(repr(error))
                    continue
                with lock:
                    codes[got.status_code] += 1
                    if got.status_code == 200:
                        answered[number] += 1
                        times.append(time.monotonic() - begin)
                if got.status_code != 200:
                    assert int(got.headers.get("retry-after", "0")) >= 1
                    time.sleep(0.5)

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(clients)]
    for t in threads:
        t.start()
    memory: list[int] = []
    while time.monotonic() < end:
        time.sleep(seconds / 40)
        memory.append(resident(pid))
    for t in threads:
        t.join()
    early, late = np.median(memory[len(memory) // 4 : len(memory) // 2]), np.median(memory[-len(memory) // 4 :])
    return {
        "clients": clients, "seconds": seconds, "network": "shipped" if HAVE_WEIGHTS else "painted, 50 ms",
        "codes": dict(codes), "faults": faults[:5], "least": min((answered[n] for n in range(clients)), default=0),
        "mean": sum(answered.values()) / clients, "p50_s": float(np.percentile(times, 50)),
        "p95_s": float(np.percentile(times, 95)), "memory_early_mb": early / 1e6, "memory_late_mb": late / 1e6,
    }  # fmt: skip


def check(found: dict[str, object], growth: float) -> None:
    folder = ROOT / "artefacts"
    folder.mkdir(exist_ok=True)
    (folder / "load.json").write_text(json.dumps(found, indent=1))
    assert found["faults"] == []
    assert set(found["codes"]) <= {200, 429, 503}, found  # type: ignore[call-overload]
    assert found["codes"][200] >= found["clients"], found  # type: ignore[index,operator]
    assert found["least"] >= 0.3 * found["mean"], found  # type: ignore[operator]
    assert found["memory_late_mb"] <= growth * found["memory_early_mb"], found  # type: ignore[operator]


def test_a_dozen_for_a_few_seconds(server: tuple[str, int]) -> None:
    check(crowd(server, 12, 6.0), 1.25)


@pytest.mark.slow
def test_64_for_five_minutes(server: tuple[str, int]) -> None:
    check(crowd(server, 64, float(os.environ.get("UPDRAFT_KEY_LOAD_SECONDS", "300"))), 1.10)
