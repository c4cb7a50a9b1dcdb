"""The place where the subject hangs: manifold above it, block behind it, hoses, wires, bilge and tray below it.

Frame of the unit: +y up, the flange on top, +z out of the throat mouth. Nothing reaches into the subject's box.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import far_kin
from .coat import STUFF, Coat, paint_colour, painted, ripple, worn
from .kin_fittings import barb, bolts_on, cast, circle, rectangle, round_outline, screw, slab, stud
from .mesh import Floats, PartMesh, merge
from .props import FLAT, Things, about_y, box_of, moved
from .solids import (
    Frame,
    RawPart,
    Solid,
    Vec,
    aim,
    block,
    chain,
    polygon,
    prism,
    ring,
    rod,
    smooth_path,
    sweep,
    turned,
    vec,
)

UP, FRONT, RIGHT = vec(0, 1, 0), vec(0, 0, 1), vec(1, 0, 0)
WALL = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])  # u = +x, v = +y, w = +z
Corner = NDArray[np.floating]
CLEAR_MM = 1.0
"""Least gap between the subject's box and anything of the bay but the manifold's pad, which sits on the flange."""


def _coat(rng: np.random.Generator, engine: Coat) -> Coat:
    """Engine paint on most things, bare or rusty iron on some, each dirtier or cleaner."""
    if rng.random() < 0.6:
        return replace(
            engine,
            grime=float(rng.uniform(0.1, 0.8)),
            chips=float(rng.random() ** 2 * 0.6),
            rust=float(rng.random() ** 3 * 0.4),
        )
    return replace(worn(rng, str(rng.choice(["iron", "iron", "aluminium"]))), grime=float(rng.uniform(0.2, 0.9)))


def manifold(rng: np.random.Generator, low: Corner, high: Corner, engine: Coat) -> Things:
    """A runner along the engine with branches back to the block, and a two-stud pad on the subject's flange."""
    x = (float(low[0]) + float(high[0])) / 2 + float(rng.normal(0, 4))
    z = (float(low[2]) + float(high[2])) / 2 + float(rng.normal(0, 6))
    top = float(high[1])
    thick = float(rng.uniform(9, 15))
    ear = float(rng.uniform(36, 46))
    pad = prism(
        Frame(vec(x, top + 0.3 + thick / 2, z), FLAT.axes),
        polygon("waisted", ear, float(rng.uniform(21, 28))),
        thick / 2,
        edge=1.0,
        grow=2.0,
    )
    rise = top + thick + float(rng.uniform(22, 40))
    r = float(rng.uniform(20, 29))
    back = float(low[2]) - float(rng.uniform(28, 50))
    span = float(rng.uniform(150, 230))
    solids: list[tuple[Solid, float]] = [
        (pad, 0.0),
        (chain(np.array([vec(x, top + thick * 0.6, z), vec(x, rise, z)]), [20, 24]), 7.0),
        (
            chain(
                np.array([vec(x - span, rise + 4, z - 4), vec(x, rise, z), vec(x + span, rise + 4, z - 4)]), [r, r, r]
            ),
            9.0,
        ),
    ]
    for s in (-0.92, -0.35, 0.35, 0.92):
        at = vec(x + s * span, rise + 3, z - 4)
        port = vec(at[0], rise - float(rng.uniform(-6, 16)), back)
        solids.append(
            (chain(np.array([at, vec(at[0], rise + 6, (z + back) / 2), port]), [r * 0.9, r * 0.85, r * 0.9]), 8.0)
        )
        solids.append((prism(aim(port, -FRONT), polygon("octagon", r * 1.5, r * 1.2), 5, edge=1), 3.0))
    for _ in range(int(rng.integers(1, 5))):
        p = vec(x + float(rng.uniform(-span, span)), rise, z)
        way = vec(0, float(rng.uniform(-0.4, 1)), float(rng.uniform(0, 1)))
        solids.append((rod(p, p + way / np.linalg.norm(way) * (r + 7), float(rng.uniform(8, 13)), edge=1), 4.0))
    coat = _coat(rng, engine)
    body = painted(rng, cast("manifold", [(s, b) for s, b in solids], step=3.0), coat)
    out = [_above(body, low, high)]
    metal = worn(rng, "steel")
    for s in (-1, 1):
        seat = vec(x + s * ear * 0.86, top + 0.3 + thick, z)
        out.append(painted(rng, screw(rng, seat, UP, 9.0, "nut"), metal))
    if rng.random() < 0.8:
        p = vec(x + float(rng.choice([-1, 1])) * float(rng.uniform(26, 60)), rise + 2, z + r)
        out.append(painted(rng, screw(rng, p, FRONT, 12.0, "hex", "brass"), worn(rng, "brass")))
    if rng.random() < 0.5:
        p = vec(x + float(rng.uniform(-span, span)), rise + r, z)
        out.append(painted(rng, barb(p, UP, 5.0, 22.0), worn(rng, "brass")))
    return out


