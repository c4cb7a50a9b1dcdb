"""Things that lie about on a bench: tools, small hardware, scales, rags, cups, sheets, boxes.

Each is modelled lying on y = 0 about the origin, then placed beside the subject's box, never inside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .coat import STUFF, Coat, Colour, paint_colour, painted, ripple, worn
from .kin_fittings import HEX, circle, rectangle, round_outline, slab, spring, tube
from .mesh import Floats, PartMesh, vertex_normals
from .solids import Frame, Vec, aim, block, chain, hardware, polygon, prism, ring, rod, turned, vec

UP, ALONG = vec(0, 1, 0), vec(1, 0, 0)
FLAT = Frame(vec(0, 0, 0), np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]]))  # u = +x, v = -z, w = +y
MOST = 12
"""Greatest number of distractors in a scene."""
CLEAR_MM = 3.0
"""Least gap between the subject's box and a prop's."""

Things = list[PartMesh]
Maker = Callable[[np.random.Generator], Things]


def _at(x: float, y: float, z: float, turn_deg: float = 0.0) -> Frame:
    """The flat frame moved, turned about the vertical."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    axes = np.stack([c * FLAT.axes[0] + s * FLAT.axes[1], c * FLAT.axes[1] - s * FLAT.axes[0], FLAT.axes[2]])
    return Frame(vec(x, y, z), axes)


def _quads(part: str, boxes: Sequence[tuple[float, float, float, float]], y: float, coat: Coat) -> PartMesh:
    """Flat rectangles (x0, z0, x1, z1) facing up at height ``y``: print on a card or a rule."""
    b = np.array(boxes, np.float32)
    x, z = b[:, [0, 2, 2, 0]], b[:, [1, 1, 3, 3]]
    v = np.stack([x, np.full_like(x, y), z], -1).reshape(-1, 3)
    first = np.arange(len(b))[:, None] * 4
    faces = np.concatenate([first + np.array([0, 2, 1]), first + np.array([0, 3, 2])]).astype(np.int32)
    n = len(v)
    return PartMesh(
        part, v, faces, np.tile(np.float32([0, 1, 0]), (n, 1)), np.tile(np.float32(coat.colour), (n, 1)),
        np.full(n, coat.roughness, np.float32), np.full(n, coat.metallic, np.float32),
    )  # fmt: skip


def _wrench(rng: np.random.Generator) -> Things:
    size = float(rng.uniform(8, 22))
    length, wide, thick = size * float(rng.uniform(8, 11)), size * 0.52, max(size * 0.22, 2.2)
    solids = [block(_at(0, thick, 0), (length / 2, wide, thick * 0.75), 1.2)]
    cuts = []
    for side in (-1, 1):
        end = vec(side * length / 2, thick, 0)
        ringed = rng.random() < 0.5
        solids.append(rod(end - UP * thick, end + UP * thick, size * (0.95 if ringed else 1.1), edge=1.0))
        if ringed:
            cuts.append(prism(_at(end[0], thick, 0, 15), HEX * size * 0.62, thick * 2))
        else:
            cuts.append(block(_at(end[0] + side * size * 0.7, thick, 0, 15 * side), (size, size * 0.5, thick * 2)))
    return [
        painted(
            rng, hardware("wrench", "steel", solids, cuts, 1.0, 3.0), worn(rng, str(rng.choice(["chrome", "steel"])))
        )
    ]


def _adjustable(rng: np.random.Generator) -> Things:
    length, t = float(rng.uniform(140, 210)), 5.5
    solids = [
        chain(np.array([vec(-length / 2, t, 0), vec(length * 0.2, t, 0)]), [t * 1.4, t]),
        prism(
            _at(length * 0.33, t, 0),
            np.array([[-26, -10], [10, -16], [30, -15], [30, -4], [4, -2], [4, 8], [22, 14], [24, 22], [-6, 17]]),
            t,
            edge=1.5,
            grow=1.5,
        ),
    ]
    knurl = [rod(vec(length * 0.27 + k, t - 5, -8), vec(length * 0.27 + k, t + 5, -8), 3.2) for k in (0, 3, 6)]
    return [painted(rng, hardware("adjustable", "steel", [*solids, *knurl], [], 1.4, 3.0), worn(rng, "chrome"))]


