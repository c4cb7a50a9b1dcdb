"""Shapes of the nearest relatives: other carburetors and pieces of them. Each is a family, drawn from a generator.

Every recipe returns raw parts in millimetres, +y up, about as large as the real subject (80-160 mm).
"""

from __future__ import annotations

import math

import numpy as np

from .kin_fittings import barb, bolts_on, cast, circle, flange, lever, marks, rim_spots, screw, spring, tube
from .pieces import RawPart, hardware, turned
from .solids import Frame, Solid, Vec, aim, ball, block, chain, polygon, prism, ring, rod, vec

UP, FRONT, RIGHT = vec(0, 1, 0), vec(0, 0, 1), vec(1, 0, 0)
FLAT = Frame(vec(0, 0, 0), np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]))  # u = +x, v = -z, w = +y


def _plate(y: float, outline: Vec, half: float, edge: float = 1.0, x: float = 0.0, z: float = 0.0) -> Solid:
    """A horizontal plate: ``outline`` in (x, -z), about ``y``."""
    return prism(Frame(vec(x, y, z), FLAT.axes), outline, half, edge=edge)


def _disc(rng: np.random.Generator, at: Vec, way: Vec, radius: float, thick: float, tilt: float) -> RawPart:
    """A choke or throttle plate, tilted by ``tilt`` degrees from its seat."""
    f = aim(at, way)
    c, s = math.cos(math.radians(tilt)), math.sin(math.radians(tilt))
    w = c * f.axes[2] + s * f.axes[0]
    return hardware(
        "choke",
        str(rng.choice(["brass", "steel", "zinc"])),
        [rod(at - w * thick / 2, at + w * thick / 2, radius)],
        [],
        0.9,
    )


def _shaft(at: Vec, way: Vec, reach: float) -> RawPart:
    f = aim(at - way * reach, way)
    return turned("shaft", "steel", f, [(0, 0), (0, 3.2), (2 * reach, 3.2), (2 * reach, 0)], 14)


def _idle(rng: np.random.Generator, at: Vec, way: Vec) -> list[RawPart]:
    """An adjusting screw with its coil spring."""
    way = way / np.linalg.norm(way)
    length = float(rng.uniform(9, 16))
    thread = turned("idle", "brass", aim(at, way), [(-3, 2), (length, 2), (length, 0)], 12)
    coil = spring("idle", at, at + way * (length - 1), 3.4, 0.5, 7)
    return [thread, coil, screw(rng, at + way * length, way, 5.2, "slotted", "brass")]


