"""Shapes of engine parts that lie on the same benches: pumps, filters, valves, electrics, fittings, brackets."""

from __future__ import annotations

import math

import numpy as np

from .kin_fittings import HEX, barb, bolts_on, cast, circle, flange, lever, marks, screw, spring, stud, tube
from .near_kin import FLAT, FRONT, RIGHT, UP
from .solids import (
    Frame,
    RawPart,
    Solid,
    Vec,
    aim,
    ball,
    block,
    chain,
    hardware,
    joined,
    polygon,
    prism,
    ring,
    rod,
    turned,
    vec,
)


def _hex_end(at: Vec, way: Vec, radius: float, length: float, part: str = "body", material: str = "casting") -> RawPart:
    """A hexagon with a bore and a thread mouth, as on a valve or union."""
    f = aim(at, way)
    body = prism(Frame(at + f.axes[2] * length / 2, f.axes), HEX * radius, length / 2, edge=1.0)
    return hardware(
        part, material, [body], [rod(at + f.axes[2] * length * 0.2, at + f.axes[2] * (length + 3), radius * 0.62)], 1.0
    )


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
    parts.append(turned("gasket", str(rng.choice(["dark", "paper", "cork", "black"])), aim(vec(0, 0, 0), UP),
                        [(0, 0), (0, radius + 0.6), (1.2, radius + 0.6), (1.2, 0)], 40))  # fmt: skip
    parts += bolts_on(
        rng, circle(vec(0, 4.6, 0), UP, radius * 0.9, count), UP, 4.6, str(rng.choice(["slotted", "pan", "hex"]))
    )
    parts += bolts_on(rng, [b + FRONT * 8 for b in bolts], FRONT, 7.5, "hex", missing=0.5)
    arm = np.array(
        [vec(0, -lower * 0.75, -radius), vec(0, -lower * 0.7, -radius * 1.6), vec(0, -lower * 0.95, -radius * 2.1)]
    )
    parts.append(hardware("arm", "steel", [chain(arm, [5.5, 4.5, 6])], [], 1.2, 1.0))
    return [*parts, *ports]


def alternator(rng: np.random.Generator) -> list[RawPart]:
    """Two vented shells about a core, a fan and a pulley, two ears."""
    radius, half = float(rng.uniform(44, 58)), float(rng.uniform(34, 48))
    count = int(rng.integers(10, 18))
    parts: list[RawPart] = []
    for sign in (-1, 1):
        shell: list[tuple[Solid, float]] = [
            (rod(vec(0, 0, sign * half * 0.3), vec(0, 0, sign * half), radius, radius * 0.88, edge=5), 0.0),
            (rod(vec(0, 0, sign * half * 0.9), vec(0, 0, sign * (half + 6)), radius * 0.34, edge=2), 3.0),
            (
                chain(
                    np.array([vec(0, -radius * 0.7, sign * half * 0.6), vec(0, -radius - 14, sign * half * 0.6)]),
                    [11, 9],
                ),
                4.0,
            ),
        ]
        if sign > 0:
            shell.append(
                (chain(np.array([vec(0, radius * 0.7, half * 0.6), vec(6, radius + 16, half * 0.6)]), [9, 7]), 4.0)
            )
        cuts: list[Solid] = [
            rod(vec(0, -radius - 14, sign * half * 0.6 - 20), vec(0, -radius - 14, sign * half * 0.6 + 20), 4.6)
        ]
        for c in circle(vec(0, 0, sign * half), FRONT, radius * 0.62, count):
            way = c - vec(0, 0, c[2])
            cuts.append(chain(np.array([c - way * 0.17 - FRONT * 0, c + way * 0.22]), [3.4, 4.2]))
        cuts += [
            chain(np.array([c, c - FRONT * sign * 6]), [3, 3])
            for c in circle(vec(0, 0, sign * half * 0.75), FRONT, radius, count)
        ]
        parts.append(cast("shell", shell, cuts, step=1.9))
    parts.append(
        turned(
            "core",
            "dark",
            aim(vec(0, 0, -half * 0.31), FRONT),
            [(0, 0), (0, radius * 0.98), (half * 0.62, radius * 0.98), (half * 0.62, 0)],
            44,
        )
    )
    z, r = half + 8, float(rng.uniform(26, 36))
    parts.append(turned("pulley", str(rng.choice(["steel", "zinc", "casting"])), aim(vec(0, 0, z), FRONT),
                        [(0, 0), (0, r), (2, r), (7, r * 0.72), (9, r * 0.72), (14, r), (16, r), (16, r * 0.5), (13, r * 0.3), (13, 0)], 40))  # fmt: skip
    parts.append(screw(rng, vec(0, 0, z + 13), FRONT, 15.0, "nut"))
    blades = [
        block(aim(c, c - vec(0, 0, c[2])), (1.0, 7.0, 7.0))
        for c in circle(vec(0, 0, half + 4), FRONT, radius * 0.66, 11)
    ]
    parts.append(
        hardware("fan", "steel", [rod(vec(0, 0, half + 6.5), vec(0, 0, half + 8), radius * 0.8), *blades], [], 1.4)
    )
    parts += bolts_on(rng, circle(vec(0, 0, -half), FRONT, radius * 0.8, 4, 20), -FRONT, 6.0, "hex")
    parts += [
        stud(rng, vec(radius * 0.5, 10, -half), -FRONT, 6, 18),
        stud(rng, vec(-radius * 0.3, -16, -half), -FRONT, 5, 14),
    ]
    return parts


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
        chain(np.array([vec(0, 0, 0), bend, end + way * 8]), [neck - 2.5] * 3),
        rod(vec(0, -20, 0), vec(0, 2, 0), radius * 0.75),
    ]
    cuts += [rod(b - UP * 20, b + UP * 20, 4.4) for b in bolts]
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


