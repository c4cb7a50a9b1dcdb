"""Shafts, levers, springs, idle screw, fuel inlet, studs, spacer, arrester."""

from __future__ import annotations

import math

import numpy as np

from .jets import hex_head, knurled_profile, plug, turned_knurl
from .layout import Layout, inlet_axis, level, throttle_axis, throttle_height
from .pieces import RawPart, hardware, joined, smooth_path, sweep, turned
from .solids import Frame, Solid, Vec, aim, block, polygon, prism, rod, vec
from .unit import UnitSpec


def controls(spec: UnitSpec, lay: Layout, lower_on: bool, upper_on: bool) -> list[RawPart]:
    """Throttle, idle screw and inlet (upper casting), choke (lower casting)."""
    out: list[RawPart] = []
    if upper_on:
        out += throttle(spec, lay)
        out += idle_screw(spec, lay)
        out += fuel_inlet(spec, lay)
    if lower_on:
        out += choke(spec, lay)
    return out


def lever(part: str, material: str, hub: Vec, axis: Vec, turn_deg: float, length: float, kind: str) -> RawPart:
    """A flat lever on a shaft's end; ``kind`` is straight, two_arm, sector or ball."""
    frame = aim(hub, axis, turn_deg)
    u, v = frame.axes[0], frame.axes[1]

    def arm(way: Vec, reach: float) -> Solid:
        side = np.cross(axis, way)
        across = np.array([[-5.0, 0.0], [-3.2, reach], [0.0, reach + 3.2], [3.2, reach], [5.0, 0.0], [0.0, -5.5]])
        return prism(Frame(hub, np.stack([side, way, axis])), across, 1.2, 0.5)

    solids = [rod(hub - axis * 2.5, hub + axis * 2.5, 6.0, edge=0.6), arm(u, length)]
    cuts = [rod(hub + u * length - axis * 4, hub + u * length + axis * 4, 1.9)]
    if kind == "two_arm":
        solids.append(arm(-0.4 * u + 0.917 * v, 0.6 * length))
    elif kind == "sector":
        a = np.linspace(-0.5, 0.9, 9)
        flat = np.concatenate([[[0, 0]], np.stack([0.8 * length * np.cos(a), 0.8 * length * np.sin(a)], 1)])
        solids.append(prism(frame, flat, 1.2, 0.5))
    elif kind == "ball":
        tip = hub + u * length
        solids.append(rod(tip, tip + axis * 7.0, 2.2))
        cuts = []
        ball_end = hardware(part, material, [rod(tip + axis * 6.0, tip + axis * 12.0, 4.2, edge=3.6)], [], 0.7)
        return joined(part, [hardware(part, material, solids, cuts, 0.75), ball_end])
    return hardware(part, material, solids, cuts, 0.75)


def spring(part: str, start: Vec, end: Vec, radius: float, turns: float) -> RawPart:
    """A coil spring between two points."""
    frame = aim(start, end - start)
    t = np.linspace(0, 1, int(14 * turns))
    a = t * turns * 2 * math.pi
    local = np.stack([radius * np.cos(a), radius * np.sin(a), t * float(np.linalg.norm(end - start))], 1)
    return sweep(part, "steel", frame.world(local).astype(np.float64), 0.55, 6)


