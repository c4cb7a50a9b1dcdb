"""``benchmarks``: what the program costs, against its own floor, against what else one would pick, and as it grows.

Every figure of one table comes from one run on one machine. What is measured runs in processes of its own
(``probes.py``); here they are started, and their figures judged. Other work on the machine shows in the load printed
with the table; rivals alternate, so that it disturbs both sides alike.
"""

from __future__ import annotations

import json
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from updraft_key.model.errors import UpdraftKeyError

from .bars import RIVALS, Row, cold_of, flat_row, growth_row, photos_row, rivals_of, screen_row, steady_rate, warm_row
from .probes import Facts
from .specimens import catalogue_csv, photo_jpeg, write_cases

SCHEMA = "updraft-key/benchmarks/1"


@dataclass(frozen=True, slots=True)
class Plan:
    """How much is measured; ``quick`` is for a look, the other for figures that are published."""

    rounds: int = 30
    starts: int = 21
    cases: int = 120
    pairs: int = 7
    batch: int = 10_000
    rows: tuple[int, ...] = (10, 100, 1_000, 10_000, 100_000)
    pictures: int = 8
    growth_rounds: int = 5


FULL = Plan()
QUICK = Plan(rounds=8, starts=7, cases=24, pairs=3, batch=400, rows=(10, 1_000, 100_000), pictures=2, growth_rounds=2)
PHOTOS_PER_CASE = (1, 2, 4, 8, 16)
IMAGE_SIZES: Mapping[str, tuple[int, int]] = {
    "1": (1152, 864), "3": (2016, 1512), "12": (4032, 3024), "50": (8160, 6120), "200": (16320, 12240),
}  # fmt: skip
"""Megapixels -> width and height, 4:3 as phones write them."""


class Bench:
    """A folder for specimens, and the processes that work on them."""

    def __init__(self, folder: Path, plan: Plan) -> None:
        self.folder, self.plan = folder, plan

    def photo(self, megapixels: str = "12") -> Path:
        """A photo of that size; drawn once."""
        path = self.folder / f"photo_{megapixels}.jpg"
        if not path.exists():
            path.write_bytes(photo_jpeg(*IMAGE_SIZES[megapixels], np.random.default_rng([1, int(megapixels)])))
        return path

    def probe(self, name: str, about: Facts) -> Facts:
        """Run one probe in a process of its own.

        Raises:
            UpdraftKeyError: it failed; the last line of its complaint.
        """
        command = [sys.executable, "-m", "updraft_key.app.probes", name, json.dumps(about)]
        done = subprocess.run(command, capture_output=True, text=True, env=surroundings(), check=False)
        if done.returncode:
            raise UpdraftKeyError(f"{name}: {(done.stderr.strip().splitlines() or ['it died'])[-1]}")
        found: Facts = json.loads(done.stdout)
        return found

    def starts(self, codes: Mapping[str, str]) -> dict[str, list[float]]:
        """Seconds that fresh processes take for each code, in alternating order; one start of each does not count."""
        taken: dict[str, list[float]] = {name: [] for name in codes}
        for number in range(self.plan.starts + 1):
            for name, code in codes.items():
                begun = time.perf_counter()
                subprocess.run([sys.executable, "-c", code], capture_output=True, env=surroundings(), check=True)
                if number:
                    taken[name].append(time.perf_counter() - begun)
        return taken


def surroundings() -> dict[str, str]:
    """The environment of measured processes: compiled files are kept, as in any installation, and nothing is set up."""
    return {k: v for k, v in os.environ.items() if k not in ("PYTHONDONTWRITEBYTECODE", "PYTHONUNBUFFERED")}


def warm_rows(bench: Bench) -> list[Row]:
    """Warm ``identify`` against what cannot be avoided."""
    facts = bench.probe("warm", {"photo": str(bench.photo()), "rounds": bench.plan.rounds})
    return [warm_row(facts["identify"], facts["decode"], facts["passes"])]