def _above(part: PartMesh, low: Corner, high: Corner) -> PartMesh:
    """Keep blends from sagging into the subject's box: nothing over its footprint hangs below its top."""
    v = part.vertices.copy()
    over = (v[:, 0] > low[0]) & (v[:, 0] < high[0]) & (v[:, 2] > low[2]) & (v[:, 2] < high[2])
    v[over, 1] = np.maximum(v[over, 1], np.float32(high[1]) + np.float32(0.05))
    return replace(part, vertices=v)


def block_face(rng: np.random.Generator, low: Corner, high: Corner, engine: Coat) -> Things:
    """The side of the engine behind the subject: a cast wall with ribs, bosses, plugs, covers and bolts."""
    z = float(low[2]) - float(rng.uniform(34, 62))
    y0, y1 = float(low[1]) - float(rng.uniform(90, 160)), float(high[1]) + float(rng.uniform(110, 190))
    half, deep = float(rng.uniform(260, 360)), 26.0
    front = z
    solids: list[tuple[Solid, float]] = [
        (block(Frame(vec(0, (y0 + y1) / 2, z - deep), WALL), (half, (y1 - y0) / 2, deep), 6), 0.0)
    ]
    step_y = float(low[1]) - float(rng.uniform(10, 60))
    solids.append((block(Frame(vec(0, step_y - 12, z - 4), WALL), (half, 12, 16), 4), 5.0))
    for _ in range(int(rng.integers(3, 8))):
        at = float(rng.uniform(-half, half))
        solids.append(
            (
                block(
                    Frame(vec(at, (y0 + y1) / 2, z - 3), WALL),
                    (float(rng.uniform(4, 9)), (y1 - y0) / 2, float(rng.uniform(6, 15))),
                    3,
                ),
                5.0,
            )
        )
    seats = []
    for _ in range(int(rng.integers(5, 14))):
        p = vec(float(rng.uniform(-half, half)), float(rng.uniform(y0, y1)), front)
        long, r = float(rng.uniform(5, 20)), float(rng.uniform(9, 20))
        solids.append((rod(p - FRONT * 9, p + FRONT * long, r * 1.15, r, edge=1.5), 5.0))
        seats.append(p + FRONT * long)
    coat = _coat(rng, engine)
    out: Things = [painted(rng, cast("block", solids, step=5.5), coat)]
    metal = worn(rng, "steel")
    for p in seats[: len(seats) * 2 // 3]:
        out.append(
            painted(
                rng,
                screw(rng, p, FRONT, float(rng.uniform(7, 12)), str(rng.choice(["hex", "nut"]))),
                metal if rng.random() < 0.5 else coat,
            )
        )
    for k in range(int(rng.integers(0, 3))):  # core plugs
        p = vec(float(rng.uniform(-half, half)), float(rng.uniform(y0 + 40, y1 - 40)), front)
        dish = [(-6.0, 23.0), (2.5, 23.0), (2.5, 20.0), (-1.0, 19.0), (-1.5 - k, 0.0)]
        out.append(painted(rng, turned("plug", "steel", aim(p, FRONT), dish, 36), worn(rng, "iron")))
    if rng.random() < 0.6:
        p = vec(float(rng.uniform(-half * 0.7, half * 0.7)), step_y - float(rng.uniform(50, 90)), front + 2)
        w, h = float(rng.uniform(60, 110)), float(rng.uniform(30, 46))
        cover = cast(
            "cover",
            [
                (prism(Frame(p, WALL), polygon("box", w, h), 4, edge=1.5), 0.0),
                (prism(Frame(p + FRONT * 5, WALL), polygon("box", w * 0.85, h * 0.75), 4, edge=3), 3.0),
            ],
            step=3.0,
        )
        out.append(painted(rng, cover, _coat(rng, engine)))
        out += [
            painted(rng, r, metal)
            for r in bolts_on(
                rng,
                [p + vec(sx * w * 0.92, sy * h * 0.86, 4) for sx in (-1, 0, 1) for sy in (-1, 1)],
                FRONT,
                6.0,
                "hex",
            )
        ]
    return out


def machines(rng: np.random.Generator, low: Corner, high: Corner, engine: Coat) -> Things:
    """One or two engine parts on the block beside the subject, where there is room."""
    choices = (
        far_kin.oil_filter,
        far_kin.distributor,
        far_kin.solenoid,
        far_kin.fuel_pump,
        far_kin.alternator,
        far_kin.filter_bowl,
        far_kin.coil,
    )
    out: Things = []
    for side in (-1, 1):
        if rng.random() < 0.45:
            continue
        raws = [r for r in choices[int(rng.integers(len(choices)))](rng) if len(r.faces)]
        coat = _coat(rng, engine)
        own = Coat(paint_colour(rng), 0.4, grime=0.4)
        things = [
            painted(
                rng,
                r,
                coat
                if r.material == "casting"
                else own
                if r.material in ("painted", "glass")
                else worn(rng, _stuff(r.material)),
            )
            for r in raws
        ]
        things = moved(things, about_y(float(rng.uniform(-50, 50))), np.zeros(3, np.float32), "machine")
        a, b = box_of(things)
        gap = float(rng.uniform(28, 110))
        x = float(high[0]) + gap - a[0] if side > 0 else float(low[0]) - gap - b[0]
        y = float(rng.uniform(float(low[1]) - 40, float(high[1]))) - (a[1] + b[1]) / 2
        z = float(low[2]) - float(rng.uniform(10, 50)) - (a[2] + b[2]) / 2
        out += moved(things, np.eye(3, dtype=np.float32), np.array([x, y, z], np.float32))
    return out


def _stuff(material: str) -> str:
    return {"dark": "black", "studs": "steel"}.get(material, material if material in STUFF else "steel")


def _enters(path: Vec, radius: float, low: Corner, high: Corner) -> bool:
    gap = radius + CLEAR_MM
    return bool(((path > np.asarray(low) - gap) & (path < np.asarray(high) + gap)).all(1).any())


def lines(rng: np.random.Generator, low: Corner, high: Corner) -> Things:
    """Hoses with clamps, wires in bundles, pipes; all go round the subject's box."""
    out: Things = []
    centre = (np.asarray(low, np.float64) + np.asarray(high, np.float64)) / 2
    size = np.asarray(high, np.float64) - np.asarray(low, np.float64)
    for _ in range(int(rng.integers(3, 10))):
        kind = str(rng.choice(["hose", "wires", "wire", "pipe"], p=[0.35, 0.25, 0.2, 0.2]))
        radius = {
            "hose": float(rng.uniform(7, 16)),
            "wires": 2.0,
            "wire": float(rng.uniform(1.2, 3.2)),
            "pipe": float(rng.uniform(2.6, 5)),
        }[kind]
        for _ in range(20):
            start = centre + size * np.array(
                [float(rng.choice([-1, 1])) * rng.uniform(0.9, 2.4), rng.uniform(-1.2, 1.3), rng.uniform(-0.9, 0.5)]
            )
            end = centre + size * np.array(
                [float(rng.uniform(-2.2, 2.2)), rng.uniform(-1.6, 1.6), rng.uniform(-1.1, 0.4)]
            )
            knots = [
                start + (end - start) * t + rng.normal(0, 0.28, 3) * size * math.sin(math.pi * t)
                for t in np.linspace(0, 1, 5)
            ]
            knots = [
                k - vec(0, 0.2 * size[1] * math.sin(math.pi * t), 0)
                for k, t in zip(knots, np.linspace(0, 1, 5), strict=True)
            ]
            path = smooth_path(np.array(knots), 12)
            if not _enters(path, radius * (3 if kind == "wires" else 1), low, high):
                break
        else:
            continue
        out += _line(rng, kind, path, radius)
    return out


def _line(rng: np.random.Generator, kind: str, path: Vec, radius: float) -> Things:
    """One line along its path: hose with clamps, bundle with ties, wire, pipe with a nut."""
    if kind == "wires":
        out: Things = []
        for k in range(int(rng.integers(2, 6))):
            shift = 2.1 * radius * vec(math.cos(k * 2.4), math.sin(k * 2.4), math.sin(k * 1.3))
            coat = Coat(paint_colour(rng), 0.4, grime=float(rng.random() * 0.5))
            out.append(painted(rng, sweep("wire", "rubber", path + shift, radius, 8), coat))
        for k in rng.choice(len(path) - 2, 3, replace=False):
            f = aim(path[k], path[k + 1] - path[k])
            tie = turned(
                "tie", "rubber", f, [(-2, radius * 2.2), (-2, radius * 3), (2, radius * 3), (2, radius * 2.2)], 16
            )
            out.append(painted(rng, tie, STUFF["black"]))
        return out
    if kind == "pipe":
        coat = worn(rng, str(rng.choice(["copper", "steel", "brass"])))
    elif kind == "hose" and rng.random() < 0.75:
        coat = replace(worn(rng, "rubber"), roughness=float(rng.uniform(0.45, 0.9)))
    else:
        coat = Coat(paint_colour(rng), 0.5, grime=float(rng.random() * 0.6))
    out = [painted(rng, sweep(kind, "rubber", path, radius, 18), coat)]
    if kind != "wire":
        for end in (0, len(path) - 2):
            f = aim(path[end], path[end + 1] - path[end])
            if kind == "hose":
                band = [(3.0, radius), (3.0, radius + 1.3), (13.0, radius + 1.3), (13.0, radius)]
                out.append(painted(rng, turned("clamp", "steel", f, band, 28), worn(rng, "chrome")))
                out.append(
                    painted(
                        rng,
                        screw(rng, f.origin + f.axes[2] * 8 + f.axes[0] * (radius + 1), f.axes[0], 5.0, "hex"),
                        worn(rng, "chrome"),
                    )
                )
            else:
                out.append(
                    painted(
                        rng,
                        turned(
                            "nut",
                            "brass",
                            f,
                            [
                                (0, 0),
                                (0, radius * 1.9),
                                (radius * 3, radius * 1.9),
                                (radius * 4, radius),
                                (radius * 4, 0),
                            ],
                            6,
                        ),
                        worn(rng, "brass"),
                    )
                )
    return out


def bilge(rng: np.random.Generator, low: Corner, high: Corner) -> Things:
    """The floor of the boat: curved, stained, with a puddle; engine bearers; sometimes a tray under the subject."""
    y = float(low[1]) - float(rng.uniform(55, 170))
    n, half = 90, 420.0
    a = np.linspace(-half, half, n, dtype=np.float32)
    x, z = np.meshgrid(a, a, indexing="ij")
    flat = np.stack([x.ravel(), np.zeros(n * n, np.float32), z.ravel()], 1)
    lift = 0.00055 * flat[:, 0] ** 2 * rng.uniform(0.1, 1) + 4 * ripple(flat, rng, 260.0)
    v = (flat + np.stack([np.zeros_like(lift), y + lift - 10, np.zeros_like(lift)], 1)).astype(np.float32)
    i = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)[None, :]).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + n], 1), np.stack([i + 1, i + n + 1, i + n], 1)]).astype(np.int32)
    tone = np.array(
        [(0.42, 0.41, 0.38), (0.25, 0.26, 0.27), (0.33, 0.10, 0.06), (0.16, 0.22, 0.28)][int(rng.integers(4))]
    )
    floor = painted(rng, RawPart("bilge", "painted", v, faces, _up(len(v)), np.full(len(v), 0.2, np.float32)),
                    Coat(tuple(tone.tolist()), 0.6, tone=0.15, grime=float(rng.uniform(0.4, 1.0)), chips=0.1))  # fmt: skip
    wet = np.clip((float(rng.uniform(-12, 6)) - lift) / 3 + 0.3 * ripple(flat, rng, 60.0), 0, 1)
    colour = floor.colour * (1 - 0.75 * wet)[:, None]
    rough = floor.roughness * (1 - wet) + 0.05 * wet
    out: Things = [replace(floor, colour=colour.astype(np.float32), roughness=rough.astype(np.float32))]
    for s in (-1, 1):
        if rng.random() < 0.6:
            at = (
                vec(0, y + 10, float(high[2]) + float(rng.uniform(70, 200)))
                if s > 0
                else vec(0, y + 10, float(low[2]) - 30)
            )
            beam = cast(
                "bearer",
                [(block(Frame(at, WALL), (half, float(rng.uniform(20, 50)), float(rng.uniform(18, 34))), 4), 0.0)],
                step=7.0,
            )
            if at[1] + 50 < low[1] or s > 0:
                out.append(
                    painted(rng, beam, Coat((0.40, 0.38, 0.33), 0.6, tone=0.15, grime=float(rng.uniform(0.2, 0.9))))
                )
    if rng.random() < 0.45:
        out += drip_tray(rng, low, high)
    return [_below_box(p, low, high) for p in out]


