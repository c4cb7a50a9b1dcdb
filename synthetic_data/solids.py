"""Signed-distance solids and their smooth blends.

A ``Solid`` is a distance function with a bounding box; a ``Field`` collects solids on a grid, each evaluated
only in its own box, and meshes the result. Distances are float32 millimetres, negative inside.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates
from skimage.measure import marching_cubes

from .mesh import Floats, Ints

Vec = NDArray[np.float64]
Distance = Callable[[Floats, Floats, Floats], Floats]
STEP = 1.3  # grid of the castings, mm
FAR = 12.0  # value of a field where no solid is near, mm


def f32(values: ArrayLike) -> Floats:
    """Any numbers as a float32 array."""
    return np.asarray(values, np.float32)


def vec(x: float, y: float, z: float) -> Vec:
    """A point or direction as (3,) float64."""
    return np.array([x, y, z], np.float64)


@dataclass(frozen=True, slots=True)
class Frame:
    """A local frame: ``origin`` (3,) and ``axes`` (3, 3), whose rows are the local u, v, w directions."""

    origin: Vec
    axes: Vec

    def local(self, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, Floats]:
        """World coordinates to local ones; keeps broadcastable shapes when an axis is aligned with the grid."""
        parts = (
            x - np.float32(self.origin[0]),
            y - np.float32(self.origin[1]),
            z - np.float32(self.origin[2]),
        )
        out = []
        for axis in self.axes:
            total: Floats | None = None
            for c, p in zip(axis, parts, strict=True):
                if abs(c) > 1e-9:
                    total = p * np.float32(c) if total is None else total + p * np.float32(c)
            out.append(parts[0] * np.float32(0) if total is None else total)
        return out[0], out[1], out[2]

    def world(self, points: NDArray[np.floating]) -> Floats:
        """Local points (n, 3) to world, float32."""
        return (np.asarray(points, np.float64) @ self.axes + self.origin).astype(np.float32)

    def bounds(self, half: Sequence[float]) -> tuple[Vec, Vec]:
        """World box of the local box of half sizes ``half``."""
        reach = np.abs(self.axes.T) @ np.asarray(half, np.float64)
        return self.origin - reach, self.origin + reach


def aim(origin: Vec, direction: Vec, turn_deg: float = 0.0) -> Frame:
    """Frame whose w axis points along ``direction``; ``turn_deg`` rotates u and v about it."""
    w = direction / np.linalg.norm(direction)
    helper = vec(0, 1, 0) if abs(w[1]) < 0.9 else vec(0, 0, -1 if w[1] > 0 else 1)
    u = np.cross(helper, w)
    u /= np.linalg.norm(u)
    v = np.cross(w, u)
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return Frame(origin, np.stack([c * u + s * v, c * v - s * u, w]))


@dataclass(frozen=True, slots=True)
class Solid:
    """A distance function of world coordinates and the box outside of which it cannot matter."""

    low: Vec
    high: Vec
    distance: Distance


def _round_extrude(flat: Floats, along: Floats, half: float, radius: float) -> Floats:
    """Distance to a flat outline (distance ``flat``) extruded to +-``half`` with edges of ``radius``."""
    r = np.float32(radius)
    a, b = flat + r, np.abs(along) - np.float32(half) + r
    zero = np.float32(0)
    out: Floats = np.minimum(np.maximum(a, b), zero) + np.hypot(np.maximum(a, zero), np.maximum(b, zero)) - r
    return out


def block(frame: Frame, half: Sequence[float], radius: float = 0.0) -> Solid:
    """Box of half sizes ``half`` (u, v, w) with edges of ``radius``."""
    r = min(radius, *(0.98 * h for h in half))

    def distance(x: Floats, y: Floats, z: Floats) -> Floats:
        u, v, w = frame.local(x, y, z)
        a, b, c = (np.abs(p) - np.float32(h - r) for p, h in zip((u, v, w), half, strict=True))
        zero = np.float32(0)
        outside = np.sqrt(np.maximum(a, zero) ** 2 + np.maximum(b, zero) ** 2 + np.maximum(c, zero) ** 2)
        out: Floats = outside + np.minimum(np.maximum(np.maximum(a, b), c), zero) - np.float32(r)
        return out

    return Solid(*frame.bounds(half), distance)


def rod(start: Vec, end: Vec, radius: float, end_radius: float | None = None, edge: float = 0.0) -> Solid:
    """Round bar from ``start`` to ``end``; a cone where ``end_radius`` differs."""
    last = radius if end_radius is None else end_radius
    length = float(np.linalg.norm(end - start))
    frame = aim((start + end) / 2, end - start)
    slope = (last - radius) / length
    cosine = 1.0 / math.hypot(1.0, slope)

    def distance(x: Floats, y: Floats, z: Floats) -> Floats:
        u, v, w = frame.local(x, y, z)
        radial = (np.hypot(u, v) - np.float32((radius + last) / 2) - np.float32(slope) * w) * np.float32(cosine)
        return _round_extrude(radial, w, length / 2, min(edge, 0.45 * length, 0.9 * min(radius, last)))

    widest = max(radius, last)
    return Solid(*frame.bounds((widest, widest, length / 2)), distance)


def prism(
    frame: Frame, outline: Vec, half: float, edge: float = 0.0, grow: float = 0.0, draft_deg: float = 0.0
) -> Solid:
    """Polygon ``outline`` (n, 2) in the frame's u, v, extruded to +-``half`` along w.

    ``grow`` rounds the polygon's corners by moving its edge outward; ``draft_deg`` tapers it toward -w.
    """
    slope = math.tan(math.radians(draft_deg))
    reach = np.abs(outline).max(axis=0) + max(grow, 0.0) + abs(slope) * half

    def distance(x: Floats, y: Floats, z: Floats) -> Floats:
        u, v, w = frame.local(x, y, z)
        flat = polygon_distance(u, v, outline) - np.float32(grow)
        if slope:
            flat = flat - (w * np.float32(slope))
        return _round_extrude(flat, w, half, min(edge, 0.9 * half))

    return Solid(*frame.bounds((reach[0], reach[1], half)), distance)


def polygon_distance(u: Floats, v: Floats, outline: Vec) -> Floats:
    """Signed distance to a closed polygon (n, 2), any orientation; ``u`` and ``v`` broadcast."""
    a, b = outline.astype(np.float32), np.roll(outline, -1, axis=0).astype(np.float32)
    best: Floats | None = None
    inside: NDArray[np.bool_] | None = None
    for (ax, ay), (bx, by) in zip(a, b, strict=True):
        ex, ey = bx - ax, by - ay
        wx, wy = u - ax, v - ay
        t = np.clip((wx * ex + wy * ey) / np.float32(max(ex * ex + ey * ey, 1e-9)), 0, 1)
        d2 = (wx - ex * t) ** 2 + (wy - ey * t) ** 2
        best = d2 if best is None else np.minimum(best, d2)
        crosses = ((ay > v) != (by > v)) & (u < (ex * (v - ay)) / (ey if ey != 0 else np.float32(1e-9)) + ax)
        inside = crosses if inside is None else inside ^ crosses
    if best is None or inside is None:
        raise ValueError("an outline needs at least three points")
    out: Floats = np.where(inside, -np.sqrt(best), np.sqrt(best)).astype(np.float32)
    return out


def chain(points: Vec, radii: Sequence[float], squash: float = 1.0, boxed: float = 0.0) -> Solid:
    """Round bar through ``points`` (n, 3) with a radius at each; ``squash`` is width (x) over height.

    ``boxed`` (0..1) squares the cross-section.
    """
    widest = max(radii)
    scaled = points.copy()
    scaled[:, 0] /= squash
    low, high = (
        points.min(axis=0) - widest * max(squash, 1.0) * 1.15,
        points.max(axis=0) + widest * max(squash, 1.0) * 1.15,
    )
    sharp = 2.0 + 6.0 * boxed

    def distance(x: Floats, y: Floats, z: Floats) -> Floats:
        xs = x / np.float32(squash)
        best: Floats | None = None
        for p, q, rp, rq in zip(scaled[:-1], scaled[1:], radii[:-1], radii[1:], strict=True):
            e = (q - p).astype(np.float32)
            wx, wy, wz = xs - np.float32(p[0]), y - np.float32(p[1]), z - np.float32(p[2])
            t = np.clip((wx * e[0] + wy * e[1] + wz * e[2]) / np.float32(max(float(e @ e), 1e-9)), 0, 1)
            cx, cy, cz = wx - e[0] * t, wy - e[1] * t, wz - e[2] * t
            if boxed:
                side = np.sqrt(cy**2 + cz**2)
                far = (np.abs(cx) ** np.float32(sharp) + side ** np.float32(sharp)) ** np.float32(1 / sharp)
            else:
                far = np.sqrt(cx**2 + cy**2 + cz**2)
            d = far - (np.float32(rp) + np.float32(rq - rp) * t)
            best = d if best is None else np.minimum(best, d)
        if best is None:
            raise ValueError("a chain needs at least two points")
        return best

    return Solid(low, high, distance)


def ring(frame: Frame, radius: float, tube: float) -> Solid:
    """Torus about the frame's w axis."""

    def distance(x: Floats, y: Floats, z: Floats) -> Floats:
        u, v, w = frame.local(x, y, z)
        out: Floats = np.hypot(np.hypot(u, v) - np.float32(radius), w) - np.float32(tube)
        return out

    return Solid(*frame.bounds((radius + tube, radius + tube, tube)), distance)