def throttle(spec: UnitSpec, lay: Layout) -> list[RawPart]:
    """Shaft, lever, stop screw with its spring."""
    axis = throttle_axis(spec)
    centre = lay.throat + vec(0, throttle_height(spec, lay), 0)
    reach = lay.barrel_radius + 5.0
    pieces = [
        turned(
            "throttle",
            "steel",
            aim(centre - axis * (reach + 4.0), axis),
            [
                (0, 0.5),
                (0, 3.4),
                (0.5, 4.0),
                (2 * reach + 14.0, 4.0),
                (2 * reach + 15.0, 3.2),
                (2 * reach + 15.0, 0.5),
            ],
            20,
        )
    ]
    hub = centre + axis * (reach + 4.5)
    pieces.append(
        lever(
            "throttle",
            "steel",
            hub,
            axis,
            spec.throttle_lever_deg,
            spec.throttle_lever_mm,
            spec.throttle_lever,
        )
    )
    pieces.append(hardware("throttle", "steel", hex_head(aim(hub + axis * 2.5, axis, 13.0), 10.0, 3.5), [], 0.7))
    pieces.append(
        turned(
            "throttle",
            "steel",
            aim(centre - axis * (reach + 0.5), -axis),
            [(0, 6.0), (2.5, 6.0), (2.5, 1.0)],
            24,
        )
    )
    if spec.stop_screw:
        tangent = np.cross(axis, vec(0, 1, 0)) * (1.0 if spec.idle_azimuth_deg > 0 else -1.0)
        base = centre + axis * (reach + 1.0) + vec(0, -11.0, 0)
        lug = block(aim(base + tangent * 2.0, tangent), (4.0, 4.0, 3.0), 0.8)
        pieces.append(
            hardware(
                "throttle",
                "steel",
                [lug, block(aim(centre + axis * (reach + 1.0) + vec(0, -6, 0), axis), (3.4, 8.0, 1.2), 0.5)],
                [],
                0.75,
            )
        )
        pieces.append(
            turned(
                "throttle",
                "brass" if spec.hardware == "brass" else "steel",
                aim(base - tangent * 6.0, tangent),
                [(0, 0.5), (0, 2.0), (20, 2.0), (20, 3.6), (24, 3.6), (24, 0.5)],
                16,
            )
        )
        pieces.append(spring("throttle", base + tangent * 5.0, base + tangent * 13.5, 2.9, 5))
    return [joined("throttle", pieces)]


def idle_screw(spec: UnitSpec, lay: Layout) -> list[RawPart]:
    """Idle mixture screw with spring on the barrel."""
    if spec.idle == "none":
        return []
    side = level(180.0 - spec.idle_azimuth_deg)
    base = lay.throat + vec(0, lay.top * spec.idle_height, 0) + side * (lay.barrel_radius + 3.5)
    metal = "brass" if spec.hardware != "zinc" else "zinc"
    pieces = [
        turned("idle_screw", metal, aim(base, side), [(-2, 2.0), (11, 2.0)], 14),
        spring("idle_screw", base + side * 0.5, base + side * 9.0, 3.1, 5),
    ]
    head = aim(base + side * 9.0, side)
    if spec.idle == "slotted":
        body = rod(base + side * 9.0, base + side * 14.0, 4.0, edge=0.6)
        pieces.append(
            hardware(
                "idle_screw",
                metal,
                [body],
                [block(Frame(base + side * 14.0, head.axes), (6, 0.6, 1.8))],
                0.45,
            )
        )
    else:
        pieces.append(turned_knurl(metal, head, knurled_profile(6.0, 6.0)))
    return [joined("idle_screw", pieces)]