def downdraft(rng: np.random.Generator) -> list[RawPart]:
    """Throat on top, flange at the bottom, bowl beside the barrel, a screwed-on cover."""
    bore = float(rng.uniform(15, 22))
    high = float(rng.uniform(58, 84))
    bowl_x, bowl_z = float(rng.uniform(22, 34)), float(rng.uniform(24, 34))
    side = float(rng.choice([-1, 1]))
    centre = side * (bore + bowl_x * 0.95)
    seam = high * float(rng.uniform(0.25, 0.42))
    base = -high / 2
    two = rng.random() < 0.5
    solids: list[tuple[Solid, float]] = [(rod(vec(0, base, 0), vec(0, seam, 0), bore + 5), 3.0)]
    shape = str(rng.choice(["box", "d_shape", "round", "octagon", "tub"]))
    low_bowl = base + float(rng.uniform(8, 18))
    solids.append(
        (_plate((low_bowl + seam) / 2, polygon(shape, bowl_x, bowl_z), (seam - low_bowl) / 2, 4.0, centre), 5.0)
    )
    parts: list[RawPart] = []
    if two:
        plate, bolts = flange(vec(0, base - 4, 0), -UP, bore + 12, 9.0, 9.0, float(rng.choice([0, 90])))
        solids.append((plate, 2.0))
        parts += bolts_on(rng, [b + UP * 9 for b in bolts], UP, 8.0, "nut", missing=0.4)
    else:
        solids.append((_plate(base - 4, polygon("rect", bore + 17, bore + 14), 4.5, 1.0), 2.0))
    for k in range(int(rng.integers(1, 4))):
        angle = rng.uniform(0, 2 * math.pi)
        foot = vec(math.cos(angle) * (bore + 3), base + 8 + 9 * k, math.sin(angle) * (bore + 3))
        solids.append(
            (
                rod(
                    foot,
                    foot + 9 * vec(math.cos(angle), rng.normal(0, 0.2), math.sin(angle)),
                    float(rng.uniform(4, 7)),
                    edge=1,
                ),
                3.0,
            )
        )
    if rng.random() < 0.7:
        spot = vec(centre, (low_bowl + seam) / 2, bowl_z)
        solids += [(s, 0.8) for s in marks(rng, spot, FRONT, bowl_x * 1.2, 8.0)]
    top = seam + float(rng.uniform(12, 20))
    mouth = top + float(rng.uniform(10, 26))
    parts.append(cast("body", solids, [rod(vec(0, base - 20, 0), vec(0, seam + 20, 0), bore)]))
    corners = shape in ("box", "tub")
    outline = polygon(shape, bowl_x + 3, bowl_z + 3)
    seats = rim_spots(outline, int(rng.choice([4, 4, 5, 6])), 5.5, float(rng.random()))
    if corners:
        seats = np.array([[sx * (bowl_x - 1.5), sz * (bowl_z - 1.5)] for sx in (-1, 1) for sz in (-1, 1)])
    cover: list[tuple[Solid, float]] = [
        (_plate(seam + 4, polygon(shape, bowl_x + 3, bowl_z + 3), 3.4, 1.0, centre), 0.0),
        (_plate(seam + 4, polygon("round", bore + 8, bore + 8), 3.4, 1.0), 4.0),
        (rod(vec(0, seam, 0), vec(0, mouth, 0), bore + 4.0, bore + 5.5, edge=1.2), 4.0),
        (_plate(seam + 9, polygon(shape, bowl_x * 0.7, bowl_z * 0.7), 4.0, 3.0, centre), 5.0),
        (ring(aim(vec(0, mouth - 1.5, 0), UP), bore + 5.5, 2.4), 1.5),
    ]
    cover += [
        (rod(vec(centre + u, seam + 1, -v), vec(centre + u, seam + 7.2, -v), 6.0, edge=0.8), 2.5) for u, v in seats
    ]
    parts.append(cast("cover", cover, [rod(vec(0, seam - 9, 0), vec(0, mouth + 9, 0), bore)]))
    parts.append(
        hardware(
            "gasket",
            str(rng.choice(["paper", "dark", "cork"])),
            [_plate(seam, polygon(shape, bowl_x + 3.4, bowl_z + 3.4), 0.8, 0.3, centre)],
            [],
            1.0,
        )
    )
    rim = [vec(centre + u, seam + 7.2, -v) for u, v in seats]
    rim += [vec(0, seam + 7.2, s * (bore + 5)) for s in (-1, 1)][: int(rng.integers(0, 3))]
    parts += bolts_on(rng, rim, UP, 5.4, str(rng.choice(["slotted", "pan", "hex"])))
    shaft_y = base + float(rng.uniform(9, 14))
    for y, plate_at in ((shaft_y, False), (mouth - 12, True)):
        parts.append(_shaft(vec(0, y, 0), FRONT, bore + 13))
        parts += lever(
            rng,
            vec(0, y, (bore + 14) * float(rng.choice([-1, 1]))),
            FRONT,
            vec(rng.normal(), rng.normal(), 0),
            float(rng.uniform(16, 34)),
        )
        if plate_at:
            parts.append(_disc(rng, vec(0, y, 0), UP, bore - 0.4, 1.2, float(rng.uniform(5, 85))))
    parts += _idle(rng, vec(side * -bore, shaft_y + 8, 5), vec(-side, 0.25, 0.3))
    port = vec(centre + side * bowl_x * 0.8, seam + 7, float(rng.uniform(-8, 8)))
    parts.append(barb(port, vec(side, 0.05, 0), float(rng.uniform(3.2, 4.6)), float(rng.uniform(14, 22))))
    if rng.random() < 0.5:
        arm = vec(centre, seam + 14, bowl_z * 0.4)
        parts += lever(rng, arm, RIGHT, vec(0, 0.3, 1), 24.0)
        parts.append(
            tube(
                "link",
                "steel",
                [arm + vec(2, 3, 20), arm + vec(2, -14, 26), vec(side * 4, shaft_y + 4, bore + 16)],
                1.2,
            )
        )
    return parts