def valve(rng: np.random.Generator) -> list[RawPart]:
    """A globe or gate valve: body with two hexagon ends, bonnet, gland, stem and wheel or lever."""
    radius = float(rng.uniform(15, 24))
    reach = radius * float(rng.uniform(1.6, 2.1))
    globe = rng.random() < 0.5
    body = (
        ball(vec(0, 0, 0), radius * 1.15, (1.1, 1.0, 1.0))
        if globe
        else block(Frame(vec(0, -2, 0), FLAT.axes), (radius * 0.95, radius * 0.62, radius * 1.25), 8)
    )
    rise = radius * float(rng.uniform(1.5, 2.2))
    material = str(rng.choice(["casting", "brass"]))
    solids: list[tuple[Solid, float]] = [
        (body, 0.0),
        (rod(vec(-reach, 0, 0), vec(reach, 0, 0), radius * 0.72, edge=1), 4.0),
        (rod(vec(0, 0, 0), vec(0, rise * 0.7, 0), radius * 0.72, edge=1), 4.0),
    ]
    solids += [
        (s, 0.8) for s in marks(rng, vec(0, -radius * 0.3, radius * (1.1 if globe else 0.62)), FRONT, radius * 1.4, 6.0)
    ]
    parts = [cast("body", solids, [rod(vec(-reach * 3, 0, 0), vec(reach * 3, 0, 0), radius * 0.55)], material=material)]
    parts += [
        _hex_end(vec(s * reach * 0.92, 0, 0), vec(s, 0, 0), radius * 1.05, radius * 0.75, material=material)
        for s in (-1, 1)
    ]
    bonnet = prism(aim(vec(0, rise * 0.75, 0), UP), HEX * radius * 0.95, radius * 0.2, edge=0.8)
    gland = prism(aim(vec(0, rise * 1.12, 0), UP), HEX * radius * 0.55, radius * 0.22, edge=0.8)
    parts.append(
        hardware(
            "bonnet",
            material,
            [bonnet, rod(vec(0, rise * 0.7, 0), vec(0, rise * 1.1, 0), radius * 0.5), gland],
            [],
            1.0,
            1.5,
        )
    )
    stem = rise * float(rng.uniform(1.35, 1.75))
    parts.append(
        turned("stem", "brass", aim(vec(0, rise, 0), UP), [(0, 3.4), (stem - rise, 3.4), (stem - rise, 0)], 14)
    )
    if rng.random() < 0.7:
        wheel = radius * float(rng.uniform(1.0, 1.5))
        f = aim(vec(0, stem, 0), UP, 20)
        count = int(rng.integers(3, 6))
        rim = ring(f, wheel, 3.4)
        spokes = [chain(np.array([f.origin, c]), [4.5, 3.0]) for c in circle(f.origin, UP, wheel, count)]
        knobs = [ball(c, 4.4) for c in circle(f.origin, UP, wheel, count * 2)]
        parts.append(
            cast(
                "wheel",
                [(rim, 0.0), *((s, 2.0) for s in spokes), *((k, 2.0) for k in knobs)],
                step=1.2,
                material=str(rng.choice(["casting", "painted"])),
            )
        )
    else:
        bar = np.array([vec(0, stem, 0), vec(radius * 0.8, stem + 4, 0), vec(radius * 3, stem + 12, 0)])
        parts.append(hardware("handle", "painted", [chain(bar, [5, 4, 5])], [], 1.1))
    parts.append(screw(rng, vec(0, stem, 0), UP, 6.0, "nut", "brass"))
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
        parts.append(cast("head", [(plate, 0.0), (rod(vec(0, -30, 0), vec(0, -3, 0), radius * 0.9, edge=2), 3.0),
                                   (rod(vec(-radius - 12, -20, 0), vec(radius + 12, -20, 0), 11, edge=1), 4.0)]))  # fmt: skip
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
    cuts = []
    for s in (-1, 1):
        start, end = vec(s * radius * 0.6, radius * 0.5, 0), vec(s * (radius * 0.8 + 6), radius + 26, 0)
        if rng.random() < 0.5:
            start, end = vec(s * radius * 0.5, 0, 0), vec(s * (radius + 26), rng.normal(0, 4), 0)
        solids.append((chain(np.array([start, end]), [12, 11.5]), 5.0))
        solids.append((ring(aim(end - (end - start) * 0.08, end - start), 11.5, 2.0), 1.0))
        cuts.append(rod(start + (end - start) * 0.5, end + (end - start), 8.5))
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
        parts.append(turned("pulley", str(rng.choice(["zinc", "casting", "painted"])), aim(vec(0, 0, -half - 62), FRONT),
                            [(0, 0), (0, r), (2, r), (7, r * 0.75), (12, r), (14, r), (14, r * 0.6), (10, r * 0.3), (16, r * 0.3), (16, 0)], 40))  # fmt: skip
    return parts


