"""Puts things beside a subject on a bench, or a cable before it; never inside its box."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .bench_tools import (
    Things,
    make_adjustable,
    make_brush,
    make_caliper,
    make_coins,
    make_pliers,
    make_ratchet,
    make_ruler,
    make_scale_card,
    make_scattered,
    make_screwdriver,
    make_socket,
    make_spring,
    make_stick,
    make_tape_measure,
    make_wrench,
)
from .clutter import make_bottle, make_carton, make_cup, make_gaskets, make_rag, make_reel, make_tray, make_wire
from .coat import Coat, paint_colour, painted, worn
from .kin_fittings import tube
from .mesh import Floats, PartMesh, merge

MOST = 12
"""Greatest number of distractors in a scene."""
CLEAR_MM = 3.0
"""Least gap between the subject's box and a prop's."""

Maker = Callable[[np.random.Generator], Things]

BENCH: Mapping[str, tuple[Maker, float]] = MappingProxyType(
    {
        "wrench": (make_wrench, 1.6),
        "adjustable": (make_adjustable, 0.7),
        "screwdriver": (make_screwdriver, 1.6),
        "pliers": (make_pliers, 1.0),
        "socket": (make_socket, 1.0),
        "ratchet": (make_ratchet, 0.7),
        "scattered": (make_scattered, 1.8),
        "coins": (make_coins, 1.0),
        "ruler": (make_ruler, 0.9),
        "tape_measure": (make_tape_measure, 0.5),
        "scale_card": (make_scale_card, 1.0),
        "caliper": (make_caliper, 0.8),
        "rag": (make_rag, 1.6),
        "cup": (make_cup, 0.7),
        "bottle": (make_bottle, 0.8),
        "gaskets": (make_gaskets, 1.0),
        "carton": (make_carton, 0.8),
        "tray": (make_tray, 0.6),
        "reel": (make_reel, 0.5),
        "wire": (make_wire, 1.0),
        "spring": (make_spring, 0.5),
        "brush": (make_brush, 0.5),
        "stick": (make_stick, 0.7),
    }
)
"""Name -> maker and how often it is drawn."""


def moved(
    parts: Sequence[PartMesh], turn: NDArray[np.float32], shift: NDArray[np.float32], part: str | None = None
) -> Things:
    """Parts turned by (3, 3), then shifted."""
    return [
        replace(
            p,
            part=part or p.part,
            vertices=(p.vertices @ turn.T + shift).astype(np.float32),
            normals=(p.normals @ turn.T).astype(np.float32),
        )
        for p in parts
    ]


def as_one(part: str, parts: Sequence[PartMesh]) -> PartMesh:
    """One part from several that belong together: what removes one removes all."""
    joined, _ = merge(list(parts))
    return replace(joined, part=part)


def box_of(parts: Sequence[PartMesh]) -> tuple[Floats, Floats]:
    """Lowest and highest corner, (3,) float32 each."""
    low, high = np.min([p.vertices.min(0) for p in parts], 0), np.max([p.vertices.max(0) for p in parts], 0)
    return np.asarray(low, np.float32), np.asarray(high, np.float32)


def about_y(turn_deg: float) -> NDArray[np.float32]:
    """Rotation about the vertical, (3, 3)."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]], np.float32)


def bench(
    rng: np.random.Generator,
    low: NDArray[np.floating],
    high: NDArray[np.floating],
    ground: float,
    count: int | None = None,
) -> Things:
    """Distractors round a subject that stands on a table.

    Args:
        rng: every draw.
        low: lowest corner of the subject's box, mm.
        high: highest corner.
        ground: height of the table.
        count: how many things, 0 to ``MOST``; drawn when None (few are commoner than many).

    Returns:
        Parts on the table; none reaches into the subject's box grown by ``CLEAR_MM`` sideways.
    """
    wanted = int(rng.integers(0, MOST + 1) * rng.uniform(0.3, 1.0)) if count is None else min(count, MOST)
    names = list(BENCH)
    weight = np.array([BENCH[n][1] for n in names])
    out: Things = []
    clear = np.float32(CLEAR_MM)
    taken = [(np.asarray(low, np.float32) - clear, np.asarray(high, np.float32) + clear)]
    middle = (taken[0][0] + taken[0][1]) / 2
    for _ in range(wanted):
        name = names[int(rng.choice(len(names), p=weight / weight.sum()))]
        thing = moved(BENCH[name][0](rng), about_y(float(rng.random() * 360)), np.zeros(3, np.float32), name)
        a, b = box_of(thing)
        for _ in range(25):
            angle, far = rng.random() * 2 * math.pi, rng.uniform(0.4, 3.2) * float(np.linalg.norm(high - low)) * 0.5
            spot = np.array(
                [middle[0] + far * math.cos(angle), ground - a[1], middle[2] + far * math.sin(angle)],
                np.float32,
            )
            spot[[0, 2]] -= (a + b)[[0, 2]] / 2
            here = (np.asarray(a + spot, np.float32), np.asarray(b + spot, np.float32))
            if not any(_overlap(here, other) for other in taken):
                out += moved(thing, np.eye(3, dtype=np.float32), spot)
                taken.append(here)
                break
    return out


def draped(rng: np.random.Generator, low: NDArray[np.floating], high: NDArray[np.floating]) -> Things:
    """A cable or hose that hangs across the front of the subject, 3 to 25 mm before its box."""
    middle, half = (np.asarray(low) + np.asarray(high)) / 2, (np.asarray(high) - np.asarray(low)) / 2
    radius = float(rng.uniform(1.5, 7.0))
    z = float(high[2]) + radius + CLEAR_MM + float(rng.uniform(0, 22))
    tilt, sag = float(rng.normal(0, 0.7)), float(rng.uniform(5, 60))
    x = np.linspace(-3.2, 3.2, 9) * half[0]
    y = middle[1] + float(rng.uniform(-0.8, 0.9)) * half[1] + tilt * x * 0.4 - sag * (1 - (x / x[0]) ** 2)
    deep = z + 0.0015 * x**2 + np.abs(rng.normal(0, 2, 9))
    path = np.stack([middle[0] + x, y, deep], 1)
    coat = worn(rng, "rubber") if rng.random() < 0.5 else Coat(paint_colour(rng), 0.45, grime=float(rng.random() * 0.6))
    return [painted(rng, tube("cable", "rubber", list(path), radius), coat)]


def _overlap(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> bool:
    """Whether two boxes overlap seen from above."""
    return bool(all(one[0][k] < other[1][k] and other[0][k] < one[1][k] for k in (0, 2)))
