"""From a scene description to geometry in the world, still without a renderer.

World frame: millimetres, +y up, the middle of the subject's box at the origin. A ``Stage`` holds one merged mesh
(subject first, then props), which face belongs to which part, and the surroundings as arrays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from .mesh import Floats, Ints, Model, PartMesh, Zone, merge
from .rest import resting_up
from .sample import direction
from .spec import SceneSpec, Shot
from .textures import Surface

Bytes = NDArray[np.uint8]
Vector = NDArray[np.float64]

NARROW, WIDE = 14.0, 66.0
"""Fields of view in degrees across the square picture: 24-77 mm equivalent lenses (53-18 degrees across the
short side), a little more for the whole 4:3 frame and for zooming in."""
ABOVE_TABLE = 0.1
"""Least sine of a camera's height over a table, as seen from the subject."""
GREY = 0.35
"""Linear base colour of the plain material, and of the plain backdrop."""


class Ingredients(Protocol):
    """Where geometry and pictures come from; ``stock.Stock`` is the real one, tests bring small ones."""

    def carburetor(self, era: str, casting: str, seed: int, split: str) -> Model:
        """Return the unit in its own frame."""
        ...

    def lookalike(self, seed: int, split: str) -> tuple[str, Model]:
        """Return a name and something that is not the subject, about as big."""
        ...

    def props(self, spec: SceneSpec, low: Vector, high: Vector, ground: float | None) -> Sequence[PartMesh]:
        """Return things around a subject whose box is ``low``..``high`` (world, mm)."""
        ...

    def surroundings(self, pick: float, split: str) -> Floats:
        """Return an equirectangular picture, (h, 2h, 3) float32 linear, +y up."""
        ...

    def table(self, seed: int, split: str) -> Surface:
        """Return a table top."""
        ...

    def photograph(self, seed: int, split: str) -> Bytes:
        """Return a photograph for behind the subject, (h, w, 3) uint8 sRGB."""
        ...


@dataclass(frozen=True, slots=True)
class Stage:
    """A built scene.

    Attributes:
        joined: everything as one mesh, world frame.
        owner: (m,) int32, index into ``names`` for each face of ``joined``.
        names: part names, the subject's ``subject_parts`` first.
        model: the subject in the world frame (None in an empty scene).
        kind: ``updraft_carburetor``, a look-alike's name, or ``empty``.
        turn: (3, 3) rotation from the unit's frame to the world.
        origin: world position of the unit frame's origin.
        low, high: box of the subject (of a typical subject in an empty scene).
        ground: height of the table, or None.
        table: its surface.
        surroundings: equirectangular light.
        photograph: picture behind everything, or None for the surroundings.
    """

    spec: SceneSpec
    joined: PartMesh
    owner: Ints
    names: tuple[str, ...]
    subject_parts: int
    model: Model | None
    kind: str
    turn: Vector
    origin: Vector
    low: Vector
    high: Vector
    ground: float | None
    table: Surface
    surroundings: Floats
    photograph: Bytes | None


@dataclass(frozen=True, slots=True)
class Pose:
    """A camera: position and axes in the world, half-width of the field as a tangent, lens.

    ``right`` and ``up`` are the picture's axes, ``forward`` the viewing direction; all unit length.
    """

    origin: Vector
    right: Vector
    up: Vector
    forward: Vector
    tan_half: float
    focus: float
    aperture: float

    def seen_from(self, turn: Vector) -> tuple[float, float]:
        """Return azimuth and elevation in degrees at which the camera stands in the unit's frame (middle at 0)."""
        x, y, z = turn.T @ self.origin / np.linalg.norm(self.origin)
        return float(np.degrees(np.arctan2(x, z))), float(np.degrees(np.arcsin(np.clip(y, -1.0, 1.0))))

    def project(self, points: NDArray[np.floating], size: int) -> tuple[Vector, Vector]:
        """Return ((n, 2) pixel coordinates x right y down, (n,) depth along the axis in mm)."""
        rel = np.asarray(points, np.float64) - self.origin
        depth = rel @ self.forward
        safe = np.where(depth > 1e-6, depth, np.nan)
        x = (rel @ self.right) / safe / self.tan_half
        y = -(rel @ self.up) / safe / self.tan_half
        return np.stack([(x + 1.0) * 0.5 * size, (y + 1.0) * 0.5 * size], axis=1), depth