def _screwdriver(rng: np.random.Generator) -> Things:
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


def _pliers(rng: np.random.Generator) -> Things:
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


def _socket(rng: np.random.Generator) -> Things:
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


def _ratchet(rng: np.random.Generator) -> Things:
    length, t = float(rng.uniform(130, 200)), 8.0
    body = [
        chain(np.array([vec(-length, t, 0), vec(-length * 0.35, t, 0), vec(0, t, 0)]), [8, 6, 6]),
        rod(vec(0, 0, 0), vec(0, 2 * t, 0), 15, edge=3),
    ]
    return [painted(rng, hardware("ratchet", "steel", body, [], 1.5, 4.0), worn(rng, "chrome"))]


def _scattered(rng: np.random.Generator) -> Things:
    """Nuts, bolts, washers, balls."""
    out: Things = []
    for _ in range(int(rng.integers(2, 9))):
        x, z = rng.normal(0, 26, 2)
        size = float(rng.uniform(3.5, 9))
        coat = worn(rng, str(rng.choice(["zinc", "steel", "brass", "chrome"])))
        what, turn = int(rng.integers(4)), float(rng.random() * 360)
        if what == 0:
            at = _at(float(x), size * 0.45, float(z), turn)
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


def _coins(rng: np.random.Generator) -> Things:
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


def _ruler(rng: np.random.Generator) -> Things:
    length, wide = float(rng.choice([150, 200, 300])), float(rng.uniform(22, 32))
    coat = STUFF["steel"] if rng.random() < 0.6 else Coat((0.62, 0.45, 0.10), 0.5)
    body = slab("ruler", "steel", _at(0, 0, 0), rectangle(length / 2, wide / 2), 1.2)
    x = np.arange(-length / 2 + 4, length / 2 - 4)
    tall = np.where(np.arange(len(x)) % 10 == 0, 8.0, np.where(np.arange(len(x)) % 5 == 0, 6.0, 3.6))
    ticks = [(a - 0.14, wide / 2 - t, a + 0.14, wide / 2) for a, t in zip(x, tall, strict=True)]
    return [painted(rng, body, coat), _quads("ruler", ticks, 1.32, STUFF["black"])]


def _tape_measure(rng: np.random.Generator) -> Things:
    case = hardware("tape", "painted", [block(_at(0, 18, 0), (32, 30, 18), 8)], [], 2.0)
    blade = slab("tape", "painted", _at(90, 2, 10), rectangle(64, 9), 0.8)
    ticks = [(k - 0.2, 3.0, k + 0.2, 9.0) for k in np.arange(34.0, 150.0, 5.0)]
    yellow = Coat((0.75, 0.50, 0.03), 0.4)
    return [
        painted(rng, case, Coat(paint_colour(rng), 0.4)),
        painted(rng, blade, yellow),
        _quads("tape", ticks, 3.1, STUFF["black"]),
    ]


def _scale_card(rng: np.random.Generator) -> Things:
    """A card with checker squares and corner marks; the project's card is of this sort."""
    side = float(rng.uniform(5, 10))
    columns, rows = int(rng.integers(5, 9)), int(rng.integers(3, 6))
    x0, z0 = -columns * side / 2, -rows * side / 2
    card = slab("card", "paper", _at(0, 0, 0), rectangle(9 - x0, 9 - z0), 0.8)
    dark = [
        (x0 + c * side, z0 + r * side, x0 + (c + 1) * side, z0 + (r + 1) * side)
        for c in range(columns)
        for r in range(rows)
        if (c + r) % 2 == 0
    ]
    return [painted(rng, card, STUFF["white"]), _quads("card", dark, 0.95, STUFF["black"])]