def solenoid(rng: np.random.Generator) -> list[RawPart]:
    """A starter solenoid or relay: a can on a bracket, two heavy studs, two light ones."""
    radius, high = float(rng.uniform(19, 28)), float(rng.uniform(46, 74))
    can = [
        (0.0, 0.0),
        (0.0, radius * 0.96),
        (3, radius),
        (high * 0.1, radius),
        (high * 0.12, radius * 1.06),
        (high * 0.2, radius * 1.06),
        (high * 0.22, radius),
        (high - 5, radius),
        (high, radius * 0.9),
        (high, 0),
    ]
    parts = [turned("can", str(rng.choice(["painted", "zinc", "casting", "black"])), aim(vec(0, 0, 0), UP), can, 40)]
    cap = [
        rod(vec(0, high, 0), vec(0, high + 9, 0), radius * 0.86, edge=2),
        block(Frame(vec(0, high + 10, 0), FLAT.axes), (2, radius * 0.8, 5), 0.5),
    ]
    parts.append(hardware("cap", str(rng.choice(["black", "dark"])), cap, [], 1.2, 1.0))
    ears = prism(
        Frame(vec(0, high * 0.4, -radius - 1), np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])),
        polygon("rect", radius * 1.9, high * 0.22),
        1.6,
        edge=0.5,
    )
    holes = [
        rod(vec(s * radius * 1.55, high * 0.4, -radius - 9), vec(s * radius * 1.55, high * 0.4, -radius + 9), 4.2)
        for s in (-1, 1)
    ]
    parts.append(
        hardware(
            "bracket", "zinc", [ears, rod(vec(0, high * 0.22, 0), vec(0, high * 0.58, 0), radius * 1.04)], holes, 1.3
        )
    )
    for s in (-1, 1):
        at = vec(s * radius * 0.5, high + 9, 0)
        parts += [stud(rng, at, UP, 8.0, 22.0), screw(rng, at, UP, 8.0, "nut", "brass")]
        if rng.random() < 0.8:
            parts.append(stud(rng, vec(s * radius * 0.3, high + 9, radius * 0.55), UP, 4.5, 12.0))
    if rng.random() < 0.4:
        start = vec(radius * 0.5, high + 18, 0)
        parts.append(tube("cable", "rubber", [start, start + vec(18, 6, 6), start + vec(44, -24, 20)], 5.5))
    return parts