def turn_to(up: Sequence[float]) -> Vector:
    """Smallest rotation that takes the unit's ``up`` direction to the world's +y, (3, 3)."""
    a = np.asarray(up, np.float64) / np.linalg.norm(up)
    b = np.array([0.0, 1.0, 0.0])
    c = float(a @ b)
    if c < -0.999999:
        return np.diag([1.0, -1.0, -1.0])
    v = np.cross(a, b)
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.asarray(np.eye(3) + k + k @ k / (1.0 + c))


def moved(model: Model, turn: Vector, shift: Vector) -> Model:
    """Return the model turned, then shifted."""
    r, t = turn.astype(np.float32), shift.astype(np.float32)

    def points(p: Floats) -> Floats:
        return (p @ r.T + t).astype(np.float32)

    def normals(n: Floats) -> Floats:
        return (n @ r.T).astype(np.float32)

    return Model(
        parts=tuple(replace(p, vertices=points(p.vertices), normals=normals(p.normals)) for p in model.parts),
        landmarks={k: points(np.atleast_2d(v)) for k, v in model.landmarks.items()},
        zones={k: Zone(points(z.points), normals(z.normals)) for k, z in model.zones.items()},
        facts=model.facts,
    )


def build_subject(spec: SceneSpec, ingredients: Ingredients) -> tuple[str, Model | None]:
    """Build what stands in the middle of a scene: its kind, and its shape in its own frame (None: nothing there)."""
    if spec.subject.kind == "carburetor" and spec.subject.era is not None:
        era, casting, seed = spec.subject.era, spec.subject.casting, spec.subject.seed
        return "updraft_carburetor", ingredients.carburetor(era, casting, seed, spec.split)
    if spec.subject.kind == "lookalike":
        return ingredients.lookalike(spec.subject.seed, spec.split)
    return "empty", None


def build_stage(spec: SceneSpec, ingredients: Ingredients, subject: tuple[str, Model | None] | None = None) -> Stage:
    """Build everything that a scene needs but the renderer. Pure: the same spec gives the same arrays.

    On a table the drawn attitude gives way to the nearest one in which the thing lies still. ``subject`` is what
    ``build_subject`` gave, for a scene that is built in several ways.
    """
    kind, model = subject or build_subject(spec, ingredients)
    low, high = np.array([-60.0, -55.0, -70.0]), np.array([60.0, 55.0, 70.0])
    origin = np.zeros(3)
    parts: list[PartMesh] = []
    if model is not None and spec.place == "bench":
        spec = replace(spec, subject=replace(spec.subject, up=resting_up(model.parts, spec.subject.up)))
    turn = turn_to(spec.subject.up)
    if model is not None:
        model = moved(model, turn, np.zeros(3))
        everything = np.concatenate([p.vertices for p in model.parts])
        low, high = everything.min(0).astype(np.float64), everything.max(0).astype(np.float64)
        centre = (low + high) / 2.0
        model = moved(model, np.eye(3), -centre)
        origin = -centre
        low, high = low - centre, high - centre
        parts = [p if spec.materials else plain(p) for p in model.parts]
    ground = float(low[1]) if spec.place == "bench" else None
    beside = high.copy()
    if ground is None and model is not None:  # studs and tube reach into the manifold: they do not keep it away
        own = [p for p in model.parts if p.part in ("upper", "flange_spacer")]
        own = own or [p for p in model.parts if p.part != "studs"]
        beside[1] = max((float(p.vertices[:, 1].max()) for p in own if len(p.vertices)), default=float(high[1]))
    props = list(ingredients.props(spec, low, beside, ground)) if spec.distractors else []
    names = (*(p.part for p in parts), *(f"prop:{p.part}" for p in props))
    joined, owner = merge([*parts, *props] or [_speck()])
    grey = np.full((8, 8, 3), 155, np.uint8)
    plain_table = Surface("grey", grey, 1000.0, 0.6, 0.0)
    table = ingredients.table(spec.dressing, spec.split) if spec.backgrounds else plain_table
    if spec.light_on:
        surroundings = ingredients.surroundings(spec.light.environment, spec.split)
    else:
        surroundings = np.ones((16, 32, 3), np.float32)
    photograph = grey if not spec.backgrounds else None
    if spec.backgrounds and spec.backdrop == "photograph":
        photograph = ingredients.photograph(spec.dressing, spec.split)
    return Stage(
        spec=spec,
        joined=joined,
        owner=owner,
        names=names or ("nothing",),
        subject_parts=len(parts),
        model=model,
        kind=kind,
        turn=turn,
        origin=origin,
        low=low,
        high=high,
        ground=ground,
        table=table,
        surroundings=surroundings,
        photograph=photograph,
    )