def _caliper(rng: np.random.Generator) -> Things:
    open_by = float(rng.uniform(4, 60))
    t = 3.0
    beam = [
        block(_at(40, t, 0), (100, 8, 1.8), 0.3),
        prism(_at(-62, t, 0), np.array([[0, 8], [10, 8], [10, -8], [3, -48], [0, -48]]), 1.8),
        prism(_at(-62, t, 0), np.array([[0, 8], [10, 8], [2, 24], [0, 24]]), 1.8),
    ]
    slide = [
        block(_at(-42 + open_by, t, 0), (22, 11, 3.0), 1),
        prism(_at(-62 + open_by, t, 0), np.array([[-10, -8], [0, -8], [0, -48], [-3, -48]]), 1.8),
        prism(_at(-62 + open_by, t, 0), np.array([[0, 8], [-10, 8], [-2, 24], [0, 24]]), 1.8),
    ]
    out = [
        painted(rng, hardware("caliper", "steel", beam, [], 1.2), STUFF["steel"]),
        painted(rng, hardware("caliper", "steel", slide, [], 1.2), STUFF["chrome"]),
    ]
    ticks = [(k - 0.15, 2.0, k + 0.15, 7.0) for k in np.arange(-20.0 + open_by, 136.0, 2.0)]
    out.append(_quads("caliper", ticks, t + 1.9, STUFF["black"]))
    if rng.random() < 0.5:
        box = hardware("caliper", "painted", [block(_at(-38 + open_by, t + 4, 0), (24, 15, 4), 2)], [], 1.5)
        out += [
            painted(rng, box, STUFF["black"]),
            _quads("caliper", [(-54 + open_by, -8.0, -24 + open_by, 4.0)], t + 8.2, Coat((0.35, 0.40, 0.34), 0.2)),
        ]
    return out


def heap(rng: np.random.Generator, half: float, high: float, colours: Sequence[Colour], part: str = "rag") -> PartMesh:
    """A crumpled cloth: folds on a mound, thin at its ragged edge, (about 2 x ``half`` wide, ``high`` mm)."""
    n = 72
    a = np.linspace(-1, 1, n, dtype=np.float32)
    x, z = np.meshgrid(a, a, indexing="ij")
    flat = np.stack([x.ravel(), np.zeros(n * n, np.float32), z.ravel()], 1) * np.float32(half)
    fold = ripple(flat, rng, half * 0.9, 3)
    crease = np.abs(ripple(flat, rng, half * 1.1, 2))
    edge = 1 - np.clip(np.hypot(flat[:, 0], flat[:, 2]) / half + 0.22 * ripple(flat, rng, half * 0.8, 3), 0, 1.2)
    mound = np.clip(edge * 2.2, 0, 1)
    y = high * mound * np.clip(0.45 + 0.30 * fold + 0.35 * (1 - crease), 0.04, 1.6)
    v = np.stack([flat[:, 0] + 6 * fold * mound, y + 0.6, flat[:, 2] + 6 * crease * mound], 1).astype(np.float32)
    i = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None, :]).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + n], 1), np.stack([i + 1, i + n + 1, i + n], 1)]).astype(np.int32)
    faces = faces[(edge[faces] > 0.02).all(1)]
    kept = np.unique(faces)
    lookup = np.zeros(n * n, np.int32)
    lookup[kept] = np.arange(len(kept))
    v, faces = v[kept], lookup[faces]
    both = np.concatenate([faces, faces[:, ::-1] + len(v)]).astype(np.int32)  # seen from below as well
    v2 = np.concatenate([v, v - np.float32([0, 0.5, 0])])
    stripes = (np.sin(flat[kept, 0] * rng.uniform(0.1, 0.5)) > 0.3).astype(np.float32)[:, None]
    base = np.array(colours[0], np.float32) * (1 - stripes) + np.array(colours[-1], np.float32) * stripes
    oil = np.clip(ripple(v, rng, half * 0.7, 3) - 0.3, 0, 1)[:, None] * rng.uniform(0.2, 1)
    colour = np.clip(base * (1 - 0.85 * oil), 0.006, 0.9)
    n2 = len(v2)
    return PartMesh(
        part, v2, both, np.concatenate([vertex_normals(v, faces), -vertex_normals(v, faces)]),
        np.concatenate([colour, colour]).astype(np.float32), np.full(n2, 0.95, np.float32), np.zeros(n2, np.float32),
    )  # fmt: skip


