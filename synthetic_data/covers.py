"""Things that hide or frame a subject: arrester can, rim of a mirror."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .bench_tools import Things
from .coat import STUFF, Coat, paint_colour, painted, worn
from .kin_fittings import cast, circle, screw, stud
from .mesh import PartMesh, merge
from .pieces import smooth_path, sweep, turned
from .solids import Solid, Vec, aim, chain, ring, rod, vec

WALL = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])  # u = +x, v = +y, w = +z
UP, FRONT = vec(0, 1, 0), vec(0, 0, 1)


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
        centre - f.axes[2] * 4 + f.axes[0] * (radius + 6),
        centre - f.axes[2] * 12 + f.axes[0] * (radius + 30),
        centre + f.axes[2] * 20 + f.axes[0] * (radius + 260),
    ]
    out.append(painted(rng, sweep("mirror", "steel", smooth_path(np.array(arm), 10), 3.0, 12), coat))
    joint = cast("mirror", [(rod(arm[0] - f.axes[1] * 6, arm[0] + f.axes[1] * 6, 5.5, edge=1), 0.0)], step=1.2)
    return [*out, painted(rng, joint, coat)]
