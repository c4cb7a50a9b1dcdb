"""Make a set: many scenes, several pictures each, with labels; resumable, the same whichever engine runs it.

A picture's seed decides it: scene ``seed // views``, shot ``seed % views``. Work goes out in blocks of scenes;
workers build and render and hand bytes back; only this process writes, each file under a temporary name first
and the block's labels last, so that a block is either there or not. Run again, it goes on where it stopped.

    python -m updraft_key.synthetic_data.generate --out SET --count 12000 --split train --processes 12 --gpus 2

A set folder: ``set.json`` (how it was made), ``pictures/*.jpg`` or ``shards/*.tar``, ``blocks/*.jsonl`` (labels of
finished blocks), ``labels.jsonl`` (all of them, in order of seed).
"""

from __future__ import annotations

import argparse
import io
import json
import multiprocessing
import os
import sys
import tarfile
import threading
import time
import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from updraft_key.model.errors import MissingExtra

from .annotate import annotate
from .camera import cover_lens, develop, encode, shoot
from .render import THREADS, Renderer
from .sample import VIEWS_PER_SCENE, sample_scene, scene_rng
from .scene import Ingredients, build_stage, pose_of
from .spec import SPLITS, SceneError

SHARD_BYTES = 15 * 2**20
STAGES = ("modelling", "loading", "rendering", "labelling", "encoding")
TRIES = 3
SLIVER = 0.004
"""A thing that covers less of the picture than this is neither there nor absent: such a picture is left out."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How a set is made: everything but which scenes. Saved as ``set.json``.

    Attributes:
        split: ``train`` or ``held``.
        size: side of the square pictures in pixels.
        samples: light paths a pixel.
        views: pictures a scene.
        camera: strength of the phone's faults; 0 writes clean pictures.
        quality: JPEG quality of what is written (95 and up: 4:4:4).
        variant: Mitsuba variant, None for the fastest that starts.
    """

    split: str = "train"
    size: int = 448
    samples: int = 32
    views: int = VIEWS_PER_SCENE
    camera: float = 0.0
    quality: int = 95
    variant: str | None = None

    def __post_init__(self) -> None:
        if self.split not in SPLITS:
            raise SceneError(f"split: expected one of {', '.join(SPLITS)}, got {self.split!r}")
        for name, low, high in (("size", 32, 4096), ("samples", 1, 4096), ("views", 1, 64), ("quality", 1, 100)):
            if not low <= getattr(self, name) <= high:
                raise SceneError(f"{name}: expected {low} to {high}, got {getattr(self, name)}")


@dataclass(frozen=True, slots=True)
class Job:
    """A block of scenes for one worker: scenes ``first`` to ``first + scenes - 1``."""

    settings: Settings
    first: int
    scenes: int

    @property
    def name(self) -> str:
        """Name of the block inside its set."""
        return f"{self.settings.split}-{self.first:06d}-{self.scenes}"


@dataclass(frozen=True, slots=True)
class Block:
    """A finished job: (name, JPEG bytes) and label records in order of seed, seconds a stage, failures."""

    job: Job
    pictures: tuple[tuple[str, bytes], ...]
    records: tuple[dict[str, Any], ...]
    seconds: dict[str, float]
    failures: tuple[str, ...] = ()


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


@lru_cache(maxsize=1)
def _renderer(size: int, samples: int, variant: str | None) -> Renderer:
    """One renderer a process: its compiled kernels are what makes the second scene fast."""
    return Renderer(size=size, samples=samples, variant=variant)


@lru_cache(maxsize=1)
def _stock() -> Ingredients:
    from .stock import Stock

    return Stock()


def render_block(job: Job, ingredients: Ingredients | None = None, renderer: Renderer | None = None) -> Block:
    """Build and render a block of scenes. The same job gives the same labels and pictures wherever it runs.

    A scene that fails is reported in ``failures`` and left out; it does not take the others with it.
    """
    s = job.settings
    cv2.setNumThreads(1)
    things = ingredients or _stock()
    engine = renderer or _renderer(s.size, s.samples, s.variant)
    seconds = dict.fromkeys(STAGES, 0.0)
    pictures: list[tuple[str, bytes]] = []
    records: list[dict[str, Any]] = []
    failures: list[str] = []
    for index in range(job.first, job.first + job.scenes):
        try:
            for name, data, record in _scene(index, s, things, engine, seconds):
                pictures.append((name, data))
                records.append(record)
        except MissingExtra:
            raise
        except Exception:  # one bad scene must not end a run of hours; it is reported with its number
            failures.append(f"scene {index} of {s.split}: {traceback.format_exc(limit=-4)}")
    return Block(job, tuple(pictures), tuple(records), seconds, tuple(failures))


