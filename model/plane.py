"""A measured plane: from pixels to millimetres on it, with all that is not known about the picture.

The lens bends lines a little and no one says by how much, so it is fitted together with the plane: with
``r`` the distance of a pixel from the picture's centre in half diagonals, a pixel at ``d`` from the centre
belongs at ``d (1 + k1 r^2 + k2 r^4)`` of a picture without distortion, and there the plane is seen through a
homography. ``k1`` and ``k2`` start from what phone lenses do and are corrected by the card's own corners as
far as these say anything; what stays open is kept in the covariance and widens every interval.

Frames: picture pixels (pixel (0, 0) centred at (0.5, 0.5), y down) and plane millimetres.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .errors import MeasureError

Floats = NDArray[np.float64]

LENS_SD = (0.04, 0.03)
"""How much k1 and k2 of phone pictures vary (one standard deviation): 4 % of displacement at the corner of the
picture. Own choice: wide enough for an uncorrected phone lens, whose k1 in focal units is about 0.1."""

CORNER_PX_LEAST = 0.05
FOCAL_GUESS = 0.62
FOCAL_LOG_SD = 0.35
"""Focal length over picture diagonal. A phone's main camera (24 to 28 mm on a frame of 43.3 mm diagonal) has 0.55 to
0.65; the spread takes in wide and tele cameras and mild crops."""


CENTRE_SD = 0.02
"""How far a picture's centre may lie off the optical axis, as a share of the focal length: lens mounting and crops. It
makes the axes of a plane seen askew come out of square by about twice as much at 45 degrees, hence not 0.01."""


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane in a picture, fitted.

    Attributes:
        size: width and height of the picture, pixels.
        parameters: (10,) float64: eight of the homography from the normalised plane to the normalised, undistorted
            picture (row by row, the ninth is 1), then k1 and k2.
        covariance: (10, 10) float64, of ``parameters``.
        origin: plane point at which the normalised plane has its origin, millimetres.
        unit_mm: millimetres of one unit of the normalised plane.
        residual_px: root mean square distance of the fit, pixels; 0 when nothing was left over.
        height_mm: camera's height over the plane: low, middle, high (95 %).
        under_mm: plane point straight under the camera, millimetres.
        scale_slack: share by which the scale itself may be off (print, object's tolerance), one side.
        shape_misfit: how badly the axes of the plane come out square and of one scale for the likeliest camera,
            chi-square of two degrees; large when the plane's points were given wrong proportions.
        notes: ids of ``measure.NOTES`` that go with everything measured in this plane.
    """

    size: tuple[int, int]
    parameters: Floats
    covariance: Floats
    origin: tuple[float, float]
    unit_mm: float
    residual_px: float
    height_mm: tuple[float, float, float]
    under_mm: tuple[float, float]
    scale_slack: float
    shape_misfit: float = 0.0
    notes: tuple[str, ...] = ()

    def to_mm(self, points: Floats, parameters: Floats | None = None) -> Floats:
        """Return where pixels lie on the plane, (n, 2) float64 millimetres.

        Args:
            points: (n, 2) pixels.
            parameters: other parameters than the fitted ones, to see what they do.

        Raises:
            MeasureError: a point lies outside the picture, or beyond the horizon of the plane.
        """
        p = np.asarray(points, np.float64).reshape(-1, 2)
        width, height = self.size
        if not np.isfinite(p).all() or (p < 0).any() or (p[:, 0] > width).any() or (p[:, 1] > height).any():
            raise MeasureError(f"a point lies outside the picture of {width} x {height} pixels")
        q = self.parameters if parameters is None else parameters
        u = undistort(normalise(p, self.size), q[8], q[9])
        try:
            plane = np.column_stack([u, np.ones(len(u))]) @ np.linalg.inv(matrix(q)).T
        except np.linalg.LinAlgError as e:
            raise MeasureError("the plane is seen edge-on") from e
        # w is 1 at the plane's own origin, so its sign tells the visible side of the horizon from the other.
        if (plane[:, 2] <= 1e-9).any():
            raise MeasureError("a point lies beyond the horizon of the plane; it cannot be on it")
        return np.asarray(plane[:, :2] / plane[:, 2:] * self.unit_mm + np.array(self.origin), np.float64)