def fuel_inlet(spec: UnitSpec, lay: Layout) -> list[RawPart]:
    """Fuel inlet on the bowl cover: straight, elbow or strainer."""
    if spec.inlet == "none":
        return []
    start, end = inlet_axis(spec, lay)
    d = end - start
    d /= np.linalg.norm(d)
    metal = "brass" if spec.hardware != "zinc" else "zinc"
    pieces = [hardware("fuel_inlet", metal, hex_head(aim(end - d * 0.5, d, 20.0), 14.3, 6.0), [], 0.7)]
    tip = end + d * (6.0 + spec.inlet_mm)
    if spec.inlet == "straight":
        barbs: list[tuple[float, float]] = [(4, 4.6)]
        w = 8.0
        while w + 3.5 < 6.0 + spec.inlet_mm:
            barbs += [(w, 3.6), (w, 4.6), (w + 3.0, 3.6)]
            w += 3.0
        pieces.append(
            turned(
                "fuel_inlet",
                metal,
                aim(end, d),
                [*barbs, (6.0 + spec.inlet_mm, 3.4), (6.0 + spec.inlet_mm, 2.2), (spec.inlet_mm, 2.0)],
                20,
            )
        )
    elif spec.inlet == "elbow":
        corner = end + d * 11.0
        turn = aim(corner, d, spec.bar_turn_deg).axes[0] if spec.bar_turn_deg > 0 else vec(0, 1, 0)
        points = np.array(
            [
                end + d * 3.0,
                corner - d * 1.0,
                corner + turn * 3.0 + d * 1.5,
                corner + turn * (spec.inlet_mm + 2),
            ]
        )
        pieces.append(sweep("fuel_inlet", metal, smooth_path(points, 8), 4.6, 18))
        pieces.append(
            hardware(
                "fuel_inlet",
                metal,
                hex_head(aim(corner + turn * spec.inlet_mm, turn, 7.0), 12.0, 8.0),
                [],
                0.7,
            )
        )
    else:
        cup = end + d * 12.0
        run = 0.5 * float((tip - cup) @ d) + 4.0
        pieces.append(
            hardware(
                "fuel_inlet",
                metal,
                [
                    rod(end + d * 3, cup + d * 4, 5.0),
                    rod(cup + vec(0, -12, 0), cup + vec(0, 6, 0), 10.5, edge=2.0),
                    *hex_head(aim(cup + vec(0, 5, 0), vec(0, 1, 0)), 13.0, 6.0),
                ],
                [],
                0.8,
                1.0,
            )
        )
        pieces.append(
            turned(
                "fuel_inlet",
                metal,
                aim(cup + d * 8.0, d),
                [(0, 4.0), (run, 4.0), (run, 2.0)],
                18,
            )
        )
    return [joined("fuel_inlet", pieces)]


def choke(spec: UnitSpec, lay: Layout) -> list[RawPart]:
    """Choke shaft, plate and lever in the horn, near the mouth."""
    if spec.choke == "none":
        return []
    d = lay.mouth_direction
    span = lay.mouth[2] - lay.throat[2]
    centre = lay.mouth - d * min(13.0, 0.45 * span)
    axis = np.cross(vec(0, 1, 0), d) * float(spec.choke_side)
    axis /= np.linalg.norm(axis)
    reach = (lay.mouth_radius + lay.horn_wall) * spec.horn_oval + 3.0
    pieces = [
        turned(
            "choke",
            "steel",
            aim(centre - axis * (reach + 3.0), axis),
            [(0, 0.5), (0, 3.0), (2 * reach + 9.0, 3.0), (2 * reach + 9.0, 0.5)],
            18,
        )
    ]
    a = math.radians(90.0 - spec.choke_deg)
    normal = d * math.sin(a) + np.cross(axis, d) * math.cos(a)
    r = lay.mouth_radius - 0.8 - 0.15 * spec.horn_flare
    t = np.arange(32) * (2 * math.pi / 32)
    across = np.cross(normal, axis)
    flat = np.stack([r * spec.horn_oval * np.cos(t), r * np.sin(t)], 1)
    plate = prism(Frame(centre, np.stack([axis, across, normal])), flat, 0.9, 0.3)
    pieces.append(hardware("choke", "brass" if spec.hardware == "brass" else "steel", [plate], [], 1.1))
    hub = centre + axis * (reach + 2.0)
    if spec.choke in ("lever", "spring"):
        pieces.append(
            lever(
                "choke",
                "steel",
                hub,
                axis,
                spec.choke_lever_deg,
                spec.throttle_lever_mm * 0.75,
                "straight" if spec.choke == "lever" else "two_arm",
            )
        )
    if spec.choke == "spring":
        pieces.append(spring("choke", centre + axis * (reach - 4.0), hub - axis * 0.5, 4.4, 4))
    return [joined("choke", pieces)]


