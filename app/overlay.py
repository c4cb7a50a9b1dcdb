"""A photo with what was seen drawn on it: shapes, numbers and words, told apart without colour.

Every mark has a shape of its own, a dark line inside a light one (so that it shows on iron, paint and shadow
alike), and a label in words joined to it by a line. Colours come from a published palette for colour-blind
readers (Okabe and Ito 2008) and carry nothing that shape and word do not. The picture is made from pixels alone;
nothing of the original file but what it shows is in it.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from updraft_key.model.answer import PhotoAnswer
from updraft_key.model.cues import CUES, OUT_OF_SIGHT, CueReading, Mark
from updraft_key.model.photo import Photo

from .labels import mark_name, reading_name
from .language import tongue
from .placing import Rect, place

FONT = Path(__file__).parent / "assets" / "fonts" / "DejaVuSans.ttf"
LONGEST = 2400
"""Longest side of the marked picture, pixels."""
SHORTEST = 900
"""Smaller photos are enlarged to this longest side, so that labels stay readable."""

_LIGHT, _DARK = (255, 255, 255), (12, 18, 24)
_SKY, _ORANGE, _YELLOW, _PINK, _GREEN = (86, 180, 233), (230, 159, 0), (240, 228, 66), (204, 121, 167), (0, 158, 115)
_COLOURS = {
    "screw": _YELLOW,
    "ear": _ORANGE,
    "handle": _SKY,
    "bowl_floor": _LIGHT,
    "jet_plug": _SKY,
    "scavenge_tube": _PINK,
    "tube_fitting": _PINK,
    "throat_plug": _GREEN,
}


@dataclass(frozen=True, slots=True)
class _Drawn:
    """One mark on its way to the picture: points in picture pixels, its label (empty for none), sure or not."""

    part: str
    points: tuple[tuple[float, float], ...]
    label: str
    sure: bool


@dataclass(frozen=True, slots=True)
class _Label:
    """Words, what they belong to, and how near to that the joining line may come (0 for no line), pixels."""

    text: str
    anchor: tuple[float, float]
    clear: float


def draw_marks(photo: Photo, answer: PhotoAnswer, lang: str = "en") -> NDArray[np.uint8]:
    """Draw what was seen.

    Args:
        photo: the photo.
        answer: what was read from it; its marks are in pixels of the whole photo.
        lang: of the labels.

    Returns:
        uint8 RGB (h, w, 3).
    """
    h, w = photo.pixels.shape[:2]
    ratio = min(LONGEST / max(h, w), max(1.0, SHORTEST / max(h, w)))
    size = (max(1, round(w * ratio)), max(1, round(h * ratio)))
    how = cv2.INTER_AREA if ratio < 1.0 else cv2.INTER_LINEAR
    picture = np.array(photo.pixels) if ratio == 1.0 else cv2.resize(photo.pixels, size, interpolation=how)
    scale = (size[0] / photo.width, size[1] / photo.height)
    unit = max(2.0, max(size) / 400.0)
    readings = answer.readings
    if readings is None or not readings.subject.found:
        words = tongue(lang).say("No carburetor of this kind was found in the photo.")
        return _labelled(picture, [_Label(words, (size[0] / 2, 0.0), 0.0)], [], unit)
    if readings.subject.box is not None:
        x0, y0, x1, y1 = readings.subject.box
        _corners(picture, (x0 * scale[0], y0 * scale[1], x1 * scale[0], y1 * scale[1]), unit)
    drawn = _drawn([readings.cues[c] for c in CUES if c in readings.cues], lang)
    placed = [_scaled(d, scale) for d in drawn]
    for d in placed:
        _draw(picture, d, unit)
    screws = sorted((d for d in placed if d.part == "screw"), key=lambda d: d.points[0])
    labels = [_Label(d.label, _anchor(d), (5.2 if len(d.points) == 1 else 1.2) * unit) for d in placed if d.label]
    taken = [Rect.around(p, 4.5 * unit) for d in placed for p in _along(d)]
    numbers = [(str(i), d.points[0]) for i, d in enumerate(screws, start=1)] if len(screws) > 1 else []
    return _labelled(picture, labels, taken, unit, numbers=numbers)


def jpeg(pixels: NDArray[np.uint8], quality: int = 90) -> bytes:
    """Encode uint8 RGB as a JPEG without any metadata."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=quality)
    return out.getvalue()


def _drawn(cues: Sequence[CueReading], lang: str) -> Iterator[_Drawn]:
    for c in cues:
        if c.reading == OUT_OF_SIGHT:
            continue
        for n, m in enumerate(c.marks):
            points = m.points or (_middle(m),)
            yield _Drawn(m.part, tuple(points), _label(c, m, lang) if n == 0 else "", c.accepted)


