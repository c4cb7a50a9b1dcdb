"""Is this the same picture again? A small difference hash of a photo's pixels, and the distance of two.

Two photos with close fingerprints are one photo sent twice, recompressed, resized or brightened, or two frames of
a burst: they are not two independent looks at the unit. Our own variant of the well-known difference hash.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

SIDE = 10
SAME = 0.2
"""Fingerprints that differ in at most this share of their clear bits are near-duplicates (see the test)."""
SAME_MIRRORED = 0.1
"""Closer for mirrored pairs: honest photos from the front left and the front right are mirror-like too."""
_FEWEST = 40
"""Fewer clear bits than this (of 200) say nothing: two black pictures are not "the same photo"."""
_FLAT = 1.5
"""Grey levels. Smaller steps between neighbours are noise; both pictures would toss a coin for that bit."""


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """``signs``: whether each cell is darker than its neighbour; ``clear``: whether that step is above noise."""

    signs: int
    clear: int
    mirror_signs: int
    mirror_clear: int


def fingerprint(pixels: NDArray[np.uint8]) -> Fingerprint:
    """Fingerprint of an image.

    Args:
        pixels: uint8 (h, w, 3), RGB, upright.

    Raises:
        ValueError: for another shape or type.
    """
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
        raise ValueError(f"expected uint8 (h, w, 3), got {pixels.dtype} {pixels.shape}")
    grey = cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (SIDE + 1, SIDE + 1), interpolation=cv2.INTER_AREA).astype(np.float64)
    signs, clear = _bits(small)
    mirror_signs, mirror_clear = _bits(small[:, ::-1])
    return Fingerprint(signs, clear, mirror_signs, mirror_clear)


def distance(a: Fingerprint, b: Fingerprint, *, mirrored: bool = False) -> float:
    """Share of the clear bits that differ, 0 to 1.

    A bit is clear if it is above noise in either picture. With too few clear bits the distance is 1.

    Args:
        a: of one picture.
        b: of the other.
        mirrored: compare with the other picture's mirror image.
    """
    return _distance(a.signs, a.clear, b.mirror_signs, b.mirror_clear) if mirrored else (
        _distance(a.signs, a.clear, b.signs, b.clear)
    )  # fmt: skip


def near_duplicates(a: Fingerprint, b: Fingerprint) -> bool:
    """True for one picture given twice (mirrored too), or two that are too alike to count as two looks."""
    return distance(a, b) <= SAME or distance(a, b, mirrored=True) <= SAME_MIRRORED


def _distance(signs_a: int, clear_a: int, signs_b: int, clear_b: int) -> float:
    clear = clear_a | clear_b
    count = clear.bit_count()
    return 1.0 if count < _FEWEST else ((signs_a ^ signs_b) & clear).bit_count() / count


def _bits(small: NDArray[np.float64]) -> tuple[int, int]:
    steps = np.concatenate([np.diff(small[:SIDE], axis=1).ravel(), np.diff(small[:, :SIDE], axis=0).ravel()])
    return _pack(steps > 0), _pack(np.abs(steps) > _FLAT)


def _pack(flags: NDArray[np.bool_]) -> int:
    return int.from_bytes(np.packbits(flags).tobytes(), "big")
