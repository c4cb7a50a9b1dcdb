"""Keeps the line of sight free: what stands between a camera and the subject is thinned out, not everything.

A wall between the phone and the subject is no photo of the subject; a hose before a corner of it is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .mesh import PartMesh

Vector = NDArray[np.floating]
CELL_MM = 9.0


def covered(part: PartMesh, low: Vector, high: Vector, way: Vector) -> float:
    """Share of the box's outline that the part hides from a far camera in direction ``way``, in [0, 1]."""
    centre = ((np.asarray(low) + np.asarray(high)) / 2).astype(np.float32)
    half = ((np.asarray(high) - np.asarray(low)) / 2).astype(np.float32)
    w = (np.asarray(way) / np.linalg.norm(way)).astype(np.float32)
    helper = np.array([0, 1, 0] if abs(w[1]) < 0.9 else [1, 0, 0], np.float32)
    u = np.cross(helper, w)
    u /= np.linalg.norm(u)
    v = np.cross(w, u)
    reach = np.array([np.abs(u) @ half, np.abs(v) @ half])
    least = np.float32(0.35 * float(np.abs(w) @ half))
    seen = (part.vertices - centre) @ np.stack([u, v, w], axis=1)
    before = (seen[:, 2] > least)[part.faces]
    faces = part.faces[before[:, 0] | before[:, 1] | before[:, 2]]
    corners = [seen[faces[:, k]] for k in range(3)]
    total = corners[0] + corners[1] + corners[2]
    # Four points of each face: its middle, and one towards each corner.
    a, b, depth = np.concatenate([total / 3, *(0.2 * total + 0.4 * corner for corner in corners)]).T
    front = (depth > least) & (np.abs(a) < reach[0]) & (np.abs(b) < reach[1])
    if not front.any():
        return 0.0
    bins = np.maximum(np.ceil(2 * reach / CELL_MM).astype(int), 1)
    i = np.minimum(((a[front] + reach[0]) / CELL_MM).astype(int), bins[0] - 1)
    j = np.minimum(((b[front] + reach[1]) / CELL_MM).astype(int), bins[1] - 1)
    return float(len(np.unique(i * bins[1] + j)) / (bins[0] * bins[1]))


def cleared(
    parts: Sequence[PartMesh], low: Vector, high: Vector, ways: Sequence[Vector], most: float
) -> list[PartMesh]:
    """The parts without those that hide too much from some camera.

    Args:
        parts: candidates.
        low: lowest corner of the subject's box, mm.
        high: highest corner.
        ways: directions from the subject to the cameras.
        most: share of the box's outline that all parts together may hide from any one camera; the worst go first.
    """
    hides = np.array([[covered(p, low, high, w) for w in ways] for p in parts]).reshape(len(parts), len(ways))
    kept = np.ones(len(parts), bool)
    for k in range(len(ways)):
        for worst in np.argsort(-hides[:, k]):
            if hides[kept, k].sum() <= most:
                break
            kept[worst] = False
    return [p for p, keep in zip(parts, kept, strict=True) if keep]
