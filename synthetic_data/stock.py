"""The real ingredients of a scene: modelled units and look-alikes, props, light maps, table tops, photographs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import backdrops, castings, lookalikes
from .mesh import Floats, Model, PartMesh
from .sample import direction
from .sample_unit import sample_unit
from .scene import turn_to
from .spec import SceneSpec
from .surround import surround
from .textures import Surface

TABLE_PX = 768


class Stock:
    """Builds each ingredient from a seed; nothing is remembered, so the same call gives the same arrays."""

    def carburetor(self, era: str, casting: str, seed: int, split: str) -> Model:
        """Return the unit in its own frame; ``held`` units come from ranges that training never sees."""
        spec = sample_unit(era, np.random.default_rng(seed), split)
        return castings.build(replace(spec, present=casting))

    def lookalike(self, seed: int, split: str) -> tuple[str, Model]:
        """Return a name and something about as big that is not the subject."""
        spec = lookalikes.sample(np.random.default_rng([seed, 7]), split)
        return spec.kind, lookalikes.build(spec)

    def props(
        self, spec: SceneSpec, low: NDArray[np.float64], high: NDArray[np.float64], ground: float | None
    ) -> Sequence[PartMesh]:
        """Return what lies or hangs around a subject; the draws do not look at the subject's kind."""
        rng = np.random.default_rng([spec.dressing, 13])
        turn = turn_to(spec.subject.up)
        ways = [turn @ direction(shot.azimuth, shot.elevation) for shot in spec.shots]
        return surround(rng, spec.place, low, high, ground, ways=ways)

    def surroundings(self, pick: float, split: str) -> Floats:
        """Return an equirectangular light map, (256, 512, 3) float32 linear."""
        return backdrops.surroundings(pick, split)

    def table(self, seed: int, split: str) -> Surface:
        """Return a table top."""
        return backdrops.table(seed, split, TABLE_PX)

    def photograph(self, seed: int, split: str) -> NDArray[np.uint8]:
        """Return a picture for behind the subject, (h, w, 3) uint8 sRGB."""
        return backdrops.photograph(seed, split)
