"""Look-alikes that fuel, water or oil runs through: pumps, filters, housings."""

from __future__ import annotations

import math

import numpy as np

from .kin_fittings import barb, bolts_on, cast, circle, flange, marks, sawn, screw, stud, tube
from .near_kin import FLAT, FRONT, UP
from .pieces import RawPart, hardware, turned
from .solids import Frame, Solid, aim, ball, block, chain, polygon, prism, ring, rod, vec


def fuel_pump(rng: np.random.Generator) -> list[RawPart]:
    """A diaphragm sandwich: two domes, a ring of screws, a rocker arm and a mounting flange."""
    radius = float(rng.uniform(30, 42))
    count = int(rng.integers(5, 13))
    lower = float(rng.uniform(24, 40))
    solids: list[tuple[Solid, float]] = [
        (rod(vec(0, -3.2, 0), vec(0, 0, 0), radius, edge=0.8), 0.0),
        (rod(vec(0, -lower, 0), vec(0, -2, 0), radius * 0.5, radius * 0.86, edge=2), 3.0),
        (block(Frame(vec(0, -lower * 0.75, -radius * 0.6), FLAT.axes), (14, radius * 0.6, 11), 3), 5.0),
    ]
    plate, bolts = flange(vec(0, -lower * 0.75, -radius * 1.15), -FRONT, 24.0, 8.0, 8.0)
    solids.append((plate, 3.0))
    parts = [cast("lower", solids)]
    rise = float(rng.uniform(14, 30))
    top: list[tuple[Solid, float]] = [
        (rod(vec(0, 1.2, 0), vec(0, 4.6, 0), radius, edge=0.8), 0.0),
        (rod(vec(0, 3, 0), vec(0, rise, 0), radius * 0.84, radius * float(rng.uniform(0.45, 0.75)), edge=4), 3.0),
    ]
    ports = []
    first = float(rng.uniform(0, 2 * math.pi))
    for angle in (first, first + math.pi + float(rng.normal(0, 0.5))):
        way = vec(math.cos(angle), 0.1, math.sin(angle))
        start = vec(0, rise * 0.6, 0) + way * radius * 0.55
        top.append((rod(vec(0, rise * 0.6, 0), start + way * 7, 7.5, edge=0.8), 3.0))
        ports.append(barb(start + way * 7, way, float(rng.uniform(3.5, 5)), 18.0))
    if rng.random() < 0.6:
        top += [(s, 0.8) for s in marks(rng, vec(0, rise, 0), UP, radius, 7.0)]
    parts.append(cast("upper", top))
    parts.append(
        turned(
            "gasket",
            str(rng.choice(["dark", "paper", "cork", "black"])),
            aim(vec(0, 0, 0), UP),
            [(0, 0), (0, radius + 0.6), (1.2, radius + 0.6), (1.2, 0)],
            40,
        )
    )
    parts += bolts_on(
        rng, circle(vec(0, 4.6, 0), UP, radius * 0.9, count), UP, 4.6, str(rng.choice(["slotted", "pan", "hex"]))
    )
    parts += bolts_on(rng, [b + FRONT * 8 for b in bolts], FRONT, 7.5, "hex", missing=0.5)
    arm = np.array(
        [vec(0, -lower * 0.75, -radius), vec(0, -lower * 0.7, -radius * 1.6), vec(0, -lower * 0.95, -radius * 2.1)]
    )
    parts.append(hardware("arm", "steel", [chain(arm, [5.5, 4.5, 6])], [], 1.2, 1.0))
    return [*parts, *ports]


