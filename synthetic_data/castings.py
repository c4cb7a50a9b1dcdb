"""The carburetor itself: ``build`` turns a spec into named, finished parts with landmarks, zones and facts.

The two castings are signed-distance blends (``solids``); what is screwed into them comes from ``screws``,
``jets``, ``tubes`` and ``fittings``; surfaces come from ``finishes``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import Era

from . import finishes
from .fittings import controls, mouth_arrester, top_hardware
from .jets import JetPlace, jet_parts, seat, throat_plug
from .joint import ear_solid, gasket, has_ear, joint_grow, joint_screws
from .layout import Layout, level, place
from .lettering import lettering
from .lower import finish_lower, lower_field
from .mesh import Floats, Model, Zone
from .noise import fbm
from .pieces import RawPart, joined, raw
from .solids import Field, f32, polygon, polygon_distance, rod, vec
from .tubes import scavenge
from .unit import UnitSpec
from .upper import upper_field


def build(spec: UnitSpec, materials: bool = True) -> Model:
    """Model one unit.

    Args:
        spec: the unit; the same spec gives the same bytes.
        materials: False leaves out all finishes: one mid-grey semi-gloss surface everywhere (an ablation).

    Returns:
        Model with the parts, landmarks, zones and facts that the project's contract names. A single casting
        has only its own parts; facts of cues that sit on the absent casting are None, their zones empty.
    """
    lay = place(spec)
    rng = np.random.default_rng([spec.seed, 1])
    whole, lower_on, upper_on = spec.present == "whole", spec.present != "upper", spec.present != "lower"
    raws: list[RawPart] = []
    landmarks: dict[str, Floats] = {}
    facts: dict[str, object] = {
        "era": spec.era,
        "front_ear": front_ear(spec),
        "joint_screws": "five" if spec.era == Era.ALLOY5 else "four",
        "main_jet": None,
        "handle_deg": None,
        "scavenge_line": None,
        "throat_bottom": None,
        "finish": spec.finish,
        "metal": "iron" if spec.era == Era.IRON else "alloy",
    }
    low_field = lower_field(spec, lay, rng) if lower_on else None
    jet: JetPlace | None = None
    if low_field is not None:
        jet = seat(spec, lay, low_field)
        low_field.add(rod(jet.start, jet.end, jet.radius, edge=1.0), 0.8 * spec.fillet)
        finish_lower(spec, lay, low_field)
        raws += casting("lower", low_field, spec, lay, -1.0, rng)
        parts, marks, handle_deg = jet_parts(spec, jet, lay, low_field)
        raws += parts
        landmarks |= marks
        facts["main_jet"] = main_jet(handle_deg, spec)
        facts["handle_deg"] = handle_deg
        if spec.era == Era.IRON:
            raws.append(throat_plug(spec, lay))
            landmarks["throat_plug"] = f32(lay.under)
            facts["throat_bottom"], facts["scavenge_line"] = "big_plug", "absent"
        else:
            parts, marks = scavenge(spec, lay, whole)
            raws += parts
            landmarks |= marks
            fitted = any(p.part == "tube_fitting" for p in parts)
            facts["throat_bottom"] = "tube_fitting" if fitted else "other"
            facts["scavenge_line"] = "external" if any(p.part == "scavenge_tube" for p in parts) else "absent"
        side = level(spec.jet_azimuth_deg)
        reach = vec(side[0] * lay.bowl_x, 0, side[2] * lay.bowl_z)
        base = lay.bowl + vec(0, lay.floor, 0)
        landmarks["floor_a"], landmarks["floor_b"] = f32(base + reach), f32(base - reach)
        raws += mouth_arrester(spec, lay)
    if upper_on:
        field = upper_field(spec, lay, rng)
        raws += casting("upper", field, spec, lay, 1.0, rng)
        raws += top_hardware(spec, lay)
    raws += controls(spec, lay, lower_on, upper_on)
    raws += lettering(spec, lay, lower_on, upper_on, low_field)
    if whole and spec.gasket != "none":
        raws.append(gasket(spec, lay, rng))
    screws, marks, names = joint_screws(spec, lay, rng)
    raws += screws
    landmarks |= marks
    facts["screws"] = names
    if spec.era != Era.IRON:
        landmarks["ear"] = f32(lay.screws[4] + vec(0, (spec.ear_upper_mm - spec.ear_lower_mm) / 2 * whole, 0))
    raws = by_name(raws)
    parts_out, bare = finishes.apply(raws, spec, np.random.default_rng([spec.seed, 2]), materials)
    spots = zones(raws, spec, lay, jet, lower_on)
    spots["body_bare"] = bare
    return Model(parts_out, landmarks, spots, facts)


def by_name(raws: list[RawPart]) -> list[RawPart]:
    """Join pieces of the same name (the ear's two halves, clips), so that a name stands for one part."""
    names = list(dict.fromkeys(p.part for p in raws))
    groups = ([p for p in raws if p.part == name and len(p.faces)] for name in names)
    return [g[0] if len(g) == 1 else joined(g[0].part, g) for g in groups if g]


def front_ear(spec: UnitSpec) -> str:
    """Reading of the front ear that the unit truly has."""
    return {Era.IRON: "none", Era.ALLOY4: "bare", Era.ALLOY5: "screwed"}[Era(spec.era)]


def main_jet(handle_deg: float | None, spec: UnitSpec) -> str:
    """Reading of the main jet that the unit truly has."""
    if handle_deg is None:
        return "plug"
    return "handle_sloping" if spec.era == Era.IRON else "handle_level"


def casting(name: str, f: Field, spec: UnitSpec, lay: Layout, sign: float, rng: np.random.Generator) -> list[RawPart]:
    """Mesh a casting with its rough surface; the ear's own surface becomes the part ``front_ear``."""
    vertices, faces = f.mesh()
    rough = raw(name, "casting", vertices, faces)
    n = rough.normals
    machined = (np.abs(np.abs(vertices[:, 1]) - lay.gap) < 0.6) | (np.abs(vertices[:, 1] - lay.top) < 0.6)
    machined |= np.abs((vertices - lay.mouth) @ lay.mouth_direction) < 0.6
    amount = np.where(machined, 0.08, 1.0).astype(np.float32)
    seed = int(rng.integers(2**31))
    warp = fbm(vertices, 22.0, 1, seed) * (0.5 * spec.crude)
    grain = fbm(vertices, 2.6 + 1.5 * spec.crude, 2, seed + 1) * (0.03 + 0.22 * spec.crude)
    moved_vertices = vertices + n * (amount * (warp + grain))[:, None]
    deep = 0.6 * np.clip(1 - f.sample(vertices + 2.5 * n) / 2.5, 0, 1) + 0.4 * np.clip(
        1 - f.sample(vertices + 7.0 * n) / 7.0, 0, 1
    )
    rough = raw(name, "casting", moved_vertices, faces)
    body = RawPart(name, "casting", rough.vertices, faces, rough.normals, deep.astype(np.float32))
    if not has_ear(spec):
        return [body]
    ear = ear_solid(spec, lay, sign)
    middle = vertices[faces].mean(axis=1)
    box = np.all((middle > ear.low - 1.0) & (middle < ear.high + 1.0), axis=1) & (middle[:, 2] > lay.half_z - 3.0)
    index = np.flatnonzero(box)
    d = ear.distance(*(middle[index, i] for i in range(3)))
    outline = polygon(spec.joint_outline, lay.half_x - joint_grow(spec), lay.half_z - joint_grow(spec))
    plate = polygon_distance(middle[index, 0], middle[index, 2], outline) - np.float32(joint_grow(spec))
    mine = np.zeros(len(faces), bool)
    mine[index[(d < 0.9) & (plate > 0.3)]] = True
    return [picked(body, ~mine, name), picked(body, mine, "front_ear")]


def picked(part: RawPart, keep: NDArray[np.bool_], name: str) -> RawPart:
    """The faces ``keep`` of a part as a part of its own."""
    faces = part.faces[keep]
    used, where = np.unique(faces, return_inverse=True)
    return RawPart(
        name,
        part.material,
        part.vertices[used],
        where.reshape(-1, 3).astype(np.int32),
        part.normals[used],
        part.occlusion[used],
    )


def zones(raws: list[RawPart], spec: UnitSpec, lay: Layout, jet: JetPlace | None, lower_on: bool) -> dict[str, Zone]:
    """Surface samples of the places where parts are or would be; the same places for every generation."""
    body = [p for p in raws if p.part in ("upper", "lower", "front_ear", "gasket")]
    points, normals = (np.concatenate([getattr(p, k) for p in body]) for k in ("vertices", "normals"))
    every_p, every_n = (
        np.concatenate([getattr(p, k) for p in raws if p.part not in ("gasket", "arrester")])
        for k in ("vertices", "normals")
    )
    rng = np.random.default_rng([spec.seed, 3])
    empty = Zone(np.zeros((0, 3), np.float32), np.zeros((0, 3), np.float32))
    tall = 2.0 + max(spec.joint_upper_mm, spec.joint_lower_mm)
    front = (
        (np.abs(points[:, 0]) < 15)
        & (points[:, 2] > lay.half_z * 0.86)
        & (np.abs(points[:, 1]) < tall)
        & (normals[:, 2] > 0.15)
    )
    out = {
        "front_joint": take(points, normals, front, rng),
        "throat_bottom": empty,
        "tube_low": empty,
        "jet": empty,
    }
    if lower_on and jet is not None:
        near = np.linalg.norm((every_p - lay.under) * [1, 0.7, 1], axis=1)
        out["throat_bottom"] = take(
            every_p, every_n, (near < 17.0) & (every_p[:, 1] < lay.under[1] + 9) & (every_n[:, 1] < 0.2), rng
        )
        out["tube_low"] = take(every_p, every_n, near < 22.0, rng)
        out["jet"] = take(every_p, every_n, np.linalg.norm(every_p - jet.end, axis=1) < 13.0, rng)
    return out


def take(points: Floats, normals: Floats, mask: NDArray[np.bool_], rng: np.random.Generator, count: int = 120) -> Zone:
    """Up to ``count`` of the masked points as a zone."""
    index = np.flatnonzero(mask)
    if len(index) > count:
        index = np.sort(rng.choice(index, count, replace=False))
    return Zone(points[index], normals[index])
