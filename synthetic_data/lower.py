"""The lower casting: bowl, horn and throat, boss under the throat, jet and drain bosses."""

from __future__ import annotations

import math

import numpy as np
from updraft_key.model.cues import Era

from .joint import ear_solid, has_ear, joint_plate, spotfaces
from .layout import Layout, drain_axis, level, plan
from .solids import (
    STEP,
    Field,
    Solid,
    aim,
    beyond,
    block,
    chain,
    polygon,
    prism,
    rod,
    vec,
)
from .unit import UnitSpec


def bowl_wall(spec: UnitSpec, lay: Layout, shrink: float, top: float, bottom: float) -> list[Solid]:
    """The bowl's body, ``shrink`` mm inside its outline, from ``top`` down to ``bottom``."""
    half = (top - bottom) / 2
    word = spec.bowl
    outline = polygon(word, lay.bowl_x - shrink, lay.bowl_z - shrink)
    floor = 0.35 * lay.bowl_x if spec.bowl_floor == "domed" else 1.2 * spec.edge
    frame = plan(bottom + half, lay.bowl[2])
    # tapered toward the floor
    return [prism(frame, outline, half, floor, 0.0, spec.draft_deg)]


def lower_field(spec: UnitSpec, lay: Layout, rng: np.random.Generator) -> Field:
    """Solid body of the lower casting: joint flange, bowl, horn, boss under the throat, ear."""
    outer = lay.mouth_radius + lay.horn_wall + spec.rim_mm + 8.0
    wide = max(lay.half_x + 10.0, outer * max(spec.horn_oval, 1.0) + abs(lay.mouth[0]) + 4.0)
    low = vec(-wide, min(lay.floor - 16.0, lay.under[1] - 8.0, lay.mouth[1] - outer - 2.0), -lay.half_z - 24.0)
    high = vec(wide, 6.0, max(lay.half_z + lay.ear_out, lay.mouth[2] + 6.0) + 8.0)
    f = Field(low, high, STEP)
    k = spec.fillet
    # horn and throat
    walls = [r + lay.horn_wall for r in lay.horn_inner]
    boxed = 0.7 if spec.horn_style == "boxed" else 0.0
    f.add(chain(lay.horn_path, walls, spec.horn_oval, boxed), k)
    f.add(rod(lay.throat + vec(0, 2, 0), vec(0, lay.mouth[1], lay.throat[2]), walls[0]), k)
    f.add(
        block(
            plan(lay.mouth[1] * 0.5, 0.5 * (lay.throat[2] + lay.bowl[2])),
            (0.45 * lay.bowl_x, lay.throat[2] - lay.bowl[2], -lay.mouth[1] * 0.55),
            3.0,
        ),
        k,
    )
    if spec.horn_style == "webbed":
        tip = lay.mouth - lay.mouth_direction * 8.0
        start = vec(0, -lay.gap - 3.0, lay.throat[2])
        f.add(
            block(
                aim((tip + start) / 2, tip - start),
                (1.8, 12.0, 0.5 * float(np.linalg.norm(tip - start))),
                1.2,
            ),
            0.7 * k,
        )
    rim(spec, lay, f)
    # the mouth is faced before the joint is added: a mouth under the joint must not cut the joint's front off
    f.cut(beyond(lay.mouth, lay.mouth_direction, lay.mouth - 60, lay.mouth + 60), 0.6)
    joint_plate(spec, lay, f, -1.0)
    for solid in bowl_wall(spec, lay, 0.0, 1.0, lay.floor):
        f.add(solid, k)
    base = vec(0, lay.floor, lay.bowl[2])
    if spec.bowl_floor == "stepped":
        f.add(
            prism(
                plan(lay.floor - 1.0, lay.bowl[2]),
                polygon(spec.bowl, lay.bowl_x * 0.62, lay.bowl_z * 0.62),
                3.0,
                1.0,
            ),
            0.5 * k,
        )
    if spec.bowl_band:
        f.add(
            prism(
                plan(lay.floor * 0.35, lay.bowl[2]),
                polygon(spec.bowl, lay.bowl_x + 1.8, lay.bowl_z + 1.8),
                3.0,
                1.2,
            ),
            1.5,
        )
    for i in range(spec.bowl_ribs):
        side = level(-100.0 + 200.0 * (i + 0.5) / spec.bowl_ribs)
        at = base + vec(side[0] * lay.bowl_x, -lay.floor * 0.55, side[2] * lay.bowl_z)
        f.add(block(aim(at, side), (1.5, -lay.floor * 0.42, 2.4), 1.0), 0.6 * k)
    # boss under the throat: as wide as the plug needs (iron), any width under a fitting (alloy)
    wide_boss = 28.6 / 2 + 2.4 if spec.era == Era.IRON else spec.throat_boss
    f.add(rod(lay.under, vec(0, max(lay.under[1] + 16.0, lay.mouth[1]), lay.under[2]), wide_boss, edge=0.8), 0.8 * k)
    bosses(spec, lay, f, rng, -1.0)
    if spec.drain != "none":
        f.add(rod(*drain_axis(spec, lay), spec.drain_mm * 0.62, edge=0.8), 0.6 * k)
    return f


