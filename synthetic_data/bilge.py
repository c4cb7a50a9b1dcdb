"""What lies below a subject that hangs on its engine: the boat's floor, bearers, a drip tray."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .bench_tools import FLAT, Things
from .coat import Coat, painted, ripple, worn
from .kin_fittings import cast, rectangle, slab
from .mesh import Floats, PartMesh
from .pieces import RawPart
from .props import as_one
from .solids import Frame, block, vec

Corner = NDArray[np.floating]

WALL = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])  # u = +x, v = +y, w = +z
UP = vec(0, 1, 0)


def bilge(rng: np.random.Generator, low: Corner, high: Corner) -> Things:
    """The floor of the boat: curved, stained, with a puddle; engine bearers; sometimes a tray under the subject."""
    y = float(low[1]) - float(rng.uniform(55, 170))
    n, half = 112, 700.0
    a = np.linspace(-half, half, n, dtype=np.float32)
    x, z = np.meshgrid(a, a, indexing="ij")
    flat = np.stack([x.ravel(), np.zeros(n * n, np.float32), z.ravel()], 1)
    lift = 0.00055 * flat[:, 0] ** 2 * rng.uniform(0.1, 1) + 4 * ripple(flat, rng, 260.0)
    v = (flat + np.stack([np.zeros_like(lift), y + lift - 10, np.zeros_like(lift)], 1)).astype(np.float32)
    i = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None, :]).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + n], 1), np.stack([i + 1, i + n + 1, i + n], 1)]).astype(np.int32)
    tones = ((0.42, 0.41, 0.38), (0.25, 0.26, 0.27), (0.33, 0.10, 0.06), (0.16, 0.22, 0.28))
    paint = Coat(tones[int(rng.integers(4))], 0.6, tone=0.15, grime=float(rng.uniform(0.4, 1.0)), chips=0.1)
    sheet = RawPart("bilge", "painted", v, faces, _up(len(v)), np.full(len(v), 0.2, np.float32))
    floor = painted(rng, sheet, paint)
    wet = np.clip((float(rng.uniform(-12, 6)) - lift) / 3 + 0.3 * ripple(flat, rng, 60.0), 0, 1)
    colour = floor.colour * (1 - 0.75 * wet)[:, None]
    rough = floor.roughness * (1 - wet) + 0.05 * wet
    out: Things = [replace(floor, colour=colour.astype(np.float32), roughness=rough.astype(np.float32))]
    for s in (-1, 1):
        if rng.random() < 0.6:
            at = (
                vec(0, y + 10, float(high[2]) + float(rng.uniform(70, 200)))
                if s > 0
                else vec(0, y + 10, float(low[2]) - 30)
            )
            beam = cast(
                "bearer",
                [(block(Frame(at, WALL), (half, float(rng.uniform(20, 50)), float(rng.uniform(18, 34))), 4), 0.0)],
                step=7.0,
            )
            if at[1] + 50 < low[1] or s > 0:
                out.append(
                    painted(rng, beam, Coat((0.40, 0.38, 0.33), 0.6, tone=0.15, grime=float(rng.uniform(0.2, 0.9))))
                )
    if rng.random() < 0.45:
        out += drip_tray(rng, low, high)
    return [_below_box(p, low, high) for p in out]


def _up(count: int) -> Floats:
    return np.tile(np.array([0, 1, 0], np.float32), (count, 1))


def _below_box(part: PartMesh, low: Corner, high: Corner) -> PartMesh:
    """Nothing under the subject's footprint comes higher than its lowest point."""
    v = part.vertices.copy()
    under = (v[:, 0] > low[0]) & (v[:, 0] < high[0]) & (v[:, 2] > low[2]) & (v[:, 2] < high[2])
    v[under, 1] = np.minimum(v[under, 1], np.float32(low[1]) - np.float32(1.5))
    return replace(part, vertices=v)


def drip_tray(rng: np.random.Generator, low: Corner, high: Corner) -> Things:
    """A shallow sheet-metal tray hung below the subject."""
    x, z = (
        (float(high[0]) - float(low[0])) / 2 + float(rng.uniform(6, 40)),
        (float(high[2]) - float(low[2])) / 2 + float(rng.uniform(6, 30)),
    )
    at = vec(
        (float(low[0]) + float(high[0])) / 2,
        float(low[1]) - float(rng.uniform(9, 34)),
        (float(low[2]) + float(high[2])) / 2,
    )
    deep = float(rng.uniform(5, 8))
    coat = replace(
        worn(rng, str(rng.choice(["steel", "copper", "aluminium", "brass"]))), grime=float(rng.uniform(0.3, 0.9))
    )
    sheets = [slab("tray", "steel", Frame(at - UP * deep, FLAT.axes), rectangle(x, z), 1.2)]
    cross = np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])
    for s in (-1, 1):
        sheets.append(
            slab("tray", "steel", Frame(at + vec(s * x, -deep / 2, 0), cross), rectangle(z, deep / 2 + 0.6), 1.2)
        )
        sheets.append(
            slab("tray", "steel", Frame(at + vec(0, -deep / 2, s * z), WALL), rectangle(x, deep / 2 + 0.6), 1.2)
        )
    return [as_one("tray", [painted(rng, s, coat) for s in sheets])]
