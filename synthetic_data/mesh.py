"""Triangles with a surface: what every modelled thing is handed on as.

Unit frame: millimetres, right-handed, origin at the centre of the joint between the two castings; +y up
(toward the manifold flange), +z to the front (out of the throat mouth), +x to the viewer's right when looking
into the throat mouth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Ints = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class PartMesh:
    """One named part.

    Attributes:
        part: name used in labels, e.g. ``upper``, ``lower``, ``joint_screw_1``, ``front_ear``, ``handle``.
        vertices: (n, 3) float32, millimetres.
        faces: (m, 3) int32, counter-clockwise seen from outside.
        normals: (n, 3) float32, unit length, for smooth shading.
        colour: (n, 3) float32, linear RGB base colour in [0, 1].
        roughness: (n,) float32 in [0, 1].
        metallic: (n,) float32 in [0, 1].
    """

    part: str
    vertices: Floats
    faces: Ints
    normals: Floats
    colour: Floats
    roughness: Floats
    metallic: Floats


@dataclass(frozen=True, slots=True)
class Zone:
    """Surface samples that stand for a place where a part is *or could be* (so that absence can be seen).

    Attributes:
        points: (k, 3) float32, millimetres, on the surface.
        normals: (k, 3) float32, outward.
    """

    points: Floats
    normals: Floats


@dataclass(frozen=True, slots=True)
class Model:
    """A modelled thing: parts, landmarks (name -> (3,) or (k, 3) millimetres), zones, and plain facts.

    ``facts`` holds what annotate needs beyond geometry, e.g. ``{"era": "iron", "main_jet": "handle_sloping",
    "handle_deg": 38.0, ...}``; see ``castings.build``.
    """

    parts: tuple[PartMesh, ...]
    landmarks: Mapping[str, Floats] = field(default_factory=dict)
    zones: Mapping[str, Zone] = field(default_factory=dict)
    facts: Mapping[str, object] = field(default_factory=dict)


def vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """Area-weighted unit vertex normals, (n, 3) float32."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    face = np.cross(b - a, c - a)
    out = np.zeros_like(vertices, dtype=np.float64)
    for i in range(3):
        for k in range(3):
            out[:, k] += np.bincount(faces[:, i], face[:, k], minlength=len(vertices))
    length = np.linalg.norm(out, axis=1, keepdims=True)
    return np.asarray(out / np.maximum(length, 1e-12), np.float32)


def merge(parts: Sequence[PartMesh]) -> tuple[PartMesh, Ints]:
    """Join parts into one mesh.

    Returns:
        The joined mesh (part ``"joined"``) and (m,) int32: for each face, the index of its part in ``parts``.
    """
    offsets = np.cumsum([0, *(len(p.vertices) for p in parts)])
    faces = np.concatenate([p.faces + offsets[i] for i, p in enumerate(parts)]).astype(np.int32)
    owner = np.concatenate([np.full(len(p.faces), i, np.int32) for i, p in enumerate(parts)])
    joined = PartMesh(
        "joined",
        np.concatenate([p.vertices for p in parts]).astype(np.float32),
        faces,
        np.concatenate([p.normals for p in parts]).astype(np.float32),
        np.concatenate([p.colour for p in parts]).astype(np.float32),
        np.concatenate([p.roughness for p in parts]).astype(np.float32),
        np.concatenate([p.metallic for p in parts]).astype(np.float32),
    )
    return joined, owner