def distributor(rng: np.random.Generator) -> list[RawPart]:
    """A cap with towers on a body with a shaft, clips, sometimes a vacuum can and leads."""
    radius, count = float(rng.uniform(30, 40)), int(rng.choice([4, 4, 6, 8]))
    rise = float(rng.uniform(24, 34))
    towers = [(rod(vec(0, rise * 0.7, 0), vec(0, rise + 24, 0), 10, 7.5, edge=1), 2.0)]
    tops = [vec(0, rise + 24, 0)]
    for c in circle(vec(0, rise * 0.8, 0), UP, radius * 0.68, count, float(rng.random() * 90)):
        towers.append((rod(c, c + UP * (rise * 0.2 + 18), 9, 7, edge=1), 2.0))
        tops.append(c + UP * (rise * 0.2 + 18))
    cap = [(rod(vec(0, 0, 0), vec(0, rise, 0), radius, radius * 0.92, edge=4), 0.0), *towers]
    parts = [
        cast(
            "cap",
            cap,
            [rod(t - UP * 9, t + UP * 4, 4.0) for t in tops],
            step=1.5,
            material=str(rng.choice(["black", "dark", "painted"])),
        )
    ]
    deep = float(rng.uniform(40, 66))
    body: list[tuple[Solid, float]] = [
        (rod(vec(0, -14, 0), vec(0, -0.6, 0), radius * 0.98, edge=1.5), 0.0),
        (rod(vec(0, -deep * 0.6, 0), vec(0, -10, 0), radius * 0.5, radius * 0.8, edge=2), 4.0),
        (rod(vec(0, -deep, 0), vec(0, -deep * 0.5, 0), radius * 0.4, edge=1.5), 3.0),
    ]
    parts.append(cast("body", body))
    parts.append(turned("shaft", "steel", aim(vec(0, -deep, 0), -UP), [(0, 6), (14, 6), (14, 4), (18, 4), (18, 0)], 16))
    for s in (-1, 1):
        clip = [
            vec(s * radius, -11, 0),
            vec(s * (radius + 4), -3, 0),
            vec(s * (radius + 2), 6, 0),
            vec(s * (radius - 2), rise * 0.5, 0),
        ]
        parts.append(tube("clip", "steel", clip, 1.6))
    if rng.random() < 0.6:
        way = vec(0.3, 0, 1) / np.linalg.norm(vec(0.3, 0, 1))
        at = vec(0, -9, 0) + way * (radius + 22)
        parts.append(
            turned(
                "vacuum",
                "zinc",
                aim(at, way),
                [(-6, 0), (-6, 10), (-3, 20), (0, 21), (3, 20), (8, 12), (16, 4), (20, 4), (20, 0)],
                32,
            )
        )
        parts.append(turned("arm", "steel", aim(at, -way), [(0, 4), (24, 4), (24, 0)], 12))
    if rng.random() < 0.5:
        for t in tops[: int(rng.integers(1, len(tops) + 1))]:
            out = vec(t[0], 0, t[2]) + rng.normal(0, 12, 3)
            parts.append(
                tube("lead", "rubber", [t - UP * 6, t + UP * 14, t + UP * 26 + out * 0.5, t + out * 1.4 + UP * 8], 3.4)
            )
    return parts