def _scene(
    index: int, s: Settings, things: Ingredients, engine: Renderer, seconds: dict[str, float]
) -> Iterator[tuple[str, bytes, dict[str, Any]]]:
    clock = time.perf_counter
    t0 = clock()
    spec = sample_scene(scene_rng(s.split, index), s.split, index, s.views)
    stage = build_stage(spec, things)
    t1 = clock()
    engine.load(stage)
    t2 = clock()
    seconds["modelling"] += t1 - t0
    seconds["loading"] += t2 - t1
    for i, shot in enumerate(spec.shots):
        seed = index * s.views + i
        name = f"{s.split}-{seed:07d}.jpg"
        rng = np.random.default_rng([shot.seed, SPLITS.index(s.split)])
        t0 = clock()
        pose = pose_of(stage, shot)
        passes = engine.shoot(pose, shot.seed)
        t1 = clock()
        blur = float(rng.gamma(1.5, 1.4)) * s.size / 448.0
        picture = develop(passes.linear, passes.behind, stage.photograph, shot.exposure, blur)
        if shot.occluder > 0.0 and spec.distractors:
            picture, covered = cover_lens(picture, rng, shot.occluder)
            passes.owner[covered] = -2
        t2 = clock()
        record = annotate(stage, shot, pose, passes, name, seed)
        t3 = clock()
        if record["subject_area"] < SLIVER and record["kind"] == stage.kind != "empty":
            continue
        if shot.mirrored:
            picture = np.ascontiguousarray(picture[:, ::-1])
        if s.camera > 0.0:
            picture = shoot(picture, rng, s.camera)
        data = encode(picture, s.quality)
        seconds["rendering"] += t1 - t0
        seconds["labelling"] += t3 - t2
        seconds["encoding"] += t2 - t1 + clock() - t3
        yield name, data, record


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
        BrokenProcessPool: workers died three times over.
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
        for attempt in range(TRIES):
            try:
                for block in _on_processes(tuple(left), processes, gpus, until):
                    left.remove(block.job)
                    yield block
                return
            except BrokenProcessPool:
                if attempt == TRIES - 1:
                    raise
                sys.stderr.write(f"\na worker died; starting again with the {len(left)} blocks that are left\n")


def _on_processes(jobs: Sequence[Job], processes: int, gpus: int, until: float) -> Iterator[Block]:
    context = multiprocessing.get_context("spawn")
    counter = context.Value("i", 0)
    with ProcessPoolExecutor(processes, context, _claim, (counter, gpus, processes)) as pool:
        waiting = iter(jobs)
        running: set[Future[Block]] = set()
        more = True
        while more or running:
            while more and len(running) < processes + 2 and time.monotonic() < until:
                job = next(waiting, None)
                if job is None:
                    more = False
                else:
                    running.add(pool.submit(render_block, job))
            more = more and time.monotonic() < until
            if running:
                done, running = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    yield future.result()


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


def plan(settings: Settings, first: int, count: int, block: int) -> list[Job]:
    """Cut ``count`` pictures, from scene ``first`` on, into jobs of ``block`` scenes; borders never move."""
    scenes = -(-count // settings.views)
    return [Job(settings, start, min(block, first + scenes - start)) for start in range(first, first + scenes, block)]


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(data)
    part.replace(path)


def write_block(out: Path, block: Block, shards: bool) -> None:
    """Write a block's pictures (or tars of at most 15 MiB), then its labels, which mark it as finished."""
    lines = [json.dumps(r, separators=(",", ":")) for r in block.records]
    labels = "".join(line + "\n" for line in lines).encode()
    if not shards:
        for name, data in block.pictures:
            _write(out / "pictures" / name, data)
    else:
        for number, members in enumerate(_portions(block.pictures, SHARD_BYTES - 65536 - len(labels))):
            raw = io.BytesIO()
            with tarfile.open(fileobj=raw, mode="w") as tar:
                rows = [("labels.jsonl", labels)] if number == 0 else []
                for name, data in [*rows, *((f"pictures/{n}", d) for n, d in members)]:
                    info = tarfile.TarInfo(name)
                    info.size = len(data)
                    tar.addfile(info, io.BytesIO(data))
            _write(out / "shards" / f"{block.job.name}-{number}.tar", raw.getvalue())
    _write(out / "blocks" / f"{block.job.name}.jsonl", labels)


def _portions(pictures: Sequence[tuple[str, bytes]], limit: int) -> Iterator[list[tuple[str, bytes]]]:
    portion: list[tuple[str, bytes]] = []
    held = 0
    for name, data in pictures:
        if portion and held + len(data) + 1024 > limit:
            yield portion
            portion, held = [], 0
        portion.append((name, data))
        held += len(data) + 1024
    if portion:
        yield portion


def finish_labels(out: Path) -> int:
    """Join the labels of all finished blocks into ``labels.jsonl``, by seed; return how many."""
    rows = [line for path in (out / "blocks").glob("*.jsonl") for line in path.read_text("utf-8").splitlines()]
    rows.sort(key=lambda line: (json.loads(line)["split"], json.loads(line)["seed"]))
    _write(out / "labels.jsonl", "".join(line + "\n" for line in rows).encode())
    return len(rows)


def unpack(shards: Path, out: Path) -> int:
    """Unpack a folder of shards into a set folder; return how many labels it then has.

    Only plain members named ``labels.jsonl`` and ``pictures/<name>.jpg`` are taken.
    """
    for path in sorted(shards.glob("*.tar")):
        with tarfile.open(path) as tar:
            for member in tar:
                held = tar.extractfile(member) if member.isfile() else None
                name = Path(member.name).name
                if held is None:
                    continue
                if member.name == "labels.jsonl":
                    _write(out / "blocks" / f"{path.stem}.jsonl", held.read())
                elif member.name == f"pictures/{name}" and name.endswith(".jpg"):
                    _write(out / "pictures" / name, held.read())
    return finish_labels(out)


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
    described = json.dumps({**asdict(settings), "shards": shards}, indent=1)
    at = out / "set.json"
    if at.exists() and at.read_text("utf-8") != described:
        raise SceneError(f"{out} holds a set made with other settings: {at.read_text('utf-8')}")
    _write(at, described.encode())
    jobs = [j for j in plan(settings, first, count, block) if not (out / "blocks" / f"{j.name}.jsonl").exists()]
    wanted = sum(j.scenes for j in jobs) * settings.views
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
    return 1 if tally.failures * settings.views > 0.02 * max(tally.pictures, 1) else 0


if __name__ == "__main__":
    raise SystemExit(main())
