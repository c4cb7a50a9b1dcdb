"""The carburetor itself: ``build`` turns a spec into named, finished parts with landmarks, zones and facts.

The two castings are signed-distance blends (``solids``); what is screwed into them comes from ``screws``,
``jets``, ``tubes`` and ``fittings``; surfaces come from ``finishes``.
"""

from __future__ import annotations

import math

import numpy as np
from updraft_key.model.cues import Era

from . import finishes
from .fittings import controls, mouth_arrester, top_hardware
from .jets import JetPlace, jet_parts, seat, throat_plug
from .layout import Layout, drain_axis, inlet_axis, level, place, plan, throttle_axis, throttle_height
from .lettering import lettering
from .mesh import Floats, Model, Zone
from .noise import fbm
from .screws import HEADS, moved, screw_shape, thread_end
from .solids import (
    Field,
    Frame,
    RawPart,
    Solid,
    Vec,
    aim,
    beyond,
    block,
    chain,
    joined,
    polygon,
    polygon_distance,
    prism,
    raw,
    rod,
    vec,
)
from .tubes import scavenge
from .unit import UnitSpec

STEP = 1.3  # grid of the castings, mm


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
            landmarks["throat_plug"] = np.float32(lay.under)
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
        landmarks["floor_a"], landmarks["floor_b"] = np.float32(base + reach), np.float32(base - reach)
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
        landmarks["ear"] = np.float32(
            lay.screws[4] + vec(0, (spec.ear_upper_mm - spec.ear_lower_mm) / 2 * whole, 0)
        )
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


def has_ear(spec: UnitSpec) -> bool:
    """Whether the joint has an ear in front."""
    return spec.era != Era.IRON


def joint_grow(spec: UnitSpec) -> float:
    """Corner rounding of the joint's outline, mm."""
    return 2.0 if spec.joint_outline in ("octagon", "hexagon", "kite", "waisted", "d_shape") else 0.0


def joint_plate(spec: UnitSpec, lay: Layout, field: Field, sign: float) -> None:
    """Add one casting's joint flange with its corner bosses; ``sign`` +1 upper, -1 lower."""
    thick = spec.joint_upper_mm if sign > 0 else spec.joint_lower_mm
    grow = joint_grow(spec)
    outline = polygon(spec.joint_outline, lay.half_x - grow, lay.half_z - grow)
    middle = sign * (lay.gap + thick / 2 - 1.0)  # reaches 1 mm past the joint plane, cut flat later
    field.add(prism(plan(middle), outline, thick / 2 + 1.0, spec.edge, grow), 0.0)
    for spot in lay.screws[:4]:
        a = spot + vec(0, sign * (lay.gap - 2.0), 0)
        field.add(
            rod(a, spot + vec(0, sign * (lay.gap + thick + 0.6), 0), spec.corner_boss, edge=0.6),
            0.6 * spec.fillet,
        )


def ear_solid(spec: UnitSpec, lay: Layout, sign: float) -> Solid:
    """The ear's half on one casting."""
    thick = spec.ear_upper_mm if sign > 0 else spec.ear_lower_mm
    w, out = lay.ear_width / 2, lay.ear_out
    back = -14.0
    if spec.ear == "square":
        flat = np.array(
            [(-w, back), (w, back), (w, out - 1.5), (w - 1.5, out), (1.5 - w, out), (-w, out - 1.5)]
        )
    elif spec.ear == "triangle":
        tip = 0.62 * w
        flat = np.array(
            [
                (-w - 9, back),
                (w + 9, back),
                (w + 4, 0.0),
                (tip, out - 3),
                (0.5 * tip, out),
                (-0.5 * tip, out),
                (-tip, out - 3),
                (-w - 4, 0.0),
            ]
        )
    elif spec.ear == "tongue":
        flat = np.array(
            [
                (-w, back),
                (w, back),
                (0.8 * w, out * 0.7),
                (0.45 * w, out),
                (-0.45 * w, out),
                (-0.8 * w, out * 0.7),
            ]
        )
    else:
        wide = w * (1.5 if spec.ear == "wide" else 1.0)
        r = min(wide, out + 8.0)
        a = np.linspace(0, math.pi, 15)
        arc = np.stack([wide * np.cos(a), out - r + r * np.sin(a)], 1)
        root = wide + (5.0 if spec.ear == "lug" else 0.0)
        flat = np.concatenate([[(-root, back), (root, back)], arc])
    middle = sign * (lay.gap + thick / 2 - 1.0)
    return prism(plan(middle, lay.half_z), flat, thick / 2 + 1.0, min(spec.edge, 1.4))


