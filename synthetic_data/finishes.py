"""Surfaces: what metal, paint, rust, bloom, oil, grime and varnish make of the raw parts.

Per-vertex linear-RGB base colour, roughness and metallic share for a metallic-roughness material. Patterns are
3-D value noise; corners come from the parts' occlusion. Bare-metal colours are reflectances at normal incidence
as commonly used for rendering (common practice, no source). Nothing here looks at the generation except for what the
castings are made of: shades of bare metal, which overlap, and what metal turns to. Iron rusts and has no white bloom;
aluminium does not rust, but is stained beside and below steel that does (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from updraft_key.model.cues import Era

from .mesh import Floats, PartMesh, Zone
from .noise import fbm
from .pieces import RawPart
from .solids import f32
from .unit import UnitSpec

Rgb = tuple[float, float, float]

METALS: Mapping[str, tuple[Rgb, float]] = {
    "steel": ((0.40, 0.39, 0.37), 0.38),
    "zinc": ((0.52, 0.53, 0.54), 0.34),
    "brass": ((0.62, 0.43, 0.16), 0.33),
    "copper": ((0.62, 0.30, 0.18), 0.34),
    "black": ((0.045, 0.045, 0.048), 0.45),
}
"""Base colour (linear RGB) and roughness of the small parts' metals; ``black`` is blackened steel."""

SOFT: Mapping[str, tuple[Rgb, float]] = {
    "rubber": ((0.022, 0.022, 0.023), 0.62),
    "paper": ((0.30, 0.24, 0.15), 0.85),
    "cork": ((0.26, 0.15, 0.075), 0.9),
    "dark": ((0.03, 0.03, 0.032), 0.8),
}
"""Base colour and roughness of what is not metal."""


RUSTING = frozenset({"steel", "black", "zinc"})
"""Small parts that stain the casting around them once they rust; zinc does so when it is worn through."""
STAIN_MM = 6.0
"""How far a stain spreads on an alloy casting, from the part and from where it has run down (own judgement)."""
RUNS_MM = (0.0, 5.0, 10.0, 16.0)
FILM = 0.55
"""What the draw of white bloom counts as rust on iron: a thin film instead (own judgement)."""


@dataclass(slots=True)
class Coat:
    """A surface being built up, per vertex: ``colour`` (n, 3), ``roughness`` (n,), ``metallic`` (n,), ``bare`` (n,)."""

    colour: Floats
    roughness: Floats
    metallic: Floats
    bare: Floats

    def lay(
        self,
        cover: NDArray[np.floating],
        colour: Rgb | Floats,
        roughness: float | Floats,
        metallic: float,
        hides: bool = True,
    ) -> None:
        """Cover the surface by the share ``cover`` (n,) with something else."""
        c = np.clip(cover, 0, 1).astype(np.float32)
        self.colour += c[:, None] * (np.asarray(colour, np.float32) - self.colour)
        self.roughness += c * (np.asarray(roughness, np.float32) - self.roughness)
        self.metallic += c * (np.float32(metallic) - self.metallic)
        if hides:
            self.bare *= 1 - c


def step(values: NDArray[np.floating], edge: float, soft: float) -> Floats:
    """Smooth step from 0 to 1 over ``edge`` +- ``soft``."""
    t = np.clip((values - edge) / (2 * soft) + 0.5, 0, 1)
    out: Floats = (t * t * (3 - 2 * t)).astype(np.float32)
    return out


def casting_metal(spec: UnitSpec) -> tuple[Rgb, float, float]:
    """Bare colour, roughness and metallic share of the castings; iron and alloy overlap."""
    light = 0.09 + 0.25 * spec.shade if spec.era == Era.IRON else 0.2 + 0.42 * spec.shade
    if spec.blasted:
        light = 0.5 * light + 0.16
    tint = 0.10 * (spec.warmth - 0.5)
    return (
        (light * (1 + tint), light, light * (1 - 1.1 * tint)),
        0.62 if spec.blasted else 0.46 + 0.12 * spec.crude,
        0.75 if spec.blasted else 0.9,
    )


def start(part: RawPart, spec: UnitSpec, seed: int) -> Coat:
    """The clean material of a part."""
    n = len(part.vertices)
    if part.material == "casting":
        colour, rough, metal = casting_metal(spec)
    elif part.material in METALS:
        colour, rough = METALS[part.material]
        metal = 0.3 if part.material == "black" else 1.0
    else:
        colour, rough = SOFT[part.material]
        metal = 0.0
    coat = Coat(
        np.tile(f32(colour), (n, 1)),
        np.full(n, rough, np.float32),
        np.full(n, metal, np.float32),
        np.full(n, float(part.material == "casting"), np.float32),
    )
    mottle = fbm(part.vertices, 7.0, 3, seed)
    coat.colour *= (1 + (0.05 if spec.blasted else 0.12) * mottle)[:, None]
    coat.roughness = np.clip(coat.roughness + 0.07 * fbm(part.vertices, 4.0, 2, seed + 1), 0.08, 1).astype(np.float32)
    return coat


