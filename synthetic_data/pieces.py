"""Meshed pieces before their finish: small parts meshed from solids, swept tubes, turned bodies.

A ``RawPart`` carries a material and how deep in a corner each vertex lies; a coat or a finish makes it a ``PartMesh``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from .mesh import Floats, Ints, vertex_normals
from .solids import Field, Frame, Solid, Vec, vec


@dataclass(frozen=True, slots=True)
class RawPart:
    """A part before its finish.

    Attributes:
        part: name, as in ``PartMesh``.
        material: casting, steel, brass, copper, rubber, zinc, paper, cork, dark, black.
        vertices, faces, normals: as in ``PartMesh``.
        occlusion: (n,) float32, 0 open .. 1 in a deep corner.
    """

    part: str
    material: str
    vertices: Floats
    faces: Ints
    normals: Floats
    occlusion: Floats


def raw(part: str, material: str, vertices: Floats, faces: Ints, normals: Floats | None = None) -> RawPart:
    """A ``RawPart`` with computed normals (unless given) and no occlusion."""
    n = vertex_normals(vertices, faces) if normals is None else normals.copy()
    n[np.linalg.norm(n, axis=1) < 0.5] = (0.0, 1.0, 0.0)  # slivers without an area have no normal of their own
    return RawPart(part, material, vertices.astype(np.float32), faces, n, np.zeros(len(vertices), np.float32))


def hardware(
    part: str, material: str, solids: Sequence[Solid], cuts: Sequence[Solid], step: float, blend: float = 0.0
) -> RawPart:
    """Mesh a small part from solids and cuts on its own grid."""
    low = np.asarray(np.min([s.low for s in solids], axis=0) - 2 * step, np.float64)
    high = np.asarray(np.max([s.high for s in solids], axis=0) + 2 * step, np.float64)
    field = Field(low, high, step)
    for s in solids:
        field.add(s, blend)
    for s in cuts:
        field.cut(s)
    vertices, faces = field.mesh()
    part_ = raw(part, material, vertices, faces)
    deep = np.clip(1.0 - field.sample(vertices + part_.normals * (3 * step)) / (3 * step), 0, 1)
    return RawPart(part, material, part_.vertices, part_.faces, part_.normals, deep.astype(np.float32))


def joined(part: str, pieces: Sequence[RawPart]) -> RawPart:
    """One part from pieces of one material (the first piece's)."""
    offset, faces = 0, []
    for p in pieces:
        faces.append(p.faces + offset)
        offset += len(p.vertices)
    return RawPart(
        part,
        pieces[0].material,
        np.concatenate([p.vertices for p in pieces]),
        np.concatenate(faces).astype(np.int32),
        np.concatenate([p.normals for p in pieces]),
        np.concatenate([p.occlusion for p in pieces]),
    )


def sweep(part: str, material: str, path: Vec, radius: float, sides: int = 14, ends: bool = True) -> RawPart:
    """A tube of ``radius`` along ``path`` (n, 3)."""
    tangent = np.gradient(path, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.cross(tangent[0], vec(0.31, 0.52, 0.79))
    normals = []
    for t in tangent:  # parallel transport: no twist
        normal = normal - t * float(normal @ t)
        normal /= np.linalg.norm(normal)
        normals.append(normal)
    n = np.array(normals)
    b = np.cross(tangent, n)
    angle = np.arange(sides) * (2 * math.pi / sides)
    around = np.cos(angle)[None, :, None] * n[:, None, :] + np.sin(angle)[None, :, None] * b[:, None, :]
    vertices = (path[:, None, :] + radius * around).reshape(-1, 3)
    flat = around.reshape(-1, 3)
    faces = _strip(len(path), sides)
    if ends:
        cap = np.array([path[0], path[-1]])
        first, last = len(vertices), len(vertices) + 1
        k = np.arange(sides)
        end = (len(path) - 1) * sides
        faces = np.concatenate(
            [
                faces,
                np.stack([np.full(sides, first), (k + 1) % sides, k], 1),
                np.stack([np.full(sides, last), end + k, end + (k + 1) % sides], 1),
            ]
        )
        vertices = np.concatenate([vertices, cap])
        flat = np.concatenate([flat, [-tangent[0], tangent[-1]]])
    return raw(part, material, vertices.astype(np.float32), faces.astype(np.int32), flat.astype(np.float32))


def _strip(rows: int, sides: int) -> Ints:
    i = np.arange(rows - 1)[:, None] * sides
    k = np.arange(sides)[None, :]
    a, b = i + k, i + (k + 1) % sides
    c, d = a + sides, b + sides
    quads = np.stack([a, b, d, a, d, c], axis=-1).reshape(-1, 3)
    return quads.astype(np.int32)


def turned(part: str, material: str, frame: Frame, profile: Sequence[tuple[float, float]], sides: int = 28) -> RawPart:
    """A body turned about the frame's w axis; ``profile`` is (w, radius) from bottom to top, edges crisp."""
    angle = np.arange(sides) * (2 * math.pi / sides)
    vertices, normals, faces, offset = [], [], [], 0
    fine: list[tuple[float, float]] = [profile[0]]
    for (w0, r0), (w1, r1) in pairwise(profile):  # short rows, so that surface patterns do not streak
        count = max(1, math.ceil(math.hypot(w1 - w0, r1 - r0) / 4.0))
        fine += [(w0 + (w1 - w0) * k / count, r0 + (r1 - r0) * k / count) for k in range(1, count + 1)]
    for (w0, r0), (w1, r1) in pairwise(fine):
        length = math.hypot(w1 - w0, r1 - r0)
        if length < 1e-6:
            continue
        nr, nw = (w1 - w0) / length, -(r1 - r0) / length
        for w, r in ((w0, r0), (w1, r1)):
            vertices.append(np.stack([r * np.cos(angle), r * np.sin(angle), np.full(sides, w)], 1))
            normals.append(np.stack([nr * np.cos(angle), nr * np.sin(angle), np.full(sides, nw)], 1))
        faces.append(_strip(2, sides) + offset)
        offset += 2 * sides
    world = frame.world(np.concatenate(vertices))
    turned_normals = (np.concatenate(normals) @ frame.axes).astype(np.float32)
    return raw(part, material, world, np.concatenate(faces).astype(np.int32), turned_normals)


def smooth_path(points: Vec, per_span: int = 10) -> Vec:
    """Catmull-Rom curve through ``points`` (n, 3)."""
    p = np.concatenate([[2 * points[0] - points[1]], points, [2 * points[-1] - points[-2]]])
    t = np.linspace(0, 1, per_span, endpoint=False)[:, None]
    out = []
    for i in range(1, len(p) - 2):
        a, b, c, d = p[i - 1], p[i], p[i + 1], p[i + 2]
        out.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    return np.concatenate([*out, points[-1:]])