def normalise(points: Floats, size: tuple[int, int]) -> Floats:
    """Return pixels as offsets from the picture's centre in half diagonals."""
    half = np.hypot(*size) / 2
    return np.asarray((points - np.array(size) / 2) / half, np.float64)


def undistort(points: Floats, k1: float, k2: float) -> Floats:
    """Return where normalised points belong in a picture without lens distortion."""
    r2 = (points**2).sum(axis=1, keepdims=True)
    return np.asarray(points * (1 + k1 * r2 + k2 * r2**2), np.float64)


def matrix(parameters: Floats) -> Floats:
    """Return the 3 x 3 homography of the first eight parameters."""
    return np.append(parameters[:8], 1.0).reshape(3, 3)


def homography(source: Floats, target: Floats) -> Floats:
    """Return the 3 x 3 homography that takes ``source`` to ``target`` in least squares, lower right element 1.

    Direct linear transform on centred and scaled points; four points give it exactly.

    Raises:
        MeasureError: fewer than four points, or three of four on one line.
    """
    a, b = np.asarray(source, np.float64), np.asarray(target, np.float64)
    if len(a) < 4 or len(a) != len(b):
        raise MeasureError(f"four points at least are needed for a plane, got {len(a)} and {len(b)}")
    ta, tb = _centring(a), _centring(b)
    an, bn = _apply(ta, a), _apply(tb, b)
    rows = []
    for (x, y), (u, v) in zip(an, bn, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y, -u], [0, 0, 0, x, y, 1, -v * x, -v * y, -v]]
    _, s, vt = np.linalg.svd(np.array(rows), full_matrices=True)
    if s[7] < 1e-6 * s[0]:
        raise MeasureError("these points do not span a plane: three or more of them lie on one line")
    h = np.linalg.inv(tb) @ vt[-1].reshape(3, 3) @ ta
    if abs(h[2, 2]) < 1e-12 * np.abs(h).max():
        raise MeasureError("the plane is seen edge-on")
    return np.asarray(h / h[2, 2], np.float64)


def dual_conic_angle(h: Floats, line_a: Floats, line_b: Floats) -> float:
    """Return the true angle of two picture lines, degrees in [0, 180], without rectifying a single point.

    Args:
        h: 3 x 3, picture to plane.
        line_a: (3,) homogeneous line of the picture.
        line_b: (3,) the other.

    The image of the circular points' dual, ``C = H^-1 diag(1, 1, 0) H^-T``, carries the plane's metric:
    ``cos = a'C b / sqrt(a'C a  b'C b)``.
    """
    back = np.linalg.inv(h)
    c = back @ np.diag([1.0, 1.0, 0.0]) @ back.T
    cosine = (line_a @ c @ line_b) / np.sqrt((line_a @ c @ line_a) * (line_b @ c @ line_b))
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def fit_plane(
    points: Floats,
    plane_mm: Floats,
    size: tuple[int, int],
    *,
    corner_px: float,
    scale_slack: float,
    focal_px: float | None = None,
    notes: tuple[str, ...] = (),
) -> Plane:
    """Fit plane and lens to points whose place on the plane is known.

    Args:
        points: (n, 2) pixels, n >= 4.
        plane_mm: (n, 2) millimetres.
        size: width and height of the picture.
        corner_px: expected error of a point, one standard deviation, pixels; raised if the residuals say so.
        scale_slack: as in ``Plane``.
        focal_px: focal length in pixels if known; it only serves the camera's height.
        notes: as in ``Plane``.

    Raises:
        MeasureError: the points do not make a plane, or do not fit one.
    """
    half = np.hypot(*size) / 2
    picture = normalise(np.asarray(points, np.float64), size)
    mm = np.asarray(plane_mm, np.float64)
    origin = mm.mean(axis=0)
    unit = float(np.sqrt(((mm - origin) ** 2).sum(axis=1).mean()))
    if unit == 0:
        raise MeasureError("these points do not span a plane: they are one point")
    plane = (mm - origin) / unit
    sd = max(corner_px, CORNER_PX_LEAST) / half
    start = np.concatenate([homography(plane, picture).ravel()[:8], [0.0, 0.0]])
    q, residual, jacobian = _solve(start, plane, picture, sd)
    spare = 2 * len(plane) - 8
    rms = float(np.sqrt((residual**2).sum() / max(spare, 1)))
    if spare > 4 and rms > sd:
        sd = rms
        q, residual, jacobian = _solve(q, plane, picture, sd)
    precision = jacobian.T @ jacobian / sd**2
    precision[8, 8] += 1 / LENS_SD[0] ** 2
    precision[9, 9] += 1 / LENS_SD[1] ** 2
    try:
        covariance = np.linalg.inv(precision)
    except np.linalg.LinAlgError as e:
        raise MeasureError("the points do not fit a flat plane seen by a camera") from e
    rms_px = float(np.sqrt((residual**2).sum() / len(plane))) * half
    height, under, misfit = _camera(q, covariance, size, unit, focal_px)
    return Plane(
        size,
        q,
        covariance,
        (float(origin[0]), float(origin[1])),
        unit,
        rms_px,
        height,
        (float(under[0] + origin[0]), float(under[1] + origin[1])),
        scale_slack,
        misfit,
        notes,
    )