def bowl_wall(spec: UnitSpec, lay: Layout, shrink: float, top: float, bottom: float) -> list[Solid]:
    """The bowl's body, ``shrink`` mm inside its outline, from ``top`` down to ``bottom``."""
    half = (top - bottom) / 2
    word = spec.bowl
    outline = polygon(word, lay.bowl_x - shrink, lay.bowl_z - shrink)
    floor = 0.35 * lay.bowl_x if spec.bowl_floor == "domed" else 1.2 * spec.edge
    frame = plan(bottom + half, lay.bowl[2])
    # tapered toward the floor
    return [prism(frame, outline, half, floor, 0.0, spec.draft_deg)]


def lower_field(spec: UnitSpec, lay: Layout, rng: np.random.Generator) -> Field:
    """Solid body of the lower casting: joint flange, bowl, horn, boss under the throat, ear."""
    outer = lay.mouth_radius + lay.horn_wall + spec.rim_mm + 8.0
    wide = max(lay.half_x + 10.0, outer * max(spec.horn_oval, 1.0) + abs(lay.mouth[0]) + 4.0)
    low = vec(
        -wide, min(lay.floor - 16.0, lay.under[1] - 8.0, lay.mouth[1] - outer - 2.0), -lay.half_z - 24.0
    )
    high = vec(wide, 6.0, max(lay.half_z + lay.ear_out, lay.mouth[2] + 6.0) + 8.0)
    f = Field(low, high, STEP)
    k = spec.fillet
    joint_plate(spec, lay, f, -1.0)
    for solid in bowl_wall(spec, lay, 0.0, 1.0, lay.floor):
        f.add(solid, k)
    base = vec(0, lay.floor, lay.bowl[2])
    if spec.bowl_floor == "stepped":
        f.add(
            prism(
                plan(lay.floor - 1.0, lay.bowl[2]),
                polygon(spec.bowl, lay.bowl_x * 0.62, lay.bowl_z * 0.62),
                3.0,
                1.0,
            ),
            0.5 * k,
        )
    if spec.bowl_band:
        f.add(
            prism(
                plan(lay.floor * 0.35, lay.bowl[2]),
                polygon(spec.bowl, lay.bowl_x + 1.8, lay.bowl_z + 1.8),
                3.0,
                1.2,
            ),
            1.5,
        )
    for i in range(spec.bowl_ribs):
        side = level(-100.0 + 200.0 * (i + 0.5) / spec.bowl_ribs)
        at = base + vec(side[0] * lay.bowl_x, -lay.floor * 0.55, side[2] * lay.bowl_z)
        f.add(block(aim(at, side), (1.5, -lay.floor * 0.42, 2.4), 1.0), 0.6 * k)
    # horn and throat
    walls = [r + lay.horn_wall for r in lay.horn_inner]
    boxed = 0.7 if spec.horn_style == "boxed" else 0.0
    f.add(chain(lay.horn_path, walls, spec.horn_oval, boxed), k)
    f.add(rod(lay.throat + vec(0, 2, 0), vec(0, lay.mouth[1], lay.throat[2]), walls[0]), k)
    f.add(
        block(
            plan(lay.mouth[1] * 0.5, 0.5 * (lay.throat[2] + lay.bowl[2])),
            (0.45 * lay.bowl_x, lay.throat[2] - lay.bowl[2], -lay.mouth[1] * 0.55),
            3.0,
        ),
        k,
    )
    if spec.horn_style == "webbed":
        tip = lay.mouth - lay.mouth_direction * 8.0
        start = vec(0, -lay.gap - 3.0, lay.throat[2])
        f.add(
            block(
                aim((tip + start) / 2, tip - start),
                (1.8, 12.0, 0.5 * float(np.linalg.norm(tip - start))),
                1.2,
            ),
            0.7 * k,
        )
    rim(spec, lay, f)
    # boss under the throat: as wide as the plug needs (iron), any width under a fitting (alloy)
    wide_boss = 28.6 / 2 + 2.4 if spec.era == Era.IRON else spec.throat_boss
    f.add(rod(lay.under, lay.under + vec(0, 16.0, 0), wide_boss, edge=0.8), 0.8 * k)
    bosses(spec, lay, f, rng, -1.0)
    if spec.drain != "none":
        f.add(rod(*drain_axis(spec, lay), spec.drain_mm * 0.62, edge=0.8), 0.6 * k)
    return f


