"""Photo coordinates <-> network coordinates, and the one resize that training and running share.

A ``Frame`` says where a rectangle of a photo lies in the network's square input. Coordinates follow
``model.cues``: continuous, pixel (0, 0) centred at (0.5, 0.5), so that resizing is a pure scaling and the
way back is exact.

The resize stays out of the network file on purpose: exported resizes differ from the ones trained with.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .cues import Box

FIND_SIZE = 320
"""Side of the input for the first look, at the whole photo (network pixels)."""
READ_SIZE = 448
"""Side of the input for the second look, at the subject (network pixels)."""
MARGIN = 0.15
"""Share of the box's own width and height added on each side for the second look."""
GREY = 127
"""What fills the bars of the letterbox; exactly zero after normalisation."""

NetInput = NDArray[np.float32]
"""float32 (1, 3, S, S), RGB, ``(x - 127) / 128``."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A rectangle of the photo, scaled and centred in a square of ``size`` network pixels.

    ``x``, ``y`` is the rectangle's upper left corner and ``width``, ``height`` its extent, in pixels of the
    full upright photo. ``scale_x`` and ``scale_y`` are network pixels per photo pixel; they differ only by
    the rounding of the scaled rectangle to whole pixels. ``left`` and ``top`` are the bars (network pixels).
    """

    x: float
    y: float
    width: float
    height: float
    scale_x: float
    scale_y: float
    left: float
    top: float
    size: int

    def to_net(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Map photo points (..., 2) to network pixels."""
        return (np.asarray(points, np.float64) - (self.x, self.y)) * (self.scale_x, self.scale_y) + (
            self.left,
            self.top,
        )

    def to_photo(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Map network points (..., 2) to pixels of the full upright photo; the inverse of ``to_net``."""
        return (np.asarray(points, np.float64) - (self.left, self.top)) / (self.scale_x, self.scale_y) + (
            self.x,
            self.y,
        )

    def box_to_net(self, box: Box) -> Box:
        """Map a photo box to network pixels. Not clipped."""
        return _box(self.to_net(np.array(box, np.float64).reshape(2, 2)))

    def box_to_photo(self, box: Box) -> Box:
        """Map a network box to photo pixels. Not clipped."""
        return _box(self.to_photo(np.array(box, np.float64).reshape(2, 2)))


def _box(corners: NDArray[np.float64]) -> Box:
    (x0, y0), (x1, y1) = corners.tolist()
    return (x0, y0, x1, y1)


def widen(box: Box, margin: float, width: float, height: float) -> Box:
    """Add ``margin`` of the box's own width and height on each side, and clip to the photo.

    A box that lies outside the photo or has no area gives the whole photo: a bad guess of where the subject
    is must not end the second look.
    """
    x0, y0, x1, y1 = box
    dx, dy = margin * (x1 - x0), margin * (y1 - y0)
    wide = (max(0.0, x0 - dx), max(0.0, y0 - dy), min(width, x1 + dx), min(height, y1 + dy))
    if not (wide[2] - wide[0] >= 2.0 and wide[3] - wide[1] >= 2.0):
        return (0.0, 0.0, width, height)
    return wide


def halvings(pixels: NDArray[np.uint8], least: int) -> tuple[NDArray[np.uint8], ...]:
    """The picture, its half, the half's half ..., for as long as it divides and the longest side stays at ``least``.

    Each by 2 x 2 boxes: exact for area averaging, and several times faster than one step to an odd ratio. Who starts
    from any of these, not below its own ``least``, gets what it would have got from the whole picture.
    """
    steps = [pixels]
    while max(pixels.shape[:2]) // 2 >= least and pixels.shape[0] % 2 == 0 and pixels.shape[1] % 2 == 0:
        size = (pixels.shape[1] // 2, pixels.shape[0] // 2)
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
        steps.append(pixels)
    return tuple(steps)


def halved(pixels: NDArray[np.uint8], least: int) -> NDArray[np.uint8]:
    """The last of its ``halvings``."""
    return halvings(pixels, least)[-1]


def letterbox_pixels(
    pixels: NDArray[np.uint8], box: Box | None, size: int, *, margin: float = 0.0, scale: float = 1.0
) -> tuple[NDArray[np.uint8], Frame]:
    """Cut ``box`` out of a picture and fit it into a square.

    Args:
        pixels: uint8 (h, w, 3); the photo as decoded, which may be smaller than the photo itself.
        box: what to cut, in pixels of the full photo; None for the whole of it.
        size: side of the square, network pixels.
        margin: share of the box added on each side, clipped at the photo's edge.
        scale: decoded pixels per pixel of the full photo (``Photo.scale``).

    Returns:
        uint8 (size, size, 3) in the order of ``pixels`` with grey bars, and the frame.

    Raises:
        ValueError: if ``pixels`` is not uint8 (h, w, 3), or ``size`` or ``scale`` is not positive.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8 or 0 in pixels.shape:
        raise ValueError(f"expected uint8 (h, w, 3), got {pixels.dtype} {pixels.shape}")
    if size < 1 or not scale > 0.0:
        raise ValueError(f"expected a positive size and scale, got {size} and {scale}")
    h, w = pixels.shape[:2]
    x0, y0, x1, y1 = (0, 0, w, h)
    if box is not None:
        wide = widen(box, margin, w / scale, h / scale)
        x0, y0 = min(int(wide[0] * scale), w - 1), min(int(wide[1] * scale), h - 1)
        x1, y1 = max(x0 + 1, min(w, round(wide[2] * scale))), max(y0 + 1, min(h, round(wide[3] * scale)))
    cut_w, cut_h = x1 - x0, y1 - y0
    ratio = size / max(cut_w, cut_h)
    new_w, new_h = max(1, round(cut_w * ratio)), max(1, round(cut_h * ratio))
    left, top = (size - new_w) // 2, (size - new_h) // 2
    canvas = np.full((size, size, 3), GREY, np.uint8)
    cut = halved(pixels[y0:y1, x0:x1], size)
    # Within a factor of two a bit-exact linear step loses nothing that was measured, and takes a sixth of the time.
    how = cv2.INTER_AREA if 2 * size < max(cut.shape[:2]) else cv2.INTER_LINEAR_EXACT
    canvas[top : top + new_h, left : left + new_w] = cv2.resize(cut, (new_w, new_h), interpolation=how)
    frame = Frame(
        x0 / scale,
        y0 / scale,
        cut_w / scale,
        cut_h / scale,
        new_w / cut_w * scale,
        new_h / cut_h * scale,
        float(left),
        float(top),
        size,
    )
    return canvas, frame


def net_input(canvas: NDArray[np.uint8]) -> NetInput:
    """Turn uint8 RGB (S, S, 3) into the network's float32 (1, 3, S, S), ``(x - 127) / 128``."""
    planes = canvas.transpose(2, 0, 1)[None].astype(np.float32)
    planes -= np.float32(127.0)
    planes *= np.float32(1.0 / 128.0)
    return np.ascontiguousarray(planes)


def letterbox(
    pixels: NDArray[np.uint8], box: Box | None, size: int, *, margin: float = 0.0, scale: float = 1.0
) -> tuple[NetInput, Frame]:
    """``letterbox_pixels`` then ``net_input``; same arguments, same errors."""
    canvas, frame = letterbox_pixels(pixels, box, size, margin=margin, scale=scale)
    return net_input(canvas), frame