def plain(part: PartMesh) -> PartMesh:
    """Return the part in one grey, half rough, not metallic: the ``materials`` ingredient left out."""
    n = len(part.vertices)
    return replace(
        part,
        colour=np.full((n, 3), GREY, np.float32),
        roughness=np.full(n, 0.5, np.float32),
        metallic=np.zeros(n, np.float32),
    )


def pose_of(stage: Stage, shot: Shot) -> Pose:
    """Place the camera for a shot: the wished distance where a phone's lenses can frame it so, else nearer."""
    away = stage.turn @ direction(shot.azimuth, shot.elevation)
    if stage.ground is not None and away[1] < ABOVE_TABLE:
        away = np.array([away[0], ABOVE_TABLE, away[2]])
        away /= np.linalg.norm(away)
    corners = (
        np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], np.float64) * (stage.high - stage.low)
        + stage.low
    )
    if stage.model is not None:
        corners = np.concatenate([p.vertices for p in stage.model.parts])[::7].astype(np.float64)
    centre = (stage.low + stage.high) / 2.0
    right, up = _axes(away, stage.turn, shot.roll)
    flat = (corners - centre) @ np.stack([right, up, away], axis=1)
    nearest = float(flat[:, 2].max())
    distance = max(shot.distance, nearest + 90.0)

    def extent(d: float) -> float:
        side = flat[:, :2] / (d - flat[:, 2:])
        return float((side.max(0) - side.min(0)).max())

    for _ in range(3):
        tan_half = extent(distance) / (2.0 * shot.fraction)
        wide, narrow = np.tan(np.radians([WIDE / 2.0, NARROW / 2.0]))
        if narrow <= tan_half <= wide:
            break
        distance *= tan_half / float(np.clip(tan_half, narrow, wide))
        distance = max(distance, nearest + 90.0)
    tan_half = float(np.clip(extent(distance) / (2.0 * shot.fraction), *np.tan(np.radians([5.0, WIDE / 2.0]))))
    side = flat[:, :2] / (distance - flat[:, 2:])
    middle = (side.max(0) + side.min(0)) / 2.0
    room = np.maximum(tan_half - (side.max(0) - side.min(0)) / 2.0, 0.12 * tan_half)
    zone = None if stage.model is None else stage.model.zones.get(shot.aim)
    if zone is not None and len(zone.points):
        spot = (zone.points.mean(0, dtype=np.float64) - centre) @ np.stack([right, up, away], axis=1)
        middle, room = spot[:2] / (distance - spot[2]), np.full(2, 0.35 * tan_half)
    aim = middle - np.asarray(shot.shift) * room
    forward = -away + right * aim[0] + up * aim[1]
    forward /= np.linalg.norm(forward)
    right = right - forward * (right @ forward)
    right /= np.linalg.norm(right)
    return Pose(
        origin=centre + away * distance,
        right=right,
        up=np.cross(right, forward),
        forward=forward,
        tan_half=tan_half,
        focus=max((distance - 0.45 * nearest) * shot.focus, 60.0),
        aperture=shot.aperture,
    )


def _axes(away: Vector, turn: Vector, roll: float) -> tuple[Vector, Vector]:
    """Picture axes for a camera looking along ``-away``; world +y is up unless the camera looks along it."""
    vertical = np.array([0.0, 1.0, 0.0])
    right = np.cross(vertical, away)
    if np.linalg.norm(right) < 0.25:
        right = right + 0.3 * (turn @ np.array([1.0, 0.0, 0.0]))
        right -= away * (right @ away)
    right /= np.linalg.norm(right)
    up = np.cross(away, right)
    c, s = np.cos(np.radians(roll)), np.sin(np.radians(roll))
    return c * right + s * up, c * up - s * right


def _speck() -> PartMesh:
    """One invisible-small triangle far away: keeps the scene's structure when there is nothing to show."""
    corners = np.array([[0, -9e4, 0], [1, -9e4, 0], [0, -9e4, 1]], np.float32)
    up = np.tile(np.array([[0, 1, 0]], np.float32), (3, 1))
    return PartMesh(
        "nothing",
        corners,
        np.array([[0, 2, 1]], np.int32),
        up,
        np.zeros((3, 3), np.float32),
        np.ones(3, np.float32),
        np.zeros(3, np.float32),
    )