def side_draft(rng: np.random.Generator) -> list[RawPart]:
    """Throat horizontal, flange vertical behind, bowl below or beside, often a tall chamber on top."""
    bore = float(rng.uniform(14, 23))
    half = float(rng.uniform(30, 46))
    parts: list[RawPart] = []
    solids: list[tuple[Solid, float]] = [
        (rod(vec(0, 0, -half), vec(0, 0, half), bore + 5, bore + float(rng.uniform(4, 8)), edge=1.2), 0.0)
    ]
    plate, bolts = flange(vec(0, 0, -half), -FRONT, bore + 12, 8.0, 8.5, float(rng.choice([0, 90, 0, 35])))
    solids.append((plate, 2.0))
    solids.append((ring(aim(vec(0, 0, half - 2), FRONT), bore + 6, 2.6), 1.5))
    tall = rng.random() < 0.55
    if tall:
        chamber, rise = float(rng.uniform(24, 34)), float(rng.uniform(36, 58))
        profile = [
            (0.0, chamber * 0.9),
            (4, chamber),
            (9, chamber),
            (10, chamber * 0.95),
            (rise * 0.5, chamber * 0.9),
            (rise * 0.72, chamber * 0.62),
            (rise * 0.78, chamber * 0.36),
            (rise, chamber * 0.34),
            (rise + 1, chamber * 0.2),
            (rise + 1, 0),
        ]
        foot = aim(vec(0, bore + 3, 0), UP)
        parts.append(turned("chamber", "casting", foot, profile, 40))
        parts.append(
            turned(
                "cap",
                str(rng.choice(["brass", "black"])),
                Frame(foot.origin + UP * rise, foot.axes),
                [(0, chamber * 0.4), (7, chamber * 0.4), (9, chamber * 0.3), (9, 0)],
                12,
            )
        )
        solids.append((rod(vec(0, 0, 0), vec(0, bore + 6, 0), chamber * 0.95, edge=2), 5.0))
        parts += bolts_on(
            rng, circle(vec(0, bore + 12, 0), UP, chamber * 0.97, int(rng.integers(2, 5)), 45), UP, 5.0, "slotted"
        )
    else:
        lid = bore + float(rng.uniform(8, 14))
        outline = polygon(str(rng.choice(["rect", "octagon", "box"])), bore + 9, half * 0.7)
        solids.append((_plate(lid / 2 + 4, outline, lid / 2, 2.5), 4.0))
        parts.append(
            hardware(
                "cover",
                "casting",
                [_plate(lid + 6, outline * 1.02, 2.6, 1.0), _plate(lid + 9, outline * 0.6, 3, 2)],
                [],
                1.3,
                3.0,
            )
        )
        parts.append(hardware("gasket", "paper", [_plate(lid + 3.6, outline * 1.03, 0.7, 0.2)], [], 1.0))
        start = float(rng.choice([0.0, 0.125]))
        corners = [vec(u, lid + 8.6, -v) for u, v in rim_spots(outline, int(rng.choice([4, 6])), 4.5, start)]
        parts += bolts_on(rng, corners, UP, 5.2, str(rng.choice(["slotted", "pan", "hex"])))
    below = rng.random() < 0.65
    deep, wide = float(rng.uniform(26, 44)), float(rng.uniform(20, 30))
    spot = (
        vec(0, -bore, float(rng.uniform(-8, 8)))
        if below
        else vec(float(rng.choice([-1, 1])) * (bore + wide + 4), 6, float(rng.uniform(-10, 6)))
    )
    drum = rod(spot + UP * 4, spot - UP * deep, wide, wide * 0.93, edge=4)
    solids.append((rod(spot + UP * 6, spot - UP * 5, wide + 3.5, edge=1), 3.0))
    if not below:
        solids.append((chain(np.array([spot, vec(0, 0, spot[2])]), [9, 9]), 5.0))
    parts.append(
        cast(
            "bowl",
            [
                (drum, 0.0),
                (ring(aim(spot - UP * 5, UP), wide + 1, 2.5), 1.0),
                (rod(spot - UP * deep, spot - UP * (deep + 6), 8, edge=1), 2.0),
            ],
        )
    )
    parts += [screw(rng, spot - UP * (deep + 6), -UP, 9.0, "hex", "brass")]
    if rng.random() < 0.6:
        solids += [(s, 0.8) for s in marks(rng, vec(bore + 4, 2, 0), RIGHT, 30.0, 7.0)]
    parts.append(cast("body", solids, [rod(vec(0, 0, -half - 20), vec(0, 0, half + 20), bore)]))
    parts += bolts_on(rng, [b + FRONT * 8 for b in bolts], FRONT, 8.0, "nut", missing=0.5)
    z = -half + float(rng.uniform(10, 16))
    way = RIGHT if rng.random() < 0.6 else UP
    parts.append(_shaft(vec(0, 0, z), way, bore + 12))
    parts += lever(
        rng,
        vec(0, 0, z) + way * (bore + 13) * float(rng.choice([-1, 1])),
        way,
        rng.standard_normal(3) + vec(0, 0.2, 0),
        float(rng.uniform(18, 36)),
    )
    parts.append(_disc(rng, vec(0, 0, half * 0.6), FRONT, bore - 0.4, 1.2, float(rng.uniform(5, 85))))
    parts += _idle(rng, vec(bore * 0.7, bore * 0.5, z), vec(0.6, 0.7, 0.2))
    inlet = spot + UP * 2 + vec(wide * 0.9, 0, 0) * (1 if below else math.copysign(1, spot[0]))
    parts.append(barb(inlet, inlet - spot + UP * 4, float(rng.uniform(3.2, 4.4)), 17.0))
    return parts