def _up(count: int) -> Floats:
    return np.tile(np.float32([0, 1, 0]), (count, 1))


def _below_box(part: PartMesh, low: Corner, high: Corner) -> PartMesh:
    """Nothing under the subject's footprint comes higher than its lowest point."""
    v = part.vertices.copy()
    under = (v[:, 0] > low[0]) & (v[:, 0] < high[0]) & (v[:, 2] > low[2]) & (v[:, 2] < high[2])
    v[under, 1] = np.minimum(v[under, 1], np.float32(low[1]) - np.float32(1.5))
    return replace(part, vertices=v)


def drip_tray(rng: np.random.Generator, low: Corner, high: Corner) -> Things:
    """A shallow sheet-metal tray hung below the subject."""
    x, z = (
        (float(high[0]) - float(low[0])) / 2 + float(rng.uniform(6, 40)),
        (float(high[2]) - float(low[2])) / 2 + float(rng.uniform(6, 30)),
    )
    at = vec(
        (float(low[0]) + float(high[0])) / 2,
        float(low[1]) - float(rng.uniform(9, 34)),
        (float(low[2]) + float(high[2])) / 2,
    )
    deep = float(rng.uniform(5, 8))
    coat = replace(
        worn(rng, str(rng.choice(["steel", "copper", "aluminium", "brass"]))), grime=float(rng.uniform(0.3, 0.9))
    )
    sheets = [slab("tray", "steel", Frame(at - UP * deep, FLAT.axes), rectangle(x, z), 1.2)]
    cross = np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])
    for s in (-1, 1):
        sheets.append(
            slab("tray", "steel", Frame(at + vec(s * x, -deep / 2, 0), cross), rectangle(z, deep / 2 + 0.6), 1.2)
        )
        sheets.append(
            slab("tray", "steel", Frame(at + vec(0, -deep / 2, s * z), WALL), rectangle(x, deep / 2 + 0.6), 1.2)
        )
    return [painted(rng, s, coat) for s in sheets]