def bracket(rng: np.random.Generator) -> list[RawPart]:
    """A bent or cast plate with holes, ribs and some bolts."""
    x, z, y = float(rng.uniform(38, 64)), float(rng.uniform(22, 42)), float(rng.uniform(30, 60))
    thick = float(rng.uniform(2.0, 5.5))
    foot = prism(
        Frame(vec(0, 0, 0), FLAT.axes), polygon(str(rng.choice(["rect", "waisted", "box"])), x, z), thick, edge=0.8
    )
    solids: list[tuple[Solid, float]] = [(foot, 0.0)]
    wall = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])
    upright = prism(
        Frame(vec(0, y / 2, -z + thick), wall),
        polygon("rect", x * float(rng.uniform(0.5, 1.0)), y / 2 + 3),
        thick,
        edge=0.8,
    )
    if rng.random() < 0.75:
        solids.append((upright, 3.0))
        for s in (-1, 1):
            if rng.random() < 0.6:
                at = s * x * 0.4
                web = prism(
                    Frame(vec(at, 0, 0), np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])),
                    np.array([[-z, 0], [z * 0.7, 0], [-z, y * 0.8]]),
                    thick * 0.8,
                )
                solids.append((web, 2.0))
    if rng.random() < 0.5:
        solids.append(
            (
                rod(vec(0, 0, z * 0.3), vec(0, float(rng.uniform(12, 30)), z * 0.3), float(rng.uniform(8, 14)), edge=1),
                4.0,
            )
        )
    spots = [vec(sx * x * 0.75, thick, sz * z * 0.6) for sx in (-1, 1) for sz in (-1, 1)]
    cuts = [rod(s - UP * 20, s + UP * 20, float(rng.uniform(3.5, 5.5))) for s in spots]
    cuts.append(
        chain(
            np.array([vec(-x * 0.25, y * 0.6, -z - 9), vec(x * 0.25, y * 0.6, -z - 9)]) + vec(0, 0, 9 + thick),
            [4.5, 4.5],
        )
    )
    parts = [cast("plate", solids, cuts)]
    parts += bolts_on(rng, spots, UP, float(rng.uniform(6, 9)), str(rng.choice(["hex", "nut", "slotted"])), missing=0.5)
    if rng.random() < 0.4:
        parts += lever(rng, vec(0, thick, z * 0.3), UP, rng.standard_normal(3), 40.0, 3.0)
    if rng.random() < 0.3:
        parts.append(spring("spring", vec(-x * 0.6, 14, 0), vec(x * 0.6, 18, 6), 5.0, 0.8, 18))
    return parts


def pipe_fittings(rng: np.random.Generator) -> list[RawPart]:
    """An elbow or a tee with collars, perhaps a nipple, a union and a plug."""
    radius = float(rng.uniform(13, 22))
    reach = radius * float(rng.uniform(2.2, 3.0))
    ends = [RIGHT, UP] if rng.random() < 0.5 else [RIGHT, UP, -RIGHT]
    solids: list[tuple[Solid, float]] = [(ball(vec(0, 0, 0), radius * 1.02), 0.0)]
    cuts: list[Solid] = []
    for way in ends:
        solids += [
            (rod(vec(0, 0, 0), way * reach, radius, edge=1), 5.0),
            (rod(way * reach * 0.72, way * reach, radius * 1.22, edge=2), 2.0),
        ]
        cuts.append(rod(vec(0, 0, 0), way * reach * 1.5, radius * 0.72))
    if rng.random() < 0.6:
        solids += [(s, 0.8) for s in marks(rng, vec(0, 0, radius), FRONT, radius * 1.3, 6.0)]
    material = str(rng.choice(["casting", "casting", "brass"]))
    parts = [cast("body", solids, cuts, material=material)]
    for k, way in enumerate(ends):
        if rng.random() < 0.5:
            long = float(rng.uniform(20, 60))
            parts.append(turned("nipple", str(rng.choice(["zinc", "steel", "brass"])), aim(way * reach * 0.9, way),
                                [(0, radius * 0.72), (long, radius * 0.72), (long, radius * 0.55), (4, radius * 0.55)], 28))  # fmt: skip
            if rng.random() < 0.6:
                parts.append(
                    _hex_end(way * (reach * 0.9 + long * 0.4), way, radius * 1.15, radius * 0.8, "union", material)
                )
        elif k == 0 and rng.random() < 0.5:
            parts.append(screw(rng, way * reach, way, radius * 0.9, "hex", "brass"))
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