def _rag(rng: np.random.Generator) -> Things:
    cloths: tuple[Colour, ...] = (
        (0.5, 0.04, 0.03),
        (0.55, 0.54, 0.5),
        (0.05, 0.12, 0.35),
        (0.45, 0.32, 0.12),
        (0.2, 0.2, 0.2),
    )
    one, other = rng.integers(len(cloths), size=2)
    picked = (cloths[one], cloths[other] if rng.random() < 0.4 else cloths[one])
    return [heap(rng, float(rng.uniform(45, 95)), float(rng.uniform(14, 42)), picked)]


def _cup(rng: np.random.Generator) -> Things:
    r, high = float(rng.uniform(32, 44)), float(rng.uniform(70, 105))
    wall = [
        (0.0, 0.0),
        (0.0, r * 0.85),
        (3, r * 0.9),
        (high - 1, r),
        (high, r - 1.5),
        (high - 1, r - 3),
        (high * 0.7, r - 4),
        (high * 0.7, 0),
    ]
    coat = Coat(paint_colour(rng), float(rng.uniform(0.1, 0.4)))
    out = [painted(rng, turned("cup", "painted", aim(vec(0, 0, 0), UP), wall, 44), coat)]
    if rng.random() < 0.7:
        ear = hardware(
            "cup",
            "painted",
            [ring(aim(vec(r + 4, high * 0.5, 0), vec(0, 0, 1)), high * 0.26, 5)],
            [rod(vec(0, 0, 0), vec(0, high, 0), r - 3)],
            1.5,
        )
        out.append(painted(rng, ear, coat))
    return out


def _bottle(rng: np.random.Generator) -> Things:
    r, high = float(rng.uniform(22, 40)), float(rng.uniform(100, 190))
    neck = r * float(rng.uniform(0.3, 0.55))
    f = aim(vec(0, 0, 0), UP) if rng.random() < 0.7 else aim(vec(-high / 2, r, 0), ALONG)
    body = [
        (0.0, 0.0),
        (0.0, r * 0.92),
        (3, r),
        (high * 0.66, r),
        (high * 0.8, neck),
        (high * 0.86, neck),
        (high * 0.86, 0),
    ]
    cap = [(high * 0.86, 0), (high * 0.86, neck + 2), (high, neck + 2), (high, 0)]
    label = [(high * 0.2, r + 0.3), (high * 0.55, r + 0.3)]
    return [
        painted(
            rng,
            turned("bottle", "painted", f, body, 40),
            Coat(paint_colour(rng), float(rng.uniform(0.08, 0.5)), grime=0.3 * float(rng.random())),
        ),
        painted(rng, turned("bottle", "painted", f, cap, 28), Coat(paint_colour(rng), 0.4)),
        painted(rng, turned("bottle", "paper", f, label, 40), Coat(paint_colour(rng), 0.5)),
    ]


def _gaskets(rng: np.random.Generator) -> Things:
    out: Things = []
    for k in range(int(rng.integers(1, 4))):
        x, z = float(rng.normal(0, 30)), float(rng.normal(0, 30))
        a, b = float(rng.uniform(22, 50)), float(rng.uniform(18, 40))
        outline = polygon(str(rng.choice(["rect", "d_shape", "octagon", "round", "waisted", "box"])), a, b)
        f = _at(x, 0.5 + 0.9 * k, z, float(rng.random() * 360))
        cuts = [outline * float(rng.uniform(0.6, 0.74))]
        cuts += [round_outline(2.6, (sx * a * 0.8, sy * b * 0.7)) for sx in (-1, 1) for sy in (-1, 1)]
        name = str(rng.choice(["paper", "gasket", "cork", "card", "copper"]))
        out.append(
            painted(
                rng,
                slab("gasket", "paper", f, outline, 0.9, cuts),
                replace(STUFF[name], grime=float(rng.random() * 0.6)),
            )
        )
    return out


