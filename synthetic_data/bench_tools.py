"""Tools, small hardware and scales, each lying on y = 0 about the origin. Millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from .coat import STUFF, Coat, paint_colour, painted, worn
from .kin_fittings import HEX, circle, rectangle, slab, spring
from .mesh import PartMesh
from .pieces import hardware, turned
from .solids import Frame, aim, block, chain, prism, rod, vec

UP, ALONG = vec(0, 1, 0), vec(1, 0, 0)
FLAT = Frame(vec(0, 0, 0), np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]))  # u = +x, v = -z, w = +y
Things = list[PartMesh]


def flat_at(x: float, y: float, z: float, turn_deg: float = 0.0) -> Frame:
    """The flat frame moved, turned about the vertical."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    axes = np.stack([c * FLAT.axes[0] + s * FLAT.axes[1], c * FLAT.axes[1] - s * FLAT.axes[0], FLAT.axes[2]])
    return Frame(vec(x, y, z), axes)


def print_quads(part: str, boxes: Sequence[tuple[float, float, float, float]], y: float, coat: Coat) -> PartMesh:
    """Flat rectangles (x0, z0, x1, z1) facing up at height ``y``: print on a card or a rule."""
    b = np.array(boxes, np.float32)
    x, z = b[:, [0, 2, 2, 0]], b[:, [1, 1, 3, 3]]
    v = np.stack([x, np.full_like(x, y), z], -1).reshape(-1, 3)
    first = np.arange(len(b))[:, None] * 4
    faces = np.concatenate([first + np.array([0, 2, 1]), first + np.array([0, 3, 2])]).astype(np.int32)
    n = len(v)
    return PartMesh(
        part,
        v,
        faces,
        np.tile(np.array([0, 1, 0], np.float32), (n, 1)),
        np.tile(np.array(coat.colour, np.float32), (n, 1)),
        np.full(n, coat.roughness, np.float32),
        np.full(n, coat.metallic, np.float32),
    )


def make_wrench(rng: np.random.Generator) -> Things:
    """A wrench; each end a ring or a jaw."""
    size = float(rng.uniform(8, 22))
    length, wide, thick = size * float(rng.uniform(8, 11)), size * 0.52, max(size * 0.22, 2.2)
    solids = [block(flat_at(0, thick, 0), (length / 2, wide, thick * 0.75), 1.2)]
    cuts = []
    for side in (-1, 1):
        end = vec(side * length / 2, thick, 0)
        ringed = rng.random() < 0.5
        solids.append(rod(end - UP * thick, end + UP * thick, size * (0.95 if ringed else 1.1), edge=1.0))
        if ringed:
            cuts.append(prism(flat_at(end[0], thick, 0, 15), HEX * size * 0.62, thick * 2))
        else:
            cuts.append(block(flat_at(end[0] + side * size * 0.7, thick, 0, 15 * side), (size, size * 0.5, thick * 2)))
    return [
        painted(
            rng, hardware("wrench", "steel", solids, cuts, 1.0, 3.0), worn(rng, str(rng.choice(["chrome", "steel"])))
        )
    ]


def make_adjustable(rng: np.random.Generator) -> Things:
    """An adjustable wrench."""
    length, t = float(rng.uniform(140, 210)), 5.5
    solids = [
        chain(np.array([vec(-length / 2, t, 0), vec(length * 0.2, t, 0)]), [t * 1.4, t]),
        prism(
            flat_at(length * 0.33, t, 0),
            np.array([[-26, -10], [10, -16], [30, -15], [30, -4], [4, -2], [4, 8], [22, 14], [24, 22], [-6, 17]]),
            t,
            edge=1.5,
            grow=1.5,
        ),
    ]
    knurl = [rod(vec(length * 0.27 + k, t - 5, -8), vec(length * 0.27 + k, t + 5, -8), 3.2) for k in (0, 3, 6)]
    return [painted(rng, hardware("adjustable", "steel", [*solids, *knurl], [], 1.4, 3.0), worn(rng, "chrome"))]


