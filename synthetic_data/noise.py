"""Three-dimensional value noise for casting relief and for the patterns of rust, grime and wear."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from .mesh import Floats

SIDE = 24  # lattice cells before the pattern repeats


def fbm(points: Floats, cell: float, octaves: int, seed: int) -> Floats:
    """Fractal value noise.

    Args:
        points: (n, 3) millimetres.
        cell: size of the largest patches, mm.
        octaves: each further one has half the cell and half the strength.
        seed: pattern; the same seed gives the same values.

    Returns:
        (n,) float32, mean about 0, nearly all within [-1, 1].
    """
    rng = np.random.default_rng(seed)
    total = np.zeros(len(points), np.float32)
    weight, scale = 1.0, 0.0
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]  # not aligned with the castings' faces
    p = points.astype(np.float64) @ turn
    for _ in range(octaves):
        lattice = rng.uniform(-1, 1, (SIDE, SIDE, SIDE)).astype(np.float32)
        spots = p / cell + rng.uniform(0, SIDE, 3)
        whole = np.floor(spots)
        part = spots - whole
        eased = whole + part * part * (3 - 2 * part)  # smooth at the lattice points
        total += np.float32(weight) * map_coordinates(lattice, eased.T, order=1, mode="grid-wrap")
        scale += weight * weight
        weight, cell = weight * 0.5, cell * 0.5
    out: Floats = (total * np.float32(1.6 / np.sqrt(scale))).astype(np.float32)
    return out