def _carton(rng: np.random.Generator) -> Things:
    """An open or closed cardboard box."""
    x, z, y = float(rng.uniform(35, 80)), float(rng.uniform(28, 60)), float(rng.uniform(25, 70))
    coat = replace(
        STUFF["card"] if rng.random() < 0.6 else Coat(paint_colour(rng), 0.6), grime=float(rng.random() * 0.4)
    )
    if rng.random() < 0.5:
        return [painted(rng, hardware("carton", "card", [block(_at(0, y / 2, 0), (x, z, y / 2), 1)], [], 3.5), coat)]
    stand = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])
    cross = np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])
    walls = [slab("carton", "card", _at(0, 0, 0), rectangle(x, z), 1.5)]
    for s in (-1, 1):
        walls.append(slab("carton", "card", Frame(vec(s * x, y / 2, 0), cross), rectangle(z, y / 2), 1.5))
        walls.append(slab("carton", "card", Frame(vec(0, y / 2, s * z), stand), rectangle(x, y / 2), 1.5))
        lean = math.radians(float(rng.uniform(-35, 40)))
        out = np.array([s * math.cos(lean), math.sin(lean), 0])
        axes = np.stack([vec(0, 0, 1), out, np.cross(vec(0, 0, 1), out)])
        walls.append(slab("carton", "card", Frame(vec(s * x, y, 0) + out * z * 0.5, axes), rectangle(z, z * 0.5), 1.5))
    return [painted(rng, wall, coat) for wall in walls]


def _tray(rng: np.random.Generator) -> Things:
    """A parts tray or drip tray with some hardware in it."""
    x, z, y = float(rng.uniform(55, 95)), float(rng.uniform(45, 70)), float(rng.uniform(12, 28))
    outline = polygon("box", x, z)
    shell = hardware(
        "tray",
        "steel",
        [prism(_at(0, y / 2, 0), outline, y / 2, edge=3)],
        [prism(_at(0, y / 2 + 2.5, 0), outline - np.sign(outline) * 2, y / 2, edge=2)],
        2.2,
    )
    coat = Coat(paint_colour(rng), 0.4, grime=0.4) if rng.random() < 0.5 else worn(rng, "steel")
    inside = [replace(p, vertices=p.vertices * np.float32(0.7) + np.float32([0, 2.8, 0])) for p in _scattered(rng)]
    return [painted(rng, shell, coat), *inside]


def _reel(rng: np.random.Generator) -> Things:
    """A roll of tape, lying or standing."""
    r, wide = float(rng.uniform(30, 52)), float(rng.uniform(14, 44))
    f = aim(vec(0, 0, 0), UP) if rng.random() < 0.6 else aim(vec(0, r, -wide / 2), vec(0, 0, 1))
    profile = [(0.0, r * 0.62), (0.0, r), (wide, r), (wide, r * 0.62), (0.0, r * 0.62)]
    return [painted(rng, turned("reel", "painted", f, profile, 44), Coat(paint_colour(rng), 0.35))]


def _wire(rng: np.random.Generator) -> Things:
    """A loose cable, hose or string on the table."""
    r = float(rng.uniform(1.2, 6.0))
    points = [vec(0, r, 0)]
    heading = rng.random() * 2 * math.pi
    for _ in range(int(rng.integers(5, 10))):
        heading += rng.normal(0, 0.8)
        points.append(points[-1] + 24 * vec(math.cos(heading), 0, math.sin(heading)))
    coat = worn(rng, "rubber") if rng.random() < 0.5 else Coat(paint_colour(rng), 0.45)
    return [painted(rng, tube("wire", "rubber", points, r), coat)]


def _spring(rng: np.random.Generator) -> Things:
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


def _brush(rng: np.random.Generator) -> Things:
    long = float(rng.uniform(60, 130))
    grip = hardware(
        "brush",
        "wood",
        [chain(np.array([vec(-long, 7, 0), vec(0, 7, 0)]), [5, 7], squash=1.0), block(_at(18, 7, 0), (20, 12, 6), 3)],
        [],
        1.6,
        4.0,
    )
    hair = hardware("brush", "painted", [block(_at(52, 6, 0), (16, 12, 5), 2)], [], 1.6)
    return [
        painted(rng, grip, Coat(paint_colour(rng) if rng.random() < 0.5 else STUFF["wood"].colour, 0.5)),
        painted(rng, hair, Coat((0.12, 0.08, 0.04), 0.95, tone=0.4)),
    ]


def _stick(rng: np.random.Generator) -> Things:
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