def thermostat_housing(rng: np.random.Generator) -> list[RawPart]:
    """A dome on a two- or three-bolt flange with a hose neck turned to one side."""
    radius = float(rng.uniform(24, 34))
    neck = float(rng.uniform(13, 19))
    turn = math.radians(float(rng.uniform(15, 80)))
    way = vec(math.cos(turn), math.sin(turn), rng.normal(0, 0.15))
    way /= np.linalg.norm(way)
    bend = vec(0, float(rng.uniform(16, 26)), 0)
    end = bend + way * float(rng.uniform(34, 58))
    plate, bolts = flange(vec(0, 0, 0), UP, radius + 10, 8.0, 10.0)
    solids: list[tuple[Solid, float]] = [
        (plate, 0.0),
        (ball(vec(0, 2, 0), radius, (1, 0.85, 1)), 4.0),
        (chain(np.array([vec(0, 6, 0), bend, end]), [neck + 3, neck + 3.5, neck]), 8.0),
        (ring(aim(end - way * 4, way), neck - 0.5, 2.0), 1.0),
        (rod(vec(-radius * 0.5, 12, radius * 0.5), vec(-radius * 0.8, 26, radius * 0.8), 7.5, edge=1), 4.0),
    ]
    cuts = [
        chain(np.array([vec(0, 0, 0), bend, end + way * 8]), [neck - 3.4] * 3),
        rod(vec(0, -20, 0), vec(0, 2, 0), radius * 0.75),
    ]
    cuts += [rod(b - UP * 20, b + UP * 20, 4.4) for b in bolts]
    cuts.append(sawn(end, way, neck * 1.6))
    if rng.random() < 0.5:
        solids += [(s, 0.8) for s in marks(rng, vec(0, radius * 0.6, radius * 0.7), vec(0, 0.5, 1), 34.0, 7.0)]
    parts = [cast("body", solids, cuts)]
    parts.append(screw(rng, vec(-radius * 0.8, 26, radius * 0.8), vec(-0.3, 0.7, 0.3), 11.0, "hex", "brass"))
    parts += bolts_on(rng, bolts, UP, 8.0, "hex", missing=0.4)
    if rng.random() < 0.4:
        hose = [end - way * 8, end + way * 22, end + way * 40 + vec(12, -10, 8)]
        parts.append(tube("hose", "rubber", hose, neck + 3.5))
        parts.append(
            turned(
                "clamp",
                "steel",
                aim(end - way * 5, way),
                [(0, neck + 3), (0, neck + 4.6), (9, neck + 4.6), (9, neck + 3)],
                36,
            )
        )
    return parts


def oil_filter(rng: np.random.Generator) -> list[RawPart]:
    """A spin-on can with a fluted end, or its base plate with a threaded hole up."""
    radius, high = float(rng.uniform(33, 48)), float(rng.uniform(66, 112))
    sides = int(rng.integers(12, 17))
    flutes = [
        chain(np.array([vec(c[0], high * 0.74, c[2]), vec(c[0], high + 9, c[2])]), [3.6, 3.6])
        for c in circle(vec(0, 0, 0), UP, radius + 1.5, sides)
    ]
    can: list[tuple[Solid, float]] = [
        (rod(vec(0, 3, 0), vec(0, high, 0), radius, radius * 0.97, edge=9), 0.0),
        (ring(aim(vec(0, 4, 0), UP), radius, 2.2), 1.0),
    ]
    parts = [cast("can", can, flutes, step=1.7, material="painted")]
    base = [(0.0, 8.0), (0.0, radius - 9), (-2, radius - 8), (-2, radius - 3), (0, radius - 2), (3, radius), (3, 0)]
    parts.append(turned("base", "zinc", aim(vec(0, 0, 0), UP), [(3, 0), *base], 40))
    parts.append(hardware("seal", "rubber", [ring(aim(vec(0, -1.5, 0), UP), radius - 8, 2.6)], [], 1.1))
    parts.append(turned("hole", "dark", aim(vec(0, 0, 0), UP), [(-0.4, 0), (-0.4, 9), (2, 9)], 24))
    if rng.random() < 0.4:
        plate, bolts = flange(vec(0, -12, 0), -UP, radius + 6, 10, 9)
        parts.append(
            cast(
                "head",
                [
                    (plate, 0.0),
                    (rod(vec(0, -30, 0), vec(0, -3, 0), radius * 0.9, edge=2), 3.0),
                    (rod(vec(-radius - 12, -20, 0), vec(radius + 12, -20, 0), 11, edge=1), 4.0),
                ],
            )
        )
        parts += bolts_on(rng, bolts, -UP, 8.0, "hex", missing=0.4)
    return parts


