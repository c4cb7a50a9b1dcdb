"""Three-dimensional value noise for casting relief and for the patterns of rust, grime and wear."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
        (n,) float32, mean about 0, some nine in ten within [-1, 1].
    """
    rng = np.random.default_rng(seed)
    total = np.zeros(len(points), np.float32)
    weight, scale = 1.0, 0.0
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]  # not aligned with the castings' faces
    p = points.astype(np.float64) @ turn
    for _ in range(octaves):
        lattice = rng.uniform(-1, 1, (SIDE, SIDE, SIDE)).astype(np.float32)
        total += np.float32(weight) * _between(lattice, p / cell + rng.uniform(0, SIDE, 3))
        scale += weight * weight
        weight, cell = weight * 0.5, cell * 0.5
    out: Floats = (total * np.float32(1.6 / np.sqrt(scale))).astype(np.float32)
    return out


def _between(lattice: Floats, spots: NDArray[np.float64]) -> Floats:
    """Values of a lattice that repeats, (n,) float32, between its points, (n, 3), and smooth at them."""
    whole = np.floor(spots)
    part = (spots - whole).astype(np.float32)
    x, y, z = (part * part * (3 - 2 * part)).T
    i, j, k = (whole.astype(np.int32) % SIDE).T
    step = SIDE + 1
    flat = np.pad(lattice, ((0, 1), (0, 1), (0, 1)), mode="wrap").ravel()
    corner = (i * step + j) * step + k

    def along_z(offset: int) -> Floats:
        low: Floats = flat[corner + offset]
        low += (flat[corner + (offset + 1)] - low) * z
        return low

    near, far = along_z(0), along_z(step * step)
    near += (along_z(step) - near) * y
    far += (along_z(step * step + step) - far) * y
    out: Floats = near + (far - near) * x
    return out
