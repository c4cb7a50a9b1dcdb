"""Small stand-ins for tests of scenes: a carburetor of boxes and rods, and a renderer that splats points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from updraft_key.synthetic_data.mesh import Floats, Model, PartMesh, Zone, vertex_normals
from updraft_key.synthetic_data.render import Passes
from updraft_key.synthetic_data.scene import Pose, Stage
from updraft_key.synthetic_data.spec import SceneSpec
from updraft_key.synthetic_data.textures import Surface

_CORNERS = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], np.float32)
_QUADS = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))


def box(name: str, low: Sequence[float], high: Sequence[float], metallic: float = 1.0) -> PartMesh:
    """A box with flat sides, faces counter-clockwise seen from outside."""
    a, b = np.float32(low), np.float32(high)
    corners = a + _CORNERS * (b - a)
    vertices = np.concatenate([corners[list(q)] for q in _QUADS]).astype(np.float32)
    first = np.arange(6)[:, None] * 4
    faces = np.concatenate([first + np.array([0, 1, 2]), first + np.array([0, 2, 3])]).astype(np.int32)
    n = len(vertices)
    return PartMesh(
        name,
        vertices,
        faces,
        vertex_normals(vertices, faces),
        np.full((n, 3), 0.5, np.float32),
        np.full(n, 0.5, np.float32),
        np.full(n, metallic, np.float32),
    )


def _patch(points: NDArray[np.floating], normal: Sequence[float]) -> Zone:
    return Zone(np.float32(points), np.tile(np.float32(normal), (len(points), 1)))


def unit(era: str, handle_deg: float | None = None) -> Model:
    """A blocky unit of a generation with the contract's names; the iron one has a sloping handle to the rear."""
    iron = era == "iron"
    parts = [
        box("upper", (-38, 1, -40), (38, 8, 38)),
        box("lower", (-38, -8, -40), (38, -1, 38)),
        box("bowl", (-30, -45, -40), (30, -8, 10)),
        box("horn", (-18, -46, 10), (18, -10, 62)),
    ]
    marks: dict[str, Floats] = {
        "floor_a": np.float32([0, -45, -40]),
        "floor_b": np.float32([0, -45, 10]),
    }
    screws = []
    for i, (x, z) in enumerate(((-31, 31), (31, 31), (-31, -33), (31, -33)), 1):
        parts.append(box(f"joint_screw_{i}", (x - 4.5, 8, z - 4.5), (x + 4.5, 12, z + 4.5)))
        marks[f"screw_{i}"] = np.float32([x, 12, z])
        screws.append(f"joint_screw_{i}")
    ear = {"iron": "none", "alloy4": "bare", "alloy5": "screwed"}[era]
    front = 38.0 if iron else 52.0
    if not iron:
        parts += [
            box("front_ear", (-9, -8, 38), (9, 8, 52)),
            box("scavenge_tube", (-50, -50, 36), (-44, 40, 42)),
            box("tube_fitting", (-8, -54, 32), (8, -46, 48)),
        ]
        marks |= {
            "ear": np.float32([0, 0, 45]),
            "tube_low": np.float32([-47, -50, 39]),
            "tube_high": np.float32([-47, 40, 39]),
        }
    if era == "alloy5":
        parts.append(box("joint_screw_5", (-4.5, 8, 40.5), (4.5, 12, 49.5)))
        screws.append("joint_screw_5")
    jet = "plug"
    deg = handle_deg if handle_deg is not None else (40.0 if iron else None)
    if deg is not None:
        jet = "handle_sloping" if iron else "handle_level"
        way = np.array([0.0, -np.sin(np.radians(deg)), -np.cos(np.radians(deg))])
        root = np.array([0.0, -38.0, -40.0])
        tip = root + 40.0 * way
        beads = [root + way * k for k in range(0, 41, 4)]
        joined = [box("handle", b - 3.0, b + 3.0) for b in beads]
        vertices = np.concatenate([p.vertices for p in joined])
        faces = np.concatenate([p.faces + 24 * i for i, p in enumerate(joined)]).astype(np.int32)
        n = len(vertices)
        half, one = np.full(n, 0.5, np.float32), np.ones(n, np.float32)
        colour = np.full((n, 3), 0.5, np.float32)
        parts.append(PartMesh("handle", vertices, faces, vertex_normals(vertices, faces), colour, half, one))
        marks |= {"handle_root": np.float32(root + 3 * way), "handle_tip": np.float32(tip)}
    else:
        parts.append(box("jet_plug", (-7, -44, -48), (7, -30, -40)))
        marks["jet_plug"] = np.float32([0, -37, -48])
    if iron:
        parts.append(box("throat_plug", (-14, -52, 26), (14, -46, 54)))
        marks["throat_plug"] = np.float32([0, -52, 40])
    g = [v.ravel() for v in np.meshgrid(np.linspace(-1, 1, 6), np.linspace(-1, 1, 6))]
    flat = np.zeros(36)
    under = _patch(np.stack([g[0] * 5, flat - (52.0 if iron else 54.0), 40 + g[1] * 5], 1), (0, -1, 0))
    zones = {
        "front_joint": _patch(np.stack([g[0] * 9, g[1] * 7, flat + front], 1), (0, 0, 1)),
        "throat_bottom": under,
        "tube_low": under,
        "jet": _patch(np.stack([g[0] * 20, g[1] * 6 - 20, flat - 40], 1), (0, 0, -1)),
        "body_bare": _patch(np.stack([g[0] * 20, g[1] * 6 - 20, flat - 40], 1), (0, 0, -1)),
    }
    facts = {
        "era": era,
        "front_ear": ear,
        "main_jet": jet,
        "handle_deg": deg,
        "scavenge_line": "absent" if iron else "external",
        "throat_bottom": "big_plug" if iron else "tube_fitting",
        "screws": tuple(screws),
        "finish": "bare",
        "metal": "iron" if iron else "alloy",
    }
    return Model(tuple(parts), marks, zones, facts)


