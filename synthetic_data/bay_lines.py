"""Hoses, wires and pipes about a subject that hangs on its engine; all go round its box."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .bench_tools import Things
from .coat import STUFF, Coat, paint_colour, painted, worn
from .kin_fittings import screw
from .pieces import smooth_path, sweep, turned
from .props import as_one
from .solids import Vec, aim, vec

Corner = NDArray[np.floating]
CLEAR_MM = 1.0
"""Least gap between the subject's box and a line."""


def _enters(path: Vec, radius: float, low: Corner, high: Corner) -> bool:
    gap = radius + CLEAR_MM
    return bool(((path > np.asarray(low) - gap) & (path < np.asarray(high) + gap)).all(1).any())


def lines(rng: np.random.Generator, low: Corner, high: Corner) -> Things:
    """Hoses with clamps, wires in bundles, pipes; all go round the subject's box."""
    out: Things = []
    centre = (np.asarray(low, np.float64) + np.asarray(high, np.float64)) / 2
    size = np.asarray(high, np.float64) - np.asarray(low, np.float64)
    for _ in range(int(rng.integers(3, 10))):
        kind = str(rng.choice(["hose", "wires", "wire", "pipe"], p=[0.35, 0.25, 0.2, 0.2]))
        radius = {
            "hose": float(rng.uniform(7, 16)),
            "wires": 2.0,
            "wire": float(rng.uniform(1.2, 3.2)),
            "pipe": float(rng.uniform(2.6, 5)),
        }[kind]
        for _ in range(20):
            start = centre + size * np.array(
                [float(rng.choice([-1, 1])) * rng.uniform(1.3, 3.2), rng.uniform(-1.6, 1.8), rng.uniform(-1.1, 0.5)]
            )
            end = centre + size * np.array(
                [float(rng.uniform(-3.2, 3.2)), rng.choice([-1, 1]) * rng.uniform(0.6, 2.4), rng.uniform(-1.2, 0.2)]
            )
            knots = [
                start + (end - start) * t + rng.normal(0, 0.28, 3) * size * math.sin(math.pi * t)
                for t in np.linspace(0, 1, 5)
            ]
            knots = [
                k - vec(0, 0.2 * size[1] * math.sin(math.pi * t), 0)
                for k, t in zip(knots, np.linspace(0, 1, 5), strict=True)
            ]
            path = smooth_path(np.array(knots), 12)
            if not _enters(path, radius * (3 if kind == "wires" else 1), low, high):
                break
        else:
            continue
        out.append(as_one(kind, _line(rng, kind, path, radius)))
    return out


def _line(rng: np.random.Generator, kind: str, path: Vec, radius: float) -> Things:
    """One line along its path: hose with clamps, bundle with ties, wire, pipe with a nut."""
    if kind == "wires":
        out: Things = []
        for k in range(int(rng.integers(2, 6))):
            shift = 2.1 * radius * vec(math.cos(k * 2.4), math.sin(k * 2.4), math.sin(k * 1.3))
            coat = Coat(paint_colour(rng), 0.4, grime=float(rng.random() * 0.5))
            out.append(painted(rng, sweep("wire", "rubber", path + shift, radius, 8), coat))
        for k in rng.choice(len(path) - 2, 3, replace=False):
            f = aim(path[k], path[k + 1] - path[k])
            tie = turned(
                "tie", "rubber", f, [(-2, radius * 2.2), (-2, radius * 3), (2, radius * 3), (2, radius * 2.2)], 16
            )
            out.append(painted(rng, tie, STUFF["black"]))
        return out
    if kind == "pipe":
        coat = worn(rng, str(rng.choice(["copper", "steel", "brass"])))
    elif kind == "hose" and rng.random() < 0.75:
        coat = replace(worn(rng, "rubber"), roughness=float(rng.uniform(0.45, 0.9)))
    else:
        coat = Coat(paint_colour(rng), 0.5, grime=float(rng.random() * 0.6))
    out = [painted(rng, sweep(kind, "rubber", path, radius, 18), coat)]
    if kind != "wire":
        for end in (0, len(path) - 2):
            f = aim(path[end], path[end + 1] - path[end])
            if kind == "hose":
                band = [(3.0, radius), (3.0, radius + 1.3), (13.0, radius + 1.3), (13.0, radius)]
                out.append(painted(rng, turned("clamp", "steel", f, band, 28), worn(rng, "chrome")))
                out.append(
                    painted(
                        rng,
                        screw(rng, f.origin + f.axes[2] * 8 + f.axes[0] * (radius + 1), f.axes[0], 5.0, "hex"),
                        worn(rng, "chrome"),
                    )
                )
            else:
                out.append(
                    painted(
                        rng,
                        turned(
                            "nut",
                            "brass",
                            f,
                            [
                                (0, 0),
                                (0, radius * 1.9),
                                (radius * 3, radius * 1.9),
                                (radius * 4, radius),
                                (radius * 4, 0),
                            ],
                            6,
                        ),
                        worn(rng, "brass"),
                    )
                )
    return out