def small_engine(rng: np.random.Generator) -> list[RawPart]:
    """A small horizontal carburetor with a pressed bowl held by one bolt."""
    bore = float(rng.uniform(9, 14))
    half = float(rng.uniform(22, 34))
    wide = float(rng.uniform(21, 29))
    deep = float(rng.uniform(20, 30))
    parts: list[RawPart] = []
    plate, bolts = flange(vec(0, 0, -half), -FRONT, bore + 12, 7.0, 7.0)
    solids: list[tuple[Solid, float]] = [
        (rod(vec(0, 0, -half), vec(0, 0, half), bore + 4, bore + 7, edge=1), 0.0),
        (plate, 2.0),
        (rod(vec(0, -bore - 9, 0), vec(0, 2, 0), wide + 1.5, edge=2), 3.5),
        (block(Frame(vec(0, bore + 3, 4), FLAT.axes), (10, 12, 6), 2), 3.0),
    ]
    if rng.random() < 0.6:
        front, more = flange(vec(0, 0, half - 3), FRONT, bore + 11, 6.0, 6.5)
        solids.append((front, 2.0))
        parts += bolts_on(rng, more, FRONT, 6.0, "hex", missing=0.4)
    parts.append(cast("body", solids, [rod(vec(0, 0, -half - 20), vec(0, 0, half + 20), bore)], step=1.2))
    top = -bore - 9
    profile = [
        (0.0, wide + 2.4),
        (-2.2, wide + 2.6),
        (-3, wide),
        (-deep * 0.75, wide * 0.96),
        (-deep, wide * 0.7),
        (-deep, 0),
    ]
    parts.append(
        turned(
            "bowl",
            str(rng.choice(["zinc", "casting", "steel"])),
            aim(vec(0, top, 0), UP),
            [(w, r) for w, r in profile[::-1]],
            36,
        )
    )
    parts.append(screw(rng, vec(0, top - deep, 0), -UP, 9.0, "hex", str(rng.choice(["brass", "steel"]))))
    parts += bolts_on(rng, [b + FRONT * 7 for b in bolts], FRONT, 6.0, "nut", missing=0.5)
    for z, plate_at in ((-half * 0.55, False), (half * 0.6, True)):
        parts.append(_shaft(vec(0, 0, z), UP, bore + 9))
        parts += lever(rng, vec(0, bore + 10, z), UP, rng.standard_normal(3), float(rng.uniform(12, 24)), 1.6)
        if plate_at:
            parts.append(_disc(rng, vec(0, 0, z), FRONT, bore - 0.4, 1.0, float(rng.uniform(5, 85))))
    parts.append(barb(vec(wide * 0.8, -bore - 2, -4), vec(1, 0.1, -0.2), 3.4, 16.0))
    parts += _idle(rng, vec(-bore * 0.6, bore * 0.7, -half * 0.3), vec(-0.4, 0.9, 0.1))
    return parts


