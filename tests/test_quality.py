"""Findings about a photo as a photo, on the photographs that scikit-image and scikit-learn ship."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray
from sklearn.datasets import load_sample_image
from updraft_key.model.photo import Photo
from updraft_key.model.quality import judge, levels

SHIPPED = ("coffee", "astronaut", "chelsea", "rocket", "camera", "brick", "grass", "gravel", "coins", "clock")


def picture(name: str) -> NDArray[np.uint8]:
    if name in ("china.jpg", "flower.jpg"):
        return np.asarray(load_sample_image(name), np.uint8)
    found = np.asarray(getattr(skimage.data, name)(), np.uint8)
    return found if found.ndim == 3 else np.repeat(found[:, :, None], 3, axis=2)


def photo(pixels: NDArray[np.uint8], scale: float = 1.0) -> Photo:
    h, w = pixels.shape[:2]
    return Photo(pixels, "0" * 64, round(w / scale), round(h / scale), scale)


@pytest.mark.parametrize("name", [*SHIPPED, "china.jpg", "flower.jpg"])
def test_good_photographs_have_no_finding(name: str) -> None:
    result = judge(photo(picture(name)))
    assert result.usable
    assert set(result.findings) <= {"low_resolution"}


@pytest.mark.parametrize("name", [n for n in (*SHIPPED, "china.jpg", "flower.jpg") if n != "clock"])
def test_strong_blur_is_found(name: str) -> None:
    pixels = cv2.resize(picture(name), (1024, 768), interpolation=cv2.INTER_AREA)
    assert "blurred" in judge(photo(np.asarray(cv2.GaussianBlur(pixels, (0, 0), 8.0), np.uint8))).findings


@pytest.mark.parametrize("name", ["coffee", "astronaut", "china.jpg"])
def test_sharp_subject_before_a_soft_background_is_not_blurred(name: str) -> None:
    sharp = cv2.resize(picture(name), (1024, 768), interpolation=cv2.INTER_AREA)
    soft = np.asarray(cv2.GaussianBlur(sharp, (0, 0), 8.0), np.uint8)
    soft[250:520, 350:680] = sharp[250:520, 350:680]
    assert "blurred" not in judge(photo(soft)).findings


def test_dark_and_bright() -> None:
    pixels = picture("coffee").astype(np.float32)
    assert "dark" in judge(photo((pixels * 0.1).astype(np.uint8))).findings
    assert "bright" in judge(photo((225 + pixels * 0.11).astype(np.uint8))).findings


def test_a_subject_before_a_white_wall_is_neither_bright_nor_a_screenshot() -> None:
    pixels = np.full((768, 1024, 3), 252, np.uint8)
    pixels[200:600, 300:700] = picture("coffee")[:400, :400]
    assert judge(photo(pixels)).findings == ()


@pytest.mark.parametrize("level", [0, 128, 255])
def test_blank_is_unusable(level: int) -> None:
    assert not judge(photo(np.full((600, 800, 3), level, np.uint8))).usable


def test_tiny_is_unusable_and_small_is_told() -> None:
    assert not judge(photo(np.asarray(cv2.resize(picture("coffee"), (90, 60)), np.uint8))).usable
    small = judge(photo(np.asarray(cv2.resize(picture("coffee"), (320, 240)), np.uint8)))
    assert small.usable and "low_resolution" in small.findings


@pytest.mark.parametrize("turned", [False, True])
def test_bars_of_a_screenshot(turned: bool) -> None:
    pixels = np.zeros((900, 500, 3), np.uint8)
    pixels[200:700] = cv2.resize(picture("grass"), (500, 500))
    pixels = np.ascontiguousarray(pixels.transpose(1, 0, 2)) if turned else pixels
    assert "screenshot" in judge(photo(pixels)).findings


@pytest.mark.parametrize("shape", [(1, 1), (1, 20000), (20000, 1), (7, 7), (96, 96)])
def test_odd_shapes_are_judged(shape: tuple[int, int]) -> None:
    noise = np.random.default_rng(0).integers(0, 256, (*shape, 3), dtype=np.uint8)
    result = judge(photo(noise))
    assert isinstance(result.usable, bool)


@pytest.mark.parametrize("size", [1, 2, 3, 101, 320 * 240])
def test_levels_are_numpys_quantiles(size: int) -> None:
    tones = np.random.default_rng(size).integers(0, 256, size, np.uint8)
    shares = (0.0, 0.02, 0.1, 0.5, 0.9, 0.98, 1.0)
    assert levels(tones, shares) == pytest.approx(np.quantile(tones, shares).tolist(), abs=1e-9)