def engine_bay(rng: np.random.Generator, low: Corner, high: Corner) -> Things:
    """Everything about a subject that hangs on its engine.

    Args:
        rng: every draw.
        low: lowest corner of the subject's box in the unit's frame, mm.
        high: highest corner.

    Returns:
        Parts; none reaches into the box. The manifold's pad lies on the box's top.
    """
    engine = Coat(paint_colour(rng), float(rng.uniform(0.25, 0.6)), 0.0, 0.08)
    out = manifold(rng, low, high, engine)
    if rng.random() < 0.92:
        out += block_face(rng, low, high, engine)
    out += machines(rng, low, high, engine)
    out += lines(rng, low, high)
    if rng.random() < 0.85:
        out += bilge(rng, low, high)
    return out


def arrester(rng: np.random.Generator, mouth_radius: float) -> PartMesh:
    """A flame arrester can for the throat mouth: its own frame, the mouth's centre at the origin, can toward +z.

    Args:
        rng: every draw.
        mouth_radius: of the throat's rim, mm.
    """
    r = mouth_radius + float(rng.uniform(7, 17))
    neck = mouth_radius + 1.2
    deep = float(rng.uniform(26, 62))
    start = float(rng.uniform(7, 12))
    slots: list[Solid] = []
    count = int(rng.integers(14, 26))
    screen = rng.random() < 0.6
    if screen:
        for c in circle(vec(0, 0, 0), FRONT, r, count):
            slots.append(
                chain(np.array([c + FRONT * (start + 5), c + FRONT * (start + deep - 7)]), [r * 0.085, r * 0.085])
            )
    shell: list[tuple[Solid, float]] = [
        (rod(vec(0, 0, start), vec(0, 0, start + deep), r, r * float(rng.uniform(0.9, 1.0)), edge=3), 0.0),
        (rod(vec(0, 0, -start), vec(0, 0, start + 2), neck + 1.6, edge=0.6), 2.0),
        (ring(aim(vec(0, 0, start + deep - 1.5), FRONT), r * 0.97, 2.0), 1.0),
        (ring(aim(vec(0, 0, start + 2), FRONT), r * 0.97, 2.0), 1.0),
    ]
    cuts = [*slots, rod(vec(0, 0, -start * 2), vec(0, 0, start - 1), neck)]
    coat = (
        worn(rng, str(rng.choice(["zinc", "chrome", "brass", "aluminium"])))
        if rng.random() < 0.6
        else Coat(paint_colour(rng), 0.4, grime=0.4, chips=0.2)
    )
    pieces = [painted(rng, cast("arrester", shell, cuts, step=1.6), coat)]
    if screen:
        inner = [(start + 3.0, r * 0.93), (start + deep - 5.0, r * 0.93)]
        pieces.append(
            painted(
                rng,
                turned("arrester", "steel", aim(vec(0, 0, 0), FRONT), inner, 48),
                Coat((0.05, 0.05, 0.05), 0.7, 0.5),
            )
        )
    band = [(-start + 1, neck + 1.6), (-start + 1, neck + 3.0), (-1.0, neck + 3.0), (-1.0, neck + 1.6)]
    pieces.append(painted(rng, turned("arrester", "steel", aim(vec(0, 0, 0), FRONT), band, 40), worn(rng, "chrome")))
    pieces.append(painted(rng, screw(rng, vec(0, neck + 3, -start / 2), UP, 5.0, "hex"), worn(rng, "steel")))
    if rng.random() < 0.5:
        pieces.append(painted(rng, stud(rng, vec(0, 0, start + deep), FRONT, 6.0, 10.0), worn(rng, "steel")))
        pieces.append(painted(rng, screw(rng, vec(0, 0, start + deep), FRONT, 6.0, "nut"), worn(rng, "brass")))
    joined, _ = merge(pieces)
    return replace(joined, part="arrester")


