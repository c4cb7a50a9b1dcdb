"""Rags, cups, boxes, sheets and other things of a bench, each lying on y = 0 about the origin. Millimetres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from .bench_tools import ALONG, UP, Things, flat_at, make_scattered
from .coat import STUFF, Coat, Colour, paint_colour, painted, ripple, worn
from .kin_fittings import rectangle, round_outline, slab, tube
from .mesh import PartMesh, vertex_normals
from .pieces import hardware, turned
from .solids import Frame, aim, block, polygon, prism, ring, rod, vec


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
    v2 = np.concatenate([v, v - np.array([0, 0.5, 0], np.float32)])
    stripes = (np.sin(flat[kept, 0] * rng.uniform(0.1, 0.5)) > 0.3).astype(np.float32)[:, None]
    base = np.array(colours[0], np.float32) * (1 - stripes) + np.array(colours[-1], np.float32) * stripes
    oil = np.clip(ripple(v, rng, half * 0.7, 3) - 0.3, 0, 1)[:, None] * rng.uniform(0.2, 1)
    colour = np.clip(base * (1 - 0.85 * oil), 0.006, 0.9)
    n2 = len(v2)
    return PartMesh(
        part,
        v2,
        both,
        np.concatenate([vertex_normals(v, faces), -vertex_normals(v, faces)]),
        np.concatenate([colour, colour]).astype(np.float32),
        np.full(n2, 0.95, np.float32),
        np.zeros(n2, np.float32),
    )


def make_rag(rng: np.random.Generator) -> Things:
    """A crumpled rag, of one colour or striped, oily."""
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


def make_cup(rng: np.random.Generator) -> Things:
    """A cup, most with an ear."""
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


def make_bottle(rng: np.random.Generator) -> Things:
    """A bottle with cap and label, standing or lying."""
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


def make_gaskets(rng: np.random.Generator) -> Things:
    """One to three gaskets, cut sheets with holes."""
    out: Things = []
    for k in range(int(rng.integers(1, 4))):
        x, z = float(rng.normal(0, 30)), float(rng.normal(0, 30))
        a, b = float(rng.uniform(22, 50)), float(rng.uniform(18, 40))
        outline = polygon(str(rng.choice(["rect", "d_shape", "octagon", "round", "waisted", "box"])), a, b)
        f = flat_at(x, 0.5 + 0.9 * k, z, float(rng.random() * 360))
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


def make_carton(rng: np.random.Generator) -> Things:
    """An open or closed cardboard box."""
    x, z, y = float(rng.uniform(35, 80)), float(rng.uniform(28, 60)), float(rng.uniform(25, 70))
    coat = replace(
        STUFF["card"] if rng.random() < 0.6 else Coat(paint_colour(rng), 0.6), grime=float(rng.random() * 0.4)
    )
    if rng.random() < 0.5:
        return [
            painted(rng, hardware("carton", "card", [block(flat_at(0, y / 2, 0), (x, z, y / 2), 1)], [], 3.5), coat)
        ]
    stand = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])
    cross = np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])
    walls = [slab("carton", "card", flat_at(0, 0, 0), rectangle(x, z), 1.5)]
    for s in (-1, 1):
        walls.append(slab("carton", "card", Frame(vec(s * x, y / 2, 0), cross), rectangle(z, y / 2), 1.5))
        walls.append(slab("carton", "card", Frame(vec(0, y / 2, s * z), stand), rectangle(x, y / 2), 1.5))
        lean = math.radians(float(rng.uniform(-35, 40)))
        out = np.array([s * math.cos(lean), math.sin(lean), 0])
        axes = np.stack([vec(0, 0, 1), out, np.cross(vec(0, 0, 1), out)])
        walls.append(slab("carton", "card", Frame(vec(s * x, y, 0) + out * z * 0.5, axes), rectangle(z, z * 0.5), 1.5))
    return [painted(rng, wall, coat) for wall in walls]


def make_tray(rng: np.random.Generator) -> Things:
    """A parts tray or drip tray with some hardware in it."""
    x, z, y = float(rng.uniform(55, 95)), float(rng.uniform(45, 70)), float(rng.uniform(12, 28))
    outline = polygon("box", x, z)
    shell = hardware(
        "tray",
        "steel",
        [prism(flat_at(0, y / 2, 0), outline, y / 2, edge=3)],
        [prism(flat_at(0, y / 2 + 2.5, 0), outline - np.sign(outline) * 2, y / 2, edge=2)],
        2.2,
    )
    coat = Coat(paint_colour(rng), 0.4, grime=0.4) if rng.random() < 0.5 else worn(rng, "steel")
    lift = np.array([0, 2.8, 0], np.float32)
    inside = [replace(p, vertices=p.vertices * np.float32(0.7) + lift) for p in make_scattered(rng)]
    return [painted(rng, shell, coat), *inside]


def make_reel(rng: np.random.Generator) -> Things:
    """A roll of tape, lying or standing."""
    r, wide = float(rng.uniform(30, 52)), float(rng.uniform(14, 44))
    f = aim(vec(0, 0, 0), UP) if rng.random() < 0.6 else aim(vec(0, r, -wide / 2), vec(0, 0, 1))
    profile = [(0.0, r * 0.62), (0.0, r), (wide, r), (wide, r * 0.62), (0.0, r * 0.62)]
    return [painted(rng, turned("reel", "painted", f, profile, 44), Coat(paint_colour(rng), 0.35))]


def make_wire(rng: np.random.Generator) -> Things:
    """A loose cable, hose or string on the table."""
    r = float(rng.uniform(1.2, 6.0))
    points = [vec(0, r, 0)]
    heading = rng.random() * 2 * math.pi
    for _ in range(int(rng.integers(5, 10))):
        heading += rng.normal(0, 0.8)
        points.append(points[-1] + 24 * vec(math.cos(heading), 0, math.sin(heading)))
    coat = worn(rng, "rubber") if rng.random() < 0.5 else Coat(paint_colour(rng), 0.45)
    return [painted(rng, tube("wire", "rubber", points, r), coat)]
