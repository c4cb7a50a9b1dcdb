"""Blocks of scenes: what of a set is made in one go, and the making of it, the same wherever it runs.

A picture's seed decides it: scene ``seed // views``, shot ``seed % views`` (of a set for ablations, which holds every
shot ``WAYS`` times, the same of ``seed // WAYS``, and the way ``seed % WAYS``). Whoever renders a block hands bytes
back and writes nothing.
"""

from __future__ import annotations

import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from updraft_key.model.errors import MissingExtra

from .annotate import annotate
from .camera import cover_lens, develop, encode, shoot
from .render import Renderer
from .sample import VIEWS_PER_SCENE, scene_of, with_and_without
from .scene import Ingredients, Stage, build_stage, build_subject, pose_of
from .spec import INGREDIENTS, SPLITS, SceneError

STAGES = ("modelling", "loading", "rendering", "labelling", "encoding")
WAYS = 1 + len(INGREDIENTS)
"""In which a scene of a set for ablations is rendered: whole, and without each ingredient."""
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
        ablation: render every shot of a scene whole and once more without each ingredient, all else the same.
    """

    split: str = "train"
    size: int = 448
    samples: int = 32
    views: int = VIEWS_PER_SCENE
    camera: float = 0.0
    quality: int = 95
    variant: str | None = None
    ablation: bool = False

    def __post_init__(self) -> None:
        if self.split not in SPLITS:
            raise SceneError(f"split: expected one of {', '.join(SPLITS)}, got {self.split!r}")
        for name, low, high in (("size", 32, 4096), ("samples", 1, 4096), ("views", 1, 64), ("quality", 1, 100)):
            if not low <= getattr(self, name) <= high:
                raise SceneError(f"{name}: expected {low} to {high}, got {getattr(self, name)}")

    @property
    def pictures_per_scene(self) -> int:
        """Pictures made of a scene."""
        return self.views * (WAYS if self.ablation else 1)


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


def plan(settings: Settings, first: int, count: int, block: int) -> list[Job]:
    """Cut ``count`` pictures, from scene ``first`` on, into jobs of ``block`` scenes; borders never move."""
    scenes = -(-count // settings.pictures_per_scene)
    return [Job(settings, start, min(block, first + scenes - start)) for start in range(first, first + scenes, block)]


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
    drawn = scene_of(s.split, index, s.views)
    subject = build_subject(drawn, things)
    seconds["modelling"] += clock() - t0
    ways = with_and_without(drawn) if s.ablation else (drawn,)
    for way, spec in enumerate(ways):
        t0 = clock()
        stage = build_stage(spec, things, subject)
        t1 = clock()
        engine.load(stage)
        seconds["modelling"] += t1 - t0
        seconds["loading"] += clock() - t1
        for i in range(s.views):
            picture = _picture(stage, i, (index * s.views + i) * len(ways) + way, s, engine, seconds)
            if picture is not None:
                yield picture


def _picture(
    stage: Stage, i: int, seed: int, s: Settings, engine: Renderer, seconds: dict[str, float]
) -> tuple[str, bytes, dict[str, Any]] | None:
    """Render shot ``i`` of a stage that is loaded; None where a mere sliver of the thing can be seen."""
    clock = time.perf_counter
    shot = stage.spec.shots[i]
    name = f"{s.split}-{seed:07d}.jpg"
    rng = np.random.default_rng([shot.seed, SPLITS.index(s.split)])
    t0 = clock()
    pose = pose_of(stage, shot)
    passes = engine.shoot(pose, shot.seed)
    if not np.isfinite(passes.linear).all():  # exposure is taken from the whole picture: one such pixel blackens it
        raise SceneError(f"shot {i}: expected finite radiance everywhere")
    t1 = clock()
    blur = float(rng.gamma(1.5, 1.4)) * s.size / 448.0
    picture = develop(passes.linear, passes.behind, stage.photograph, shot.exposure, blur)
    if shot.occluder > 0.0 and stage.spec.distractors:
        picture, covered = cover_lens(picture, rng, shot.occluder)
        passes.owner[covered] = -2
    t2 = clock()
    record = annotate(stage, shot, pose, passes, name, seed)
    t3 = clock()
    if record["subject_area"] < SLIVER and record["kind"] == stage.kind != "empty":
        return None
    if shot.mirrored:
        picture = np.ascontiguousarray(picture[:, ::-1])
    if s.camera > 0.0:
        picture = shoot(picture, rng, s.camera)
    data = encode(picture, s.quality)
    seconds["rendering"] += t1 - t0
    seconds["labelling"] += t3 - t2
    seconds["encoding"] += t2 - t1 + clock() - t3
    return name, data, record
