"""What the benchmarks measure, each in a process of its own: ``python -m updraft_key.app.probes NAME JSON``.

A probe prints one JSON object. Times are seconds, the least of several rounds, with rounds of rivals alternating, so
that another job on the machine disturbs both sides alike. Memory is the peak of the process itself (VmHWM), megabytes.
"""

from __future__ import annotations

import io
import json
import os
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout
from importlib import import_module
from pathlib import Path
from typing import Any

from .confine import one_arithmetic_thread, one_drawing_thread

Facts = dict[str, Any]
Jobs = dict[str, Callable[[], object]]


def alternating(jobs: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Least processor time of each job, seconds; every job once a round, after one round that does not count.

    All jobs here run on one thread and read from memory, so on a quiet core this is the time that passes; on a busy
    one it leaves out the waiting for the core.
    """
    best = dict.fromkeys(jobs, float("inf"))
    for number in range(rounds + 1):
        for name, job in jobs.items():
            begun = time.process_time()
            job()
            taken = time.process_time() - begun
            if number:
                best[name] = min(best[name], taken)
    return best


def peak_mb() -> float:
    """Largest resident memory of this process so far, megabytes of 2**20 bytes."""
    return _status(os.getpid(), "VmHWM")


def crew_mb() -> float:
    """Resident memory of this process and its children, megabytes."""
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text("ascii").split()
    return sum(_status(pid, "VmRSS") for pid in (os.getpid(), *map(int, children)))


def _status(pid: int, key: str) -> float:
    try:
        lines = Path(f"/proc/{pid}/status").read_text("ascii", errors="replace").splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024.0 for line in lines if line.startswith(f"{key}:")), 0.0)


def identify_once(about: Facts) -> Facts:
    """The whole command ``identify PHOTO`` in this fresh process: its peak memory and exit code."""
    from .cli import main

    with redirect_stdout(io.StringIO()):
        code = main(["identify", about["photo"]])
    return {"code": code, "peak_mb": peak_mb()}


def warm(about: Facts) -> Facts:
    """Warm ``identify`` of one photo against the scaled decode and the network's own two passes."""
    from updraft_key.model import Identifier, open_photo

    path, identifier = Path(about["photo"]), Identifier()
    inputs = _inputs(path)
    network = identifier.network
    return dict(
        alternating(
            {
                "identify": lambda: identifier.identify([("photo", open_photo(path))]),
                "decode": lambda: _decode(path),
                "passes": lambda: [network.run(i) for i in inputs],
            },
            about["rounds"],
        )
    )


def _decode(path: Path) -> object:
    """The decoder alone, at the scale that is used: no check, no hash, no turning."""
    import numpy as np
    from PIL import Image
    from updraft_key.model.photo import LONGEST

    with Image.open(path, formats=("JPEG",)) as image:
        factor = 1
        while max(image.size) // (factor * 2) >= LONGEST and factor < 8:
            factor *= 2
        image.draft("RGB", (image.width // factor, image.height // factor))
        return np.asarray(image)


def _inputs(path: Path) -> list[Any]:
    """The two inputs that the network really gets for this photo."""
    from updraft_key.model import Identifier, open_photo
    from updraft_key.model.runtime import packaged_network

    network = packaged_network()
    seen: list[Any] = []

    class Watched:
        spec, model_id = network.spec, network.model_id

        def run(self, image: Any) -> Any:
            seen.append(image)
            return network.run(image)

    Identifier(Watched()).identify([("photo", open_photo(path))])
    return seen


def rivals(about: Facts) -> Facts:
    """Warm ``identify`` and its rivals on the same photo, in alternating rounds.

    Raises:
        ImportError: torch is not installed.
    """
    from updraft_key.model import Identifier, open_photo

    path, identifier = Path(about["photo"]), Identifier()
    others = import_module("updraft_key.training.rivals").jobs(path, Path(about["folder"]))
    ours: Jobs = {"identify": lambda: identifier.identify([("photo", open_photo(path))])}
    return dict(alternating({**ours, **others}, about["rounds"]))


def screen(about: Facts) -> Facts:
    """A screening run over an inbox: when each case was done (seconds from the start), and memory at some of them."""
    from .crew import LocalCrew
    from .screen import Settings, run

    begun = time.perf_counter()
    marks: list[tuple[int, float]] = []
    memory: list[tuple[int, float]] = []
    out = Path(about["out"])
    out.mkdir(parents=True, exist_ok=True)
    every = max(1, about["cases"] // 100)
    for step in run(Settings(about["inbox"]), out, LocalCrew(about["processes"])):
        marks.append((step.done, time.perf_counter() - begun))
        if step.done and step.done % every == 0:
            memory.append((step.done, crew_mb()))
    return {"marks": marks, "memory": memory}


def floor(about: Facts) -> Facts:
    """Decode and network alone over some photos, after a signal on stdin; begin and end on the system's clock."""
    from updraft_key.model.runtime import packaged_network

    network = packaged_network()
    paths = [Path(p) for p in about["photos"]]
    inputs = _inputs(paths[0])
    _decode(paths[0])
    os.write(1, b"ready\n")
    sys.stdin.readline()
    begun = time.monotonic()
    for path in paths:
        _decode(path)
        for image in inputs:
            network.run(image)
    return {"begun": begun, "ended": time.monotonic()}


def case(about: Facts) -> Facts:
    """The work on one screened case of one photo against decode and network alone, without the crew around it."""
    from updraft_key.model.runtime import packaged_network

    from .inbox import Inbox
    from .screen import Settings, Task, answer_case

    folder = str(about["inbox"])
    task = Task(Settings(folder), Inbox(folder).cases()[0])
    path = Path(folder) / task.case.items[0].label
    network, inputs = packaged_network(), _inputs(path)
    jobs: Jobs = {
        "case": lambda: answer_case(task),
        "decode": lambda: _decode(path),
        "passes": lambda: [network.run(i) for i in inputs],
    }
    return dict(alternating(jobs, about["rounds"]))


def case_growth(about: Facts) -> Facts:
    """Warm ``identify`` of one case with more and more photos."""
    from updraft_key.model import Identifier, open_photo

    identifier = Identifier()
    paths = [Path(p) for p in about["photos"]]

    def job(count: int) -> Callable[[], object]:
        return lambda: identifier.identify([(p.name, open_photo(p)) for p in paths[:count]])

    return dict(alternating({str(n): job(n) for n in about["sizes"]}, about["rounds"]))


def image_growth(about: Facts) -> Facts:
    """Warm ``identify`` of photos of several sizes, opening included."""
    from updraft_key.model import Identifier, open_photo

    identifier = Identifier()

    def job(path: str) -> Callable[[], object]:
        return lambda: identifier.identify([("photo", open_photo(Path(path)))])

    return dict(alternating({name: job(path) for name, path in about["photos"].items()}, about["rounds"]))


def catalogue(about: Facts) -> Facts:
    """Reading a catalogue and matching it to an answer."""
    from updraft_key.model import Identifier, hand_test
    from updraft_key.model.parts import load_catalogue, match

    verdict = Identifier().identify([], [hand_test("magnet", "holds")]).verdict

    def job(path: str) -> Callable[[], object]:
        return lambda: match(load_catalogue(Path(path)), verdict)

    return dict(alternating({name: job(path) for name, path in about["files"].items()}, about["rounds"]))


PROBES: Mapping[str, Callable[[Facts], Facts]] = {
    p.__name__: p for p in (identify_once, warm, rivals, screen, floor, case, case_growth, image_growth, catalogue)
}


def main(arguments: Sequence[str]) -> int:
    """Run one probe."""
    one_arithmetic_thread()
    name, about = arguments
    if name != "identify_once":
        one_drawing_thread()  # processor time is compared, and workers have one as well
    out, sys.stdout = sys.stdout, sys.stderr  # exporters talk on stdout; what is measured is alone there
    out.write(json.dumps(PROBES[name](json.loads(about))) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