def rim(spec: UnitSpec, lay: Layout, f: Field) -> None:
    """The throat mouth's rim."""
    if spec.rim == "none":
        return
    d, r = lay.mouth_direction, lay.mouth_radius + lay.horn_wall
    end, back = lay.mouth + d * 2.0, lay.mouth - d * spec.rim_length
    oval = (spec.horn_oval, 1.0)
    a = np.arange(40) * (2 * math.pi / 40)
    ellipse = np.stack([np.cos(a) * oval[0], np.sin(a) * oval[1]], 1)
    frame = aim((end + back) / 2, d)
    half = float(np.linalg.norm(end - back)) / 2
    if spec.rim == "bead":
        t = np.arange(24) * (2 * math.pi / 24)
        centre = lay.mouth - d * spec.rim_mm
        loop = (
            centre
            + (r * oval[0] * np.cos(t))[:, None] * frame.axes[0]
            + (r * np.sin(t))[:, None] * frame.axes[1]
        )
        f.add(chain(np.concatenate([loop, loop[:1]]), [spec.rim_mm] * 25), 1.5)
    elif spec.rim == "square":
        flat = polygon("square", r * oval[0] + spec.rim_mm, r + spec.rim_mm)
        f.add(prism(frame, flat, half, spec.edge), 2.0)
    else:
        more = spec.rim_mm * (1.0 if spec.rim == "collar" else 2.0)
        f.add(
            prism(frame, ellipse * (r + more), half if spec.rim == "collar" else min(half, 4.0), spec.edge),
            2.0,
        )


def bosses(spec: UnitSpec, lay: Layout, f: Field, rng: np.random.Generator, sign: float) -> None:
    """Small bosses and pads of no function that any casting has."""
    for _ in range(spec.bosses):
        azimuth, height = float(rng.uniform(-130, 130)), float(rng.uniform(0.15, 0.8))
        radius, stand = float(rng.uniform(2.5, 6.0)), float(rng.uniform(1.0, 5.0))
        pad = bool(rng.uniform() < 0.3)
        side = level(azimuth)
        if sign < 0:
            at = lay.bowl + vec(side[0] * lay.bowl_x, lay.floor * height, side[2] * lay.bowl_z)
        else:
            at = lay.throat + side * lay.barrel_radius + vec(0, lay.top * (0.35 + 0.4 * height), 0)
        if pad:
            f.add(block(aim(at, side), (radius * 1.3, radius * 0.8, 1.0 + 0.4 * stand), 0.8), 2.0)
        else:
            f.add(rod(at - side * 5.0, at + side * stand, radius, edge=0.8), 0.6 * spec.fillet)


def parting(f: Field, spec: UnitSpec) -> None:
    """Raise the ridge that the mould's halves leave, and nothing else."""
    if spec.parting_mm > 0:
        near = np.exp(-(((f.axes[0] - spec.parting_offset) / 1.0) ** 2)).astype(np.float32)
        f.values -= np.float32(spec.parting_mm) * near[:, None, None]


