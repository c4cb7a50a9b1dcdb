"""The phone: seeded, pure, in place; each fault does what it says."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from updraft_key.synthetic_data.camera import (
    GLYPHS,
    Faults,
    cover_lens,
    develop,
    encode,
    meter,
    shoot,
    to_linear,
    to_srgb,
    tone,
)

NONE = Faults(0, 0, 0, 0, 0, 0, 0, 0, 0, 0)


def picture(size: int = 96, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    base = cv2.resize(rng.integers(30, 220, (8, 8, 3)).astype(np.uint8), (size, size), interpolation=cv2.INTER_CUBIC)
    cv2.circle(base, (size // 3, size // 2), size // 8, (240, 240, 240), -1)
    return base


def test_srgb_curve_matches_the_standard_at_its_named_points() -> None:
    """IEC 61966-2-1: the linear piece ends at 0.04045 with slope 1/12.92; middle grey 0.5 encodes 0.21404."""
    levels = np.arange(256, dtype=np.uint8).reshape(1, -1, 1).repeat(3, 2)
    linear = to_linear(levels)
    assert linear[0, 10, 0] == pytest.approx(10 / 255 / 12.92, rel=1e-5)
    assert to_linear(np.full((1, 1, 3), 188, np.uint8))[0, 0, 0] == pytest.approx(0.5029, abs=1e-3)
    assert np.array_equal(np.round(to_srgb(linear) * 255).astype(np.uint8), levels)


@given(st.integers(0, 2**32 - 1), st.floats(0.1, 2.0))
@settings(max_examples=25, deadline=None)
def test_same_seed_same_bytes_same_size(seed: int, strength: float) -> None:
    clean = picture(64)
    before = clean.copy()
    one = shoot(clean, np.random.default_rng(seed), strength)
    two = shoot(clean, np.random.default_rng(seed), strength)
    assert np.array_equal(one, two)
    assert one.shape == clean.shape and one.dtype == np.uint8
    assert np.array_equal(clean, before)


def test_strength_nought_changes_nothing() -> None:
    assert np.array_equal(shoot(picture(), np.random.default_rng(1), 0.0), picture())


def test_float_input_is_linear_light() -> None:
    out = shoot(to_linear(picture()), np.random.default_rng(1), 0.0)
    assert np.abs(out.astype(int) - picture().astype(int)).max() <= 1


def test_refuses_what_is_no_picture() -> None:
    with pytest.raises(ValueError, match="expected a picture"):
        shoot(np.zeros((8, 8), np.uint8), np.random.default_rng(0))
    with pytest.raises(ValueError, match="strength"):
        shoot(picture(), np.random.default_rng(0), -1.0)


def _centre(p: np.ndarray) -> np.ndarray:
    """Middle of the light disk of ``picture``."""
    grey = p.astype(float).mean(2)
    weight = np.clip(grey - 225, 0, None)
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
    return np.array([(x * weight).sum(), (y * weight).sum()]) / weight.sum()


@pytest.mark.parametrize("fault", ["noise", "motion", "defocus", "lens", "processing", "rescale"])
def test_faults_do_not_move_the_picture(fault: str) -> None:
    """Labels stay true: the light disk's middle stays within half a pixel."""
    clean = np.full((128, 128, 3), 60, np.uint8)
    cv2.circle(clean, (64, 50), 20, (250, 250, 250), -1)
    for seed in range(12):
        out = shoot(clean, np.random.default_rng(seed), 1.0, Faults(**{**_off(), fault: 1.0}))
        mask = out.astype(float).mean(2) > 155
        y, x = np.nonzero(mask)
        assert np.hypot(x.mean() - 64, y.mean() - 50) < 0.75, (fault, seed)


def _off() -> dict[str, float]:
    return dict.fromkeys(Faults.__dataclass_fields__, 0.0)


def test_noise_makes_noise_and_blur_takes_detail() -> None:
    flat = np.full((128, 128, 3), 90, np.uint8)
    noisy = shoot(flat, np.random.default_rng(3), 1.6, Faults(**{**_off(), "noise": 1.0}))
    assert noisy.std() > 1.0
    checks = np.indices((128, 128)).sum(0) // 4 % 2 * 200
    sharp = np.repeat(checks[..., None], 3, 2).astype(np.uint8)
    plain = shoot(sharp, np.random.default_rng(3), 1.0, NONE)
    for fault in ("motion", "defocus"):
        blurred = [shoot(sharp, np.random.default_rng(s), 1.0, Faults(**{**_off(), fault: 1.0})) for s in range(6)]
        assert np.mean([b.std() for b in blurred]) < 0.95 * plain.std(), fault


def test_green_is_less_noisy_than_red_and_blue_as_in_a_mosaic() -> None:
    flat = np.full((160, 160, 3), 90, np.uint8)
    faults = Faults(**{**_off(), "noise": 1.0})
    out = np.stack([shoot(flat, np.random.default_rng(s), 2.0, faults) for s in range(8)]).astype(float)
    coarse = [cv2.GaussianBlur(o[..., c], (0, 0), 1.5).std() for o in out for c in (0, 1, 2)]
    red, green, blue = (np.mean(coarse[i::3]) for i in range(3))
    assert green < red and green < blue


def test_listing_text_holds_no_letter() -> None:
    assert not any(g.isalpha() for g in GLYPHS)


def test_meter_is_blind_to_the_unit_of_light() -> None:
    linear = to_linear(picture())
    weight = np.ones(linear.shape[:2], np.float32)
    assert meter(linear * 7, weight) == pytest.approx(meter(linear, weight) / 7, rel=2e-2)
    white = np.full((8, 8, 3), 3.0, np.float32)
    assert meter(white, np.ones((8, 8), np.float32)) * 3.0 == pytest.approx(0.16, rel=0.02)


def test_tone_curve_rises_and_saturates() -> None:
    x = np.linspace(0, 50, 2000, dtype=np.float32)
    y = tone(x)
    assert np.all(np.diff(y) > 0) and y[0] == 0 and y[-1] < 1.0
    assert np.allclose(y[x < 0.6], x[x < 0.6])


def test_photograph_stands_only_where_nothing_is() -> None:
    linear = np.zeros((32, 32, 3), np.float32)
    linear[:, :16] = 0.5
    behind = np.zeros((32, 32), np.float32)
    behind[:, 16:] = 1.0
    photo = np.zeros((40, 50, 3), np.uint8)
    photo[..., 2] = 200
    out = develop(linear, behind, photo, 0.0)
    assert np.all(out[:, 16:, 0] == 0) and np.all(out[:, 16:, 2] > 150)
    assert np.ptp(out[:, :16].reshape(-1, 3).astype(int)) == 0


def test_cover_tells_what_it_hides() -> None:
    grey = np.full((96, 96, 3), 128, np.uint8)
    seen = []
    for seed in range(20):
        out, hidden = cover_lens(grey, np.random.default_rng(seed), 0.9)
        assert hidden.dtype == bool and out.shape == grey.shape
        seen.append(hidden.mean())
        far = ~cv2.dilate(hidden.astype(np.uint8), np.ones((41, 41))).astype(bool)
        assert not hidden.any() or np.abs(out[far].astype(int) - 128).max() <= 6
    assert 0.005 < np.mean(seen) < 0.35


def test_encoded_twice_is_the_same_bytes() -> None:
    assert encode(picture(), 95) == encode(picture(), 95)
    back = cv2.imdecode(np.frombuffer(encode(picture(), 95), np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    assert np.abs(back.astype(int) - picture()).mean() < 2.0