def filter_bowl(rng: np.random.Generator) -> list[RawPart]:
    """A fuel filter: head with two ports, bowl of glass or metal below, bail wire or bottom nut."""
    radius, deep = float(rng.uniform(22, 32)), float(rng.uniform(34, 64))
    head: list[tuple[Solid, float]] = [
        (rod(vec(0, 0, 0), vec(0, 16, 0), radius + 4, radius + 1, edge=2), 0.0),
        (rod(vec(-radius - 12, 11, 0), vec(radius + 12, 11, 0), 10, edge=1), 4.0),
        (rod(vec(0, 12, 0), vec(0, 24, 0), 10, edge=1.5), 3.0),
    ]
    if rng.random() < 0.5:
        head.append((block(Frame(vec(0, 16, -radius - 6), FLAT.axes), (18, 6, 14), 2), 4.0))
    parts = [cast("head", head)]
    profile = [
        (-deep, 0.0),
        (-deep, radius * 0.55),
        (-deep * 0.88, radius * 0.86),
        (-deep * 0.7, radius * 0.95),
        (-4, radius),
        (-3, radius + 2),
        (0, radius + 2),
        (0, 0),
    ]
    parts.append(
        turned("bowl", str(rng.choice(["glass", "glass", "zinc", "casting"])), aim(vec(0, 0, 0), UP), profile, 40)
    )
    parts.append(hardware("gasket", "cork", [ring(aim(vec(0, 0.2, 0), UP), radius + 1, 2.0)], [], 1.1))
    if rng.random() < 0.6:
        bail = [
            vec(-radius - 5, 8, 0),
            vec(-radius - 4, -deep * 0.6, 0),
            vec(-radius * 0.4, -deep - 8, 0),
            vec(radius * 0.4, -deep - 8, 0),
            vec(radius + 4, -deep * 0.6, 0),
            vec(radius + 5, 8, 0),
        ]
        parts.append(tube("bail", "steel", bail, 1.5))
        parts.append(turned("knob", "brass", aim(vec(0, -deep, 0), -UP), [(0, 7), (5, 9), (9, 9), (9, 0)], 12))
    else:
        parts.append(screw(rng, vec(0, -deep, 0), -UP, 10.0, "hex", "brass"))
    for s in (-1, 1):
        if rng.random() < 0.75:
            parts.append(barb(vec(s * (radius + 12), 11, 0), vec(s, 0, 0), 4.5, 20.0))
    return parts


def water_pump(rng: np.random.Generator) -> list[RawPart]:
    """A round body with a cover plate and its screws, two ports, a shaft with or without a pulley."""
    radius, half = float(rng.uniform(28, 40)), float(rng.uniform(16, 26))
    solids: list[tuple[Solid, float]] = [
        (rod(vec(0, 0, -half), vec(0, 0, half), radius, edge=1.5), 0.0),
        (rod(vec(0, 0, -half - 34), vec(0, 0, -half + 4), radius * 0.5, radius * 0.62, edge=2), 6.0),
    ]
    cuts: list[Solid] = []
    for s in (-1, 1):
        start, end = vec(s * radius * 0.6, radius * 0.5, 0), vec(s * (radius * 0.8 + 6), radius + 26, 0)
        if rng.random() < 0.5:
            start, end = vec(s * radius * 0.5, 0, 0), vec(s * (radius + 26), rng.normal(0, 4), 0)
        solids.append((chain(np.array([start, end]), [12, 11.5]), 5.0))
        solids.append((ring(aim(end - (end - start) * 0.08, end - start), 11.5, 2.0), 1.0))
        cuts.append(rod(start + (end - start) * 0.5, end + (end - start), 8.5))
        cuts.append(sawn(end, end - start, 20.0))
    if rng.random() < 0.7:
        plate, _ = flange(vec(0, -radius - 4, -half), -UP, 30.0, 8.0, 8.0)
        solids += [(plate, 3.0), (block(Frame(vec(0, -radius * 0.8, -half), FLAT.axes), (18, 8, 10), 2), 4.0)]
    parts = [cast("body", solids, cuts, material=str(rng.choice(["casting", "brass"])))]
    count = int(rng.integers(4, 7))
    cover = [rod(vec(0, 0, half), vec(0, 0, half + 2.6), radius + 0.5, edge=0.5)]
    cover += marks(rng, vec(0, 0, half + 2.6), FRONT, radius, 7.0) if rng.random() < 0.4 else []
    parts.append(hardware("cover", str(rng.choice(["brass", "casting"])), cover, [], 1.2))
    parts.append(
        turned(
            "gasket",
            "paper",
            aim(vec(0, 0, half - 0.4), FRONT),
            [(0, 0), (0, radius + 0.8), (0.8, radius + 0.8), (0.8, 0)],
            40,
        )
    )
    parts += bolts_on(
        rng,
        circle(vec(0, 0, half + 2.6), FRONT, radius * 0.86, count, 30),
        FRONT,
        5.0,
        str(rng.choice(["slotted", "hex", "pan"])),
        str(rng.choice(["brass", "steel"])),
    )
    parts.append(
        turned("shaft", "steel", aim(vec(0, 0, -half - 30), -FRONT), [(0, 7), (22, 7), (22, 6), (34, 6), (34, 0)], 18)
    )
    if rng.random() < 0.5:
        r = float(rng.uniform(26, 40))
        parts.append(
            turned(
                "pulley",
                str(rng.choice(["zinc", "casting", "painted"])),
                aim(vec(0, 0, -half - 62), FRONT),
                [
                    (0, 0),
                    (0, r),
                    (2, r),
                    (7, r * 0.75),
                    (12, r),
                    (14, r),
                    (14, r * 0.6),
                    (10, r * 0.3),
                    (16, r * 0.3),
                    (16, 0),
                ],
                40,
            )
        )
    return parts


