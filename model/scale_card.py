"""The printable scale card: its geometry, and finding it in a picture.

A chessboard of 7 x 5 squares of 15 mm with a marker in each white square (ChArUco). Its inner chessboard
corners are known to the printer's accuracy and found to a small part of a pixel; the markers say which corner is
which, so a part of the card is enough. PDF and reading both take the geometry from here.

Card frame: millimetres, origin at the outer corner of the board nearest to marker 0, x along the seven squares,
y along the five; seen the right way up, x is to the right and y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .errors import MeasureError

SQUARES_X = 7
SQUARES_Y = 5
SQUARE_MM = 15.0
MARKER_MM = 11.0
WIDTH_MM = SQUARES_X * SQUARE_MM
HEIGHT_MM = SQUARES_Y * SQUARE_MM
MARKER_CELLS = 6
"""Cells on a side of a marker: four of code and a black border of one."""

CORNER_COUNT = (SQUARES_X - 1) * (SQUARES_Y - 1)
LEAST_CORNERS = 6
"""Fewer corners than this say too little of tilt and lens to measure by."""

_FIND_LONG_SIDE = 2400
"""Markers are looked for at this size; corners are then refined in the full picture."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A black rectangle of the card: its corner nearest the origin and its size, millimetres."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class CardSight:
    """The card as seen.

    Attributes:
        ids: (n,) int64, which inner corners.
        points: (n, 2) float64, pixels of the picture, pixel (0, 0) centred at (0.5, 0.5).
        card_mm: (n, 2) float64, the same corners in the card frame.
        size: width and height of the picture, pixels.
    """

    ids: NDArray[np.int64]
    points: Floats
    card_mm: Floats
    size: tuple[int, int]


def corners_mm() -> Floats:
    """Return the inner corners in the order of their ids, (24, 2) float64, card frame, millimetres."""
    xs, ys = np.meshgrid(np.arange(1, SQUARES_X), np.arange(1, SQUARES_Y))
    return np.asarray(np.stack([xs.ravel(), ys.ravel()], axis=1) * SQUARE_MM, np.float64)


def black_rectangles() -> tuple[Rectangle, ...]:
    """Return everything black on the board: squares, and the cells of the markers joined along rows."""
    out: list[Rectangle] = []
    marker, cell = 0, MARKER_MM / MARKER_CELLS
    for row in range(SQUARES_Y):
        for column in range(SQUARES_X):
            x, y = column * SQUARE_MM, row * SQUARE_MM
            if (row + column) % 2 == 0:
                out.append(Rectangle(x, y, SQUARE_MM, SQUARE_MM))
                continue
            margin = (SQUARE_MM - MARKER_MM) / 2
            for i, cells in enumerate(_marker_cells(marker)):
                for start, length in _runs(cells):
                    out.append(Rectangle(x + margin + start * cell, y + margin + i * cell, length * cell, cell))
            marker += 1
    return tuple(out)


def draw_card(pixels_per_mm: int, margin_mm: int = 10) -> NDArray[np.uint8]:
    """Return a picture of the board on white, (h, w) uint8 grey, for tests and the screen.

    Raises:
        ValueError: unless ``pixels_per_mm`` is 1 to 100 and ``margin_mm`` 0 to 100.
    """
    if not 1 <= pixels_per_mm <= 100 or not 0 <= margin_mm <= 100:
        raise ValueError(f"expected 1 to 100 pixels a mm and a margin of 0 to 100 mm, got {pixels_per_mm}, {margin_mm}")
    size = (int(HEIGHT_MM + 2 * margin_mm) * pixels_per_mm, int(WIDTH_MM + 2 * margin_mm) * pixels_per_mm)
    image = np.full(size, 255, np.uint8)
    for r in black_rectangles():
        x0, y0 = round((r.x + margin_mm) * pixels_per_mm), round((r.y + margin_mm) * pixels_per_mm)
        x1 = round((r.x + r.width + margin_mm) * pixels_per_mm)
        y1 = round((r.y + r.height + margin_mm) * pixels_per_mm)
        image[y0:y1, x0:x1] = 0
    return image


