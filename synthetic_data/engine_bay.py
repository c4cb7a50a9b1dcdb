"""The place where the subject hangs: manifold above it, block behind it, machines beside it, lines and bilge.

Frame of the unit: +y up, the flange on top, +z out of the throat mouth. Nothing reaches into the subject's box.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from . import fluid_kin, machine_kin
from .bay_lines import lines
from .bench_tools import FLAT, Things
from .bilge import bilge
from .coat import STUFF, Coat, paint_colour, painted, worn
from .kin_fittings import barb, bolts_on, cast, screw
from .mesh import PartMesh
from .pieces import turned
from .props import about_y, as_one, box_of, moved
from .solids import Frame, Solid, aim, block, chain, polygon, prism, rod, vec

Corner = NDArray[np.floating]

UP, FRONT = vec(0, 1, 0), vec(0, 0, 1)
WALL = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])  # u = +x, v = +y, w = +z


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


def manifold(rng: np.random.Generator, low: Corner, high: Corner, engine: Coat, top: float) -> Things:
    """A runner along the engine with branches back to the block, and a two-stud pad on the subject's flange."""
    x = (float(low[0]) + float(high[0])) / 2 + float(rng.normal(0, 4))
    z = (float(low[2]) + float(high[2])) / 2 + float(rng.normal(0, 6))
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
    span = float(rng.uniform(200, 380))
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
    out = [_above(body, low, high, top)]
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
    return [as_one("manifold", out)]


def _above(part: PartMesh, low: Corner, high: Corner, top: float) -> PartMesh:
    """Keep blends from sagging into the subject's box: nothing over its footprint hangs below ``top``."""
    v = part.vertices.copy()
    over = (v[:, 0] > low[0]) & (v[:, 0] < high[0]) & (v[:, 2] > low[2]) & (v[:, 2] < high[2])
    v[over, 1] = np.maximum(v[over, 1], np.float32(top + 0.05))
    return replace(part, vertices=v)


def block_face(rng: np.random.Generator, low: Corner, high: Corner, engine: Coat) -> Things:
    """The side of the engine behind the subject: a cast wall with ribs, bosses, plugs, covers and bolts."""
    z = float(low[2]) - float(rng.uniform(34, 62))
    y0, y1 = float(low[1]) - float(rng.uniform(150, 260)), float(high[1]) + float(rng.uniform(180, 380))
    half, deep = float(rng.uniform(420, 620)), 26.0
    front = z
    solids: list[tuple[Solid, float]] = [
        (block(Frame(vec(0, (y0 + y1) / 2, z - deep), WALL), (half, (y1 - y0) / 2, deep), 6), 0.0)
    ]
    step_y = float(low[1]) - float(rng.uniform(10, 60))
    solids.append((block(Frame(vec(0, step_y - 12, z - 4), WALL), (half, 12, 16), 4), 5.0))
    for _ in range(int(rng.integers(4, 12))):
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
    for _ in range(int(rng.integers(9, 26))):
        p = vec(float(rng.uniform(-half, half)), float(rng.uniform(y0, y1)), front)
        long, r = float(rng.uniform(5, 20)), float(rng.uniform(9, 20))
        solids.append((rod(p - FRONT * 9, p + FRONT * long, r * 1.15, r, edge=1.5), 5.0))
        seats.append(p + FRONT * long)
    coat = _coat(rng, engine)
    out: Things = [painted(rng, cast("block", solids, step=6.5), coat)]
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
    return [as_one("block", out)]


def machines(rng: np.random.Generator, low: Corner, high: Corner, engine: Coat) -> Things:
    """One or two engine parts on the block beside the subject, where there is room."""
    choices = (
        fluid_kin.oil_filter,
        machine_kin.distributor,
        machine_kin.solenoid,
        fluid_kin.fuel_pump,
        machine_kin.alternator,
        fluid_kin.filter_bowl,
        machine_kin.coil,
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
        placed = moved(things, np.eye(3, dtype=np.float32), np.array([x, y, z], np.float32))
        out.append(as_one("machine", placed))
    return out


def _stuff(material: str) -> str:
    return {"dark": "black", "studs": "steel"}.get(material, material if material in STUFF else "steel")


def engine_bay(rng: np.random.Generator, low: Corner, high: Corner, seat: float | None = None) -> Things:
    """Everything about a subject that hangs on its engine.

    Args:
        rng: every draw.
        low: lowest corner of the subject's box in the unit's frame, mm.
        high: highest corner.
        seat: height of the flange's face when studs reach above it; the pad then lies on it and the studs end
            inside the pad. The top of the box when None.

    Returns:
        Parts; none reaches into the box below ``seat``. The manifold's pad lies on it.
    """
    engine = Coat(paint_colour(rng), float(rng.uniform(0.25, 0.6)), 0.0, 0.08)
    out = manifold(rng, low, high, engine, float(high[1]) if seat is None else float(seat))
    if rng.random() < 0.92:
        out += block_face(rng, low, high, engine)
    out += machines(rng, low, high, engine)
    out += lines(rng, low, high)
    if rng.random() < 0.85:
        out += bilge(rng, low, high)
    return out