def spotfaces(spec: UnitSpec, lay: Layout, f: Field, sign: float) -> None:
    """Clear the faces on which the heads sit, if they sit on this casting, and drill empty holes."""
    heads_here = (spec.screw_side == "above") == (sign > 0)
    size = HEADS[spec.screw_head][spec.screw_size]
    thick = spec.joint_upper_mm if sign > 0 else spec.joint_lower_mm
    for i, spot in enumerate(lay.screws):
        if i == 4 and not has_ear(spec):
            continue
        face = ear_face(spec, lay, sign) if i == 4 else sign * (lay.gap + thick + 0.6)
        start = spot + vec(0, face - sign * 0.15, 0)
        if heads_here or (i == 4 and sign > 0):
            tall = size.height + (1.5 if spec.washer != "none" else 0.0)
            # deep enough for a screwdriver, but never through the horn below the front screws and the ear
            reach = tall + (18.0 if spec.spotface and (sign > 0 or 2 <= i < 4) else 0.7)
            wide = size.diameter / 2 + (1.6 if i < 4 else 1.2)
            f.cut(rod(start, start + vec(0, sign * reach, 0), wide), 0.5)
        drilled = i == 4 and spec.era == Era.ALLOY4 and spec.ear_hole
        if drilled or (i < 4 and (spec.present != "whole" or spec.missing_screw == i + 1)):
            f.cut(rod(spot + vec(0, -30, 0), spot + vec(0, 30, 0), size.thread / 2 + 0.25))


def ear_face(spec: UnitSpec, lay: Layout, sign: float) -> float:
    """Height of the ear's outer face on one casting."""
    return sign * (lay.gap + (spec.ear_upper_mm if sign > 0 else spec.ear_lower_mm))


def finish_lower(spec: UnitSpec, lay: Layout, f: Field) -> None:
    """Parting line, ear, cavities and machined faces of the lower casting."""
    parting(f, spec)
    low, high = vec(*(a[0] for a in f.axes)), vec(*(a[-1] for a in f.axes))
    if has_ear(spec):
        f.add(ear_solid(spec, lay, -1.0), 0.4 * spec.fillet)
    inner = list(lay.horn_inner)
    f.cut(beyond(lay.mouth, lay.mouth_direction, lay.mouth - 60, lay.mouth + 60), 0.6)
    f.cut(chain(lay.horn_path, inner, spec.horn_oval, 0.0), 0.8)
    if spec.present == "lower":
        for solid in bowl_wall(spec, lay, spec.wall, 8.0, lay.floor + spec.wall):
            f.cut(solid, 1.0)
    if spec.era != Era.IRON and spec.tube == "absent" and spec.tube_hole == "open":
        f.cut(rod(lay.under + vec(0, -3, 0), lay.under + vec(0, 14, 0), 4.6))
    f.cut(beyond(vec(0, -lay.gap, 0), vec(0, 1, 0), low, high), 0.4)
    f.cut(beyond(lay.under, vec(0, -1, 0), lay.under - vec(18, 8, 18), lay.under + vec(18, 0, 18)), 0.4)
    spotfaces(spec, lay, f, -1.0)