def loose_bowl(rng: np.random.Generator) -> list[RawPart]:
    """A float bowl or cover casting alone: an open tub with a rim, holes, bosses, sometimes its float."""
    shape = str(rng.choice(["box", "d_shape", "round", "octagon", "tub", "kite"]))
    x, z, deep = float(rng.uniform(30, 46)), float(rng.uniform(26, 42)), float(rng.uniform(22, 44))
    outline = polygon(shape, x, z)
    wall = float(rng.uniform(3, 5))
    solids: list[tuple[Solid, float]] = [
        (_plate(-deep / 2, outline, deep / 2, 4.0), 0.0),
        (_plate(-2.5, outline + np.sign(outline) * 3, 2.5, 0.8), 2.0),
        (rod(vec(x * 0.3, -deep - 8, 0), vec(x * 0.3, -deep + 6, 0), float(rng.uniform(8, 13)), edge=1), 4.0),
    ]
    spots = [vec(sx * (x - 1), 0, sz * (z - 1)) for sx in (-1, 1) for sz in (-1, 1)]
    if shape not in ("box", "tub"):
        spots = [vec(u, 0, -v) for u, v in rim_spots(outline, int(rng.integers(3, 7)), -1.0, float(rng.random()))]
    solids += [(rod(s - UP * 14, s, 6.0, edge=0.8), 3.0) for s in spots]
    if rng.random() < 0.6:
        solids += [(s, 0.8) for s in marks(rng, vec(0, -deep * 0.5, z), FRONT, x, 8.0)]
    cuts = [_plate(-deep / 2 + wall, outline * (1 - wall / min(x, z)), deep / 2, 2.0)]
    cuts += [rod(s - UP * 20, s + UP * 4, 2.4) for s in spots]
    parts = [cast("bowl", solids, cuts)]
    if rng.random() < 0.5:
        lift = rng.uniform(-3, 3)
        parts.append(
            hardware(
                "float", "brass", [ball(vec(x * 0.2, -deep * 0.3 + lift, 0), min(x, z) * 0.5, (1.2, 0.6, 1.1))], [], 1.4
            )
        )
    parts.append(screw(rng, vec(x * 0.3, -deep - 8, 0), -UP, 9.0, str(rng.choice(["hex", "slotted"])), "brass"))
    if rng.random() < 0.5:
        parts.append(barb(vec(-x * 0.9, -deep * 0.4, 0), -RIGHT, 4.0, 16.0))
    if rng.random() < 0.4:
        parts += bolts_on(rng, spots[:3], UP, 5.0, "slotted")
    return parts
