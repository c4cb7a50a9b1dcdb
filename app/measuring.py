"""Measuring at the command line: points as typed, a scale found or marked, one value with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from updraft_key.model.errors import MeasureError
from updraft_key.model.measure import (
    NOTES,
    OFF_PLANE_MM,
    Measurement,
    angle_between,
    measure_diameter,
    measure_length,
)
from updraft_key.model.photo import Photo, open_photo
from updraft_key.model.plane import Floats, Plane
from updraft_key.model.scale import (
    KnownCoin,
    find_known,
    look_alikes,
    scale_from_card,
    scale_from_coin,
    scale_from_corners,
)
from updraft_key.model.threads import judge_pipe_thread, judge_screw_head, judge_throat_plug

WHAT = ("length", "diameter", "angle")


@dataclass(frozen=True, slots=True)
class Ruler:
    """What gives the scale: the printed card, or a known thing and the points marked on it (photo pixels)."""

    known: str | None = None
    points: tuple[str, ...] = ()
    printed_100_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Thing:
    """What is measured: ``kind`` names a thing whose size is judged (``JUDGES``), ``above`` is where it lies over the
    plane of the scale, lowest and highest, millimetres (None for the usual allowance)."""

    kind: str | None = None
    style: str = "unknown"
    above: tuple[float, float] | None = None


JUDGES = ("screw-head", "pipe-thread", "throat-plug")


def measure_photo(
    path: Path, what: str, points: Sequence[str], ruler: Ruler, thing: Thing | None = None
) -> tuple[Measurement, tuple[str, ...]]:
    """Measure in a photo.

    Args:
        path: the photo; read at full size, because points are its pixels.
        what: ``length`` (two points), ``diameter`` (five or more on the rim), ``angle`` (two lines, four points).
        points: each ``X,Y`` in pixels of the upright photo.
        ruler: what gives the scale.
        thing: what it is, to be told what its size allows; the answer is the last sentence.

    Returns:
        The measurement, and sentences to be said with it.

    Raises:
        PhotoError: the photo cannot be used.
        MeasureError: wrong points, or no scale.
    """
    if what not in WHAT:
        raise MeasureError(f"expected one of {', '.join(WHAT)}, got {what!r}")
    xy = parse_points(points)
    photo = open_photo(path, longest=None)
    _inside(xy, photo)
    plane, more = _plane(photo, ruler)
    thing = thing or Thing()
    result = _value(what, xy, plane, thing.above or OFF_PLANE_MM)
    notes = [NOTES.get(n, n.replace("_", " ")) for n in dict.fromkeys((*plane.notes, *result.notes))]
    return result, (*notes, *more, *_judged(result, thing))


def to_json(what: str, result: Measurement, notes: Sequence[str]) -> dict[str, Any]:
    """Plain dict, ready for ``json.dumps``."""
    return {
        "schema": "updraft-key/measure/1",
        "what": what,
        "unit": result.unit,
        "value": round(result.value, 3),
        "low": round(result.low, 3),
        "high": round(result.high, 3),
        "notes": list(notes),
    }


def parse_points(texts: Sequence[str]) -> Floats:
    """Read ``X,Y`` texts into (n, 2) float64.

    Raises:
        MeasureError: a text that is not two numbers.
    """
    rows = []
    for text in texts:
        try:
            x, y = (float(v) for v in text.split(","))
        except ValueError as error:
            raise MeasureError(f"expected a point as X,Y in pixels such as 812,455, got {text!r}") from error
        rows.append((x, y))
    out = np.array(rows, np.float64).reshape(-1, 2)
    if not np.isfinite(out).all():
        raise MeasureError("expected points that are numbers")
    return out


def _inside(xy: Floats, photo: Photo) -> None:
    if len(xy) and ((xy < 0).any() or (xy > (photo.width, photo.height)).any()):
        raise MeasureError(f"expected points inside the photo ({photo.width} x {photo.height} pixels)")


def _plane(photo: Photo, ruler: Ruler) -> tuple[Plane, tuple[str, ...]]:
    if ruler.known is None:
        return scale_from_card(photo.pixels, printed_100_mm=ruler.printed_100_mm), ()
    thing = find_known(ruler.known)
    marked = parse_points(ruler.points)
    _inside(marked, photo)
    size = (photo.width, photo.height)
    if isinstance(thing, KnownCoin):
        return scale_from_coin(marked, thing, size), tuple(a.text for a in look_alikes(thing))
    return scale_from_corners(marked, thing, size), ()


def _judged(result: Measurement, thing: Thing) -> tuple[str, ...]:
    """What the measured interval allows the thing to be; nothing when it was not said what it is."""
    if thing.kind is None:
        return ()
    if thing.kind not in JUDGES or result.unit != "mm":
        raise MeasureError(f"--of: expected {', '.join(JUDGES)} and a length or diameter, got {thing.kind!r}")
    try:
        if thing.kind == "screw-head":
            return (judge_screw_head(result.low, result.high, thing.style).text,)
    except ValueError as error:
        raise MeasureError(f"--style: {error}") from error
    judge = judge_pipe_thread if thing.kind == "pipe-thread" else judge_throat_plug
    return (judge(result.low, result.high).text,)


def _value(what: str, xy: Floats, plane: Plane, above: tuple[float, float]) -> Measurement:
    if what == "length":
        _expect(len(xy) == 2, "length: expected two points", xy)
        return measure_length(plane, xy[0], xy[1], off_plane_mm=above)
    if what == "diameter":
        _expect(len(xy) >= 5, "diameter: expected five points or more on the rim", xy)
        return measure_diameter(plane, xy, off_plane_mm=above)
    _expect(len(xy) == 4, "angle: expected four points, two on each line", xy)
    return angle_between(plane, xy[:2], xy[2:], off_plane_mm=above)


def _expect(good: bool, text: str, xy: Floats) -> None:
    if not good:
        raise MeasureError(f"{text}, got {len(xy)}")