def top_hardware(spec: UnitSpec, lay: Layout) -> list[RawPart]:
    """Studs, nuts or bolts in the top flange, and a spacer on it."""
    out: list[RawPart] = []
    up = vec(0, 1, 0)
    lift = 0.0
    u = lay.flange_direction
    if spec.spacer != "none":
        lift = 13.0 if spec.spacer == "ported" else 9.0
        axes = np.stack([u, np.cross(up, u), up])
        body = prism(
            Frame(lay.flange_centre + up * (lift / 2 + 0.6), axes),
            polygon("rect", lay.flange_half + 8.5, lay.barrel_radius + 1.0),
            lift / 2,
            0.9,
        )
        out.append(
            hardware(
                "flange_spacer",
                "zinc" if spec.spacer == "ported" else "dark",
                [body],
                [rod(lay.flange_centre, lay.flange_centre + up * 30, lay.throat_radius)],
                1.6,
            )
        )
        if spec.spacer == "ported":  # the port that is not used is closed with a brass plug
            side = vec(-float(spec.tube_side), 0, 0)
            frame = aim(
                lay.flange_centre + up * 7.0 + side * (lay.flange_half + 7.5 if abs(u[0]) > 0.7 else lay.barrel_radius),
                side,
                9.0,
            )
            out.append(plug("port_plug", "brass", "square", frame, 11.0))
    metal = "steel" if spec.hardware == "brass" else spec.hardware
    if spec.studs == "holes":
        return out
    pieces: list[RawPart] = []
    for s in (-1.0, 1.0):
        spot = lay.flange_centre + u * (s * lay.flange_half)
        under = spot - up * spec.flange_mm
        if spec.studs in ("nuts", "bare"):
            profile: list[tuple[float, float]] = [
                (-spec.flange_mm - 9.0, 0.5),
                (-spec.flange_mm - 9.0, 3.4),
                (-spec.flange_mm - 8.0, 3.9),
            ]
            w = -spec.flange_mm - 8.0
            while w < spec.stud_length + lift:
                profile += [(w + 0.65, 3.5), (w + 1.3, 3.9)]
                w += 1.3
            pieces.append(turned("studs", metal, aim(spot, up), [*profile, (w + 0.5, 3.3), (w + 0.5, 0.5)], 16))
        if spec.studs == "nuts":
            pieces.append(
                hardware(
                    "studs",
                    metal,
                    [
                        rod(under, under - up * 1.4, 7.6),
                        *hex_head(aim(under - up * 1.2, -up, 17.0 * s), 12.7, 6.5),
                    ],
                    [],
                    0.75,
                )
            )
        if spec.studs == "bolts":
            pieces.append(
                hardware(
                    "studs",
                    metal,
                    [
                        *hex_head(aim(under, -up, 11.0 * s), 12.7, 5.5),
                        rod(under, spot + up * (lift + spec.stud_length), 3.9),
                    ],
                    [],
                    0.8,
                )
            )
    out.append(joined("studs", pieces))
    return out


def mouth_arrester(spec: UnitSpec, lay: Layout) -> list[RawPart]:
    """A flame arrester on the mouth: a can, or a short screen."""
    if spec.arrester == "none":
        return []
    d = lay.mouth_direction
    r = (lay.mouth_radius + lay.horn_wall) * max(spec.horn_oval, 1.0)
    frame = aim(lay.mouth - d * 5.0, d)
    if spec.arrester == "can":
        wide, deep = r + 16.0, 38.0
        profile: list[tuple[float, float]] = [(0, r + 0.5), (4, r + 1.5), (6, wide - 2), (8, wide)]
        for k in range(6):
            w = 9.0 + k * (deep - 12.0) / 6
            profile += [(w, wide), (w + 1.2, wide - 1.6), (w + 2.8, wide - 1.6), (w + 3.6, wide)]
        profile += [(deep - 2, wide), (deep, wide - 2.5), (deep + 1.5, wide * 0.5), (deep + 1.0, 0.5)]
        return [turned("arrester", "zinc", frame, profile, 56)]
    profile = [(0, r + 0.6), (0, r + 2.0)]
    for k in range(7):
        profile += [(2 + 2.4 * k, r + 2.0), (3.2 + 2.4 * k, r + 0.6)]
    profile += [(20, r + 2), (21, r), (19.5, r - 3), (19.0, 0.5)]
    return [turned("arrester", "brass", frame, profile, 56)]