def make_screwdriver(rng: np.random.Generator) -> Things:
    """A screwdriver with a fluted handle."""
    long, blade = float(rng.uniform(70, 110)), float(rng.uniform(60, 160))
    r = float(rng.uniform(10, 16))
    f = aim(vec(-long, r, 0), ALONG)
    grip = [rod(vec(-long, r, 0), vec(0, r, 0), r, edge=4), rod(vec(-8, r, 0), vec(6, r, 0), r * 0.6, edge=2)]
    flutes = [
        rod(c, c + ALONG * long * 0.75, r * 0.22) for c in circle(f.origin + ALONG * long * 0.12, ALONG, r * 1.05, 6)
    ]
    handle = hardware("screwdriver", "painted", grip, flutes, 1.2)
    tip = blade + float(rng.uniform(8, 12))
    shaft = turned("screwdriver", "steel", aim(vec(0, r, 0), ALONG), [(0, 3.2), (blade, 3.2), (tip, 2.2), (tip, 0)], 16)
    return [
        painted(rng, handle, Coat(paint_colour(rng), 0.25, grime=float(rng.random() * 0.6))),
        painted(rng, shaft, worn(rng, "chrome")),
    ]


def make_pliers(rng: np.random.Generator) -> Things:
    """Pliers with covered grips."""
    length, t, spread = float(rng.uniform(120, 170)), 5.0, float(rng.uniform(10, 24))
    grips, heads = [], []
    for s in (-1, 1):
        path = np.array([vec(0, t, s * 3), vec(-length * 0.2, t, s * spread), vec(-length * 0.7, t, s * spread * 0.9)])
        grips.append(hardware("pliers", "painted", [chain(path, [4.5, 6, 5.5])], [], 1.2))
        heads.append(
            chain(np.array([vec(-4, t, s * 2), vec(14, t, s * 5), vec(length * 0.28, t, s * 2.2)]), [6, 6, 2.6])
        )
    head = hardware("pliers", "steel", [*heads, rod(vec(0, 0, 0), vec(0, 2 * t + 1, 0), 9, edge=1)], [], 1.2, 1.5)
    rubber = Coat(paint_colour(rng), 0.5, grime=float(rng.random() * 0.5))
    return [
        *(painted(rng, g, rubber) for g in grips),
        painted(rng, head, worn(rng, str(rng.choice(["steel", "black_oxide", "chrome"])))),
    ]


def make_socket(rng: np.random.Generator) -> Things:
    """One to three sockets, standing or lying."""
    out: Things = []
    coat = worn(rng, str(rng.choice(["chrome", "chrome", "black_oxide"])))
    for k in range(int(rng.integers(1, 4))):
        r, high = float(rng.uniform(8, 17)), float(rng.uniform(24, 40))
        lies = rng.random() < 0.5
        f = aim(
            vec(k * 38.0, r if lies else 0, float(rng.normal(0, 4))), vec(rng.normal(), 0, rng.normal()) if lies else UP
        )
        profile = [
            (0.0, r * 0.5),
            (0.0, r * 0.8),
            (high * 0.45, r * 0.8),
            (high * 0.5, r),
            (high - 1, r),
            (high, r * 0.93),
            (high, r * 0.72),
            (high * 0.5, r * 0.62),
            (high * 0.5, 0.0),
        ]
        out.append(painted(rng, turned("socket", "steel", f, profile, 24), coat))
    return out


def make_ratchet(rng: np.random.Generator) -> Things:
    """A ratchet handle."""
    length, t = float(rng.uniform(130, 200)), 8.0
    body = [
        chain(np.array([vec(-length, t, 0), vec(-length * 0.35, t, 0), vec(0, t, 0)]), [8, 6, 6]),
        rod(vec(0, 0, 0), vec(0, 2 * t, 0), 15, edge=3),
    ]
    return [painted(rng, hardware("ratchet", "steel", body, [], 1.5, 4.0), worn(rng, "chrome"))]


