"""Look-alikes that turn, carry or conduct: alternator, solenoid, distributor, coil, bracket, gear."""

from __future__ import annotations

import math

import numpy as np

from .kin_fittings import bolts_on, cast, circle, lever, screw, spring, stud, tube
from .near_kin import FLAT, FRONT, UP
from .pieces import RawPart, hardware, joined, turned
from .solids import Frame, Solid, aim, block, chain, polygon, prism, rod, vec


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
    parts.append(
        turned(
            "pulley",
            str(rng.choice(["steel", "zinc", "casting"])),
            aim(vec(0, 0, z), FRONT),
            [
                (0, 0),
                (0, r),
                (2, r),
                (7, r * 0.72),
                (9, r * 0.72),
                (14, r),
                (16, r),
                (16, r * 0.5),
                (13, r * 0.3),
                (13, 0),
            ],
            40,
        )
    )
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