def gradient(f: Callable[[Floats], Floats], at: Floats, steps: Floats) -> Floats:
    """Return the (m, n) derivative of ``f`` (m values) at ``at`` (n values), by central differences."""
    columns = []
    for i, step in enumerate(steps):
        up, down = at.copy(), at.copy()
        up[i] += step
        down[i] -= step
        columns.append((f(up) - f(down)) / (2 * step))
    return np.asarray(np.stack(columns, axis=-1), np.float64)


def _solve(q: Floats, plane: Floats, picture: Floats, sd: float) -> tuple[Floats, Floats, Floats]:
    """Gauss-Newton with the lens held to its prior; returns parameters, residuals (2n,), Jacobian (2n, 10)."""
    prior = np.zeros(10)
    prior[8:] = 1 / np.array(LENS_SD) ** 2
    for _ in range(30):
        residual, jacobian = _residual(q, plane, picture)
        normal = jacobian.T @ jacobian / sd**2 + np.diag(prior)
        if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e18:
            raise MeasureError("the points do not fit a flat plane seen by a camera")
        step = np.linalg.solve(normal, -(jacobian.T @ residual / sd**2 + prior * q))
        q = q + step
        if np.abs(step).max() < 1e-12:
            break
    residual, jacobian = _residual(q, plane, picture)
    if not np.isfinite(residual).all():
        raise MeasureError("the points do not fit a flat plane seen by a camera")
    return q, residual, jacobian


def _residual(q: Floats, plane: Floats, picture: Floats) -> tuple[Floats, Floats]:
    h = matrix(q)
    homogeneous = np.column_stack([plane, np.ones(len(plane))])
    projected = homogeneous @ h.T
    w = projected[:, 2:]
    seen = projected[:, :2] / w
    r2 = (picture**2).sum(axis=1, keepdims=True)
    residual = picture * (1 + q[8] * r2 + q[9] * r2**2) - seen
    n = len(plane)
    jacobian = np.zeros((n, 2, 10))
    jacobian[:, 0, 0:3] = jacobian[:, 1, 3:6] = -homogeneous / w
    jacobian[:, :, 6:8] = seen[:, :, None] * (plane / w)[:, None, :]
    jacobian[:, :, 8] = picture * r2
    jacobian[:, :, 9] = picture * r2**2
    return residual.ravel(), jacobian.reshape(2 * n, 10)


