"""The real ingredients of a scene: modelled units and look-alikes, props, light maps, table tops, photographs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import castings, lookalikes
from .mesh import Floats, Model, PartMesh
from .spec import SceneSpec
from .textures import TEXTURES, Surface, surface
from .unit import sample_unit

HELD_TABLES = 4
"""Every so many-th table top is kept for ``held`` scenes, by its place in the list."""
TABLE_PX = 768


class Stock:
    """Builds each ingredient from a seed; nothing is remembered, so the same call gives the same arrays."""

    def carburetor(self, era: str, casting: str, seed: int, split: str) -> Model:
        """Return the unit in its own frame; ``held`` units come from ranges that training never sees."""
        spec = sample_unit(era, np.random.default_rng(seed), split)
        return castings.build(replace(spec, present=casting))

    def lookalike(self, seed: int, split: str) -> tuple[str, Model]:
        """Return a name and something about as big that is not the subject."""
        spec = lookalikes.sample(np.random.default_rng([seed, 7]))
        return spec.kind, lookalikes.build(spec)

    def props(
        self, spec: SceneSpec, low: NDArray[np.float64], high: NDArray[np.float64], ground: float | None
    ) -> Sequence[PartMesh]:
        """Return what lies or hangs around a subject."""
        return ()

    def surroundings(self, pick: float, split: str) -> Floats:
        """Return an equirectangular light map, (h, 2h, 3) float32 linear."""
        h = 128
        y = np.linspace(1.0, -1.0, h)[:, None, None]
        x = np.linspace(0.0, 2.0 * np.pi, 2 * h)[None, :, None]
        sky = np.clip(0.5 + 0.5 * y + 0.3 * np.sin(x + pick * 6.28), 0.08, 2.0) * np.ones((1, 1, 3))
        window = 18.0 * ((np.abs(y - 0.35) < 0.2) & (np.abs(x - 2.2) < 0.35))
        return np.asarray(sky + window, np.float32)

    def table(self, seed: int, split: str) -> Surface:
        """Return a table top."""
        names = sorted(TEXTURES)
        held = names[HELD_TABLES - 1 :: HELD_TABLES]
        mine = held if split == "held" else [n for n in names if n not in held]
        rng = np.random.default_rng([seed, 11])
        return surface(mine[int(rng.integers(len(mine)))], rng, TABLE_PX)

    def photograph(self, seed: int, split: str) -> NDArray[np.uint8]:
        """Return a picture for behind the subject, (h, w, 3) uint8 sRGB."""
        return self.table(seed + 1, split).pixels
