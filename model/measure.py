"""Lengths, diameters and angles in a measured plane, each with an interval that says what is not known.

The interval is meant to hold the truth 95 times in 100 or more: the scatter of the marked points and of the plane
(``DEVIATIONS`` standard deviations, from the fit) and, added in full, what has no scatter but a bound: how true the
scale is, how far what is measured lies off the scale's plane, and where exactly an edge is.

A thing that lies ``h`` above the plane reads too large by ``h / (Z - h)``, ``Z`` being the height of the camera over
the plane (pinhole): 10 mm at 300 mm is 3.4 %. ``h`` is positive towards the camera.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from types import MappingProxyType

import numpy as np

from .errors import MeasureError
from .plane import Floats, Plane, gradient
from .units import both, both_range

OFF_PLANE_MM = (-2.0, 2.0)
"""How far a thing beside a card held by hand may lie off its plane, if nobody says more. Own choice."""

DEVIATIONS = 2.5
"""Standard deviations in an interval. Two held the truth in 94.0 to 94.5 % of 200 trials with nothing else added; two
and a half leave room for what no model has."""

FARTHEST_MM = 10_000.0
"""A photo with a card in it measures nothing longer; what comes out longer comes from points near the horizon."""

_UNSURE = "the scale is too uncertain there to measure by; lay the scale beside the thing and mark it carefully"

NOTES: Mapping[str, str] = MappingProxyType(
    {
        "card_unchecked": "Nobody checked the print: if the card's 100 mm (3.94 in) ruler measures something else, "
        "give that number. A print fitted to the page is off by several per cent.",
        "card_not_flat": "The card is not flat; glue it on something stiff and take the photo again.",
        "card_shape_odd": "This would need an unlikely camera; check that the right card and the right corners "
        "were given.",
        "lens_not_seen": "The scale does not show how the lens bends the picture; keep it near the thing and both "
        "near the middle of the photo.",
        "coin_tilt": "A coin does not show to which side it tilts; photograph it straight from above.",
        "not_round": "The marked points do not lie on a circle in the plane of the scale: the thing is tilted, not "
        "round, or marked roughly.",
        "arc_short": "The marked points cover less than half of the round; mark some on the other side.",
        "far_from_scale": "The thing is far from the scale in the photo; lay the scale beside it.",
        "steep": "The photo is taken at a steep angle; take it more from above.",
    }
)
"""Plain sentences for the ids in ``Plane.notes`` and ``Measurement.notes``; the keys for translation."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """One value and the interval that holds it.

    Attributes:
        value: millimetres or degrees.
        low: lower end.
        high: upper end.
        unit: ``mm`` or ``deg``.
        parts: half width that each cause adds, same unit: ``points``, ``plane``, ``scale``, ``off_plane``, ``edge``.
        notes: ids of ``NOTES``.
    """

    value: float
    low: float
    high: float
    unit: str
    parts: Mapping[str, float]
    notes: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The value and its interval; lengths in both units."""
        if self.unit == "deg":
            return f"{self.value:.1f}\N{DEGREE SIGN}, {self.low:.1f}\N{DEGREE SIGN} to {self.high:.1f}\N{DEGREE SIGN}"
        decimals = 2 if self.high - self.low < 0.2 else 1
        return f"{both(self.value, decimals)}, between {both_range(self.low, self.high, decimals)}"


def measure_length(
    plane: Plane,
    a: Floats,
    b: Floats,
    *,
    point_px: float = 1.0,
    off_plane_mm: tuple[float, float] = OFF_PLANE_MM,
) -> Measurement:
    """Return the distance of two points of the plane.

    Args:
        plane: from ``scale``.
        a: (2,) pixels.
        b: (2,) pixels.
        point_px: how well they are marked, one standard deviation of each coordinate, pixels.
        off_plane_mm: lowest and highest place of what is measured over the plane, millimetres.

    Raises:
        MeasureError: a point cannot lie on the plane, the points coincide, or it lies too near the camera.
    """
    points = np.array([a, b], np.float64).reshape(2, 2)
    if (points[0] == points[1]).all():
        raise MeasureError("two different points are needed for a length")

    def length(xy: Floats, parameters: Floats | None = None) -> Floats:
        mm = plane.to_mm(xy.reshape(2, 2), parameters)
        return np.array([np.hypot(*(mm[1] - mm[0]))])

    spread_points = _spread_of_points(length, points, point_px)
    spread_plane = _spread_of_plane(plane, lambda q: length(points.ravel(), q))
    value = float(length(points.ravel())[0])
    return _bounded(plane, value, spread_points, spread_plane, 0.0, off_plane_mm, _where(plane, points))