def mirror_rim(rng: np.random.Generator, centre: Vec, facing: Vec, radius: float) -> Things:
    """The rim, clip and handle of a mechanic's inspection mirror seen from its face; the glass itself is left out.

    Args:
        rng: every draw.
        centre: middle of the glass, mm.
        facing: from the glass to the viewer.
        radius: of the glass; what is seen in the mirror lies inside it.
    """
    f = aim(centre, facing, float(rng.random() * 360))
    profile = [
        (-2.0, radius),
        (-2.0, radius + 3.5),
        (1.5, radius + 3.5),
        (2.5, radius + 1.5),
        (1.5, radius),
        (-2.0, radius),
    ]
    coat = worn(rng, "chrome") if rng.random() < 0.6 else STUFF["black"]
    out = [painted(rng, turned("mirror", "steel", f, profile, 72), coat)]
    arm = [
        centre - f.axes[2] * 4 + f.axes[0] * (radius + 2),
        centre - f.axes[2] * 12 + f.axes[0] * (radius + 30),
        centre + f.axes[2] * 20 + f.axes[0] * (radius + 260),
    ]
    out.append(painted(rng, sweep("mirror", "steel", smooth_path(np.array(arm), 10), 3.0, 12), coat))
    joint = cast("mirror", [(rod(arm[0] - f.axes[1] * 6, arm[0] + f.axes[1] * 6, 5.5, edge=1), 0.0)], step=1.2)
    return [*out, painted(rng, joint, coat)]


def sheet_with_hole(rng: np.random.Generator, at: Vec, radius: float, half: float) -> PartMesh:
    """A bulkhead or heat shield with a round hole, through which a subject may be seen."""
    raw = slab(
        "shield",
        "steel",
        Frame(at, WALL),
        rectangle(half, half * 0.8),
        1.6,
        [round_outline(radius, count=48)],
        cell=16.0,
    )
    return painted(rng, raw, worn(rng, str(rng.choice(["aluminium", "steel", "iron"]))))


PARTS: Sequence[str] = ("manifold", "block", "machine", "hose", "wire", "pipe", "bilge", "tray")
"""Names that the bay's parts may have, beside those of small hardware."""
