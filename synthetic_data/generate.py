"""Make a set: many scenes, several pictures each, with labels; resumable, the same whichever engine runs it.

Work goes out in blocks of scenes (``blocks``); a crew builds and renders them and hands bytes back (``crew``); only
this process writes (``set_folder``). Run again, it goes on where it stopped.

    python -m updraft_key.synthetic_data.generate --out SET --count 12000 --split train --processes 12 --gpus 2
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from updraft_key.model.errors import MissingExtra

from .blocks import STAGES, Settings, plan
from .crew import run_jobs
from .sample import VIEWS_PER_SCENE
from .set_folder import finish_labels, is_finished, open_set, unpack, write_block
from .spec import SPLITS, SceneError


@dataclass(slots=True)
class Tally:
    """What a run has done so far."""

    pictures: int = 0
    failures: int = 0
    wall: float = 0.0
    seconds: dict[str, float] = field(default_factory=lambda: dict.fromkeys((*STAGES, "writing"), 0.0))

    def lines(self) -> list[str]:
        """Pictures a second, and where the workers' time went."""
        rate = self.pictures / self.wall if self.wall > 0 else 0.0
        total = sum(self.seconds.values())
        out = [f"{self.pictures} pictures in {self.wall:.1f} s: {rate:.2f} a second; {self.failures} scenes failed"]
        for stage, spent in self.seconds.items():
            share = spent / total if total > 0 else 0.0
            each = 1000.0 * spent / self.pictures if self.pictures else 0.0
            out.append(f"  {stage:<10} {share:6.1%}  {each:8.1f} ms a picture (worker time)")
        return out


def generate(
    out: Path,
    settings: Settings,
    count: int,
    *,
    first: int = 0,
    block: int = 8,
    processes: int = 0,
    gpus: int = 0,
    engine: str = "local",
    shards: bool = False,
    stop_after: float = float("inf"),
    quiet: bool = False,
) -> Tally:
    """Make a set, or go on making it; progress goes to stderr.

    Args:
        out: the set's folder.
        settings: how pictures are made; must equal those of a set that is already there.
        count: pictures wanted (rounded up to whole scenes).
        first: number of the first scene.
        block: scenes a job.
        processes: see ``run_jobs``.
        gpus: see ``run_jobs``.
        engine: see ``run_jobs``.
        shards: write tars instead of single pictures, and no ``labels.jsonl`` (each tar holds its labels).
        stop_after: seconds after which no new job is started.
        quiet: no progress line.

    Raises:
        SceneError: the folder holds a set that was made differently.
    """
    open_set(out, settings, shards)
    jobs = [j for j in plan(settings, first, count, block) if not is_finished(out, j)]
    wanted = sum(j.scenes for j in jobs) * settings.pictures_per_scene
    tally = Tally()
    start = time.monotonic()
    for done in run_jobs(jobs, processes, gpus, engine, start + stop_after):
        before = time.perf_counter()
        write_block(out, done, shards)
        tally.seconds["writing"] += time.perf_counter() - before
        tally.pictures += len(done.pictures)
        tally.failures += len(done.failures)
        tally.wall = time.monotonic() - start
        for stage, spent in done.seconds.items():
            tally.seconds[stage] += spent
        for problem in done.failures:
            sys.stderr.write(f"\n{problem}\n")
        if not quiet:
            rate = tally.pictures / max(tally.wall, 1e-9)
            left = (wanted - tally.pictures) / max(rate, 1e-9)
            sys.stderr.write(f"\r{tally.pictures}/{wanted} pictures, {rate:.2f} a second, {left:.0f} s left   ")
            sys.stderr.flush()
    if not quiet:
        sys.stderr.write("\n")
    if not shards:
        finish_labels(out)
    return tally


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line without any extra package; exit 0 done, 1 refused or too many scenes failed."""
    parser = argparse.ArgumentParser(prog="generate", description="Render a labelled set of pictures.")
    parser.add_argument("--out", type=Path, required=True, help="folder of the set")
    parser.add_argument("--count", type=int, default=12, help="pictures")
    parser.add_argument("--split", choices=SPLITS, default="train")
    parser.add_argument("--first", type=int, default=0, help="number of the first scene")
    parser.add_argument("--size", type=int, default=448, help="side in pixels")
    parser.add_argument("--samples", type=int, default=32, help="light paths a pixel")
    parser.add_argument("--views", type=int, default=VIEWS_PER_SCENE, help="pictures a scene")
    parser.add_argument("--ablation", action="store_true", help="each shot whole, and again without each ingredient")
    parser.add_argument("--camera", choices=("off", "on"), default="off", help="phone faults on the pictures")
    parser.add_argument("--quality", type=int, default=95, help="JPEG quality")
    parser.add_argument("--variant", default=None, help="Mitsuba variant (default: cuda_ad_rgb, else llvm_ad_rgb)")
    parser.add_argument("--processes", type=int, default=0, help="workers; 0 works in this process")
    parser.add_argument("--gpus", type=int, default=0, help="CUDA devices to spread the workers over")
    parser.add_argument("--engine", default="local", help="local, or dask:tcp://host:port")
    parser.add_argument("--block", type=int, default=8, help="scenes a job")
    parser.add_argument("--shards", action="store_true", help="write tars of at most 15 MiB")
    parser.add_argument("--stop-after", type=float, default=float("inf"), help="seconds; no new job after that")
    parser.add_argument("--unpack", type=Path, default=None, help="unpack this folder of shards into --out instead")
    given = parser.parse_args(arguments)
    try:
        if given.unpack is not None:
            sys.stderr.write(f"{unpack(given.unpack, given.out)} labels in {given.out}\n")
            return 0
        settings = Settings(
            split=given.split,
            size=given.size,
            samples=given.samples,
            views=given.views,
            camera=1.0 if given.camera == "on" else 0.0,
            quality=given.quality,
            variant=given.variant,
            ablation=given.ablation,
        )
        tally = generate(
            given.out,
            settings,
            given.count,
            first=given.first,
            block=given.block,
            processes=given.processes,
            gpus=given.gpus,
            engine=given.engine,
            shards=given.shards,
            stop_after=given.stop_after,
        )
    except (SceneError, MissingExtra) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stderr.write("\n".join(tally.lines()) + "\n")
    return 1 if tally.failures * settings.pictures_per_scene > 0.02 * max(tally.pictures, 1) else 0


if __name__ == "__main__":
    raise SystemExit(main())