def _camera(
    q: Floats, covariance: Floats, size: tuple[int, int], unit: float, focal_px: float | None
) -> tuple[tuple[float, float, float], Floats, float]:
    """Return the camera's height over the plane (2.5, 50, 97.5 %), the foot of its perpendicular, and the misfit.

    A plane alone shows its distance only through the focal length. That is taken from the caller, else from the
    prior sharpened by the card's own perspective: seen askew, its two axes come out equally long and square
    only for the right focal length.
    """
    half = np.hypot(*size) / 2
    if focal_px is None:
        logs = np.log(FOCAL_GUESS) + FOCAL_LOG_SD * np.linspace(-3, 3, 61)
        spread = FOCAL_LOG_SD
    else:
        logs = np.log(focal_px / (2 * half)) + 0.02 * np.linspace(-3, 3, 41)
        spread = 0.02
    centre = float(logs.mean())
    steps = np.sqrt(np.diag(covariance)) * 0.1 + 1e-9

    def look(grid: Floats) -> tuple[Floats, Floats, Floats, float]:
        """Weights, heights, feet on a grid of log focal lengths, and the least misfit."""
        log_weight, heights, feet, least = np.empty(len(grid)), np.empty(len(grid)), np.empty((len(grid), 2)), np.inf
        for i, log in enumerate(grid):
            focal = 2 * float(np.exp(log))  # in half diagonals
            heights[i], feet[i] = _stand(q, focal)
            miss = _squareness(q, focal)
            slope = gradient(lambda p, f=focal: _squareness(p, f), q, steps)  # type: ignore[misc]
            spread_of_miss = slope @ covariance @ slope.T + np.eye(2) * CENTRE_SD**2
            distance = float(miss @ np.linalg.solve(spread_of_miss, miss)) + ((log - centre) / spread) ** 2
            least = min(least, distance)
            log_weight[i] = -0.5 * (distance + np.log(np.linalg.det(spread_of_miss)))
        weight = np.exp(log_weight - log_weight.max())
        return weight / weight.sum(), heights, feet, least

    coarse, _, _, _ = look(logs)
    middle_log = float(coarse @ logs)
    reach = 4 * float(np.sqrt(coarse @ (logs - middle_log) ** 2)) + (logs[1] - logs[0])
    weight, heights, feet, misfit = look(middle_log + reach * np.linspace(-1, 1, 61))
    order = np.argsort(heights)
    cumulative = np.cumsum(weight[order])
    low, middle, high = (float(np.interp(p, cumulative, heights[order])) * unit for p in (0.025, 0.5, 0.975))
    return (low, middle, high), np.asarray(weight @ feet * unit, np.float64), misfit


def _axes(q: Floats, focal: float) -> Floats:
    """Plane axes and origin in the camera frame up to scale, (3, 3), columns x, y, origin."""
    return np.asarray(np.diag([1 / focal, 1 / focal, 1.0]) @ matrix(q), np.float64)


def _squareness(q: Floats, focal: float) -> Floats:
    g = _axes(q, focal)
    a, b = np.linalg.norm(g[:, 0]), np.linalg.norm(g[:, 1])
    return np.array([g[:, 0] @ g[:, 1] / (a * b), np.log(a / b)])


def _stand(q: Floats, focal: float) -> tuple[float, Floats]:
    """Height over the plane and foot of the camera, units of the normalised plane."""
    g = _axes(q, focal)
    scale = np.sqrt(np.linalg.norm(g[:, 0]) * np.linalg.norm(g[:, 1]))
    u, _, vt = np.linalg.svd(g[:, :2] / scale, full_matrices=False)
    first_two = u @ vt  # the nearest pair of perpendicular unit axes
    normal = np.cross(first_two[:, 0], first_two[:, 1])
    origin = g[:, 2] / scale
    return float(abs(normal @ origin)), np.asarray(-first_two.T @ origin, np.float64)


def _centring(points: Floats) -> Floats:
    centre = points.mean(axis=0)
    spread = np.sqrt(((points - centre) ** 2).sum(axis=1).mean()) / np.sqrt(2)
    s = 1 / spread if spread > 0 else 1.0
    return np.array([[s, 0, -s * centre[0]], [0, s, -s * centre[1]], [0, 0, 1]])


def _apply(t: Floats, points: Floats) -> Floats:
    return np.asarray(points * t[0, 0] + t[:2, 2], np.float64)
