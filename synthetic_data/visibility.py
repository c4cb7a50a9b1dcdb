"""What a picture shows, from the renderer's own passes: never from what the scene was meant to show.

The rule of visibility (stated in DEVELOPERS.md, tested on hand-made passes): a part counts as visible when at
least 25 % of its camera-facing sample points are in frame and unoccluded and the box of its pixels is at least
8 px wide and high. Between 5 % and 25 % the cue that hangs on it is *ambiguous*: neither seen nor unseen. To see
that something is absent, the zone where it would be must be visible at 40 %.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .mesh import Floats, Model, PartMesh
from .render import Passes
from .scene import Pose, Stage

SEEN, GLIMPSED, ABSENCE = 0.25, 0.05, 0.40
LEAST_PX = 8.0
DEPTH_MM = 1.5
SAME_PART_MM = 6.0
ZONE_FACING = 0.2
"""Cosine from which a point of a zone counts as facing: absence is not judged at a grazing look."""
HEAD_MM = (4.2, 2.8)
"""Radius and height of the screw head that a bare ear is judged against."""
SAMPLES = 240


@dataclass(frozen=True, slots=True)
class Sight:
    """How much of something the picture shows: ``fraction`` of its facing points, ``box`` of its pixels or None."""

    fraction: float
    box: tuple[float, float, float, float] | None

    @property
    def level(self) -> str:
        """``seen``, ``glimpsed`` or ``hidden``."""
        if self.box is not None:
            x0, y0, x1, y1 = self.box
            if self.fraction >= SEEN and min(x1 - x0, y1 - y0) >= LEAST_PX:
                return "seen"
        return "glimpsed" if self.fraction >= GLIMPSED else "hidden"


@dataclass(frozen=True, slots=True)
class Looker:
    """Answers visibility questions about one shot.

    ``down`` is the unit's own "down" (from the joint to the bowl floor) as a world direction, ``centre`` the
    world position of its frame's origin, in the middle of the joint.
    """

    pose: Pose
    owner: NDArray[np.int32]
    point: Floats
    down: NDArray[np.float64]
    centre: NDArray[np.float64]

    def seen(
        self, points: NDArray[np.floating], owner: int | None = None, tolerance: float = DEPTH_MM
    ) -> NDArray[np.bool_]:
        """Say for each world point (n, 3) whether it is in frame and unoccluded, (n,) bool.

        A point agrees with the pixel's first hit within ``tolerance`` mm along the view, or within
        ``SAME_PART_MM`` if that hit is on part ``owner``. The four nearest pixels may vouch for it, so that
        slanted surfaces and thin parts are not lost to sampling.
        """
        size = self.owner.shape[0]
        at, depth = self.pose.project(points, size)
        inside = (depth > 0) & np.all((at >= 0) & (at < size), axis=1)
        out = np.zeros(len(depth), bool)
        safe = np.where(np.isfinite(at), at, 0.0)
        for dx, dy in ((0.0, 0.0), (0.7, 0.0), (-0.7, 0.0), (0.0, 0.7), (0.0, -0.7)):
            x = np.clip(safe[:, 0] + dx, 0, size - 1).astype(int)
            y = np.clip(safe[:, 1] + dy, 0, size - 1).astype(int)
            hit = self.point[y, x].astype(np.float64)
            off = np.abs((hit - self.pose.origin) @ self.pose.forward - depth)
            near = off <= tolerance
            if owner is not None:
                near |= (self.owner[y, x] == owner) & (off <= SAME_PART_MM)
            out |= near & (self.owner[y, x] > -2)
        return np.asarray(out & inside)

    def scale(self, size: int) -> float:
        """Pixels a millimetre at the middle of the joint."""
        depth = float((self.centre - self.pose.origin) @ self.pose.forward)
        return size / (2.0 * self.pose.tan_half * max(depth, 1e-6))

    def clear(self, points: NDArray[np.floating]) -> NDArray[np.bool_]:
        """Say for each world point whether nothing stands in front of it: it may lie in empty space, (n,) bool."""
        size = self.owner.shape[0]
        at, depth = self.pose.project(points, size)
        inside = (depth > 0) & np.all((at >= 0) & (at < size), axis=1)
        x, y = (np.clip(np.where(inside, at[:, i], 0.0), 0, size - 1).astype(int) for i in (0, 1))
        hit = (self.point[y, x].astype(np.float64) - self.pose.origin) @ self.pose.forward
        return np.asarray(inside & (np.isnan(hit) | (hit >= depth - DEPTH_MM)) & (self.owner[y, x] > -2))

    def facing(self, points: NDArray[np.floating], normals: NDArray[np.floating], least: float) -> NDArray[np.bool_]:
        """Say for each point whether its normal is turned toward the camera: cosine above ``least``, (n,) bool."""
        toward = self.pose.origin - np.asarray(points, np.float64)
        toward /= np.linalg.norm(toward, axis=1, keepdims=True)
        return np.asarray((toward * normals).sum(1) > least)

    def fraction(
        self,
        points: NDArray[np.floating],
        normals: NDArray[np.floating],
        owner: int | None = None,
        least: float = 0.1,
    ) -> float:
        """Share of the camera-facing points that are seen; 0 if none faces the camera."""
        facing = self.facing(points, normals, least)
        if not facing.any():
            return 0.0
        return float(self.seen(np.asarray(points)[facing], owner).mean())


def surface_points(part: PartMesh, count: int = SAMPLES) -> tuple[Floats, Floats]:
    """Return ((count, 3) points, (count, 3) outward normals) spread evenly by area; fixed for a given mesh."""
    a, b, c = (part.vertices[part.faces[:, i]].astype(np.float64) for i in range(3))
    normal = np.cross(b - a, c - a)
    area = np.linalg.norm(normal, axis=1)
    total = np.cumsum(area)
    if len(total) == 0 or total[-1] <= 0:
        return np.zeros((0, 3), np.float32), np.zeros((0, 3), np.float32)
    rng = np.random.default_rng(len(area))
    which = np.searchsorted(total, (np.arange(count) + rng.random(count)) / count * total[-1])
    which = np.minimum(which, len(area) - 1)
    u, v = rng.random(count), rng.random(count)
    flip = u + v > 1.0
    u, v = np.where(flip, 1.0 - u, u), np.where(flip, 1.0 - v, v)
    points = a[which] + u[:, None] * (b - a)[which] + v[:, None] * (c - a)[which]
    return points.astype(np.float32), (normal[which] / area[which][:, None]).astype(np.float32)


def mask_box(mask: NDArray[np.bool_]) -> tuple[float, float, float, float] | None:
    """Box (x0, y0, x1, y1) of the true pixels, right and lower edges included; None if there are none."""
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    if len(rows) == 0:
        return None
    return float(columns[0]), float(rows[0]), float(columns[-1] + 1), float(rows[-1] + 1)


def outline(mask: NDArray[np.bool_]) -> list[list[float]]:
    """Return the outermost true pixels in sixteen directions, in order around, as [x, y]; empty if none is true."""
    rows = np.flatnonzero(mask.any(1))
    if len(rows) == 0:
        return []
    turn = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    # The outermost in any direction is the first or the last of its row.
    ends = np.stack([mask[rows].argmax(1), mask.shape[1] - 1 - mask[rows, ::-1].argmax(1)], axis=1)
    points = np.stack([ends.ravel() + 0.5, np.repeat(rows, 2) + 0.5], axis=1)
    far = (points @ np.stack([np.cos(turn), np.sin(turn)])).argmax(axis=0)
    return [[float(x), float(y)] for x, y in points[far]]


def sights(stage: Stage, passes: Passes, looker: Looker) -> dict[str, Sight]:
    """Return how much is seen of each part of the subject, and of each zone under ``zone:<name>``."""
    out: dict[str, Sight] = {}
    if stage.model is None:
        return out
    size = passes.owner.shape[0]
    for i, part in enumerate(stage.model.parts):
        points, normals = surface_points(part)
        fraction = looker.fraction(points, normals, i) if len(points) else 0.0
        out[part.part] = Sight(fraction, mask_box(passes.owner == i))
    for name, zone in stage.model.zones.items():
        if len(zone.points) == 0:
            continue
        seen = looker.fraction(zone.points, zone.normals, least=ZONE_FACING)
        at, _ = looker.pose.project(zone.points[looker.seen(zone.points)], size)
        box = None if len(at) == 0 else (*at.min(0), *at.max(0))
        out[f"zone:{name}"] = Sight(seen, None if box is None else tuple(float(v) for v in box))  # type: ignore[arg-type]
    return out


def best_level(seen: Mapping[str, Sight], *names: str) -> str:
    """The best level among parts; a part that does not exist is hidden."""
    levels = {seen[n].level for n in names if n in seen}
    return "seen" if "seen" in levels else "glimpsed" if "glimpsed" in levels else "hidden"


def zone_level(seen: Mapping[str, Sight], name: str) -> str:
    """Whether the place where something would be can be judged as empty."""
    sight = seen.get(f"zone:{name}")
    if sight is None:
        return "hidden"
    if sight.fraction >= ABSENCE and sight.box is not None:
        x0, y0, x1, y1 = sight.box
        if max(x1 - x0, y1 - y0) >= LEAST_PX:
            return "seen"
    return "glimpsed" if sight.fraction >= GLIMPSED else "hidden"


def screw_spot(model: Model, looker: Looker) -> tuple[Floats, Floats] | None:
    """Return points and normals of the head that a screw in the front ear would have, or None without an ear.

    Whether an ear is bare shows only where a head would show: from the side on which this unit's heads are, and
    unoccluded. Judging a bare ear by the head it lacks keeps the rule the same as for a screwed one.
    """
    ear = next((p for p in model.parts if p.part == "front_ear"), None)
    axis = model.landmarks.get("ear")
    if ear is None or axis is None:
        return None
    up = -looker.down
    heads = [p.vertices.mean(0) for p in model.parts if p.part.startswith("joint_screw_")]
    above = not heads or float((np.mean(heads, axis=0) - looker.centre) @ up) >= 0.0
    side = up if above else -up
    rel = np.concatenate([ear.vertices, surface_points(ear, 600)[0]]).astype(np.float64) - axis[0]
    height = rel @ side
    near = np.linalg.norm(rel - height[:, None] * side, axis=1) < 5.0
    if not near.any():
        return None
    across = np.cross(side, [0.3, 0.5, 0.8])
    across /= np.linalg.norm(across)
    along = np.cross(side, across)
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    out = np.cos(turn)[:, None] * across + np.sin(turn)[:, None] * along
    foot = axis[0] + side * float(height[near].max())
    radius, tall = HEAD_MM
    rims = [foot + side * (tall * k) + out * radius for k in (0.3, 0.6, 0.9)]
    tops = [foot + side * tall + out * (radius * k) for k in (0.3, 0.8)]
    points = np.concatenate([*rims, *tops])
    normals = np.concatenate([out, out, out, np.tile(side, (48, 1))])
    return points.astype(np.float32), normals.astype(np.float32)


def bare_ear(model: Model, looker: Looker, size: int) -> Sight:
    """How much would be seen of a screw head in a bare ear, if it had one."""
    spot = screw_spot(model, looker)
    if spot is None:
        return Sight(0.0, None)
    points, normals = spot
    facing = looker.facing(points, normals, 0.1)
    if not facing.any():
        return Sight(0.0, None)
    clear = looker.clear(points[facing])
    at, _ = looker.pose.project(points[facing][clear], size)
    if len(at) == 0:
        return Sight(0.0, None)
    x0, y0, x1, y1 = (float(v) for v in (*at.min(0), *at.max(0)))
    return Sight(float(clear.mean()), (x0, y0, x1, y1))
