"""What a picture shows, from the renderer's own passes: never from what the scene was meant to show.

The rule of visibility (stated in DEVELOPERS.md, tested on hand-made passes): a part counts as visible when at
least 25 % of its camera-facing sample points are in frame and unoccluded and the box of its pixels is at least
8 px wide and high. Between 5 % and 25 % the cue that hangs on it is *ambiguous*: neither seen nor unseen. To see
that something is absent, the zone where it would be must be visible at 40 %. The true generation and everything
else that ``Model.facts`` knows enters a label only through a part or zone that is visible by that rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, LANDMARKS, OUT_OF_SIGHT, READINGS, Cue

from .mesh import Floats, Model, PartMesh
from .render import Passes
from .sample import view_of
from .scene import Pose, Stage
from .spec import Shot

SEEN, GLIMPSED, ABSENCE = 0.25, 0.05, 0.40
LEAST_PX = 8.0
DEPTH_MM = 1.5
SAME_PART_MM = 6.0
LANDMARK_MM = 4.0
TELLS_DEG = 12.0
"""A handle's slope shows in a picture only if a handle lying level (or sloping by 30 degrees) there would
point at least this far away from it in the image."""
ZONE_FACING = 0.2
"""Cosine from which a point of a zone counts as facing: absence is not judged at a grazing look."""
HEAD_MM = (4.2, 2.8)
"""Radius and height of the screw head that a bare ear is judged against."""
SCALE = {
    Cue.METAL: 0.25,
    Cue.JOINT_SCREWS: 0.9,
    Cue.FRONT_EAR: 0.9,
    Cue.MAIN_JET: 0.6,
    Cue.SCAVENGE_LINE: 0.3,
    Cue.THROAT_BOTTOM: 0.5,
}
"""Pixels a millimetre from which a cue is read at all: that of the smallest thing that any of its readings hangs
on (a screw head of 8.4 mm, a plug of 12.7 mm, a fitting of 16 mm at 8 px). Below it all readings are ambiguous
alike; else only the generations with large parts would have labels in small pictures."""
GONE = 5e-4
"""Share of the picture below which a subject is not in it (hidden behind something): labelled ``empty``."""
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
    rows, columns = np.nonzero(mask)
    if len(rows) == 0:
        return []
    turn = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    points = np.stack([columns + 0.5, rows + 0.5], axis=1)
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


def annotate(stage: Stage, shot: Shot, pose: Pose, passes: Passes, file: str, seed: int) -> dict[str, Any]:
    """Return the label record of one picture (see DEVELOPERS.md), mirrored if the shot is.

    Args:
        stage: what was rendered.
        shot: the shot's draws.
        pose: where its camera stood.
        passes: what the camera saw; ``owner`` is -2 where something that is not geometry (a finger on the lens)
            covers the pixel.
        file: name of the picture inside its set.
        seed: the picture's seed.
    """
    size = passes.owner.shape[0]
    looker = Looker(pose, passes.owner, passes.point, stage.turn @ np.array([0.0, -1.0, 0.0]), stage.origin)
    mine = (passes.owner >= 0) & (passes.owner < stage.subject_parts)
    is_unit = stage.kind == "updraft_carburetor" and float(mine.mean()) > GONE
    record: dict[str, Any] = {
        "file": file,
        "seed": seed,
        "split": stage.spec.split,
        "kind": stage.kind if is_unit or stage.kind != "updraft_carburetor" else "empty",
        "era": stage.spec.subject.era if is_unit else None,
        "view": view_of(*pose.seen_from(stage.turn)) if is_unit else None,
        "mirrored": shot.mirrored,
        "finish": None,
        "scene": stage.spec.place,
        "light": stage.spec.light.kind,
        "casting": stage.spec.subject.casting,
        "width": size,
        "height": size,
        "ingredients": stage.spec.ingredients,
        "subject_box": mask_box(mine) if is_unit else None,
        "thing_box": mask_box(mine),
        "subject_area": round(float(mine.mean()), 5),
        "cues": None,
        "screw_count": None,
        "all_screws": False,
        "visible": {},
        "boxes": {},
        "zones": {},
        "outline": outline(mine),
        "landmarks": {},
        "handle": None,
        "ambiguous": [],
    }
    if not is_unit or stage.model is None:
        return mirror(record) if shot.mirrored else record
    model = stage.model
    seen = sights(stage, passes, looker)
    if stage.spec.materials:
        record["finish"] = model.facts.get("finish")
    record["visible"] = {k: round(s.fraction, 4) for k, s in seen.items() if s.fraction > 0.0}
    record["boxes"] = {
        k: s.box for k, s in seen.items() if s.box is not None and s.level == "seen" and not k.startswith("zone:")
    }
    record["zones"] = {
        k.removeprefix("zone:"): s.box
        for k, s in seen.items()
        if k.startswith("zone:") and s.box is not None and s.fraction >= ABSENCE
    }
    record["px_per_mm"] = round(looker.scale(size), 4)
    cues, unsure = read_cues(model, seen, looker, size)
    count, corners = count_screws(seen)
    record["screw_count"] = count
    record["all_screws"] = corners == 4 and cues[str(Cue.FRONT_EAR)] != OUT_OF_SIGHT
    if not stage.spec.materials:
        cues[str(Cue.METAL)] = OUT_OF_SIGHT
        unsure.add(str(Cue.METAL))
    record["cues"] = cues
    record["ambiguous"] = sorted(unsure)
    record["landmarks"] = landmarks(model, seen, looker, size)
    if cues[str(Cue.MAIN_JET)].startswith("handle") and model.facts.get("handle_deg") is not None:
        image = handle_image_angle(model, looker, size)
        if image is not None:
            record["handle"] = {
                "space_deg": round(float(model.facts["handle_deg"]), 3),  # type: ignore[arg-type]
                "image_deg": round(image, 3),
            }
    return mirror(record) if shot.mirrored else record


def _level(seen: Mapping[str, Sight], *names: str) -> str:
    """The best level among parts; a part that does not exist is hidden."""
    levels = {seen[n].level for n in names if n in seen}
    return "seen" if "seen" in levels else "glimpsed" if "glimpsed" in levels else "hidden"


def _zone(seen: Mapping[str, Sight], name: str) -> str:
    """Whether the place where something would be can be judged as empty."""
    sight = seen.get(f"zone:{name}")
    if sight is None:
        return "hidden"
    if sight.fraction >= ABSENCE and sight.box is not None:
        x0, y0, x1, y1 = sight.box
        if max(x1 - x0, y1 - y0) >= LEAST_PX:
            return "seen"
    return "glimpsed" if sight.fraction >= GLIMPSED else "hidden"


def count_screws(seen: Mapping[str, Sight]) -> tuple[int, int]:
    """Return (visible joint screws by head or thread end, how many of them sit at the four corners)."""
    there = [_level(seen, f"joint_screw_{i}", f"screw_thread_{i}") == "seen" for i in range(1, 6)]
    return sum(there), sum(there[:4])


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


def read_cues(model: Model, seen: Mapping[str, Sight], looker: Looker, size: int) -> tuple[dict[str, str], set[str]]:
    """Return (reading or ``out_of_sight`` for each cue, the cues that are ambiguous)."""
    facts = model.facts
    out = {str(c): OUT_OF_SIGHT for c in CUES}
    unsure: set[str] = set()

    scale = looker.scale(size)

    def say(cue: Cue, reading: str, level: str) -> None:
        if level == "seen" and reading in READINGS[cue] and scale >= SCALE[cue]:
            out[str(cue)] = reading
        elif level != "hidden":
            unsure.add(str(cue))

    bare = seen.get("zone:body_bare")
    if bare is not None:
        say(Cue.METAL, str(facts["metal"]), "seen" if bare.fraction >= SEEN else bare.level)

    ear = str(facts["front_ear"])
    if ear == "none":
        say(Cue.FRONT_EAR, "none", _zone(seen, "front_joint"))
    elif ear == "screwed":
        say(Cue.FRONT_EAR, "screwed", _level(seen, "joint_screw_5"))
    else:
        say(Cue.FRONT_EAR, "bare", bare_ear(model, looker, size).level)

    count, corners = count_screws(seen)
    front = out[str(Cue.FRONT_EAR)]
    if corners == 4 and front != OUT_OF_SIGHT:
        say(Cue.JOINT_SCREWS, "five" if front == "screwed" else "four", "seen")
    elif count >= 4:
        unsure.add(str(Cue.JOINT_SCREWS))

    jet = str(facts["main_jet"])
    if jet == "plug":
        say(Cue.MAIN_JET, jet, _level(seen, "jet_plug"))
    elif jet.startswith("handle"):
        level = _level(seen, "handle")
        if level == "seen" and not slope_shows(model, looker, size):
            level = "glimpsed"
        say(Cue.MAIN_JET, jet, level)
    elif _zone(seen, "jet") != "hidden":
        unsure.add(str(Cue.MAIN_JET))

    if facts["scavenge_line"] == "external":
        level = _level(seen, "scavenge_tube")
        say(Cue.SCAVENGE_LINE, "external", level)
        if level == "hidden" and _zone(seen, "tube_low") == "seen":
            unsure.add(str(Cue.SCAVENGE_LINE))
    else:
        say(Cue.SCAVENGE_LINE, "absent", _zone(seen, "tube_low"))

    bottom = str(facts["throat_bottom"])
    part = {"big_plug": "throat_plug", "tube_fitting": "tube_fitting"}.get(bottom)
    say(Cue.THROAT_BOTTOM, bottom, _zone(seen, "throat_bottom") if part is None else _level(seen, part))
    return out, unsure


def _image(pose: Pose, size: int, *points: Floats) -> list[NDArray[np.float64]]:
    return [pose.project(np.atleast_2d(p)[:1], size)[0][0] for p in points]


def slope_shows(model: Model, looker: Looker, size: int) -> bool:
    """Whether the picture tells a sloping handle from a level one, by the angle that tells them apart here."""
    try:
        root, tip = model.landmarks["handle_root"][0], model.landmarks["handle_tip"][0]
    except KeyError:
        return False
    stem = (tip - root).astype(np.float64)
    length = float(np.linalg.norm(stem))
    down = looker.down
    flat = stem - down * (stem @ down)
    if np.linalg.norm(flat) < 0.15 * length:
        return True
    flat = flat / np.linalg.norm(flat) * length
    level = str(model.facts["main_jet"]) == "handle_level"
    other = flat * np.cos(np.radians(30.0)) + down * length * np.sin(np.radians(30.0)) if level else flat
    a, b, c = _image(looker.pose, size, root, tip, (root + other).astype(np.float32))
    u, v = b - a, c - a
    if min(np.linalg.norm(u), np.linalg.norm(v)) < LEAST_PX:
        return False
    turn = np.degrees(np.arctan2(abs(u[0] * v[1] - u[1] * v[0]), u @ v))
    return bool(turn >= TELLS_DEG)


def handle_image_angle(model: Model, looker: Looker, size: int) -> float | None:
    """Angle in the picture from the bowl-floor line to the handle, degrees, positive below the floor.

    None when the floor line is seen end on.
    """
    try:
        root, tip, near, far = (model.landmarks[n][0] for n in ("handle_root", "handle_tip", "floor_a", "floor_b"))
    except KeyError:
        return None
    below = (near + 10.0 * looker.down).astype(np.float32)
    r, t, a, b, d = _image(looker.pose, size, root, tip, near, far, below)
    along, stem, down = a - b, t - r, d - a
    if np.linalg.norm(along) < LEAST_PX or np.linalg.norm(stem) < LEAST_PX:
        return None
    along = along / np.linalg.norm(along)
    across = down - along * (down @ along)
    if np.linalg.norm(across) < 1e-6:
        return None
    across /= np.linalg.norm(across)
    return float(np.degrees(np.arctan2(stem @ across, stem @ along)))


_PARTS_OF = {
    "ear": ("front_ear", "joint_screw_5"),
    "handle_root": ("handle",),
    "handle_tip": ("handle",),
    "jet_plug": ("jet_plug",),
    "throat_plug": ("throat_plug",),
    "tube_low": ("scavenge_tube", "tube_fitting"),
    "tube_high": ("scavenge_tube",),
}


_DEEP_MM = {
    "ear": 14.0,
    "throat_plug": 14.0,
    "floor_a": 8.0,
    "floor_b": 8.0,
    "jet_plug": 9.0,
    "handle_root": 9.0,
    "tube_low": 12.0,
    "tube_high": 12.0,
}
"""How far a landmark may lie behind the surface that shows it, where it is not a point of the surface."""


def landmarks(model: Model, seen: Mapping[str, Sight], looker: Looker, size: int) -> dict[str, list[list[float]]]:
    """Return the visible landmarks in pixels, by the names of ``model.cues.LANDMARKS``.

    A joint screw is marked in the middle of its visible pixels (head or thread end); the others where their
    point projects, if the part they belong to is visible and the point itself is not covered.
    """
    out: dict[str, list[list[float]]] = {}
    for i in range(1, 6):
        for name in (f"joint_screw_{i}", f"screw_thread_{i}"):
            sight = seen.get(name)
            if sight is not None and sight.level == "seen" and sight.box is not None:
                x0, y0, x1, y1 = sight.box
                out.setdefault("screw", []).append([round((x0 + x1) / 2.0, 2), round((y0 + y1) / 2.0, 2)])
                break
    for name in LANDMARKS[1:]:
        place = model.landmarks.get(name)
        if place is None:
            continue
        parts = _PARTS_OF.get(name)
        if parts is not None and _level(seen, *parts) != "seen":
            continue
        at, _ = looker.pose.project(place, size)
        for xy in at[looker.seen(place, None, _DEEP_MM.get(name, LANDMARK_MM))]:
            out.setdefault(name, []).append([round(float(xy[0]), 2), round(float(xy[1]), 2)])
    return out


def mirror(record: dict[str, Any]) -> dict[str, Any]:
    """Flip a record's coordinates left to right; the named side stays the unit's true one."""
    width = float(record["width"])

    def box(b: tuple[float, ...] | None) -> list[float] | None:
        return None if b is None else [width - b[2], b[1], width - b[0], b[3]]

    return {
        **record,
        "subject_box": box(record["subject_box"]),
        "thing_box": box(record["thing_box"]),
        "boxes": {k: box(b) for k, b in record["boxes"].items()},
        "zones": {k: box(b) for k, b in record["zones"].items()},
        "outline": [[round(width - x, 2), y] for x, y in record["outline"]],
        "landmarks": {k: [[round(width - x, 2), y] for x, y in points] for k, points in record["landmarks"].items()},
    }