def make_scattered(rng: np.random.Generator) -> Things:
    """Nuts, bolts, washers, balls."""
    out: Things = []
    for _ in range(int(rng.integers(2, 9))):
        x, z = rng.normal(0, 26, 2)
        size = float(rng.uniform(3.5, 9))
        coat = worn(rng, str(rng.choice(["zinc", "steel", "brass", "chrome"])))
        what, turn = int(rng.integers(4)), float(rng.random() * 360)
        if what == 0:
            at = flat_at(float(x), size * 0.45, float(z), turn)
            nut = hardware(
                "nut",
                "steel",
                [prism(at, HEX * size, size * 0.45, edge=0.4)],
                [rod(vec(x, -9, z), vec(x, 19, z), size * 0.55)],
                max(size / 10, 0.45),
            )
            out.append(painted(rng, nut, coat))
        elif what == 1:
            w = size * 1.3
            profile = [(0.0, size * 0.6), (0.0, w), (1.4, w), (1.4, size * 0.6), (0.0, size * 0.6)]
            out.append(painted(rng, turned("washer", "steel", aim(vec(x, 0, z), UP), profile, 24), coat))
        elif what == 2:
            way = vec(math.cos(turn), 0, math.sin(turn))
            foot, long = vec(x, size * 0.9, z), size * float(rng.uniform(3, 7))
            head = hardware(
                "bolt", "steel", [prism(aim(foot, way), HEX * size, size * 0.4, edge=0.3)], [], max(size / 9, 0.5)
            )
            thread: list[tuple[float, float]] = [(0.0, size * 0.55)]
            for k in np.arange(long * 0.4, long, 1.2):
                thread += [(float(k), size * 0.55), (float(k) + 0.6, size * 0.47)]
            shank = turned("bolt", "steel", aim(foot, way), [*thread, (long + 0.8, 0.0)], 14)
            out += [painted(rng, head, coat), painted(rng, shank, coat)]
        else:
            profile = [
                (float(size * (1 - math.cos(a))), float(size * math.sin(a))) for a in np.linspace(0, math.pi, 12)
            ]
            out.append(painted(rng, turned("ball", "steel", aim(vec(x, 0, z), UP), profile, 20), STUFF["chrome"]))
    return out


def make_coins(rng: np.random.Generator) -> Things:
    """Blank discs with a raised rim."""
    out: Things = []
    for k in range(int(rng.integers(1, 5))):
        r, t = float(rng.uniform(8, 14)), float(rng.uniform(1.3, 2.2))
        f = aim(vec(float(rng.normal(0, 18)), k * 0.05, float(rng.normal(0, 18))), UP)
        profile = [
            (0.0, 0.0),
            (0.0, r),
            (t, r),
            (t, r * 0.92),
            (t * 0.8, r * 0.9),
            (t * 0.8, r * 0.5),
            (t * 0.85, r * 0.45),
            (t * 0.8, 0.0),
        ]
        name = str(rng.choice(["bronze_coin", "brass", "steel"]))
        out.append(painted(rng, turned("coin", "steel", f, profile, 36), replace(worn(rng, name), rust=0.0)))
    return out


def make_ruler(rng: np.random.Generator) -> Things:
    """A steel or wooden rule with ticks a millimetre apart."""
    length, wide = float(rng.choice([150, 200, 300])), float(rng.uniform(22, 32))
    coat = STUFF["steel"] if rng.random() < 0.6 else Coat((0.62, 0.45, 0.10), 0.5)
    body = slab("ruler", "steel", flat_at(0, 0, 0), rectangle(length / 2, wide / 2), 1.2)
    x = np.arange(-length / 2 + 4, length / 2 - 4)
    tall = np.where(np.arange(len(x)) % 10 == 0, 8.0, np.where(np.arange(len(x)) % 5 == 0, 6.0, 3.6))
    ticks = [(a - 0.14, wide / 2 - t, a + 0.14, wide / 2) for a, t in zip(x, tall, strict=True)]
    return [painted(rng, body, coat), print_quads("ruler", ticks, 1.32, STUFF["black"])]


def make_tape_measure(rng: np.random.Generator) -> Things:
    """A tape measure with some tape out."""
    case = hardware("tape", "painted", [block(flat_at(0, 18, 0), (32, 30, 18), 8)], [], 2.0)
    blade = slab("tape", "painted", flat_at(90, 2, 10), rectangle(64, 9), 0.8)
    ticks = [(k - 0.2, 3.0, k + 0.2, 9.0) for k in np.arange(34.0, 150.0, 5.0)]
    yellow = Coat((0.75, 0.50, 0.03), 0.4)
    return [
        painted(rng, case, Coat(paint_colour(rng), 0.4)),
        painted(rng, blade, yellow),
        print_quads("tape", ticks, 3.1, STUFF["black"]),
    ]


