"""Hands, bare or gloved: a grip under the subject, fingers that point at it or come into the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .coat import GRIME, Colour, ripple
from .kin_fittings import cast
from .mesh import PartMesh
from .pieces import RawPart
from .solids import Solid, Vec, ball, chain, vec

SKINS: tuple[Colour, ...] = (
    (0.62, 0.38, 0.28),
    (0.55, 0.31, 0.21),
    (0.44, 0.24, 0.15),
    (0.33, 0.17, 0.10),
    (0.22, 0.11, 0.065),
    (0.13, 0.065, 0.04),
)
"""Linear RGB, light to dark."""
GLOVES: tuple[Colour, ...] = (
    (0.015, 0.015, 0.016),
    (0.03, 0.09, 0.32),
    (0.52, 0.16, 0.02),
    (0.38, 0.24, 0.10),
    (0.55, 0.55, 0.52),
    (0.02, 0.16, 0.14),
)
BONES = ((44.0, 27.0, 21.0), (48.0, 30.0, 22.0), (44.0, 28.0, 21.0), (35.0, 22.0, 19.0))
"""Lengths of the finger bones, index to little finger, of a large hand, mm (common practice, no source)."""
THICK = (9.6, 8.6, 8.0, 6.8)
"""Radius at knuckle, first joint, second joint and tip, mm."""


def _unit(v: Vec) -> Vec:
    return v / max(float(np.linalg.norm(v)), 1e-9)


def finger(
    rng: np.random.Generator,
    root: Vec,
    way: Vec,
    curl: Vec,
    bones: Sequence[float],
    bends: Sequence[float],
    scale: float,
) -> tuple[list[tuple[Solid, float]], Vec, Vec]:
    """A finger from its knuckle.

    Args:
        rng: small differences.
        root: knuckle.
        way: direction of the first bone.
        curl: direction toward which it bends, about across ``way``.
        bones: lengths.
        bends: angle of each bone to the one before, radians; the first is to ``way``.
        scale: of thickness.

    Returns:
        The solids with their blends, the tip, the tip's back (where the nail is).
    """
    forward, over = _unit(way), _unit(curl - _unit(way) * float(curl @ _unit(way)))
    points, angle = [root], 0.0
    for length, bend in zip(bones, bends, strict=True):
        angle += bend + float(rng.normal(0, 0.05))
        points.append(points[-1] + length * scale * (math.cos(angle) * forward + math.sin(angle) * over))
    radii = [t * scale * float(rng.normal(1, 0.02)) for t in THICK]
    solids: list[tuple[Solid, float]] = [(chain(np.array(points), radii), 6.0)]
    solids += [(ball(p, r * 1.07), 4.0) for p, r in zip(points[1:-1], radii[1:-1], strict=True)]
    back = math.sin(angle) * forward - math.cos(angle) * over
    return solids, points[-1], back


def skinned(rng: np.random.Generator, raw: RawPart, tips: Sequence[tuple[Vec, Vec]], gloved: bool) -> PartMesh:
    """Skin, nails and dirt, or a glove, on a hand's surface."""
    v = raw.vertices
    n = len(v)
    palette = GLOVES if gloved else SKINS
    base = np.array(palette[int(rng.integers(len(palette)))]) * rng.uniform(0.8, 1.2)
    colour = np.tile(base.astype(np.float32), (n, 1)) * (1 + 0.07 * ripple(v, rng, 30.0, 4))[:, None]
    rough = np.full(n, 0.75 if gloved and rng.random() < 0.5 else 0.46, np.float32)
    rough += 0.05 * ripple(v, rng, 5.0, 2)
    colour *= (1 - 0.45 * np.clip(raw.occlusion * 1.3 - 0.25, 0, 1))[:, None]
    if not gloved:
        for tip, back in tips:
            off = v - tip.astype(np.float32)
            red = np.exp(-((off * off).sum(1)) / 500.0)[:, None]
            colour *= 1 - red * np.array([0.0, 0.14, 0.12], np.float32)
            nail = (off @ back.astype(np.float32) > 2.6) & ((off * off).sum(1) < 72.0)
            colour[nail] = colour[nail] * 0.7 + np.array([0.24, 0.16, 0.14], np.float32)
            rough[nail] = 0.22
        colour *= (1 - 0.16 * np.clip(ripple(v, rng, 9.0, 2) - 0.6, 0, 1))[:, None]
    dirt = float(rng.random() ** 1.5) * np.clip(ripple(v, rng, 22.0, 4) * 0.8 + raw.occlusion - 0.25, 0, 0.9)
    colour = colour * (1 - dirt)[:, None] + np.array(GRIME, np.float32) * dirt[:, None]
    return PartMesh(
        raw.part,
        v,
        raw.faces,
        raw.normals,
        np.clip(colour, 0.004, 0.9).astype(np.float32),
        np.clip(rough, 0.08, 1).astype(np.float32),
        np.zeros(n, np.float32),
    )


