"""One door to everything around a subject: bench, engine bay or hand, and what comes in front of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .bench_tools import Things
from .covers import mirror_rim
from .engine_bay import engine_bay
from .hands import grip, pointing
from .props import bench, draped
from .sight import cleared

Corner = NDArray[np.floating]
RIM_SHARE = 0.5
"""Share of the scenes in a mirror in which one of the shots shows the mirror's rim."""
POINTING_SHARE = 0.10
DRAPED_SHARE = 0.08
MOST_HIDDEN = 0.3
"""Share of the subject's outline that a bay or the things on a bench may hide from any camera."""


def surround(
    rng: np.random.Generator,
    place: str,
    low: Corner,
    high: Corner,
    ground: float | None,
    seat: float | None = None,
    ways: Sequence[Corner] = (),
) -> Things:
    """What lies, hangs or holds round a subject, by the place of the scene.

    Args:
        rng: every draw; nothing depends on what the subject is.
        place: ``bench``, ``engine``, ``hand`` or ``mirror`` (an engine bay seen in a mirror).
        low: lowest corner of the subject's box, mm, +y up.
        high: highest corner.
        ground: height of the table; None where there is none.
        ways: directions from the subject to the cameras, in the same frame; what would stand before them goes.
        seat: height of the flange's face, when studs or a spacer reach above it; ``high`` when None.

    Raises:
        ValueError: for an unknown place.
    """
    if place == "bench":
        out = bench(rng, low, high, float(low[1]) if ground is None else ground)
    elif place in ("engine", "mirror"):
        out = engine_bay(rng, low, high, seat)
    elif place == "hand":
        return grip(rng, low, high)
    else:
        raise ValueError(f"place: expected bench, engine, hand or mirror, got {place!r}")
    out = cleared(out, low, high, ways, MOST_HIDDEN)
    if place == "mirror" and len(ways) and rng.random() < RIM_SHARE:
        way = np.asarray(ways[int(rng.integers(len(ways)))], np.float64)
        half = float(np.linalg.norm(np.subtract(high, low))) / 2.0
        centre = np.add(low, high) / 2.0 + way * (half + float(rng.uniform(20.0, 90.0)))
        out += mirror_rim(rng, centre, way, half * float(rng.uniform(0.4, 0.85)))
    draw = rng.random()
    if draw < POINTING_SHARE:
        out += pointing(rng, low, high)
    elif draw < POINTING_SHARE + DRAPED_SHARE:
        out += draped(rng, low, high)
    return out
