"""Is this the same picture again? A small fingerprint of a photo's detail, and the distance of two.

Two photos with close fingerprints are one photo sent twice, recompressed, resized, brightened, mirrored or cropped a
little: they are not two independent looks at the unit. Broad light and shade are taken out first: they are the
same in all photos of one bench, whatever side of the unit these show.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .frame import halved

SIDE = 24
"""Cells along each side of the reduced picture."""
SAME = 0.2
"""Fingerprints at most this far apart are of one picture. Tried on photographs of scikit-image and on renders of one
unit before one background: copies lie below 0.15, other views above 0.27 (``tests/test_fuse.py`` holds the first)."""
_BROAD = 2.0
"""Cells. Light and shade broader than this are taken out."""
_FAINT = 0.5
"""Grey levels (standard deviation). A picture with less detail has no fingerprint: two black pictures are not "the
same photo"."""
_SHIFTS = (-1, 0, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Fingerprint:
    """Detail of a picture: float32 (24, 24), read-only, in grey levels around zero."""

    detail: NDArray[np.float32]


def fingerprint(pixels: NDArray[np.uint8]) -> Fingerprint:
    """Fingerprint of an image.

    Args:
        pixels: uint8 (h, w, 3), RGB, upright.

    Raises:
        ValueError: for another shape or type.
    """
    _check(pixels)
    # Reduce before turning grey: a phone's photo has twelve million pixels, the fingerprint a few hundred. By halves as
    # far as they go: the same averages in a quarter of the time.
    small = cv2.resize(halved(pixels, SIDE * 8), (SIDE * 4, SIDE * 4), interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(np.ascontiguousarray(small), cv2.COLOR_RGB2GRAY).astype(np.float32)
    cells = cv2.resize(grey, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    detail = np.asarray(cells - cv2.GaussianBlur(cells, (0, 0), _BROAD, borderType=cv2.BORDER_REFLECT), np.float32)
    detail.flags.writeable = False
    return Fingerprint(detail)


def distance(a: Fingerprint, b: Fingerprint) -> float:
    """How far two pictures are apart: 0 for the same, about 1 for two that have nothing to do with each other.

    One minus the best correlation of their detail over shifts of one cell, straight or mirrored; from 0 to 2.
    """
    return 1.0 - max(
        _correlation(a.detail, other, dy, dx)
        for other in (b.detail, b.detail[:, ::-1])
        for dy in _SHIFTS
        for dx in _SHIFTS
    )


def near_duplicates(a: Fingerprint, b: Fingerprint) -> bool:
    """True for one picture given twice, or two that are too alike to count as two looks."""
    return distance(a, b) <= SAME


def difference_hash(pixels: NDArray[np.uint8]) -> int:
    """A 64-bit number for finding copies among thousands of pictures, where pairs are too many to compare.

    Bit by bit, whether a cell of the reduced picture is darker than its neighbour on the right. Copies differ in few
    bits; coarser than ``near_duplicates``. Arguments and errors as ``fingerprint``.
    """
    _check(pixels)
    small = cv2.resize(halved(pixels, 9 * 16), (9 * 8, 8 * 8), interpolation=cv2.INTER_AREA)
    cells = cv2.resize(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32), (9, 8), interpolation=cv2.INTER_AREA)
    return int.from_bytes(np.packbits(cells[:, 1:] > cells[:, :-1]).tobytes(), "big")


def _check(pixels: NDArray[np.uint8]) -> None:
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
        raise ValueError(f"expected uint8 (h, w, 3), got {pixels.dtype} {pixels.shape}")


def _correlation(a: NDArray[np.float32], b: NDArray[np.float32], dy: int, dx: int) -> float:
    p = a[max(0, dy) : SIDE + min(0, dy), max(0, dx) : SIDE + min(0, dx)]
    q = b[max(0, -dy) : SIDE + min(0, -dy), max(0, -dx) : SIDE + min(0, -dx)]
    spread = float(p.std()), float(q.std())
    if min(spread) < _FAINT:
        return 0.0
    return float(((p - p.mean()) * (q - q.mean())).mean()) / (spread[0] * spread[1])