def upper_field(spec: UnitSpec, lay: Layout, rng: np.random.Generator) -> Field:
    """The upper casting: joint flange, bowl cover, throttle barrel, top flange, ear."""
    reach = lay.flange_half + 14.0
    wide = max(lay.half_x, reach * abs(lay.flange_direction[0]), lay.barrel_radius + 14.0) + 10.0
    back = min(-lay.half_z, lay.throat[2] - reach * abs(lay.flange_direction[2])) - 14.0
    front = max(
        lay.half_z + lay.ear_out,
        lay.throat[2] + reach * abs(lay.flange_direction[2]),
        lay.throat[2] + lay.barrel_radius + 12,
    )
    f = Field(vec(-wide, -6.0, back), vec(wide, lay.top + 6.0, front + 8.0), STEP)
    k = spec.fillet
    joint_plate(spec, lay, f, 1.0)
    base = lay.gap + spec.joint_upper_mm
    cover = min(
        spec.cover_height * spec.size * (0.5 if spec.cover == "low" else 1.0),
        lay.top - spec.flange_mm - base - 6.0,
    )
    shape = {"round": "round", "box": "box", "low": spec.bowl, "barrel": "oval"}[spec.cover]
    outline = polygon(shape, lay.bowl_x * 0.9, lay.bowl_z * 0.95)
    f.add(
        prism(
            plan((base + cover) / 2, lay.bowl[2]),
            outline,
            (base + cover) / 2,
            min(3.5, cover * 0.6),
            0.0,
            -spec.draft_deg,
        ),
        k,
    )
    # barrel
    r = lay.barrel_radius
    top = lay.throat + vec(0, lay.top, 0)
    if spec.barrel == "boxed":
        f.add(prism(plan(lay.top / 2, lay.throat[2]), polygon("square", r, r), lay.top / 2, 1.0), k)
    elif spec.barrel == "necked":
        middle = lay.throat + vec(0, lay.top * 0.5, 0)
        f.add(rod(lay.throat, middle, r * 1.12, r * 0.92), k)
        f.add(rod(middle, top, r * 0.92), k)
    else:
        f.add(rod(lay.throat, top, r), k)
    for i in range(spec.barrel_ribs):
        side = level(360.0 * i / spec.barrel_ribs + 40.0)
        f.add(
            block(aim(lay.throat + side * (r + 2) + vec(0, base + 5, 0), side), (1.6, 9.0, 7.0), 1.0), 0.6 * k
        )
    flange(spec, lay, f)
    bosses(spec, lay, f, rng, 1.0)
    for start, end, radius in control_bosses(spec, lay):
        f.add(rod(start, end, radius, edge=0.7), 0.6 * k)
    if spec.vent == "stub":
        f.add(rod(lay.bowl + vec(4, base, -4), lay.bowl + vec(4, base + cover + 7, -4), 4.0, edge=1.0), 2.0)
    parting(f, spec)
    if has_ear(spec):
        f.add(ear_solid(spec, lay, 1.0), 0.4 * spec.fillet)
    low, high = vec(*(a[0] for a in f.axes)), vec(*(a[-1] for a in f.axes))
    f.cut(rod(lay.throat + vec(0, -8, 0), top + vec(0, 8, 0), lay.throat_radius), 0.6)
    if spec.present == "upper":
        f.cut(
            prism(
                plan(0, lay.bowl[2]),
                polygon(spec.bowl, lay.bowl_x - spec.wall, lay.bowl_z - spec.wall),
                lay.gap + 0.6 * base,
            ),
            0.6,
        )
    for sign in (-1.0, 1.0):
        stud = top + lay.flange_direction * (sign * lay.flange_half)
        f.cut(rod(stud + vec(0, -14, 0), stud + vec(0, 8, 0), 4.1))
    f.cut(beyond(vec(0, lay.top, 0), vec(0, 1, 0), low, high), 0.4)
    f.cut(beyond(vec(0, lay.gap, 0), vec(0, -1, 0), low, high), 0.4)
    spotfaces(spec, lay, f, 1.0)
    return f