def rim(spec: UnitSpec, lay: Layout, f: Field) -> None:
    """The throat mouth's rim."""
    if spec.rim == "none":
        return
    d, r = lay.mouth_direction, lay.mouth_radius + lay.horn_wall
    end, back = lay.mouth + d * 2.0, lay.mouth - d * spec.rim_length
    oval = (spec.horn_oval, 1.0)
    a = np.arange(40) * (2 * math.pi / 40)
    ellipse = np.stack([np.cos(a) * oval[0], np.sin(a) * oval[1]], 1)
    frame = aim((end + back) / 2, d)
    half = float(np.linalg.norm(end - back)) / 2
    if spec.rim == "bead":
        t = np.arange(24) * (2 * math.pi / 24)
        centre = lay.mouth - d * spec.rim_mm
        loop = centre + (r * oval[0] * np.cos(t))[:, None] * frame.axes[0] + (r * np.sin(t))[:, None] * frame.axes[1]
        f.add(chain(np.concatenate([loop, loop[:1]]), [spec.rim_mm] * 25), 1.5)
    elif spec.rim == "square":
        flat = polygon("square", r * oval[0] + spec.rim_mm, r + spec.rim_mm)
        f.add(prism(frame, flat, half, spec.edge), 2.0)
    else:
        more = spec.rim_mm * (1.0 if spec.rim == "collar" else 2.0)
        f.add(
            prism(frame, ellipse * (r + more), half if spec.rim == "collar" else min(half, 4.0), spec.edge),
            2.0,
        )


def bosses(spec: UnitSpec, lay: Layout, f: Field, rng: np.random.Generator, sign: float) -> None:
    """Small bosses and pads of no function that any casting has."""
    for _ in range(spec.bosses):
        azimuth, height = float(rng.uniform(-130, 130)), float(rng.uniform(0.15, 0.8))
        radius, stand = float(rng.uniform(2.5, 6.0)), float(rng.uniform(1.0, 5.0))
        pad = bool(rng.uniform() < 0.3)
        side = level(azimuth)
        if sign < 0:
            at = lay.bowl + vec(side[0] * lay.bowl_x, lay.floor * height, side[2] * lay.bowl_z)
        else:
            at = lay.throat + side * lay.barrel_radius + vec(0, lay.top * (0.35 + 0.4 * height), 0)
        if pad:
            f.add(block(aim(at, side), (radius * 1.3, radius * 0.8, 1.0 + 0.4 * stand), 0.8), 2.0)
        else:
            f.add(rod(at - side * 5.0, at + side * stand, radius, edge=0.8), 0.6 * spec.fillet)


def parting(f: Field, spec: UnitSpec) -> None:
    """Raise the ridge that the mould's halves leave, and nothing else."""
    if spec.parting_mm > 0:
        near = np.exp(-(((f.axes[0] - spec.parting_offset) / 1.0) ** 2)).astype(np.float32)
        f.values -= np.float32(spec.parting_mm) * near[:, None, None]


def finish_lower(spec: UnitSpec, lay: Layout, f: Field) -> None:
    """Parting line, ear, cavities and machined faces of the lower casting."""
    parting(f, spec)
    low, high = vec(*(a[0] for a in f.axes)), vec(*(a[-1] for a in f.axes))
    if has_ear(spec):
        f.add(ear_solid(spec, lay, -1.0), 0.4 * spec.fillet)
    inner = list(lay.horn_inner)
    f.cut(chain(lay.horn_path, inner, spec.horn_oval, 0.0), 0.8)
    if spec.present == "lower":
        for solid in bowl_wall(spec, lay, spec.wall, 8.0, lay.floor + spec.wall):
            f.cut(solid, 1.0)
    if spec.era != Era.IRON and spec.tube == "absent" and spec.tube_hole == "open":
        f.cut(rod(lay.under + vec(0, -3, 0), lay.under + vec(0, 14, 0), 4.6))
    f.cut(beyond(vec(0, -lay.gap, 0), vec(0, 1, 0), low, high), 0.4)
    f.cut(beyond(lay.under, vec(0, -1, 0), lay.under - vec(18, 8, 18), lay.under + vec(18, 0, 18)), 0.4)
    spotfaces(spec, lay, f, -1.0)