def weather(part: RawPart, coat: Coat, spec: UnitSpec, seed: int, raws: Sequence[RawPart]) -> None:
    """Age a part, one of ``raws``, in place: tint, tarnish, bloom, rust, paint and chips, varnish, grime, oil."""
    p, deep = part.vertices, part.occlusion
    casting = part.material == "casting"
    metal = casting or part.material in METALS
    sharp = step(-deep, -0.12, 0.12)  # open places and edges
    if casting and spec.chromate:
        coat.lay(
            spec.chromate * (0.45 + 0.25 * fbm(p, 12.0, 2, seed + 2)),
            (0.42, 0.31, 0.10),
            0.42,
            0.85,
            hides=False,
        )
    if part.material in ("brass", "copper"):  # brown tarnish
        tarnish = 0.25 + 0.6 * spec.hardware_rust
        coat.lay(tarnish * step(fbm(p, 10.0, 3, seed + 3) + 0.8 * deep, 0.1, 0.7), (0.16, 0.10, 0.05), 0.5, 0.7)
    painted = spec.finish == "painted" and (casting or (spec.paint_hardware and part.material != "rubber"))
    if metal and not painted:
        oxides(part, coat, spec, seed, raws)
    if painted:
        paint(part, coat, spec, seed, sharp)
    if spec.varnish and (casting or part.part == "gasket"):
        below = step(-p[:, 1], 0.0, 4.0) * step(p[:, 1], -34.0, 14.0)
        streaks = fbm(p * f32([1.0, 0.18, 1.0]), 7.0, 3, seed + 4)
        coat.lay(0.75 * spec.varnish * below * step(streaks, 0.15, 0.35), (0.10, 0.045, 0.012), 0.32, 0.2)
    if spec.grime > 0.02:
        spread = fbm(p, 16.0, 3, seed + 5)
        film = spec.grime * step(spread + 1.7 * deep - 0.2 + 0.5 * (spec.grime - 0.5), 0.3, 0.55)
        coat.lay(
            film * (0.9 if spec.finish == "dirty" else 0.7),
            f32([0.032, 0.027, 0.021]),
            0.82 - 0.3 * spec.oil,
            0.0,
        )
        dust = 0.4 * spec.grime * step(part.normals[:, 1], 0.55, 0.4) * step(fbm(p, 9.0, 2, seed + 6), -0.1, 0.6)
        coat.lay(dust, (0.20, 0.17, 0.13), 0.95, 0.0)
    if spec.oil > 0.02:
        wet = spec.oil * step(fbm(p, 20.0, 2, seed + 7) + 0.6 * deep, -0.1 - 0.5 * spec.oil, 0.35)
        coat.colour *= (1 - 0.5 * wet)[:, None]
        coat.roughness += wet * (np.float32(0.16) - coat.roughness) * 0.8
        coat.bare *= 1 - 0.3 * wet


def oxides(part: RawPart, coat: Coat, spec: UnitSpec, seed: int, raws: Sequence[RawPart]) -> None:
    """White bloom and rust, on castings and small parts; each casting has its own metal's, and alloy rusty stains."""
    p, deep = part.vertices, part.occlusion
    casting, iron = part.material == "casting", spec.era == Era.IRON
    if spec.bloom > 0.02 and part.material not in ("brass", "copper", "black") and not (casting and iron):
        cloud = fbm(p, 11.0, 4, seed + 8)
        coat.lay(
            spec.bloom * step(cloud + 0.5 * deep, 0.25 - 0.5 * spec.bloom, 0.45),
            (0.46, 0.47, 0.46),
            0.92,
            0.05,
            hides=not casting,
        )
    if part.material in ("brass", "copper"):
        return
    stained = casting and not iron
    if stained:
        amount = max(spec.hardware_rust, spec.rust)
    elif casting:
        amount = max(spec.rust, FILM * spec.bloom)
    else:
        amount = spec.throat_plug_rust if part.part == "throat_plug" else rust_of(part.material, spec)
    if amount < 0.03:
        return
    if stained:
        near = beside_steel(raws, p)
        patches = step(0.6 * fbm(p, 4.0, 3, seed + 9) + 1.8 * near, 1.25 - 0.4 * amount, 0.5)
        cover = amount * np.minimum(3.0 * near, 1.0) * patches
    else:
        cover = step(fbm(p, spec.rust_cell, 4, seed + 9) + 0.35 * deep, 1.05 - 1.75 * amount, 0.3)
    tone = step(fbm(p, 0.5 * spec.rust_cell, 3, seed + 10), 0.0, 0.8)[:, None]
    dark, bright = f32([0.055, 0.022, 0.012]), f32([0.26, 0.095, 0.028])
    colour = (dark + (bright - dark) * tone).astype(np.float32)
    coat.lay((0.55 + 0.45 * amount) * cover, colour, 0.9, 0.0, hides=not (casting and iron))