def cold_rows(bench: Bench) -> list[Row]:
    """Fresh processes: the whole command, and the import of the door alone."""
    argv = f"import sys; sys.argv[1:] = ['identify', {str(bench.photo())!r}]; "
    run = argv + "from updraft_key.app.start import main; sys.exit(main())"
    two = "import os; os.environ['UPDRAFT_KEY_THREADS'] = '2'; " + run
    codes = {"identify": run, "two": two, "import": "import updraft_key.model", "bare": "pass"}
    taken = bench.starts(codes)
    return cold_of({name: (min(t), statistics.median(t)) for name, t in taken.items()})


def memory_rows(bench: Bench) -> list[Row]:
    """Peak memory of whole processes."""
    rows = []
    for size, most in (("12", 250.0), ("200", 400.0)):
        facts = bench.probe("identify_once", {"photo": str(bench.photo(size))})
        rows.append(Row(f"memory_{size}", f"peak memory, identify of a {size} MP JPEG", facts["peak_mb"], "MB",
                        most=most, about="resident, whole process"))  # fmt: skip
    return rows


def screen_rows(bench: Bench) -> list[Row]:
    """Screening 12 MP photos on all cores against decode and network alone on all cores."""
    inbox, cores = bench.folder / "inbox", len(os.sched_getaffinity(0))
    write_cases(inbox, bench.plan.cases, *IMAGE_SIZES["12"])
    paths = sorted(str(p) for p in inbox.rglob("*.jpg"))
    pairs = []
    for number in range(bench.plan.pairs):
        floor = _floor(paths, cores)
        facts = bench.probe("screen", {"inbox": str(inbox), "out": str(bench.folder / f"out{number}"),
                                       "processes": cores, "cases": len(paths)})  # fmt: skip
        pairs.append((steady_rate([(int(n), float(t)) for n, t in facts["marks"]], 3 * cores), floor))
    work = bench.probe("case", {"inbox": str(inbox), "rounds": max(5, bench.plan.rounds // 3)})
    return [screen_row(pairs, cores, (work["decode"] + work["passes"]) / work["case"])]


def _floor(paths: Sequence[str], cores: int) -> float:
    workers = [
        subprocess.Popen(
            [sys.executable, "-m", "updraft_key.app.probes", "floor", json.dumps({"photos": paths[n::cores]})],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=surroundings(),
        )
        for n in range(cores)
    ]  # fmt: skip
    outs = [w.stdout for w in workers if w.stdout is not None]
    for out in outs:
        out.readline()
    for worker in workers:
        if worker.stdin is not None:
            worker.stdin.write("go\n")
            worker.stdin.close()
    facts: list[dict[str, float]] = [json.loads(out.readline()) for out in outs]
    for worker in workers:
        worker.wait()
    return len(paths) / (max(f["ended"] for f in facts) - min(f["begun"] for f in facts))


def batch_rows(bench: Bench) -> list[Row]:
    """A long screening run of small photos: is its memory flat, and does time grow with the number of photos?"""
    inbox, count = bench.folder / "many", bench.plan.batch
    write_cases(inbox, count, 640, 480)
    facts = bench.probe("screen", {"inbox": str(inbox), "out": str(bench.folder / "many_out"),
                                   "processes": len(os.sched_getaffinity(0)), "cases": count})  # fmt: skip
    marks = [(int(n), float(t)) for n, t in facts["marks"]]
    return [flat_row([(int(n), float(mb)) for n, mb in facts["memory"]]), photos_row(marks)]


def growth_rows(bench: Bench) -> list[Row]:
    """Time against photos of a case, size of the picture, and rows of the catalogue."""
    rounds = bench.plan.growth_rounds
    photos = []
    for n in range(max(PHOTOS_PER_CASE)):
        photos.append(bench.folder / f"case_{n}.jpg")
        photos[-1].write_bytes(photo_jpeg(2016, 1512, np.random.default_rng([2, n]), which=n))
    cases = bench.probe("case_growth", {"photos": [str(p) for p in photos], "sizes": PHOTOS_PER_CASE, "rounds": rounds})
    images = bench.probe("image_growth", {"photos": {k: str(bench.photo(k)) for k in IMAGE_SIZES}, "rounds": rounds})
    files = {}
    for n in bench.plan.rows:
        files[str(n)] = str(bench.folder / f"rows_{n}.csv")
        Path(files[str(n)]).write_bytes(catalogue_csv(n))
    rows = bench.probe("catalogue", {"files": files, "rounds": 2})
    tables = (("photos_per_case", "photos of one case", cases), ("image", "megapixels of a JPEG", images),
              ("catalogue", "rows of a catalogue", rows))  # fmt: skip
    return [growth_row(f"growth_{i}", w, [float(k) for k in t], list(t.values())) for i, w, t in tables]


def rival_rows(bench: Bench) -> list[Row]:
    """What else one would pick, on the same photo in the same rounds."""
    rounds = max(3, bench.plan.rounds // 3)
    try:
        facts = bench.probe("rivals", {"photo": str(bench.photo()), "rounds": rounds, "folder": str(bench.folder)})
    except UpdraftKeyError as error:
        why = f"needs the [train] extra ({error})"
        return [Row(f"rival_{name}", f"{what} / identify", None, "x", about=why) for name, what in RIVALS.items()]
    return rivals_of(facts)


def render_rows(bench: Bench) -> list[Row]:
    """Pictures rendered a second, 448 px and 32 samples."""
    what, cores = "pictures rendered a second (448 px, 32 samples)", len(os.sched_getaffinity(0))
    command = [sys.executable, "-m", "updraft_key.app.cli", "pictures", "bench-render", "--count",
               str(bench.plan.pictures), "--processes", str(cores)]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, env=surroundings(), check=False)
    rate = re.search(r"([\d.]+) a second", done.stdout)
    if rate is None:
        why = "needs the [render] extra and Debian's LLVM: " + (done.stderr.strip().splitlines() or ["it died"])[-1]
        return [Row("render", what, None, "/s", about=why)]
    return [Row("render", what, float(rate[1]), "/s", about=f"{cores} processes, start of the renderer included")]


SECTIONS: Mapping[str, Callable[[Bench], list[Row]]] = {
    "warm": warm_rows, "cold": cold_rows, "memory": memory_rows, "screen": screen_rows, "growth": growth_rows,
    "batch": batch_rows, "rivals": rival_rows, "render": render_rows,
}  # fmt: skip


def measure(names: Sequence[str], plan: Plan, say: Callable[[str], None]) -> dict[str, Any]:
    """Measure the named sections (all if none is named); returns the whole result as plain data.

    Raises:
        UpdraftKeyError: a section that does not exist, or a measurement that failed.
    """
    wrong = [n for n in names if n not in SECTIONS]
    if wrong:
        raise UpdraftKeyError(f"benchmarks: expected some of {', '.join(SECTIONS)}, got {', '.join(wrong)}")
    before, rows = os.getloadavg()[0], []
    with tempfile.TemporaryDirectory(prefix="updraft-key-") as folder:
        for name in names or SECTIONS:
            say(f"measuring {name} ...")
            rows += [r.to_json() for r in SECTIONS[name](Bench(Path(folder), plan))]
    return {"schema": SCHEMA, "quick": plan is QUICK, "machine": machine(before), "rows": rows}


def machine(load_before: float) -> dict[str, Any]:
    """Where it was measured, and how busy it was (other work included)."""
    return {
        "processor": _processor(), "cores": len(os.sched_getaffinity(0)), "python": platform.python_version(),
        "onnxruntime": version("onnxruntime"), "load_before": load_before, "load_after": os.getloadavg()[0],
    }  # fmt: skip


def _processor() -> str:
    try:
        found = re.search(r"model name\s*: (.+)", Path("/proc/cpuinfo").read_text("utf-8", errors="replace"))
    except OSError:
        found = None
    return found[1].strip() if found else platform.machine()