def flange(spec: UnitSpec, lay: Layout, f: Field) -> None:
    """The two-stud flange at the top."""
    u = lay.flange_direction
    frame_axes = np.stack([u, np.cross(vec(0, 1, 0), u), vec(0, 1, 0)])
    from_face = Frame(lay.flange_centre - vec(0, spec.flange_mm / 2 - 1.0, 0), frame_axes)
    half, r, lug = spec.flange_mm / 2 + 1.0, lay.barrel_radius + 1.0, 9.0
    if spec.flange in ("oval", "round"):
        wide = lay.flange_half + lug
        flat = polygon("oval", wide, wide * (0.92 if spec.flange == "round" else 0.68))
    elif spec.flange == "rect":
        flat = polygon("rect", lay.flange_half + lug, r)
    elif spec.flange == "stadium":
        a = np.linspace(-math.pi / 2, math.pi / 2, 17)
        cap = np.stack([lay.flange_half + lug - r * 0.8 + r * 0.8 * np.cos(a), r * 0.9 * np.sin(a)], 1)
        flat = np.concatenate([cap, -cap])
    else:  # round body with two ears, straight (diamond) or waisted (lobed) sides between them
        a = np.linspace(-1.2, 1.2, 13)
        cap = np.stack([lay.flange_half + lug * np.cos(a), lug * np.sin(a)], 1)
        t = np.linspace(1.25, math.pi - 1.25, 9)
        side = np.stack([r * np.cos(t), r * np.sin(t)], 1)
        dip = np.array([[lay.flange_half * 0.72, lug * 0.72]]) if spec.flange == "lobed" else np.zeros((0, 2))
        half_ring = np.concatenate([cap, dip, side, (dip * [-1, 1])])
        flat = np.concatenate([half_ring, -half_ring])
    f.add(prism(from_face, flat, half, spec.edge), 0.8 * spec.fillet)


def control_bosses(spec: UnitSpec, lay: Layout) -> list[tuple[Vec, Vec, float]]:
    """Bosses of throttle shaft, idle screw and fuel inlet on the upper casting: start, end, radius."""
    out = []
    axis = throttle_axis(spec)
    centre = lay.throat + vec(0, throttle_height(spec, lay), 0)
    reach = lay.barrel_radius + 5.0
    out.append((centre - axis * reach, centre + axis * reach, 6.5))
    if spec.idle != "none":
        side = level(180.0 - spec.idle_azimuth_deg)
        at = lay.throat + vec(0, lay.top * spec.idle_height, 0)
        out.append((at, at + side * (lay.barrel_radius + 4.0), 5.0))
    if spec.inlet != "none":
        start, end = inlet_axis(spec, lay)
        out.append((start, end, 8.5))
    return out


def casting(
    name: str, f: Field, spec: UnitSpec, lay: Layout, sign: float, rng: np.random.Generator
) -> list[RawPart]:
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
    box = np.all((middle > ear.low - 1.0) & (middle < ear.high + 1.0), axis=1) & (
        middle[:, 2] > lay.half_z - 3.0
    )
    index = np.flatnonzero(box)
    d = ear.distance(*(middle[index, i] for i in range(3)))
    outline = polygon(spec.joint_outline, lay.half_x - joint_grow(spec), lay.half_z - joint_grow(spec))
    plate = polygon_distance(middle[index, 0], middle[index, 2], outline) - np.float32(joint_grow(spec))
    mine = np.zeros(len(faces), bool)
    mine[index[(d < 0.9) & (plate > 0.3)]] = True
    return [picked(body, ~mine, name), picked(body, mine, "front_ear")]


def picked(part: RawPart, keep: np.ndarray, name: str) -> RawPart:  # type: ignore[type-arg]
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


def gasket(spec: UnitSpec, lay: Layout, rng: np.random.Generator) -> RawPart:
    """The joint's gasket; only its edge shows."""
    grow = joint_grow(spec)
    out = spec.gasket_out
    f = Field(
        vec(-lay.half_x - 12, -3, -lay.half_z - 12),
        vec(lay.half_x + 12, 3, lay.half_z + lay.ear_out + 6),
        1.3,
    )
    half = max(lay.gap, 0.35) + 0.02
    f.add(
        prism(
            plan(0), polygon(spec.joint_outline, lay.half_x - grow, lay.half_z - grow), half, 0.0, grow + out
        )
    )
    for spot in lay.screws[:4]:
        f.add(rod(spot + vec(0, -half, 0), spot + vec(0, half, 0), spec.corner_boss + out))
    if has_ear(spec):
        ear = ear_solid(spec, lay, 1.0)
        f.add(
            Solid(
                ear.low - 2,
                ear.high + 2,
                lambda x, y, z: np.maximum(
                    ear.distance(x, y * 0 + np.float32(lay.gap + 2), z) - np.float32(out),
                    np.abs(y) - np.float32(half),
                ),
            )
        )
    vertices, faces = f.mesh()
    if spec.gasket == "squeezed":
        flat = vertices * [1, 0, 1]
        away = flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-6)
        vertices = (vertices + away * (fbm(vertices, 6.0, 2, spec.seed) * 1.2)[:, None]).astype(np.float32)
    material = {"paper": "paper", "cork": "cork", "dark": "dark", "squeezed": "dark"}[spec.gasket]
    return raw("gasket", material, vertices, faces)