def regulator(rng: np.random.Generator) -> list[RawPart]:
    """A flat round diaphragm can with a bolted rim, ports and an adjusting screw."""
    radius = float(rng.uniform(30, 46))
    solids: list[tuple[Solid, float]] = [
        (rod(vec(0, -4, 0), vec(0, 4, 0), radius, edge=1), 0.0),
        (rod(vec(0, 0, 0), vec(0, float(rng.uniform(16, 26)), 0), radius * 0.8, radius * 0.5, edge=3), 4.0),
        (rod(vec(0, -float(rng.uniform(20, 32)), 0), vec(0, 0, 0), radius * 0.55, radius * 0.8, edge=3), 4.0),
        (rod(vec(-radius - 8, -14, 0), vec(radius + 8, -14, 0), 9, edge=1), 4.0),
        (rod(vec(0, 14, 0), vec(0, 34, 0), radius * 0.3, edge=1), 3.0),
    ]
    parts = [cast("body", solids, [rod(vec(s * radius, -14, 0), vec(s * radius * 2, -14, 0), 5.5) for s in (-1, 1)])]
    parts += bolts_on(
        rng,
        circle(vec(0, 4, 0), UP, radius * 0.92, int(rng.integers(4, 9))),
        UP,
        4.8,
        str(rng.choice(["hex", "slotted", "pan"])),
    )
    parts += [stud(rng, vec(0, 34, 0), UP, 7.0, 20.0), screw(rng, vec(0, 34, 0), UP, 7.0, "nut")]
    for s in (-1, 1):
        if rng.random() < 0.6:
            parts.append(barb(vec(s * (radius + 8), -14, 0), vec(s, 0, 0), 4.5, 18.0))
    return parts


def exhaust_elbow(rng: np.random.Generator) -> list[RawPart]:
    """A heavy cast elbow with a four- or two-bolt flange and a side boss with a plug."""
    radius = float(rng.uniform(22, 30))
    bend = vec(0, radius * 1.8, 0)
    end = bend + vec(radius * 2.0, radius * float(rng.uniform(-0.6, 1.2)), 0)
    solids: list[tuple[Solid, float]] = [
        (
            prism(
                Frame(vec(0, 0, 0), FLAT.axes),
                polygon(str(rng.choice(["rect", "box", "octagon"])), radius * 1.7, radius * 1.5),
                6,
                edge=1,
            ),
            0.0,
        ),
        (chain(np.array([vec(0, 0, 0), bend, end]), [radius * 1.15, radius * 1.25, radius]), 6.0),
        (rod(vec(0, radius, radius * 0.8), vec(0, radius, radius * 1.6), 11, edge=1), 4.0),
    ]
    cuts: list[Solid] = [
        chain(np.array([vec(0, -20, 0), bend, end + (end - bend)]), [radius * 0.85, radius * 0.85, radius * 0.8])
    ]
    cuts.append(sawn(end, end - bend, radius * 1.7))
    solids += [(s, 0.8) for s in marks(rng, bend + vec(0, 4, radius * 1.2), FRONT, radius * 1.6, 9.0)]
    parts = [cast("body", solids, cuts, step=2.0)]
    corners = [vec(sx * radius * 1.4, 6, sz * radius * 1.2) for sx in (-1, 1) for sz in (-1, 1)]
    parts += bolts_on(rng, corners, UP, 9.0, "nut", missing=0.3)
    parts.append(screw(rng, vec(0, radius, radius * 1.6), FRONT, 12.0, "hex", "brass"))
    return parts