def _middle(mark: Mark) -> tuple[float, float]:
    if mark.box is None:
        return (0.0, 0.0)
    return ((mark.box[0] + mark.box[2]) / 2, (mark.box[1] + mark.box[3]) / 2)


def _label(c: CueReading, mark: Mark, lang: str) -> str:
    """A mark's words; what is not sure enough to count ends in a question mark."""
    if not c.accepted:
        return f"{mark_name(mark.part, lang)}: ?"
    text = reading_name(c.cue, c.reading, lang)
    if c.angle is not None and mark.part == "handle":
        text += f", {c.angle.value:.0f}\N{DEGREE SIGN} ({c.angle.low:.0f}\N{EN DASH}{c.angle.high:.0f}\N{DEGREE SIGN})"
    return text


def _anchor(d: _Drawn) -> tuple[float, float]:
    """Where a label belongs: the point, or the middle of the line."""
    return (sum(p[0] for p in d.points) / len(d.points), sum(p[1] for p in d.points) / len(d.points))


def _along(d: _Drawn) -> list[tuple[float, float]]:
    """Places that a label should not hide: the points, and some along a line."""
    if len(d.points) < 2:
        return list(d.points)
    (x0, y0), (x1, y1) = d.points[:2]
    return [(x0 + (x1 - x0) * t, y0 + (y1 - y0) * t) for t in np.linspace(0.0, 1.0, 12).tolist()]


def _scaled(d: _Drawn, scale: tuple[float, float]) -> _Drawn:
    return _Drawn(d.part, tuple((x * scale[0], y * scale[1]) for x, y in d.points), d.label, d.sure)


def _draw(picture: NDArray[np.uint8], d: _Drawn, unit: float) -> None:
    colour = _COLOURS.get(d.part, _LIGHT)
    if d.part == "bowl_floor" and len(d.points) == 2:
        dashes = _pieces(d.points[0], d.points[1], 3.2 * unit)
        _strokes(picture, dashes, ((1.6 * unit, _DARK), (0.7 * unit, _LIGHT)))
        return
    if len(d.points) == 2:
        _line(picture, d.points, colour, unit, dashed=not d.sure)
        for p in d.points:
            _ring(picture, p, 1.6 * unit, colour, unit)
        return
    outline = _OUTLINES.get(d.part, _ROUND)
    for p in d.points:
        corners = np.array([(p[0] + 4.2 * unit * x, p[1] + 4.2 * unit * y) for x, y in outline])
        ring = [*corners.tolist(), corners[0].tolist()]
        # A round mark is too small for dashes: an unsure one is drawn with every other side left out.
        pieces = [ring] if d.sure else [list(side) for side in pairwise(ring)][:: 2 if len(ring) < 10 else 3]
        _strokes(picture, pieces, ((1.9 * unit, _LIGHT), (1.4 * unit, _DARK), (0.7 * unit, colour)))


_ROUND = tuple((float(np.cos(a)), float(np.sin(a))) for a in np.linspace(0, 2 * np.pi, 24, endpoint=False))
_OUTLINES = {
    "ear": ((0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)),
    "jet_plug": ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)),
    "throat_plug": tuple(
        (1.3 * float(np.cos(a)), 1.3 * float(np.sin(a))) for a in np.linspace(0, 2 * np.pi, 6, endpoint=False)
    ),
    "tube_fitting": ((0.0, -1.3), (1.2, 0.9), (-1.2, 0.9)),
    "scavenge_tube": ((0.0, -1.3), (1.2, 0.9), (-1.2, 0.9)),
}


def _line(
    picture: NDArray[np.uint8],
    points: Sequence[Sequence[float]],
    colour: tuple[int, int, int],
    unit: float,
    *,
    dashed: bool,
) -> None:
    """A coloured line inside a dark one inside a light one; dashes for what is not sure."""
    pieces = [list(points)]
    if dashed:
        pieces = [piece for a, b in pairwise(points) for piece in _pieces(a, b, 3.2 * unit)]
    _strokes(picture, pieces, ((1.9 * unit, _LIGHT), (1.4 * unit, _DARK), (0.7 * unit, colour)))


def _strokes(
    picture: NDArray[np.uint8],
    pieces: Sequence[Sequence[Sequence[float]]],
    layers: Sequence[tuple[float, tuple[int, int, int]]],
) -> None:
    """Draw polylines layer by layer, so that no piece's outline lies on another's middle."""
    paths = [np.array([_at(p) for p in piece], np.int32).reshape(-1, 1, 2) for piece in pieces]
    for width, shade in layers:
        cv2.polylines(picture, paths, False, shade, max(1, round(width)), cv2.LINE_AA)


