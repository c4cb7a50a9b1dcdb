"""Raised foundry characters: random strokes of digits and consonants, so that no word can arise."""

from __future__ import annotations

import itertools

import numpy as np

from .layout import Layout
from .pieces import RawPart, hardware, joined, sweep
from .solids import Field, Vec, aim, block, vec
from .unit import UnitSpec

# strokes on a grid 0..2 wide and 0..4 high
GLYPHS: dict[str, list[list[tuple[float, float]]]] = {
    "0": [[(0, 1), (0, 3), (1, 4), (2, 3), (2, 1), (1, 0), (0, 1)]],
    "1": [[(0.5, 3.2), (1, 4), (1, 0)]],
    "2": [[(0, 3.2), (1, 4), (2, 3), (0, 0), (2, 0)]],
    "3": [[(0, 4), (2, 4), (1, 2.3), (2, 1), (1, 0), (0, 0.6)]],
    "4": [[(1.5, 0), (1.5, 4), (0, 1.3), (2, 1.3)]],
    "5": [[(2, 4), (0, 4), (0, 2.3), (1.4, 2.4), (2, 1.2), (1.2, 0), (0, 0.3)]],
    "6": [[(1.8, 4), (0.2, 2), (0, 1), (1, 0), (2, 1), (1, 2), (0.2, 1.6)]],
    "7": [[(0, 4), (2, 4), (0.7, 0)]],
    "8": [[(1, 2.2), (0.1, 3), (1, 4), (1.9, 3), (1, 2.2), (0, 1.1), (1, 0), (2, 1.1), (1, 2.2)]],
    "9": [[(1.8, 2.4), (1, 2), (0, 3), (1, 4), (2, 3), (1.8, 2), (0.2, 0)]],
    "F": [[(0, 0), (0, 4), (2, 4)], [(0, 2.1), (1.5, 2.1)]],
    "H": [[(0, 0), (0, 4)], [(2, 0), (2, 4)], [(0, 2), (2, 2)]],
    "K": [[(0, 0), (0, 4)], [(2, 4), (0, 1.8), (2, 0)]],
    "L": [[(0, 4), (0, 0), (2, 0)]],
    "N": [[(0, 0), (0, 4), (2, 0), (2, 4)]],
    "T": [[(0, 4), (2, 4)], [(1, 4), (1, 0)]],
    "V": [[(0, 4), (1, 0), (2, 4)]],
    "X": [[(0, 0), (2, 4)], [(0, 4), (2, 0)]],
    "Z": [[(0, 4), (2, 4), (0, 0), (2, 0)]],
}


def lettering(spec: UnitSpec, lay: Layout, lower_on: bool, upper_on: bool, field: Field | None) -> list[RawPart]:
    """The raised characters (or a blank pad) on one side of the bowl, the cover or the barrel."""
    if spec.lettering == "none":
        return []
    side = float(-spec.throttle_side)
    out = vec(side, 0, 0)
    if spec.lettering_place == "bowl":
        if not lower_on or field is None:
            return []
        middle = lay.bowl + vec(side * (lay.bowl_x + 4.0), lay.floor * 0.52, 0)
        steps = np.arange(0.0, 12.0, 0.25)
        inside = np.flatnonzero(field.sample(middle - steps[:, None] * out) < 0)
        middle = middle - out * float(steps[inside[0]] if len(inside) else 4.0)
        flat = spec.bowl in ("box", "octagon", "d_shape")
        radius = 1e4 if flat else lay.bowl_z**2 / lay.bowl_x
    else:
        if not upper_on:
            return []
        middle = lay.throat + vec(
            side * lay.barrel_radius * (0.92 if spec.barrel == "necked" else 1.0), lay.top * 0.36, 0
        )
        radius = 1e4 if spec.barrel == "boxed" else lay.barrel_radius
    along = vec(0, 0, -side)  # reads from left to right for who looks at this side
    size = spec.lettering_mm / 4
    pitch = 3.1 * size
    half = 0.5 * pitch * (len(spec.lettering_text) - 1)
    if spec.lettering == "pad":
        frame = aim(middle - out * 0.6, out)
        return [
            hardware(
                "lettering",
                "casting",
                [block(frame, (min(half + 4, 13.0), spec.lettering_mm * 0.7, 1.6), 0.8)],
                [],
                0.7,
            )
        ]
    strokes: list[RawPart] = []
    limit = 0.8 * min(radius, lay.bowl_z)
    for i, letter in enumerate(spec.lettering_text):
        for stroke in GLYPHS[letter]:
            flat2 = np.array(stroke) * size + [i * pitch - half - size, -2 * size]
            if np.abs(flat2[:, 0]).max() > limit:
                continue
            strokes.append(
                sweep(
                    "lettering",
                    "casting",
                    bent(densified(flat2), middle, along, out, radius),
                    max(0.55, 0.34 * size),
                    8,
                )
            )
    return [joined("lettering", strokes)] if strokes else []


def densified(points: Vec) -> Vec:
    """More points along a polyline (n, 2), so that it can follow a curved wall."""
    pieces = [np.linspace(a, b, 4, endpoint=False) for a, b in itertools.pairwise(points)]
    return np.concatenate([*pieces, points[-1:]])


def bent(flat: Vec, middle: Vec, along: Vec, out: Vec, radius: float) -> Vec:
    """Lay a flat figure (n, 2) on an upright cylinder of ``radius`` that touches ``middle``."""
    a = flat[:, 0] / radius
    return (
        middle
        + np.sin(a)[:, None] * radius * along
        + ((np.cos(a) - 1) * radius)[:, None] * out
        + flat[:, 1:] * vec(0, 1, 0)
    )