def ball(centre: Vec, radius: float, squash: Sequence[float] = (1.0, 1.0, 1.0)) -> Solid:
    """Sphere, or an ellipsoid of half sizes ``radius * squash`` (distance approximate)."""
    s = np.asarray(squash, np.float32)

    def distance(x: Floats, y: Floats, z: Floats) -> Floats:
        a, b, c = ((p - np.float32(o)) / k for p, o, k in zip((x, y, z), centre, s, strict=True))
        out: Floats = (np.sqrt(a * a + b * b + c * c) - np.float32(radius)) * s.min()
        return out

    return Solid(centre - radius * s, centre + radius * s, distance)


def beyond(point: Vec, direction: Vec, low: Vec, high: Vec) -> Solid:
    """Half space on the side of ``point`` to which ``direction`` points, inside the box ``low``..``high``."""
    n = direction / np.linalg.norm(direction)

    def distance(x: Floats, y: Floats, z: Floats) -> Floats:
        a, b, c = (p - np.float32(o) for p, o in zip((x, y, z), point, strict=True))
        out: Floats = -(a * np.float32(n[0]) + b * np.float32(n[1]) + c * np.float32(n[2]))
        return out

    return Solid(low, high, distance)


class Field:
    """Solids on a regular grid.

    Args:
        low: corner of the box, mm.
        high: opposite corner, mm.
        step: grid spacing, mm.
    """

    def __init__(self, low: Vec, high: Vec, step: float) -> None:
        self.low = np.asarray(low, np.float64)
        self.step = step
        count = np.ceil((np.asarray(high) - self.low) / step).astype(int) + 1
        self.axes = [(self.low[i] + step * np.arange(count[i])).astype(np.float32) for i in range(3)]
        self.values: Floats = np.full(count, FAR, np.float32)

    def _window(self, solid: Solid, pad: float) -> tuple[slice, slice, slice] | None:
        first = np.floor((solid.low - pad - self.low) / self.step).astype(int)
        last = np.ceil((solid.high + pad - self.low) / self.step).astype(int) + 1
        shape = np.array(self.values.shape)
        first, last = np.clip(first, 0, shape), np.clip(last, 0, shape)
        if np.any(last - first < 1):
            return None
        return slice(first[0], last[0]), slice(first[1], last[1]), slice(first[2], last[2])

    def _distance(self, solid: Solid, s: tuple[slice, slice, slice]) -> Floats:
        x, y, z = (axis[k] for axis, k in zip(self.axes, s, strict=True))
        return solid.distance(x[:, None, None], y[None, :, None], z[None, None, :])

    def add(self, solid: Solid, blend: float = 0.0) -> None:
        """Unite with ``solid``; corners between them are filled over about ``blend`` mm."""
        s = self._window(solid, blend + 2.5 * self.step)
        if s is not None:
            self.values[s] = smooth_least(self.values[s], self._distance(solid, s), blend)

    def cut(self, solid: Solid, blend: float = 0.0) -> None:
        """Take ``solid`` away, with edges broken over about ``blend`` mm."""
        s = self._window(solid, blend + 2.5 * self.step)
        if s is not None:
            self.values[s] = -smooth_least(-self.values[s], self._distance(solid, s), blend)

    def sample(self, points: NDArray[np.floating]) -> Floats:
        """Distance at points (n, 3), trilinear, float32."""
        spots = ((np.asarray(points) - self.low) / self.step).T
        out: Floats = map_coordinates(self.values, spots, order=1, mode="nearest").astype(np.float32)
        return out

    def mesh(self) -> tuple[Floats, Ints]:
        """The surface: vertices (n, 3) float32 mm and faces (m, 3) int32, outward."""
        if self.values.min() >= 0:
            return np.zeros((0, 3), np.float32), np.zeros((0, 3), np.int32)
        closed = np.pad(self.values, 1, constant_values=FAR)  # so that nothing is open at the box
        vertices, faces, _, _ = marching_cubes(closed, 0.0, gradient_direction="descent")
        world = (vertices - 1.0) * self.step + self.low
        return world.astype(np.float32), faces.astype(np.int32)