def _pieces(a: Sequence[float], b: Sequence[float], length: float) -> list[list[Sequence[float]]]:
    """Cut a line into dashes of about ``length`` with gaps as long (a dash's round ends reach into the gap)."""
    start, end = np.array(a, np.float64), np.array(b, np.float64)
    count = max(1, round(float(np.hypot(*(end - start))) / (2 * length)))
    cuts = np.linspace(0.0, 1.0, 2 * count)
    return [
        [(start + (end - start) * u).tolist(), (start + (end - start) * v).tolist()]
        for u, v in zip(cuts[::2], cuts[1::2], strict=True)
    ]


def _ring(
    picture: NDArray[np.uint8], centre: Sequence[float], radius: float, colour: tuple[int, int, int], unit: float
) -> None:
    for extra, shade in ((0.8 * unit, _LIGHT), (0.4 * unit, _DARK), (0.0, colour)):
        cv2.circle(picture, _at(centre), max(1, round(radius + extra)), shade, -1, cv2.LINE_AA)


def _corners(picture: NDArray[np.uint8], box: tuple[float, float, float, float], unit: float) -> None:
    """Four corner brackets: where the carburetor is, without a frame through the picture."""
    x0, y0, x1, y1 = box
    arm = min(0.12 * min(x1 - x0, y1 - y0), 14 * unit)
    for x, y, dx, dy in ((x0, y0, 1, 1), (x1, y0, -1, 1), (x0, y1, 1, -1), (x1, y1, -1, -1)):
        bracket = [(x + dx * arm, y), (x, y), (x, y + dy * arm)]
        _line(picture, bracket, _LIGHT, 0.8 * unit, dashed=False)


def _at(point: Sequence[float]) -> tuple[int, int]:
    return (round(point[0] - 0.5), round(point[1] - 0.5))


def _labelled(
    picture: NDArray[np.uint8],
    labels: Sequence[_Label],
    taken: Sequence[Rect],
    unit: float,
    *,
    numbers: Sequence[tuple[str, tuple[float, float]]] = (),
) -> NDArray[np.uint8]:
    """Put the words in: numbers inside their marks, labels beside them and never on top of each other."""
    from PIL import Image, ImageDraw, ImageFont

    h, w = picture.shape[:2]
    size = max(8, round(min(max(16.0, 9.0 * unit), w / 16)))
    font = ImageFont.truetype(str(FONT), size)
    pad = 0.35 * size
    wrapped = [_wrapped(label.text, font, 0.42 * w) for label in labels]
    sizes = [
        (max(font.getlength(line) for line in lines) + 2 * pad, 1.25 * size * len(lines) + 1.2 * pad)
        for lines in wrapped
    ]
    places = place([label.anchor for label in labels], sizes, (w, h), taken, gap=2.5 * unit)
    for label, rect in zip(labels, places, strict=True):
        near = np.array(rect.nearest(label.anchor))
        away = near - np.array(label.anchor)
        reach = float(np.hypot(*away))
        if label.clear > 0 and reach > label.clear + 0.4 * unit:  # a line to the edge of the mark, not over it
            edge = np.array(label.anchor) + away * (label.clear / reach)
            _strokes(picture, [[edge.tolist(), near.tolist()]], ((1.3 * unit, _DARK), (0.5 * unit, _LIGHT)))
    image = Image.fromarray(picture)
    draw = ImageDraw.Draw(image)
    for lines, rect in zip(wrapped, places, strict=True):
        draw.rounded_rectangle((rect.x0, rect.y0, rect.x1, rect.y1), 0.3 * size, _DARK, _LIGHT, max(1, round(unit / 3)))
        for n, line in enumerate(lines):
            draw.text((rect.x0 + pad, rect.y0 + 0.6 * pad + 1.25 * size * n), line, _LIGHT, font)
    digits = ImageFont.truetype(str(FONT), max(8, round(4.6 * unit)))
    for text, (x, y) in numbers:
        draw.text((x, y), text, _LIGHT, digits, anchor="mm", stroke_width=max(1, round(0.6 * unit)), stroke_fill=_DARK)
    return np.array(image, np.uint8)


def _wrapped(text: str, font: object, widest: float) -> list[str]:
    """Break a label at blanks so that no line is wider than ``widest`` pixels (a single long word may be)."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and font.getlength(longer) > widest:  # type: ignore[attr-defined]
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