def make_scale_card(rng: np.random.Generator) -> Things:
    """A card with checker squares and corner marks; the project's card is of this sort."""
    side = float(rng.uniform(5, 10))
    columns, rows = int(rng.integers(5, 9)), int(rng.integers(3, 6))
    x0, z0 = -columns * side / 2, -rows * side / 2
    card = slab("card", "paper", flat_at(0, 0, 0), rectangle(9 - x0, 9 - z0), 0.8)
    dark = [
        (x0 + c * side, z0 + r * side, x0 + (c + 1) * side, z0 + (r + 1) * side)
        for c in range(columns)
        for r in range(rows)
        if (c + r) % 2 == 0
    ]
    return [painted(rng, card, STUFF["white"]), print_quads("card", dark, 0.95, STUFF["black"])]


def make_caliper(rng: np.random.Generator) -> Things:
    """A caliper, open by some millimetres, with a dial box at times."""
    open_by = float(rng.uniform(4, 60))
    t = 3.0
    beam = [
        block(flat_at(40, t, 0), (100, 8, 1.8), 0.3),
        prism(flat_at(-62, t, 0), np.array([[0, 8], [10, 8], [10, -8], [3, -48], [0, -48]]), 1.8),
        prism(flat_at(-62, t, 0), np.array([[0, 8], [10, 8], [2, 24], [0, 24]]), 1.8),
    ]
    slide = [
        block(flat_at(-42 + open_by, t, 0), (22, 11, 3.0), 1),
        prism(flat_at(-62 + open_by, t, 0), np.array([[-10, -8], [0, -8], [0, -48], [-3, -48]]), 1.8),
        prism(flat_at(-62 + open_by, t, 0), np.array([[0, 8], [-10, 8], [-2, 24], [0, 24]]), 1.8),
    ]
    out = [
        painted(rng, hardware("caliper", "steel", beam, [], 1.2), STUFF["steel"]),
        painted(rng, hardware("caliper", "steel", slide, [], 1.2), STUFF["chrome"]),
    ]
    ticks = [(k - 0.15, 2.0, k + 0.15, 7.0) for k in np.arange(-20.0 + open_by, 136.0, 2.0)]
    out.append(print_quads("caliper", ticks, t + 1.9, STUFF["black"]))
    if rng.random() < 0.5:
        box = hardware("caliper", "painted", [block(flat_at(-38 + open_by, t + 4, 0), (24, 15, 4), 2)], [], 1.5)
        out += [
            painted(rng, box, STUFF["black"]),
            print_quads("caliper", [(-54 + open_by, -8.0, -24 + open_by, 4.0)], t + 8.2, Coat((0.35, 0.40, 0.34), 0.2)),
        ]
    return out


def make_spring(rng: np.random.Generator) -> Things:
    """A coil spring."""
    r = float(rng.uniform(4, 12))
    return [
        painted(
            rng,
            spring(
                "spring",
                vec(-30, r, 0),
                vec(float(rng.uniform(5, 60)), r, 0),
                r * 0.85,
                r * 0.13,
                int(rng.integers(8, 22)),
            ),
            worn(rng, "steel"),
        )
    ]


def make_stick(rng: np.random.Generator) -> Things:
    """A pencil, scriber or punch."""
    length, r = float(rng.uniform(90, 170)), float(rng.uniform(3, 6))
    profile = [(0.0, 0.0), (0.0, r), (length * 0.88, r), (length, r * 0.1), (length, 0)]
    coat = Coat(paint_colour(rng), 0.35) if rng.random() < 0.6 else worn(rng, "steel")
    return [
        painted(
            rng,
            turned("stick", "painted", aim(vec(-length / 2, r, 0), ALONG), profile, 6 if rng.random() < 0.5 else 16),
            coat,
        )
    ]


def make_brush(rng: np.random.Generator) -> Things:
    """A brush with a wooden or painted handle."""
    long = float(rng.uniform(60, 130))
    grip = hardware(
        "brush",
        "wood",
        [
            chain(np.array([vec(-long, 7, 0), vec(0, 7, 0)]), [5, 7], squash=1.0),
            block(flat_at(18, 7, 0), (20, 12, 6), 3),
        ],
        [],
        1.6,
        4.0,
    )
    hair = hardware("brush", "painted", [block(flat_at(52, 6, 0), (16, 12, 5), 2)], [], 1.6)
    return [
        painted(rng, grip, Coat(paint_colour(rng) if rng.random() < 0.5 else STUFF["wood"].colour, 0.5)),
        painted(rng, hair, Coat((0.12, 0.08, 0.04), 0.95, tone=0.4)),
    ]