class StandIn:
    """Ingredients that cost nothing."""

    def carburetor(self, era: str, casting: str, seed: int, split: str) -> Model:
        return unit(era)

    def lookalike(self, seed: int, split: str) -> tuple[str, Model]:
        return "fuel_pump", Model((box("body", (-30, -40, -30), (30, 20, 30)),))

    def props(
        self, spec: SceneSpec, low: NDArray[np.float64], high: NDArray[np.float64], ground: float | None
    ) -> Sequence[PartMesh]:
        return () if ground is None else (box("rule", (high[0] + 20, ground, -80), (high[0] + 40, ground + 1, 80)),)

    def surroundings(self, pick: float, split: str) -> Floats:
        return np.full((64, 128, 3), 0.3 + pick, np.float32)

    def table(self, seed: int, split: str) -> Surface:
        rng = np.random.default_rng(seed)
        return Surface("noise", rng.integers(60, 200, (32, 32, 3)).astype(np.uint8), 900.0, 0.6, 0.0)

    def photograph(self, seed: int, split: str) -> NDArray[np.uint8]:
        return np.full((48, 64, 3), 120, np.uint8)


class PointRenderer:
    """Splats points of every triangle into a depth buffer: rough, but the passes mean what a renderer's do."""

    def __init__(self, size: int = 160, spacing: float = 0.6) -> None:
        self.size, self.spacing = size, spacing
        self.stage: Stage | None = None

    def load(self, stage: Stage) -> None:
        """Sample every triangle densely."""
        self.stage = stage
        mesh = stage.joined
        a, b, c = (mesh.vertices[mesh.faces[:, i]].astype(np.float64) for i in range(3))
        points, owners = [], []
        for i in range(len(a)):
            n = max(int(max(np.linalg.norm(b[i] - a[i]), np.linalg.norm(c[i] - a[i])) / self.spacing), 1)
            u, v = (w.ravel() / n for w in np.mgrid[0 : n + 1, 0 : n + 1])
            keep = u + v <= 1.0 + 1e-9
            points.append(a[i] + u[keep, None] * (b[i] - a[i]) + v[keep, None] * (c[i] - a[i]))
            owners.append(np.full(int(keep.sum()), stage.owner[i]))
        self.points, self.owners = np.concatenate(points), np.concatenate(owners)

    def shoot(self, pose: Pose, seed: int) -> Passes:
        """Return the passes; the picture is grey where something is."""
        n = self.size
        at, depth = pose.project(self.points, n)
        good = (depth > 1.0) & np.all((at >= 0) & (at < n), axis=1)
        order = np.argsort(-depth[good], kind="stable")
        x, y = (at[good][order][:, i].astype(int) for i in (0, 1))
        owner = np.full((n, n), -1, np.int32)
        point = np.full((n, n, 3), np.nan, np.float32)
        owner[y, x] = self.owners[good][order]
        point[y, x] = self.points[good][order]
        there = (owner >= 0).astype(np.float32)
        linear = np.full((n, n, 3), 0.2, np.float32) + 0.3 * there[..., None]
        return Passes(linear.astype(np.float32), 1.0 - there, owner, point)
