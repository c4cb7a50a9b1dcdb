"""From the heatmap to points: where the landmarks are, in photo pixels.

A peak is a cell that equals the largest of its 3 x 3 neighbourhood. ``offset`` says where in the cell the point
is, in cells from the cell's corner (as ``training/losses.py`` trains it).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .cues import LANDMARKS, Point
from .frame import Frame
from .runtime import STRIDE, RawOutputs

MOST_SCREWS = 12
"""Peaks kept of the screw channel; more would be noise, a joint has five."""
UNCALIBRATED = 0.35
"""Least probability of a peak before calibration."""
_APART = 1.5
"""Cells. Of two peaks nearer than this the stronger is kept (a plateau gives several equal cells)."""


@dataclass(frozen=True, slots=True)
class Peak:
    """One landmark: where in the photo (pixels), how sure (0 to 1), and its cell (column, row)."""

    point: Point
    score: float
    cell: tuple[int, int]


def find_peaks(outputs: RawOutputs, frame: Frame, least: Mapping[str, float]) -> dict[str, tuple[Peak, ...]]:
    """Find every landmark's peaks, strongest first.

    Args:
        outputs: of the second look.
        frame: of the second look.
        least: landmark -> least probability of a peak; ``UNCALIBRATED`` for what is not named. All but the screw
            keep one peak.

    Returns:
        Landmark -> peaks; landmarks without one are absent. Peaks in the letterbox's bars are dropped.
    """
    heat = _sigmoid(outputs["heat"][0])
    out: dict[str, tuple[Peak, ...]] = {}
    for channel, name in enumerate(LANDMARKS, start=1):
        cells = _local_maxima(heat[channel], least.get(name, UNCALIBRATED), frame)
        kept = cells[: MOST_SCREWS if name == "screw" else 1]
        if kept:
            out[name] = tuple(_peak(outputs, frame, heat[channel], c) for c in kept)
    return out


def _local_maxima(heat: NDArray[np.float32], least: float, frame: Frame) -> list[tuple[int, int]]:
    top = cv2.dilate(heat, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero((heat >= top) & (heat >= least))
    order = np.argsort(-heat[rows, columns], kind="stable")
    kept: list[tuple[int, int]] = []
    for i in order[: 8 * MOST_SCREWS]:
        x, y = int(columns[i]), int(rows[i])
        if _in_bars(x, y, frame) or any(max(abs(x - a), abs(y - b)) < _APART for a, b in kept):
            continue
        kept.append((x, y))
    return kept


def _in_bars(x: int, y: int, frame: Frame) -> bool:
    at_x, at_y = (x + 0.5) * STRIDE, (y + 0.5) * STRIDE
    return not (
        frame.left - STRIDE <= at_x <= frame.left + frame.width * frame.scale_x + STRIDE
        and frame.top - STRIDE <= at_y <= frame.top + frame.height * frame.scale_y + STRIDE
    )


def _peak(outputs: RawOutputs, frame: Frame, heat: NDArray[np.float32], cell: tuple[int, int]) -> Peak:
    x, y = cell
    dx, dy = np.clip(outputs["offset"][0, :, y, x], -0.5, 1.5).tolist()
    at = frame.to_photo(np.array([(x + dx) * STRIDE, (y + dy) * STRIDE]))
    point = (
        float(np.clip(at[0], frame.x, frame.x + frame.width)),
        float(np.clip(at[1], frame.y, frame.y + frame.height)),
    )
    return Peak(point, float(heat[y, x]), cell)


def _sigmoid(values: NDArray[np.float32]) -> NDArray[np.float32]:
    clipped = np.clip(values, -60.0, 60.0)
    return np.asarray(1.0 / (1.0 + np.exp(-clipped)), np.float32)
