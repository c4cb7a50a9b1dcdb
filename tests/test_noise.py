"""Value noise in space, against SciPy's interpolation, and what its docstring says of it."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates
from updraft_key.synthetic_data.noise import SIDE, _between, fbm


def test_between_lattice_points_it_is_what_scipy_says() -> None:
    rng = np.random.default_rng(4)
    lattice = rng.uniform(-1, 1, (SIDE, SIDE, SIDE)).astype(np.float32)
    spots = rng.uniform(-60.0, 90.0, (5000, 3))
    part = spots - np.floor(spots)
    eased = np.floor(spots) + part * part * (3 - 2 * part)
    # SciPy 1.17, order 1, "grid-wrap": linear between lattice points, the lattice repeated.
    wanted = map_coordinates(lattice, eased.T, order=1, mode="grid-wrap")
    assert np.abs(_between(lattice, spots) - wanted).max() < 1e-5
    corners = np.array([[0, 0, 0], [SIDE - 1, 3, SIDE], [-1, SIDE + 2, 7]], np.float64)
    assert np.allclose(_between(lattice, corners), [lattice[0, 0, 0], lattice[-1, 3, 0], lattice[-1, 2, 7]])


def test_noise_is_the_same_again_and_stays_within_bounds() -> None:
    points = np.random.default_rng(0).uniform(-80, 80, (40_000, 3)).astype(np.float32)
    one = fbm(points, 6.0, 3, seed=5)
    assert one.dtype == np.float32 and one.shape == (40_000,)
    assert np.array_equal(one, fbm(points, 6.0, 3, seed=5)) and not np.array_equal(one, fbm(points, 6.0, 3, seed=6))
    assert abs(float(one.mean())) < 0.1 and 0.85 < float((np.abs(one) <= 1).mean()) < 0.97
    near = fbm(points + np.float32(0.01), 6.0, 3, seed=5)
    assert float(np.abs(near - one).max()) < 0.03, "smooth"
