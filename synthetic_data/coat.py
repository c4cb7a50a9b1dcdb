"""Colours things that are not the subject: one base coat with grime, rust, wear and tone, a value per vertex."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .mesh import Floats, Ints, PartMesh
from .pieces import RawPart

Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Coat:
    """How a thing is covered.

    Attributes:
        colour: linear RGB base colour.
        roughness: in [0, 1].
        metallic: in [0, 1].
        tone: spread of slow brightness changes.
        grime: in [0, 1], dark oily dirt, first in corners and low down.
        rust: in [0, 1], share of the surface with rust.
        chips: in [0, 1], share of a paint that is off and shows grey metal.
    """

    colour: Colour
    roughness: float
    metallic: float = 0.0
    tone: float = 0.06
    grime: float = 0.0
    rust: float = 0.0
    chips: float = 0.0


STUFF: Mapping[str, Coat] = MappingProxyType(
    {
        "chrome": Coat((0.78, 0.78, 0.78), 0.12, 1.0, 0.02),
        "steel": Coat((0.50, 0.49, 0.47), 0.34, 1.0),
        "iron": Coat((0.22, 0.21, 0.20), 0.62, 0.8, 0.15),
        "aluminium": Coat((0.62, 0.62, 0.62), 0.42, 1.0, 0.08),
        "brass": Coat((0.65, 0.46, 0.17), 0.32, 1.0, 0.12),
        "copper": Coat((0.68, 0.33, 0.20), 0.32, 1.0, 0.15),
        "bronze_coin": Coat((0.40, 0.24, 0.12), 0.4, 1.0, 0.2),
        "zinc": Coat((0.60, 0.56, 0.40), 0.35, 1.0, 0.12),
        "black_oxide": Coat((0.05, 0.05, 0.05), 0.45, 0.8),
        "rubber": Coat((0.022, 0.022, 0.022), 0.75, 0.0, 0.2),
        "paper": Coat((0.75, 0.73, 0.66), 0.9),
        "card": Coat((0.38, 0.25, 0.13), 0.95, 0.0, 0.08),
        "cork": Coat((0.42, 0.25, 0.12), 0.95, 0.0, 0.2),
        "gasket": Coat((0.10, 0.13, 0.10), 0.9, 0.0, 0.12),
        "white": Coat((0.80, 0.80, 0.78), 0.5, 0.0, 0.02),
        "black": Coat((0.02, 0.02, 0.02), 0.5, 0.0, 0.02),
        "wood": Coat((0.42, 0.25, 0.11), 0.6, 0.0, 0.15),
        "glass": Coat((0.25, 0.28, 0.27), 0.06, 0.0, 0.02),
    }
)
RUST: Colour = (0.20, 0.075, 0.028)
GRIME: Colour = (0.022, 0.017, 0.012)
BARE: Colour = (0.42, 0.41, 0.39)


def ripple(points: Floats, rng: np.random.Generator, wavelength: float, octaves: int = 3) -> Floats:
    """Smooth noise in space, (n,) float32, mean near 0 and spread near 1; ``wavelength`` in millimetres."""
    out = np.zeros(len(points), np.float32)
    for k in range(octaves):
        way = rng.standard_normal((7, 3)).astype(np.float32)
        way *= np.float32(2 * np.pi * 2.0**k / wavelength) / np.linalg.norm(way, axis=1, keepdims=True)
        phase = rng.random(7).astype(np.float32) * np.float32(2 * np.pi)
        waves = way @ points.T  # one wave a row: rows are added much faster than columns
        waves += phase[:, None]
        out += np.sin(waves, out=waves).sum(0) * np.float32(0.6**k)
    return out * np.float32(0.42)


def without_slivers(vertices: Floats, faces: Ints) -> Ints:
    """The faces without those of no area: a renderer finds no tangent on them and may return NaN."""
    a, b, c = (vertices[faces[:, i]].astype(np.float64) for i in range(3))
    across = np.cross(b - a, c - a)
    return np.asarray(faces[(across * across).sum(1) > 1e-8], np.int32)


def painted(rng: np.random.Generator, raw: RawPart, coat: Coat) -> PartMesh:
    """A ``PartMesh`` with the coat on: grime in corners and underneath, rust and chips in patches."""
    v = raw.vertices
    colour = np.broadcast_to(np.array(coat.colour, np.float32), v.shape).copy()
    rough = np.full(len(v), coat.roughness, np.float32)
    metal = np.full(len(v), coat.metallic, np.float32)

    def lay(share: NDArray[np.floating], over: Colour, over_rough: float, over_metal: float) -> None:
        s = np.clip(share, 0, 1).astype(np.float32)
        colour[:] = colour * (1 - s)[:, None] + np.array(over, np.float32) * s[:, None]
        rough[:] = rough * (1 - s) + np.float32(over_rough) * s
        metal[:] = metal * (1 - s) + np.float32(over_metal) * s

    colour *= (1 + np.float32(coat.tone) * ripple(v, rng, 45.0))[:, None]
    if coat.chips > 0:
        edge = 0.9 * (0.5 - raw.occlusion)
        lay((ripple(v, rng, 22.0, 4) + edge - 2.2 + 2.4 * coat.chips) * 5, BARE, 0.5, 0.9)
    if coat.rust > 0:
        spread = (ripple(v, rng, 18.0, 4) + raw.occlusion - 1.8 + 3.2 * coat.rust) * 2
        lay(spread * 0.95, RUST, 0.92, 0.05)
        colour *= (1 + 0.25 * ripple(v, rng, 4.0, 2) * np.clip(spread, 0, 1))[:, None]
    if coat.grime > 0:
        low = np.clip(-raw.normals[:, 1], 0, 1) * 0.35
        deep = (raw.occlusion * 1.6 + low + 0.45 * ripple(v, rng, 26.0) - 0.9 + 1.1 * coat.grime) * coat.grime
        lay(np.clip(deep, 0, 0.92) * 1.2, GRIME, 0.45, 0.0)
    return PartMesh(
        raw.part,
        v,
        without_slivers(v, raw.faces),
        raw.normals,
        np.clip(colour, 0.004, 0.95),
        np.clip(rough, 0.05, 1),
        np.clip(metal, 0, 1),
    )


def worn(rng: np.random.Generator, name: str) -> Coat:
    """The coat called ``name`` of ``STUFF``, some dirt and rust on it as things in a workshop have."""
    coat = STUFF[name]
    rusts = name in ("steel", "iron", "chrome", "black_oxide")
    return replace(
        coat,
        roughness=float(np.clip(coat.roughness + rng.normal(0, 0.06), 0.05, 1)),
        grime=float(rng.random() ** 2 * 0.6),
        rust=float(rng.random() ** 4 * 0.7) if rusts else 0.0,
    )


def paint_colour(rng: np.random.Generator) -> Colour:
    """A paint or plastic in any colour, linear RGB; greys, reds, blues, greens and blacks most often."""
    common = (
        (0.02, 0.02, 0.02),
        (0.30, 0.30, 0.30),
        (0.45, 0.02, 0.015),
        (0.02, 0.06, 0.25),
        (0.03, 0.14, 0.06),
        (0.55, 0.30, 0.02),
        (0.60, 0.58, 0.52),
        (0.10, 0.11, 0.12),
    )
    usual = np.array(common[int(rng.integers(len(common)))])
    any_hue = rng.random(3) ** 2
    base = usual if rng.random() < 0.7 else 0.45 * any_hue + 0.55 * any_hue.mean()
    r, g, b = np.clip(base * rng.uniform(0.7, 1.3) * rng.normal(1, 0.08, 3), 0.01, 0.8)
    return float(r), float(g), float(b)