def smooth_least(a: Floats, b: Floats, blend: float) -> Floats:
    """Minimum of two distances with the corner filled over ``blend`` (polynomial smooth minimum)."""
    least: Floats = np.minimum(a, b)
    if blend <= 0:
        return least
    h = np.maximum(np.float32(blend) - np.abs(a - b), np.float32(0))
    return np.asarray(least - h * h * np.float32(0.25 / blend), np.float32)


def polygon(name: str, half_u: float, half_v: float) -> Vec:
    """Outline (n, 2) of a named shape with the given half sizes; +v is the front.

    Raises:
        ValueError: for an unknown name.
    """
    if name in ("round", "oval", "drum", "barrel"):
        a = np.arange(48) * (2 * math.pi / 48)
        return np.stack([half_u * np.cos(a), half_v * np.sin(a)], 1)
    corner = {"square": 0.3, "box": 0.3, "rect": 0.18, "tub": 0.6, "low": 0.45}
    if name in corner:
        r = corner[name] * min(half_u, half_v)
        a = np.linspace(0, math.pi / 2, 7)
        quarter = np.stack([half_u - r + r * np.cos(a), half_v - r + r * np.sin(a)], 1)
        return np.concatenate([quarter, (quarter * [-1, 1])[::-1], -quarter, (quarter * [1, -1])[::-1]])
    table: dict[str, list[tuple[float, float]]] = {
        "octagon": [
            (1, 0.45),
            (0.5, 1),
            (-0.5, 1),
            (-1, 0.45),
            (-1, -0.45),
            (-0.5, -1),
            (0.5, -1),
            (1, -0.45),
        ],
        "hexagon": [(1, 0), (0.62, 1), (-0.62, 1), (-1, 0), (-0.62, -1), (0.62, -1)],
        "kite": [(0.95, 0.1), (0.6, 1), (-0.6, 1), (-0.95, 0.1), (-0.75, -1), (0.75, -1)],
        "wedge": [(1, 0.9), (0.8, 1), (-0.8, 1), (-1, 0.9), (-0.7, -0.9), (-0.5, -1), (0.5, -1), (0.7, -0.9)],
        "waisted": [(1, 1), (0.4, 0.9), (-0.4, 0.9), (-1, 1), (-0.86, 0), (-1, -1), (1, -1), (0.86, 0)],
    }
    if name == "d_shape":  # straight front, round rear
        a = np.linspace(math.pi, 2 * math.pi, 25)
        arc = np.stack([half_u * np.cos(a), -0.1 * half_v + 0.9 * half_v * np.sin(a)], 1)
        return np.concatenate(
            [
                arc,
                [
                    [half_u * 0.98, 0.8 * half_v],
                    [half_u * 0.85, half_v],
                    [-half_u * 0.85, half_v],
                    [-half_u * 0.98, 0.8 * half_v],
                ],
            ]
        )
    if name == "pillow":  # between an ellipse and a rectangle
        a = np.arange(48) * (2 * math.pi / 48)
        wide, deep = np.cos(a), np.sin(a)
        round_off = (np.abs(wide) ** 3.6 + np.abs(deep) ** 3.6) ** (1 / 3.6)
        return np.stack([half_u * wide / round_off, half_v * deep / round_off], 1)
    if name not in table:
        raise ValueError(f"unknown outline {name!r}")
    return np.array(table[name]) * [half_u, half_v]