def measure_diameter(
    plane: Plane,
    rim: Floats,
    *,
    point_px: float = 1.0,
    edge_px: float = 0.5,
    off_plane_mm: tuple[float, float] = OFF_PLANE_MM,
) -> Measurement:
    """Return the diameter of a round thing from points marked on its rim.

    The picture shows the rim as an ellipse; the points are taken to the plane, where they lie on a circle.

    Args:
        plane: from ``scale``.
        rim: (n, 2) pixels, n >= 5, best spread all round.
        point_px: how well they are marked, one standard deviation, pixels; raised if they scatter more.
        edge_px: by how much all of them together may lie inside or outside the true edge, pixels.
        off_plane_mm: as in ``measure_length``.

    Raises:
        MeasureError: too few points, points that make no circle, or as ``measure_length``.
    """
    points = np.asarray(rim, np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 5:
        raise MeasureError("mark at least five points round the rim")
    mm = plane.to_mm(points)
    centre, radius, residual = _circle(mm)
    spread_px = np.sqrt(((points - points.mean(axis=0)) ** 2).sum(axis=1).mean())
    mm_per_px = radius / spread_px
    rms_px = float(np.sqrt((residual**2).sum() / max(len(mm) - 3, 1))) / mm_per_px
    notes = _where(plane, points)
    if rms_px > 3 * point_px:
        notes = (*notes, "not_round")
    if _covered(mm - centre) < 180:
        notes = (*notes, "arc_short")

    def diameter(xy: Floats, parameters: Floats | None = None) -> Floats:
        return np.array([2 * _circle(plane.to_mm(xy.reshape(-1, 2), parameters))[1]])

    spread_points = _spread_of_points(diameter, points, max(point_px, rms_px))
    spread_plane = _spread_of_plane(plane, lambda q: diameter(points.ravel(), q))
    edge = 2 * edge_px * mm_per_px
    return _bounded(plane, 2 * radius, spread_points, spread_plane, edge, off_plane_mm, notes)


def angle_between(
    plane: Plane,
    line_a: Floats,
    line_b: Floats,
    *,
    point_px: float = 1.0,
    off_plane_mm: tuple[float, float] = OFF_PLANE_MM,
) -> Measurement:
    """Return the true angle of two directed lines of the plane, degrees in [0, 180].

    Args:
        plane: from ``scale``.
        line_a: (2, 2) pixels, from its first to its second point.
        line_b: (2, 2) pixels.
        point_px: as in ``measure_length``.
        off_plane_mm: each of the four points may lie anywhere between, independently: a handle that leans towards the
            camera reads wrong however well it is marked.

    Raises:
        MeasureError: a line's two points coincide, or as ``measure_length``.
    """
    points = np.concatenate([np.asarray(line_a, np.float64), np.asarray(line_b, np.float64)])
    if points.shape != (4, 2):
        raise MeasureError("two lines of two points each are needed for an angle")

    def angle(xy: Floats, parameters: Floats | None = None) -> Floats:
        return np.array([_angle(plane.to_mm(xy.reshape(4, 2), parameters))])

    mm = plane.to_mm(points)
    value = _angle(mm)
    z_low = _clear_height(plane, off_plane_mm)
    under = np.array(plane.under_mm)
    lean = 0.0
    for heights in product(sorted(set(off_plane_mm)), repeat=4):
        factor = (z_low - np.array(heights)) / z_low  # a point seen at P lies, at height h, at foot + (P - foot) factor
        lean = max(lean, abs(_angle(under + (mm - under) * factor[:, None]) - value))
    spread_points = _spread_of_points(angle, points, point_px)
    spread_plane = _spread_of_plane(plane, lambda q: angle(points.ravel(), q))
    wide = float(np.hypot(spread_points, spread_plane)) + lean
    if not np.isfinite([value, wide]).all():
        raise MeasureError(_UNSURE)
    parts = {"points": spread_points, "plane": spread_plane, "scale": 0.0, "off_plane": lean, "edge": 0.0}
    return Measurement(
        value,
        max(value - wide, 0.0),
        min(value + wide, 180.0),
        "deg",
        MappingProxyType(parts),
        (*plane.notes, *_where(plane, points)),
    )


def off_plane_share(h_mm: float, z_mm: float) -> float:
    """Return by which share a thing ``h_mm`` above the plane reads too large, seen from ``z_mm`` above it.

    >>> round(off_plane_share(10, 300), 4)
    0.0345

    Raises:
        MeasureError: the thing would be at or behind the camera.
    """
    if not h_mm < z_mm:
        raise MeasureError(f"a thing {both(h_mm)} above the plane is not in front of a camera at {both(z_mm)}")
    return h_mm / (z_mm - h_mm)


def _bounded(
    plane: Plane,
    reading: float,
    spread_points: float,
    spread_plane: float,
    edge: float,
    off_plane_mm: tuple[float, float],
    notes: tuple[str, ...],
) -> Measurement:
    """Turn a reading in the plane into a length with everything that bounds it."""
    _clear_height(plane, off_plane_mm)
    low_h, high_h = off_plane_mm
    factors = [(z - h) / z for z in plane.height_mm for h in off_plane_mm]
    middle = (plane.height_mm[1] - (low_h + high_h) / 2) / plane.height_mm[1]
    scatter = float(np.hypot(spread_points, spread_plane)) + edge
    slack = plane.scale_slack
    value = reading * middle
    low = max(reading - scatter, 0.0) * min(factors) * (1 - slack)
    high = (reading + scatter) * max(factors) * (1 + slack)
    parts = {
        "points": spread_points,
        "plane": spread_plane,
        "scale": reading * slack,
        "off_plane": reading * (max(factors) - min(factors)) / 2,
        "edge": edge,
    }
    if not np.isfinite([low, value, high]).all() or high > FARTHEST_MM:
        raise MeasureError(_UNSURE)
    plain = {name: float(half) for name, half in parts.items()}
    return Measurement(float(value), float(low), float(high), "mm", MappingProxyType(plain), (*plane.notes, *notes))


def _clear_height(plane: Plane, off_plane_mm: tuple[float, float]) -> float:
    low_h, high_h = off_plane_mm
    if not (np.isfinite(off_plane_mm).all() and low_h <= high_h):
        raise MeasureError(f"off the plane: expected lowest and highest place in millimetres, got {off_plane_mm}")
    z = plane.height_mm[0]
    if max(high_h, -low_h) >= z / 2:
        raise MeasureError(
            f"{both(max(high_h, -low_h))} off the plane is too far for a camera that may be only {both(z)} above it"
        )
    return z


def _spread_of_points(f: Callable[..., Floats], points: Floats, point_px: float) -> float:
    if not (np.isfinite(point_px) and point_px >= 0):
        raise MeasureError(f"how well points are marked: expected pixels, got {point_px}")
    slope = gradient(f, points.ravel(), np.full(points.size, 0.05))
    return float(DEVIATIONS * point_px * np.sqrt((slope**2).sum()))


def _spread_of_plane(plane: Plane, f: Callable[[Floats], Floats]) -> float:
    variance = np.diag(plane.covariance)
    if not (np.isfinite(variance).all() and (variance >= 0).all()):
        # Points so nearly in one line that rounding decides: an interval from this would be a made-up one.
        raise MeasureError("the scale's points lie too nearly in one line to say how sure a length is; mark them again")
    steps = np.sqrt(variance) * 0.05 + 1e-12
    slope = gradient(f, plane.parameters, steps)
    return float(DEVIATIONS * np.sqrt(max((slope @ plane.covariance @ slope.T).item(), 0.0)))


def _where(plane: Plane, points: Floats) -> tuple[str, ...]:
    mm = plane.to_mm(points)
    away = np.hypot(*(mm.mean(axis=0) - np.array(plane.origin)))
    notes: tuple[str, ...] = ()
    if away > 4 * plane.unit_mm:
        notes = (*notes, "far_from_scale")
    slant = np.hypot(*(np.array(plane.under_mm) - mm.mean(axis=0)))
    if slant > 1.5 * plane.height_mm[1]:
        notes = (*notes, "steep")
    return notes


def _circle(points: Floats) -> tuple[Floats, float, Floats]:
    """Return centre, radius and signed radial residuals (n,) of the circle of least squared distances."""
    if not np.isfinite(points).all() or np.ptp(points) > FARTHEST_MM:
        raise MeasureError(_UNSURE)
    origin = points.mean(axis=0)
    p = points - origin
    design = np.column_stack([2 * p, np.ones(len(p))])
    solution, _, rank, _ = np.linalg.lstsq(design, (p**2).sum(axis=1), rcond=None)
    if rank < 3:
        raise MeasureError("the points on the rim lie on one line")
    centre = solution[:2]
    radius = float(np.sqrt(max(solution[2] + centre @ centre, 0.0)))
    for _ in range(20):
        d = p - centre
        r = np.hypot(d[:, 0], d[:, 1])
        if (r == 0).any():
            raise MeasureError("a point on the rim lies at the centre")
        jacobian = np.column_stack([-d / r[:, None], -np.ones(len(p))])
        step = np.linalg.lstsq(jacobian, -(r - radius), rcond=None)[0]
        centre, radius = centre + step[:2], radius + float(step[2])
        if np.abs(step).max() < 1e-10 * radius:
            break
    d = p - centre
    return centre + origin, radius, np.hypot(d[:, 0], d[:, 1]) - radius


def _covered(offsets: Floats) -> float:
    """Return how much of the round the points cover, degrees: 360 less the widest gap."""
    angles = np.sort(np.degrees(np.arctan2(offsets[:, 1], offsets[:, 0])))
    return float(360 - np.diff(np.append(angles, angles[0] + 360)).max())


def _angle(mm: Floats) -> float:
    a, b = mm[1] - mm[0], mm[3] - mm[2]
    if not (np.hypot(*a) > 0 and np.hypot(*b) > 0):
        raise MeasureError("two different points are needed for each line")
    return float(np.degrees(np.arctan2(abs(a[0] * b[1] - a[1] * b[0]), a @ b)))