def find_card(pixels: NDArray[np.uint8]) -> CardSight:
    """Find the scale card.

    Args:
        pixels: (H, W, 3) uint8 RGB or (H, W) uint8 grey, upright.

    Raises:
        MeasureError: no card, too little of it, or a picture that is mirrored.
    """
    if pixels.dtype != np.uint8 or pixels.ndim not in (2, 3) or min(pixels.shape[:2]) < 32:
        raise MeasureError("expected a picture of 8-bit pixels, at least 32 x 32")
    grey = pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    grey = np.ascontiguousarray(grey)
    ids, points = _detect(grey)
    if len(ids) < LEAST_CORNERS:
        mirrored, _ = _detect(np.ascontiguousarray(grey[:, ::-1]))
        if len(mirrored) >= LEAST_CORNERS:
            raise MeasureError("the picture is mirrored (the card reads only in a mirror); give the unmirrored photo")
        seen = f"only {len(ids)} of its {CORNER_COUNT} inner corners" if len(ids) else "nothing of it"
        raise MeasureError(
            f"scale card: {seen} found, at least {LEAST_CORNERS} are needed; "
            "show the whole card, sharp and without glare, larger than a quarter of the picture's width"
        )
    height, width = grey.shape
    return CardSight(ids, points + 0.5, corners_mm()[ids], (width, height))


def _detect(grey: NDArray[np.uint8]) -> tuple[NDArray[np.int64], Floats]:
    """Return ids and points, OpenCV's pixel convention (centres at whole numbers)."""
    longest = max(grey.shape)
    scale = min(1.0, _FIND_LONG_SIDE / longest)
    small = grey if scale == 1.0 else cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    found, ids, _, _ = cv2.aruco.CharucoDetector(_board()).detectBoard(small)
    if ids is None or len(ids) == 0:
        return np.empty(0, np.int64), np.empty((0, 2))
    index = np.asarray(ids).reshape(-1).astype(np.int64)
    points = np.asarray(found, np.float64).reshape(-1, 2)
    if scale != 1.0:
        points = (points + 0.5) / scale - 0.5
    return index, _refine(grey, index, points)


def _refine(grey: NDArray[np.uint8], ids: NDArray[np.int64], points: Floats) -> Floats:
    """Refine each corner in the full picture, in a window that stays inside its four squares and off markers."""
    if len(ids) < 4:
        return points
    homography, _ = cv2.findHomography(corners_mm()[ids], points)
    if homography is None:
        return points
    clear = (SQUARE_MM - MARKER_MM) / 2
    out = points.copy()
    for i, (x, y) in enumerate(corners_mm()[ids]):
        ring = np.array([[x + dx, y + dy] for dx, dy in ((clear, 0), (-clear, 0), (0, clear), (0, -clear))])
        reach = np.abs(cv2.perspectiveTransform(ring[None], homography)[0] - points[i]).max(axis=0)
        window = (int(np.clip(reach[0], 2, 40)), int(np.clip(reach[1], 2, 40)))
        corner = points[i].astype(np.float32).reshape(1, 1, 2)
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
        refined = cv2.cornerSubPix(grey, corner, window, (-1, -1), stop).reshape(2)
        if np.abs(refined - points[i]).max() <= max(window):
            out[i] = refined
    return out


@cache
def _board() -> Any:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return cv2.aruco.CharucoBoard((SQUARES_X, SQUARES_Y), SQUARE_MM, MARKER_MM, dictionary)


def _marker_cells(marker: int) -> NDArray[np.bool_]:
    """(6, 6) bool: which cells of a marker are black, border included."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    image = cv2.aruco.generateImageMarker(dictionary, marker, MARKER_CELLS)
    return np.asarray(image) < 128


def _runs(cells: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Start and length of each run of black cells in one row."""
    runs: list[tuple[int, int]] = []
    for i, black in enumerate(cells):
        if black and runs and runs[-1][0] + runs[-1][1] == i:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        elif black:
            runs.append((i, 1))
    return runs