def rust_of(material: str, spec: UnitSpec) -> float:
    """How rusty the small parts of a metal are, 0 to 1."""
    return max(spec.hardware_rust, (0.3 if material == "zinc" else 0.8) * spec.rust)


def beside_steel(raws: Sequence[RawPart], points: Floats) -> Floats:
    """How near each point (n, 3) lies to steel parts, or below them where rust runs down: 1 at one, 0 from
    ``STAIN_MM`` on; (n,) float32."""
    steel = [p.vertices[:: max(1, len(p.vertices) // 60)] for p in raws if p.material in RUSTING and len(p.faces)]
    if not steel:
        return np.zeros(len(points), np.float32)
    sources = np.concatenate(steel)
    run = np.concatenate([sources - f32([0.0, down, 0.0]) for down in RUNS_MM])
    far, _ = cKDTree(run).query(points, distance_upper_bound=STAIN_MM)
    out: Floats = (1.0 - np.minimum(far, STAIN_MM) / STAIN_MM).astype(np.float32)
    return out


def paint(part: RawPart, coat: Coat, spec: UnitSpec, seed: int, sharp: Floats) -> None:
    """Engine paint, and the chips through it."""
    p = part.vertices
    casting = part.material == "casting"
    chip = np.zeros(len(p), np.float32)
    if spec.chips:
        field = fbm(p, 8.0, 4, seed + 11) + 0.25 * sharp
        chip = step(field, 1.25 - 1.5 * spec.chips, 0.06)
    under_rust = 0.75 * spec.rust * step(fbm(p, 3.0, 3, seed + 12), -0.2, 0.5)
    if (casting and spec.era == Era.IRON) or part.material in RUSTING:
        coat.lay(chip * under_rust * 1.5, (0.17, 0.065, 0.022), 0.9, 0.0)
    fade = (1 + 0.10 * fbm(p, 25.0, 2, seed + 13))[:, None].astype(np.float32)
    colour = np.clip(f32(spec.paint) * fade, 0.005, 0.9).astype(np.float32)
    rough = np.clip(0.72 - 0.52 * spec.paint_gloss + 0.08 * fbm(p, 6.0, 2, seed + 14), 0.08, 0.95).astype(np.float32)
    coat.lay(1 - chip, colour, rough, spec.paint_metal)


def grey(part: RawPart) -> PartMesh:
    """Mid-grey, semi-gloss, nothing else: the ablation without materials."""
    n = len(part.vertices)
    return PartMesh(
        part.part, part.vertices, part.faces, part.normals,
        np.full((n, 3), 0.30, np.float32), np.full(n, 0.45, np.float32), np.zeros(n, np.float32),
    )  # fmt: skip


def apply(
    raws: Sequence[RawPart], spec: UnitSpec, rng: np.random.Generator, materials: bool = True
) -> tuple[tuple[PartMesh, ...], Zone]:
    """Give every part its surface.

    Args:
        raws: the parts before their finish.
        spec: the unit.
        rng: seeds the patterns.
        materials: False gives every part one grey surface.

    Returns:
        The finished parts in the same order, and the zone ``body_bare``: up to 120 points of bare casting
        (empty where everything is covered, and without materials).
    """
    base = int(rng.integers(2**31 - 1000))
    out: list[PartMesh] = []
    points, normals = [], []
    for i, part in enumerate(raws):
        if not len(part.faces):
            continue
        if not materials:
            out.append(grey(part))
            continue
        # one pattern over all castings, another one for each small part
        seed = base if part.material == "casting" else base + 20 * (i + 1)
        coat = start(part, spec, seed)
        weather(part, coat, spec, seed, raws)
        colour = np.clip(coat.colour, 0.004, 0.95).astype(np.float32)
        out.append(
            PartMesh(
                part.part,
                part.vertices,
                part.faces,
                part.normals,
                colour,
                np.clip(coat.roughness, 0.06, 1).astype(np.float32),
                np.clip(coat.metallic, 0, 1).astype(np.float32),
            )
        )
        if part.part in ("upper", "lower", "front_ear"):
            keep = coat.bare > 0.55
            points.append(part.vertices[keep])
            normals.append(part.normals[keep])
    found = np.concatenate(points) if points else np.zeros((0, 3), np.float32)
    around = np.concatenate(normals) if normals else np.zeros((0, 3), np.float32)
    total = sum(len(p.vertices) for p in raws if p.part in ("upper", "lower", "front_ear"))
    if len(found) < 0.02 * total:
        found, around = found[:0], around[:0]
    index = np.sort(rng.choice(len(found), min(120, len(found)), replace=False)) if len(found) else np.zeros(0, int)
    return tuple(out), Zone(found[index], around[index])
