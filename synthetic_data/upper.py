"""The upper casting: bowl cover, throttle barrel, top flange, and the bosses of what is screwed into it."""

from __future__ import annotations

import math

import numpy as np

from .joint import ear_solid, has_ear, joint_plate, spotfaces
from .layout import Layout, inlet_axis, level, plan, throttle_axis, throttle_height
from .lower import bosses, parting
from .solids import (
    STEP,
    Field,
    Frame,
    Vec,
    aim,
    beyond,
    block,
    polygon,
    prism,
    rod,
    vec,
)
from .unit import UnitSpec


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
        f.add(block(aim(lay.throat + side * (r + 2) + vec(0, base + 5, 0), side), (1.6, 9.0, 7.0), 1.0), 0.6 * k)
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
    # a clearance cut never opens the barrel
    f.add(rod(lay.throat + vec(0, lay.gap, 0), top, lay.throat_radius + 2.2))
    f.cut(rod(lay.throat + vec(0, -8, 0), top + vec(0, 8, 0), lay.throat_radius), 0.6)
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
