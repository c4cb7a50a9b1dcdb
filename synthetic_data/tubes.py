"""The external scavenge line of the alloy generations: fitting under the throat, tube, upper end, clips."""

from __future__ import annotations

import math

import numpy as np

from .jets import hex_head, plug
from .layout import Layout
from .mesh import Floats
from .pieces import RawPart, hardware, joined, smooth_path, sweep, turned
from .solids import Vec, aim, f32, rod, vec
from .unit import UnitSpec


def tube_path(spec: UnitSpec, lay: Layout) -> Vec:
    """Corner points (n, 3) of the tube from the fitting's outlet up to its upper end."""
    side = float(spec.tube_side)
    turn = math.radians(spec.fitting_turn_deg)
    out = vec(side * math.cos(turn), 0.0, math.sin(turn))
    start = outlet(spec, lay) + out * 6.0
    wide = max(lay.half_x, lay.mouth_radius * spec.horn_oval + lay.horn_wall) + spec.tube_out + spec.tube_od / 2
    rise = lay.throat[2] * 0.3 + spec.tube_bow * 0.6 * lay.half_z
    if side == spec.throttle_side:  # keep clear of the throttle arm
        rise = -0.5 * lay.half_z + 0.2 * spec.tube_bow * lay.half_z
    face = lay.top + (7.0 if spec.spacer == "ported" else 16.0)
    if spec.spacer == "ported":
        end = vec(side * (lay.flange_half * 0.62 + 7.0), face, lay.throat[2] - 6.0)
    elif spec.tube_to == "loose":
        end = vec(side * (wide - 2.0), face - 4.0, rise - 6.0)
    else:
        end = vec(side * (lay.barrel_radius * 0.7), face + 6.0, lay.throat[2] - lay.barrel_radius - 10.0)
    low = start[1]
    points = [
        start,
        start + out * max(4.0, 0.5 * (wide - abs(start[0]))),
        vec(side * wide, low + 9.0, 0.5 * (rise + start[2])),
        vec(side * (wide + 1.0), 0.5 * low, rise),
        vec(side * wide, 0.55 * lay.top, rise - 2.0),
    ]
    if spec.tube_to != "loose" or spec.spacer == "ported":
        points.append(vec(side * (0.75 * wide), face - 2.0, 0.6 * rise + 0.4 * end[2]))
    points.append(end)
    return np.array(points)


def outlet(spec: UnitSpec, lay: Layout) -> Vec:
    """Where the tube leaves the elbow under the throat."""
    return lay.under + vec(0, -(5.0 + spec.tube_od * 0.9), 0)


def scavenge(spec: UnitSpec, lay: Layout, whole: bool) -> tuple[list[RawPart], dict[str, Floats]]:
    """Parts and landmarks of the line, or of what is left of it.

    Args:
        spec: an alloy unit.
        lay: its layout.
        whole: both castings are there; without the upper one the tube is gone too.
    """
    external = spec.tube == "external" and whole
    if not external and spec.tube_hole != "fitting":
        if spec.tube_hole == "open":
            return [], {}
        frame = aim(lay.under, vec(0, -1, 0), 15.0)
        return [plug("throat_cap", spec.fitting_metal, "hex" if spec.tube_od < 6 else "slotted", frame, 11.0)], {}
    down = vec(0, -1, 0)
    side = float(spec.tube_side)
    turn = math.radians(spec.fitting_turn_deg)
    out = vec(side * math.cos(turn), 0.0, math.sin(turn))
    corner = outlet(spec, lay)
    r = spec.tube_od / 2 + 2.2
    solids = [
        rod(lay.under - down * 2, lay.under + down * 3.0, r * 0.85),
        *hex_head(aim(lay.under + down * 1.0, down, 10.0), 2.1 * r, 4.5),
        rod(lay.under + down * 2.0, corner, r * 0.95, edge=0.8),
        rod(corner - out * (r * 0.7), corner + out * 5.0, r * 0.95, edge=0.8),
        rod(corner, corner + out * 10.0, r * 0.7, edge=0.5),
    ]
    fitting = hardware("tube_fitting", spec.fitting_metal, solids, [], 0.75, 1.0)
    marks: dict[str, Floats] = {"tube_low": f32(corner + out * 6.0)}
    if not external:
        return [fitting], {}
    parts = []
    if spec.tube_metal == "rubber":
        clamp = turned(
            "tube_fitting",
            "steel",
            aim(corner + out * 8.0, out),
            [(0, r - 0.2), (0, r + 0.9), (7, r + 0.9), (7, r - 0.2)],
            24,
        )
        parts.append(joined("tube_fitting", [fitting, clamp]))
        radius = spec.tube_od / 2 + 1.8
    else:
        nut = hardware(
            "tube_fitting",
            spec.fitting_metal,
            hex_head(aim(corner + out * 4.0, out, 12.0), 2.0 * r, 8.0),
            [],
            0.75,
        )
        parts.append(joined("tube_fitting", [fitting, nut]))
        radius = spec.tube_od / 2
    points = tube_path(spec, lay)
    path = smooth_path(points, 12)
    tube = sweep("scavenge_tube", spec.tube_metal, path, radius, 16)
    parts.append(tube)
    last = path[-1] - path[-3]
    last /= np.linalg.norm(last)
    parts.append(
        hardware(
            "tube_end",
            spec.fitting_metal,
            [
                *hex_head(aim(path[-1] - last * 8.0, last, 5.0), 2.0 * r, 8.0),
                rod(path[-1] - last * 2, path[-1] + last * 7.0, r * 0.75),
            ],
            [],
            0.75,
        )
    )
    for i in range(spec.tube_clips):
        k = int(len(path) * (0.45 + 0.22 * i))
        way = path[k + 1] - path[k - 1]
        frame = aim(path[k], way)
        band = turned(
            "tube_clip", "zinc", frame, [(-3, radius), (-3, radius + 0.8), (3, radius + 0.8), (3, radius)], 20
        )
        inward = vec(-side, 0, 0)
        tab = hardware(
            "tube_clip",
            "zinc",
            [rod(path[k] + inward * radius, path[k] + inward * (radius + 7.0), 2.6, edge=0.6)],
            [],
            0.7,
        )
        parts.append(joined("tube_clip", [band, tab]))
    marks["tube_high"] = f32(path[-1])
    return parts, marks