def coil(rng: np.random.Generator) -> list[RawPart]:
    """An ignition coil: a long can in a strap, a tower and two terminals."""
    radius, high = float(rng.uniform(24, 31)), float(rng.uniform(90, 124))
    parts = [
        turned(
            "can",
            str(rng.choice(["painted", "black", "zinc"])),
            aim(vec(0, 0, 0), UP),
            [
                (0, 0),
                (0, radius * 0.9),
                (4, radius),
                (high - 6, radius),
                (high - 4, radius * 1.04),
                (high, radius * 1.04),
                (high, 0),
            ],
            40,
        )
    ]
    tower = [
        rod(vec(0, high - 2, 0), vec(0, high + 7, 0), radius * 0.92, radius * 0.75, edge=2),
        rod(vec(0, high, 0), vec(0, high + 30, 0), 10, 8, edge=1),
    ]
    parts.append(hardware("tower", "black", tower, [rod(vec(0, high + 20, 0), vec(0, high + 40, 0), 4.5)], 1.3, 2.0))
    for s in (-1, 1):
        at = vec(s * radius * 0.6, high + 5, 0)
        parts += [stud(rng, at, UP, 4.5, 12.0), screw(rng, at, UP, 4.5, "nut", "brass")]
    y = high * float(rng.uniform(0.3, 0.6))
    strap = [
        rod(vec(0, y - 9, 0), vec(0, y + 9, 0), radius + 1.2),
        block(Frame(vec(0, y, -radius - 3), FLAT.axes), (radius * 1.5, 1.6, 9), 0.5),
    ]
    parts.append(hardware("strap", "zinc", strap, [], 1.3, 2.0))
    parts += bolts_on(rng, [vec(s * radius * 1.25, y, -radius - 1.4) for s in (-1, 1)], FRONT, 6.0, "hex", missing=0.3)
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
    solids += [(s, 0.8) for s in marks(rng, bend + vec(0, 4, radius * 1.2), FRONT, radius * 1.6, 9.0)]
    parts = [cast("body", solids, cuts, step=2.0)]
    corners = [vec(sx * radius * 1.4, 6, sz * radius * 1.2) for sx in (-1, 1) for sz in (-1, 1)]
    parts += bolts_on(rng, corners, UP, 9.0, "nut", missing=0.3)
    parts.append(screw(rng, vec(0, radius, radius * 1.6), FRONT, 12.0, "hex", "brass"))
    return parts


def loose_gear(rng: np.random.Generator) -> list[RawPart]:
    """A toothed wheel or hub with bolt holes on a shaft."""
    radius, half = float(rng.uniform(30, 52)), float(rng.uniform(6, 14))
    teeth = int(rng.integers(14, 34))
    a = np.arange(teeth * 4) * (2 * math.pi / (teeth * 4))
    r = np.where((np.arange(teeth * 4) % 4) < 2, radius, radius * 0.9)
    outline = np.stack([r * np.cos(a), r * np.sin(a)], 1)
    holes = [
        rod(c - FRONT * 30, c + FRONT * 30, radius * 0.12)
        for c in circle(vec(0, 0, 0), FRONT, radius * 0.55, int(rng.integers(3, 7)))
    ]
    wheel = [prism(aim(vec(0, 0, 0), FRONT), outline, half, edge=0.5)]
    parts = [
        hardware(
            "wheel",
            str(rng.choice(["steel", "casting"])),
            wheel,
            [*holes, rod(vec(0, 0, half * 0.4), vec(0, 0, half * 3), radius * 0.78)],
            1.3,
        )
    ]
    parts.append(
        joined(
            "shaft",
            [
                turned(
                    "shaft",
                    "steel",
                    aim(vec(0, 0, -half), FRONT),
                    [
                        (-30, 0),
                        (-30, 8),
                        (half, 9),
                        (half, radius * 0.3),
                        (half * 2 + 6, radius * 0.3),
                        (half * 2 + 6, 0),
                    ],
                    28,
                )
            ],
        )
    )
    parts.append(screw(rng, vec(0, 0, half + 6), FRONT, 12.0, "nut"))
    return parts
