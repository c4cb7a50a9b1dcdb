"""How a thing comes to lie on a table: nothing balances on a handle's tip.

A body rests on a face of its convex hull over which its centre of mass stands. Of those faces the one nearest to
the drawn attitude is taken.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .mesh import PartMesh

FARTHEST_DEG = 50.0
"""A resting face turned away further than this from the drawn attitude is not taken."""


def resting_up(parts: Sequence[PartMesh], up: Sequence[float]) -> tuple[float, float, float]:
    """Return the "up" direction nearest to ``up`` in which the parts lie still, unit length, their own frame.

    The centre of mass is that of the surface (castings of even wall). ``up`` itself comes back when no face of the
    hull within ``FARTHEST_DEG`` holds the body.
    """
    from scipy.spatial import ConvexHull

    wanted = np.asarray(up, np.float64) / np.linalg.norm(up)
    points = np.concatenate([p.vertices for p in parts]).astype(np.float64)
    hull = ConvexHull(points)
    corners = points[hull.simplices]
    normals = hull.equations[:, :3]
    centre = _centre(parts)
    height = ((centre - corners[:, 0]) * normals).sum(1)
    foot = centre - height[:, None] * normals
    inside = np.ones(len(corners), bool)
    for i in range(3):
        a, b, c = corners[:, i], corners[:, (i + 1) % 3], corners[:, (i + 2) % 3]
        edge = np.cross(normals, b - a)
        inside &= ((foot - a) * edge).sum(1) * ((c - a) * edge).sum(1) >= 0.0
    near = -(normals @ wanted)
    near[~inside] = -1.0
    best = int(near.argmax())
    best_up = wanted if near[best] < np.cos(np.radians(FARTHEST_DEG)) else -normals[best]
    x, y, z = (round(float(v), 6) for v in best_up)
    return x, y, z


def _centre(parts: Sequence[PartMesh]) -> NDArray[np.float64]:
    """Centre of mass of the surface."""
    total, weight = np.zeros(3), 0.0
    for p in parts:
        a, b, c = (p.vertices[p.faces[:, i]].astype(np.float64) for i in range(3))
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
        total += ((a + b + c) / 3.0 * area[:, None]).sum(0)
        weight += float(area.sum())
    return total / max(weight, 1e-12)
