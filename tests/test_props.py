"""Props, engine bay and hands: seeded, sound, and never inside the subject."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

pytest.importorskip("skimage")
pytestmark = pytest.mark.render

from updraft_key.synthetic_data.coat import STUFF, painted  # noqa: E402
from updraft_key.synthetic_data.covers import arrester, mirror_rim  # noqa: E402
from updraft_key.synthetic_data.engine_bay import engine_bay  # noqa: E402
from updraft_key.synthetic_data.hands import grip, pointing  # noqa: E402
from updraft_key.synthetic_data.kin_fittings import rectangle, slab  # noqa: E402
from updraft_key.synthetic_data.mesh import PartMesh  # noqa: E402
from updraft_key.synthetic_data.props import BENCH, MOST, bench, draped  # noqa: E402
from updraft_key.synthetic_data.sight import cleared, covered  # noqa: E402
from updraft_key.synthetic_data.solids import Frame  # noqa: E402
from updraft_key.synthetic_data.surround import surround  # noqa: E402

LOW, HIGH = np.array([-62.0, -58.0, -66.0]), np.array([58.0, 52.0, 70.0])
SHARES = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.5, 0.5, 0], [0.5, 0, 0.5], [0, 0.5, 0.5], [1 / 3] * 3])


def surface_points(parts: Sequence[PartMesh]) -> NDArray[np.float64]:
    """Corners, edge middles and centres of all triangles."""
    return np.concatenate([np.einsum("sk,fkd->sfd", SHARES, p.vertices[p.faces]).reshape(-1, 3) for p in parts])


def inside(parts: Sequence[PartMesh], top: float | None = None, slack: float = 0.02) -> int:
    high = HIGH.copy()
    if top is not None:
        high[1] = top
    p = surface_points(parts)
    return int(((p > LOW + slack) & (p < high - slack)).all(1).sum())


def sound(parts: Sequence[PartMesh]) -> None:
    for p in parts:
        n = len(p.vertices)
        assert n and p.faces.min() >= 0 and p.faces.max() < n
        for values in (p.vertices, p.normals, p.colour, p.roughness, p.metallic):
            assert len(values) == n and values.dtype == np.float32 and np.isfinite(values).all()
        assert p.colour.min() >= 0 and p.colour.max() <= 1
        assert p.roughness.min() >= 0 and p.roughness.max() <= 1


def as_bytes(parts: Sequence[PartMesh]) -> bytes:
    return b"".join(p.vertices.tobytes() + p.colour.tobytes() + p.faces.tobytes() for p in parts)


@pytest.mark.parametrize("name", sorted(BENCH))
def test_every_bench_thing_is_sound_and_lies_on_the_table(name: str) -> None:
    for seed in range(4):
        parts = BENCH[name][0](np.random.default_rng(seed))
        sound(parts)
        lowest = min(float(p.vertices[:, 1].min()) for p in parts)
        assert -4.0 < lowest < 4.0  # millimetres from the table; placing sets it down
        assert as_bytes(parts) == as_bytes(BENCH[name][0](np.random.default_rng(seed)))


@pytest.mark.parametrize("seed", range(8))
def test_bench_keeps_clear_of_the_subject(seed: int) -> None:
    parts = bench(np.random.default_rng(seed), LOW, HIGH, float(LOW[1]), MOST)
    sound(parts)
    assert len(parts) > 4
    over = surface_points(parts)
    footprint = (over[:, 0] > LOW[0]) & (over[:, 0] < HIGH[0]) & (over[:, 2] > LOW[2]) & (over[:, 2] < HIGH[2])
    assert not footprint.any()
    assert abs(over[:, 1].min() - LOW[1]) < 0.01


def test_bench_count_is_kept_and_none_is_allowed() -> None:
    assert bench(np.random.default_rng(1), LOW, HIGH, -58.0, 0) == []
    drawn = [len(bench(np.random.default_rng(i), LOW, HIGH, -58.0)) for i in range(12)]
    assert min(drawn) < 4 and max(drawn) > 6


@pytest.mark.parametrize("seed", range(8))
def test_engine_bay_keeps_clear_and_has_a_manifold_on_top(seed: int) -> None:
    parts = engine_bay(np.random.default_rng(seed), LOW, HIGH)
    sound(parts)
    assert inside(parts) == 0
    manifold = next(p for p in parts if p.part == "manifold")
    assert manifold.vertices[:, 1].min() < HIGH[1] + 1.0  # sits on the flange
    assert np.median(manifold.vertices[:, 1]) > HIGH[1]  # and is above the unit


def test_engine_bay_lets_studs_into_the_pad_only_above_the_flange() -> None:
    seat = float(HIGH[1]) - 18.0
    for seed in range(4):
        parts = engine_bay(np.random.default_rng(seed), LOW, HIGH, seat)
        assert inside(parts, seat) == 0
        manifold = next(p for p in parts if p.part == "manifold")
        over = manifold.vertices[(np.abs(manifold.vertices[:, 0]) < 20) & (np.abs(manifold.vertices[:, 2]) < 15)]
        assert seat < over[:, 1].min() < seat + 1.0


@pytest.mark.parametrize("seed", range(6))
def test_pointing_fingers_and_cables_stay_before_the_subject(seed: int) -> None:
    for make in (pointing, draped):
        parts = make(np.random.default_rng(seed), LOW, HIGH)
        sound(parts)
        assert inside(parts, slack=1.5) == 0
        gap = np.maximum(np.maximum(LOW - surface_points(parts), surface_points(parts) - HIGH), 0)
        assert np.linalg.norm(gap, axis=1).min() < 60  # near enough to be in the picture


@pytest.mark.parametrize("seed", range(4))
def test_a_grip_holds_from_below(seed: int) -> None:
    parts = grip(np.random.default_rng(seed), LOW, HIGH)
    sound(parts)
    v = parts[0].vertices
    under = (v > [LOW[0], -200, LOW[2]]).all(1) & (v < [HIGH[0], LOW[1] + 20, HIGH[2]]).all(1)
    assert under.mean() > 0.15
    assert v[:, 1].max() > LOW[1] + 5  # fingers come up beside it


def test_hands_come_in_many_tones() -> None:
    tones = [float(np.median(grip(np.random.default_rng(i), LOW, HIGH)[0].colour.mean(1))) for i in range(24)]
    assert min(tones) < 0.08 and max(tones) > 0.25


def test_the_arrester_fits_over_its_mouth() -> None:
    for seed in range(5):
        mouth = 18.0 + seed
        part = arrester(np.random.default_rng(seed), mouth)
        sound([part])
        assert part.part == "arrester"
        p = surface_points([part])
        neck = p[(p[:, 2] < -0.5) & (p[:, 2] > -5.0)]
        assert np.hypot(neck[:, 0], neck[:, 1]).min() > mouth - 0.8  # the mouth goes in
        assert p[:, 2].max() > 25.0


def test_the_mirror_rim_leaves_the_glass_open() -> None:
    parts = mirror_rim(np.random.default_rng(2), np.zeros(3), np.array([0.0, 0.0, 1.0]), 40.0)
    sound(parts)
    p = surface_points(parts)
    assert np.hypot(p[:, 0], p[:, 1]).min() > 38.0


@pytest.mark.parametrize("place", ["bench", "engine", "hand", "mirror"])
def test_one_door_for_every_place(place: str) -> None:
    for seed in (1, 2):
        one = surround(np.random.default_rng(seed), place, LOW, HIGH, float(LOW[1]) if place == "bench" else None)
        other = surround(np.random.default_rng(seed), place, LOW, HIGH, float(LOW[1]) if place == "bench" else None)
        sound(one)
        assert as_bytes(one) == as_bytes(other)


def test_a_mirror_has_its_rim_in_about_half_of_the_scenes() -> None:
    way = np.array([0.0, 0.0, 1.0])
    rims = [
        any(p.part == "mirror" for p in surround(np.random.default_rng(seed), "mirror", LOW, HIGH, None, ways=[way]))
        for seed in range(16)
    ]
    assert 4 <= sum(rims) <= 12


def test_an_unknown_place_is_refused() -> None:
    with pytest.raises(ValueError, match="bench"):
        surround(np.random.default_rng(0), "moon", LOW, HIGH, None)


def test_what_stands_before_a_camera_goes_and_the_rest_stays() -> None:
    for seed in range(4):
        for way in (np.array([0.0, -0.9, 0.4]), np.array([0.0, 0.2, -1.0]), np.array([0.1, 1.0, 0.1])):
            everything = engine_bay(np.random.default_rng(seed), LOW, HIGH)
            seen = cleared(everything, LOW, HIGH, [way], 0.3)
            assert sum(covered(p, LOW, HIGH, way) for p in seen) <= 0.3
            assert len(seen) > len(everything) // 2


def test_a_plate_before_the_subject_hides_it_only_from_its_side() -> None:
    upright = Frame(np.array([0.0, 0.0, 120.0]), np.eye(3))
    raw = slab("shield", "steel", upright, rectangle(200.0, 160.0), 1.6, [], cell=16.0)
    plate = painted(np.random.default_rng(0), raw, STUFF["black"])
    assert covered(plate, LOW, HIGH, np.array([0.0, 0.0, 1.0])) > 0.9
    assert covered(plate, LOW, HIGH, np.array([0.0, 0.0, -1.0])) == 0.0
    assert covered(plate, LOW, HIGH, np.array([1.0, 0.0, 0.0])) < 0.1