BENCH: Mapping[str, tuple[Maker, float]] = MappingProxyType(
    {
        "wrench": (_wrench, 1.6),
        "adjustable": (_adjustable, 0.7),
        "screwdriver": (_screwdriver, 1.6),
        "pliers": (_pliers, 1.0),
        "socket": (_socket, 1.0),
        "ratchet": (_ratchet, 0.7),
        "scattered": (_scattered, 1.8),
        "coins": (_coins, 1.0),
        "ruler": (_ruler, 0.9),
        "tape_measure": (_tape_measure, 0.5),
        "scale_card": (_scale_card, 1.0),
        "caliper": (_caliper, 0.8),
        "rag": (_rag, 1.6),
        "cup": (_cup, 0.7),
        "bottle": (_bottle, 0.8),
        "gaskets": (_gaskets, 1.0),
        "carton": (_carton, 0.8),
        "tray": (_tray, 0.6),
        "reel": (_reel, 0.5),
        "wire": (_wire, 1.0),
        "spring": (_spring, 0.5),
        "brush": (_brush, 0.5),
        "stick": (_stick, 0.7),
    }
)
"""Name -> maker and how often it is drawn."""


def moved(
    parts: Sequence[PartMesh], turn: NDArray[np.float32], shift: NDArray[np.float32], part: str | None = None
) -> Things:
    """Parts turned by (3, 3), then shifted."""
    return [
        replace(
            p,
            part=part or p.part,
            vertices=(p.vertices @ turn.T + shift).astype(np.float32),
            normals=(p.normals @ turn.T).astype(np.float32),
        )
        for p in parts
    ]


def box_of(parts: Sequence[PartMesh]) -> tuple[Floats, Floats]:
    """Lowest and highest corner, (3,) float32 each."""
    return np.min([p.vertices.min(0) for p in parts], 0), np.max([p.vertices.max(0) for p in parts], 0)


def about_y(turn_deg: float) -> NDArray[np.float32]:
    """Rotation about the vertical, (3, 3)."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]], np.float32)


def bench(
    rng: np.random.Generator,
    low: NDArray[np.floating],
    high: NDArray[np.floating],
    ground: float,
    count: int | None = None,
) -> Things:
    """Distractors round a subject that stands on a table.

    Args:
        rng: every draw.
        low: lowest corner of the subject's box, mm.
        high: highest corner.
        ground: height of the table.
        count: how many things, 0 to ``MOST``; drawn when None (few are commoner than many).

    Returns:
        Parts on the table; none reaches into the subject's box grown by ``CLEAR_MM`` sideways.
    """
    wanted = int(rng.integers(0, MOST + 1) * rng.uniform(0.3, 1.0)) if count is None else min(count, MOST)
    names = list(BENCH)
    weight = np.array([BENCH[n][1] for n in names])
    out: Things = []
    taken = [(np.asarray(low, np.float32) - CLEAR_MM, np.asarray(high, np.float32) + CLEAR_MM)]
    middle = (taken[0][0] + taken[0][1]) / 2
    for _ in range(wanted):
        name = names[int(rng.choice(len(names), p=weight / weight.sum()))]
        thing = moved(BENCH[name][0](rng), about_y(float(rng.random() * 360)), np.zeros(3, np.float32), name)
        a, b = box_of(thing)
        for _ in range(25):
            angle, far = rng.random() * 2 * math.pi, rng.uniform(0.4, 3.2) * float(np.linalg.norm(high - low)) * 0.5
            spot = np.array(
                [middle[0] + far * math.cos(angle), ground - min(a[1], 0.0), middle[2] + far * math.sin(angle)],
                np.float32,
            )
            spot[[0, 2]] -= (a + b)[[0, 2]] / 2
            here = (a + spot, b + spot)
            if not any(_overlap(here, other) for other in taken):
                out += moved(thing, np.eye(3, dtype=np.float32), spot)
                taken.append(here)
                break
    return out


def _overlap(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> bool:
    """Whether two boxes overlap seen from above."""
    return bool(all(one[0][k] < other[1][k] and other[0][k] < one[1][k] for k in (0, 2)))


__all__ = ["BENCH", "CLEAR_MM", "MOST", "Things", "Vec", "about_y", "bench", "box_of", "heap", "moved"]