def grip(rng: np.random.Generator, low: NDArray[np.floating], high: NDArray[np.floating]) -> list[PartMesh]:
    """A hand that holds the subject from below: palm under its box, fingers up one side, thumb up another.

    The fingers may touch the box; that is what a grip does.
    """
    side = float(rng.choice([-1.0, 1.0]))
    turn = float(rng.choice([0.0, 0.0, math.pi / 2, math.pi])) + float(rng.normal(0, 0.25))
    across = vec(math.cos(turn), 0, math.sin(turn))  # fingers point this way, under the subject
    along = vec(-math.sin(turn), 0, math.cos(turn)) * side
    middle = (np.asarray(low, np.float64) + np.asarray(high, np.float64)) / 2
    half = (np.asarray(high, np.float64) - np.asarray(low, np.float64)) / 2
    reach = abs(float(across[0])) * half[0] + abs(float(across[2])) * half[2]
    scale = float(rng.uniform(0.92, 1.1))
    floor = vec(middle[0], float(low[1]) - 15.0 * scale, middle[2])
    palm_end = floor + across * (reach - 34 * scale) + along * float(rng.normal(0, 8))
    wrist = palm_end - across * 96 * scale - vec(0, float(rng.uniform(4, 22)), 0)
    solids: list[tuple[Solid, float]] = []
    tips: list[tuple[Vec, Vec]] = []
    palm = np.array([wrist + across * 22, palm_end - across * 34, palm_end - across * 10])
    for shift in (-24.0, 0.0, 24.0):
        solids.append((chain(palm + along * shift * scale, [13 * scale, 14 * scale, 12 * scale]), 16.0))
    for k in range(4):
        root = palm_end + along * (k - 1.5) * 20.5 * scale
        solids.append((chain(np.array([wrist + along * (k - 1.5) * 13 * scale, root]), [11 * scale, 11 * scale]), 14.0))
        way = across + along * (k - 1.5) * 0.09
        bends = (0.12, float(rng.uniform(0.95, 1.35)), float(rng.uniform(0.25, 0.7)))
        pieces, tip, back = finger(rng, root, way, vec(0, 1, 0), BONES[k], bends, scale)
        solids += pieces
        tips.append((tip, back))
    root = wrist + along * -24 * scale + across * 18 * scale
    flank = -along * (abs(float(along[0])) * half[0] + abs(float(along[2])) * half[2])
    toward = _unit(floor + flank * 0.9 + across * (reach - 70) - root + vec(0, 4, 0))
    pieces, tip, back = finger(rng, root, toward, vec(0, 1, 0), (46, 34, 27), (0.05, 0.5, 0.35), scale * 1.12)
    solids += pieces
    tips.append((tip, back))
    arm = _unit(-across - vec(0, float(rng.uniform(0.1, 0.7)), 0))
    solids.append(
        (chain(np.array([wrist + across * 12, wrist + arm * 60, wrist + arm * 240]), [25, 27, 36], squash=1.0), 12.0)
    )
    return [skinned(rng, cast("hand", solids, step=3.0), tips, rng.random() < 0.35)]


def pointing(rng: np.random.Generator, low: NDArray[np.floating], high: NDArray[np.floating]) -> list[PartMesh]:
    """One or two fingers that come from outside and end 2 to 30 mm before the subject's box."""
    middle = (np.asarray(low, np.float64) + np.asarray(high, np.float64)) / 2
    half = (np.asarray(high, np.float64) - np.asarray(low, np.float64)) / 2
    way = _unit(vec(float(rng.normal(0, 0.8)), float(rng.normal(0.1, 0.6)), abs(float(rng.normal(0.4, 0.5)))))
    exit_at = float(np.min(half / np.maximum(np.abs(way), 1e-6)))
    scale = float(rng.uniform(0.92, 1.1))
    tip = middle + way * (exit_at + THICK[3] * 1.6 * scale + float(rng.uniform(2, 30)))
    curl = _unit(np.cross(way, rng.standard_normal(3)))
    bones = BONES[0]
    solids: list[tuple[Solid, float]] = []
    tips: list[tuple[Vec, Vec]] = []
    for k in range(1 if rng.random() < 0.6 else 2):
        beside = np.cross(way, curl) * 19 * scale * k
        root = tip + way * sum(bones) * scale * 0.97 + curl * 14 * scale + beside
        pieces, end, back = finger(rng, root, -way, -curl, bones, (0.02, 0.16, 0.14), scale)
        solids += pieces
        tips.append((end, back))
        solids.append((chain(np.array([root, root + way * 70 * scale + curl * 10]), [10.5 * scale, 15 * scale]), 8.0))
    first = tip + way * sum(bones) * scale + curl * 16
    fist = [first + np.cross(way, curl) * o * scale + way * 12 for o in (-22, -2, 20, 38)]
    solids += [
        (chain(np.array([p, p + way * 24 - curl * 16, p + way * 40 + curl * 4]), [10.5, 10, 12]), 7.0) for p in fist
    ]
    solids.append((chain(np.array([first + way * 30, first + way * 95, first + way * 260]), [24, 26, 34]), 12.0))
    parts = skinned(rng, cast("hand", solids, step=3.0), tips, rng.random() < 0.3)
    return [_clear(parts, low, high)]


def _clear(part: PartMesh, low: NDArray[np.floating], high: NDArray[np.floating]) -> PartMesh:
    """Push what would reach into the box out of it along the shortest way (a knuckle, never much)."""
    v = part.vertices.copy()
    inside = ((v > low) & (v < high)).all(1)
    if inside.any():
        w = v[inside]
        below, above = w - np.asarray(low, np.float32), np.asarray(high, np.float32) - w
        depth = np.concatenate([below, above], 1)
        face = depth.argmin(1)
        row = np.arange(len(w))
        w[row, face % 3] += np.where(face < 3, -1, 1) * (depth[row, face] + 0.05)
        v[inside] = w
    return PartMesh(part.part, v, part.faces, part.normals, part.colour, part.roughness, part.metallic)