def joint_screws(
    spec: UnitSpec, lay: Layout, rng: np.random.Generator
) -> tuple[list[RawPart], dict[str, Floats], tuple[str, ...]]:
    """Heads, thread ends and their landmarks; names of the screws that are there."""
    out: list[RawPart] = []
    marks: dict[str, Floats] = {}
    names = []
    sign = 1.0 if spec.screw_side == "above" else -1.0
    size = HEADS[spec.screw_head][spec.screw_size]
    shape = screw_shape(spec.screw_head, size, spec.washer, spec.hardware)
    odd = (
        screw_shape(spec.odd_head, HEADS["pan"][spec.screw_size], spec.washer, "zinc")
        if spec.odd_screw
        else None
    )
    thick = spec.joint_upper_mm if sign > 0 else spec.joint_lower_mm
    other = spec.joint_lower_mm if sign > 0 else spec.joint_upper_mm
    single = spec.present != "whole"
    for i, spot in enumerate(lay.screws):
        turn = float(rng.uniform(0, 180))
        drop = bool(rng.uniform() < 0.5)
        if i == 4 and spec.era != Era.ALLOY5:
            continue
        # a single casting has lost some of its screws; the ear's stays (stuck), so that it still tells
        if i < 4 and (spec.missing_screw == i + 1 or (single and drop)):
            continue
        face = ear_face(spec, lay, sign) if i == 4 else sign * (lay.gap + thick + 0.45)
        end = ear_face(spec, lay, -sign) if i == 4 else -sign * (lay.gap + other + 0.6)
        if spec.present == "lower":
            face, end = (-lay.gap, end) if sign > 0 else (face, lay.gap)
        elif spec.present == "upper":
            face, end = (face, -lay.gap) if sign > 0 else (lay.gap, end)
        frame = aim(spot + vec(0, face - sign * 0.1, 0), vec(0, sign, 0), turn)
        out.append(
            moved(
                f"joint_screw_{i + 1}",
                odd if odd is not None and spec.odd_screw == i + 1 and i < 4 else shape,
                frame,
            )
        )
        marks[f"screw_{i + 1}"] = np.float32(frame.origin + vec(0, sign * size.height * 0.6, 0))
        names.append(f"joint_screw_{i + 1}")
        if spec.thread_out > 0.3 and i < 4:
            stick = spec.thread_out + (4.0 if single else 0.0)
            out.append(
                thread_end(
                    f"screw_thread_{i + 1}",
                    spec.hardware,
                    aim(spot + vec(0, end, 0), vec(0, -sign, 0)),
                    size.thread / 2,
                    stick,
                )
            )
    return out, marks, tuple(names)


def zones(
    raws: list[RawPart], spec: UnitSpec, lay: Layout, jet: JetPlace | None, lower_on: bool
) -> dict[str, Zone]:
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


def take(
    points: Floats, normals: Floats, mask: np.ndarray, rng: np.random.Generator, count: int = 120
) -> Zone:  # type: ignore[type-arg]
    """Up to ``count`` of the masked points as a zone."""
    index = np.flatnonzero(mask)
    if len(index) > count:
        index = np.sort(rng.choice(index, count, replace=False))
    return Zone(points[index], normals[index])
