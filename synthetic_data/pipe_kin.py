"""Look-alikes out of pipework: valves, elbows, tees, unions."""

from __future__ import annotations

import numpy as np

from .kin_fittings import HEX, cast, circle, marks, screw
from .near_kin import FLAT, FRONT, RIGHT, UP
from .pieces import RawPart, hardware, turned
from .solids import Frame, Solid, Vec, aim, ball, block, chain, prism, ring, rod, vec


def _hex_end(at: Vec, way: Vec, radius: float, length: float, part: str = "body", material: str = "casting") -> RawPart:
    """A hexagon with a bore and a thread mouth, as on a valve or union."""
    f = aim(at, way)
    body = prism(Frame(at + f.axes[2] * length / 2, f.axes), HEX * radius, length / 2, edge=1.0)
    return hardware(
        part, material, [body], [rod(at + f.axes[2] * length * 0.2, at + f.axes[2] * (length + 3), radius * 0.62)], 1.0
    )


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
            parts.append(
                turned(
                    "nipple",
                    str(rng.choice(["zinc", "steel", "brass"])),
                    aim(way * reach * 0.9, way),
                    [(0, radius * 0.72), (long, radius * 0.72), (long, radius * 0.55), (4, radius * 0.55)],
                    28,
                )
            )
            if rng.random() < 0.6:
                parts.append(
                    _hex_end(way * (reach * 0.9 + long * 0.4), way, radius * 1.15, radius * 0.8, "union", material)
                )
        elif k == 0 and rng.random() < 0.5:
            parts.append(screw(rng, way * reach, way, radius * 0.9, "hex", "brass"))
    return parts
