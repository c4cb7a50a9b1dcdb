"""What is wrong with a photo as a photo: too dark, blurred and so on, measured on its pixels.

Every finding is a hint for the person, so thresholds are set where hardly any good picture crosses them. They
are this project's own judgement, tried on the photographs that scikit-image ships (``tests/test_quality.py``);
no published limits exist for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .photo import Photo

_SMALL = 256
"""Tones are judged on a copy with this longest side (pixels)."""
_SHARP = 768
"""Sharpness is judged on a copy with this longest side, a little above what the network reads."""
_TILES = 6
_SHARPEST = 0.07
_CELL = 24
"""Pixels. Contrast at hand is that within cells of this size."""


@dataclass(frozen=True, slots=True)
class Quality:
    """Findings of one photo, worst first, and whether anything can be read from it at all."""

    findings: tuple[str, ...]
    usable: bool


def judge(photo: Photo) -> Quality:
    """Judge a photo: ``dark``, ``bright``, ``low_contrast``, ``blurred``, ``low_resolution``, ``screenshot``.

    It is unusable when it is black, blank or smaller than 96 pixels.
    """
    grey = _grey(photo.small(_SHARP)[0], _SHARP)
    tones = _shrunk(grey, _SMALL)
    low, p10, mid, p90, high = levels(tones, (0.02, 0.10, 0.50, 0.90, 0.98))
    found = []
    if high < 90 or (mid < 25 and p90 < 60):
        found.append("dark")
    if p10 > 215:
        found.append("bright")
    if high - low < 30 and "dark" not in found:
        found.append("low_contrast")
    if high - low >= 30 and blurred(grey):
        found.append("blurred")
    longest = max(photo.width, photo.height)
    if longest < 480:
        found.append("low_resolution")
    if framed(tones):
        found.append("screenshot")
    return Quality(tuple(found), high >= 20 and high - low >= 6 and longest >= 96)


def levels(tones: NDArray[np.uint8], shares: Sequence[float]) -> list[float]:
    """Quantiles by linear interpolation, as ``np.quantile`` (which would load 10 ms of masked arrays to get there).

    Args:
        tones: uint8, any shape, not empty.
        shares: each 0 to 1.
    """
    up_to = np.bincount(tones.ravel(), minlength=256).cumsum()  # counting 256 tones is ten times faster than sorting
    places = [share * (tones.size - 1) for share in shares]
    below = [int(place) for place in places]
    neighbours = np.array([(b, min(b + 1, tones.size - 1)) for b in below])
    pairs = np.searchsorted(up_to, neighbours, side="right").astype(float).tolist()
    return [low + (high - low) * (p - b) for (low, high), p, b in zip(pairs, places, below, strict=True)]


def blurred(grey: NDArray[np.uint8]) -> bool:
    """True when even the sharpest part of the picture has no fine detail.

    Compares what a small blur takes away with the contrast at hand, tile by tile, and keeps the sharpest tile:
    a sharp subject before a soft background is sharp.

    Args:
        grey: uint8 (h, w).
    """
    h, w = grey.shape
    if min(h, w) < 8 * _TILES:
        return False
    plain = grey.astype(np.float32)
    fine = plain - cv2.GaussianBlur(plain, (5, 5), 1.0)
    cells = (max(_TILES, w // _CELL), max(_TILES, h // _CELL))
    mean = cv2.resize(plain, cells, interpolation=cv2.INTER_AREA)
    broad = cv2.resize(plain * plain, cells, interpolation=cv2.INTER_AREA) - mean * mean
    fine_tiles = cv2.resize(fine * fine, (_TILES, _TILES), interpolation=cv2.INTER_AREA)
    broad_tiles = cv2.resize(broad, (_TILES, _TILES), interpolation=cv2.INTER_AREA)
    textured = broad_tiles > 25.0
    if not textured.any():
        return False
    return float(np.sqrt((fine_tiles[textured] / broad_tiles[textured]).max())) < _SHARPEST


def framed(grey: NDArray[np.uint8]) -> bool:
    """True when plain bars on two opposite sides end in one straight line, as on a screenshot.

    An object before a plain wall also has plain rows above it, but there the first row that is not plain
    differs only where the object begins.

    Args:
        grey: uint8 (h, w).
    """
    return any(_barred(side) for side in (grey, np.ascontiguousarray(grey.T)))


def _barred(grey: NDArray[np.uint8]) -> bool:
    h = len(grey)
    bars = []
    for rows in (grey, grey[::-1]):
        plain = np.abs(rows.astype(np.int16) - int(rows[0, 0])).max(axis=1) <= 3
        count = int(np.argmin(plain)) if not plain.all() else h
        if not 0.05 * h <= count <= 0.45 * h:
            return False
        edge = rows[min(count + 1, h - 1)].astype(np.int16)
        if float((np.abs(edge - int(rows[0, 0])) > 12).mean()) < 0.8:
            return False
        bars.append((count, int(rows[0, 0])))
    return sum(count for count, _ in bars) >= 0.16 * h and abs(bars[0][1] - bars[1][1]) <= 3


def _grey(pixels: NDArray[np.uint8], longest: int) -> NDArray[np.uint8]:
    return _shrunk(np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), np.uint8), longest)


def _shrunk(pixels: NDArray[np.uint8], longest: int) -> NDArray[np.uint8]:
    h, w = pixels.shape[:2]
    ratio = longest / max(h, w)
    if ratio >= 1.0:
        return pixels
    size = (max(1, round(w * ratio)), max(1, round(h * ratio)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
