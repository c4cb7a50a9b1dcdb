"""Small things found on look-alikes and props: screws, bolts, studs, levers, springs, tubes, flanges, marks."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .pieces import RawPart, hardware, joined, raw, smooth_path, sweep, turned
from .solids import Field, Frame, Solid, Vec, aim, block, chain, prism, rod

HEX: Vec = np.array([[math.cos(a), math.sin(a)] for a in np.arange(6) * math.pi / 3])


def cast(
    part: str,
    solids: Sequence[tuple[Solid, float]],
    cuts: Sequence[Solid] = (),
    step: float = 1.6,
    material: str = "casting",
) -> RawPart:
    """A casting: solids, each blended into those before it over its own length in mm, then cuts."""
    low = np.asarray(np.min([s.low for s, _ in solids], axis=0) - 3 * step, np.float64)
    high = np.asarray(np.max([s.high for s, _ in solids], axis=0) + 3 * step, np.float64)
    field = Field(low, high, step)
    for solid, blend in solids:
        field.add(solid, blend)
    for solid in cuts:
        field.cut(solid, 0.8)  # broken edges
    vertices, faces = field.mesh()
    plain = raw(part, material, vertices, faces)
    # Openness at two reaches: a fillet and a bore differ in how far the next wall is.
    near = 1.0 - field.sample(vertices + plain.normals * 4.0) / 4.0
    far = 1.0 - field.sample(vertices + plain.normals * 11.0) / 11.0
    shade = np.clip(0.6 * near + 0.4 * far, 0, 1).astype(np.float32)
    return RawPart(part, material, plain.vertices, plain.faces, plain.normals, shade)


def screw(rng: np.random.Generator, at: Vec, way: Vec, size: float, style: str, material: str = "steel") -> RawPart:
    """A screw's head standing on ``at`` along ``way``.

    Args:
        rng: turn of the slot, small tilt.
        at: seat, mm.
        way: outward.
        size: diameter of the thread, mm.
        style: ``slotted``, ``pan``, ``hex``, ``socket`` or ``nut``.
        material: of ``RawPart``.
    """
    f = aim(at, way + rng.normal(0, 0.012, 3), float(rng.random() * 360))
    w = f.axes[2]
    wide, high = size * 0.82, size * 0.6
    if style in ("slotted", "pan"):
        body = rod(at - w * 0.5, at + w * high, wide, edge=high * (0.2 if style == "slotted" else 0.5))
        cut = block(Frame(at + w * high, f.axes), (wide * 1.2, size * 0.11, high * 0.55))
        return hardware("screws", material, [body], [cut], max(size / 11, 0.3))
    if style == "socket":
        body = rod(at - w * 0.5, at + w * size, size * 0.75, edge=0.3)
        hole = prism(Frame(at + w * size, f.axes), HEX * size * 0.45, size * 0.5)
        return hardware("screws", material, [body], [hole], max(size / 11, 0.3))
    thick = size * 0.66
    head = prism(Frame(at + w * thick / 2, f.axes), HEX * size * 0.95, thick / 2, edge=size * 0.06)
    washer = [(-0.3, 0.0), (-0.3, size * 1.15), (size * 0.14, size * 1.15), (size * 0.14, 0.0)]
    pieces = [hardware("screws", material, [head], [], max(size / 10, 0.35)), turned("screws", material, f, washer, 20)]
    if style == "nut":
        tall = thick + size * float(rng.uniform(0.2, 1.1))
        end = [(0.0, size / 2), (tall - 0.6, size / 2), (tall, size * 0.38), (tall, 0.0)]
        pieces.append(turned("screws", material, f, end, 16))
    return joined("screws", pieces)


def stud(rng: np.random.Generator, at: Vec, way: Vec, size: float, length: float) -> RawPart:
    """A threaded rod standing on ``at``: rings stand for the thread."""
    profile: list[tuple[float, float]] = [(0, size / 2)]
    pitch = size * 0.2
    for w in np.arange(pitch, length - pitch, pitch):
        profile += [(float(w), size / 2), (float(w + pitch / 2), size * 0.43)]
    profile += [(length - 0.5, size / 2), (length, size * 0.36), (length, 0)]
    return turned("studs", "steel", aim(at, way, float(rng.random() * 360)), profile, 14)


def bolts_on(
    rng: np.random.Generator,
    spots: Sequence[Vec],
    way: Vec,
    size: float,
    style: str,
    material: str = "steel",
    missing: float = 0.05,
) -> list[RawPart]:
    """Screws of one style on several seats; each is missing with probability ``missing`` (one at least stays)."""
    kept = [s for s in spots if rng.random() >= missing] or list(spots[:1])
    return [joined("screws", [screw(rng, s, way, size, style, material) for s in kept])]


def circle(centre: Vec, way: Vec, radius: float, count: int, start_deg: float = 0.0) -> list[Vec]:
    """``count`` places on a circle about ``way``."""
    f = aim(centre, way)
    angles = np.radians(start_deg) + np.arange(count) * 2 * np.pi / count
    return [centre + radius * (math.cos(a) * f.axes[0] + math.sin(a) * f.axes[1]) for a in angles]


def spring(part: str, start: Vec, end: Vec, radius: float, wire: float, turns: int) -> RawPart:
    """A steel coil from ``start`` to ``end``."""
    f = aim(start, end - start)
    t = np.linspace(0, 1, turns * 12)
    a = t * turns * 2 * np.pi
    around = radius * (np.cos(a)[:, None] * f.axes[0] + np.sin(a)[:, None] * f.axes[1])
    return sweep(part, "steel", start + t[:, None] * (end - start) + around, wire, 6)


def lever(rng: np.random.Generator, at: Vec, way: Vec, along: Vec, length: float, thick: float = 2.2) -> list[RawPart]:
    """A stamped arm on a shaft end: eye, bent arm with a hole, nut or screw."""
    f = aim(at, way)
    u = along - f.axes[2] * float(along @ f.axes[2])
    u /= max(float(np.linalg.norm(u)), 1e-6)
    frame = Frame(at, np.stack([u, np.cross(f.axes[2], u), f.axes[2]]))
    wide = float(rng.uniform(4.0, 6.5))
    bend = float(rng.normal(0, 0.18))
    outline = 0.9 * np.array(
        [
            [-wide, -wide],
            [0, -wide * 1.25],
            [length, -wide * 0.7 + bend * length],
            [length + wide * 0.7, bend * length],
            [length, wide * 0.7 + bend * length],
            [0, wide * 1.25],
            [-wide, wide],
        ]
    )
    tip = at + u * length * 0.88 + frame.axes[1] * bend * length
    hole = rod(tip - f.axes[2] * 6, tip + f.axes[2] * 6, float(rng.uniform(1.6, 2.6)))
    plate = prism(frame, outline, thick / 2, edge=0.3, grow=1.0)
    arm = hardware("levers", "zinc" if rng.random() < 0.5 else "steel", [plate], [hole], 0.7)
    style = str(rng.choice(["nut", "slotted", "hex"]))
    return [arm, screw(rng, at + f.axes[2] * thick / 2, way, 5.0, style)]


def tube(part: str, material: str, points: Sequence[Vec], radius: float) -> RawPart:
    """A bent pipe or hose through points."""
    return sweep(part, material, smooth_path(np.array(points), 9), radius, 14)


def barb(at: Vec, way: Vec, radius: float, length: float, material: str = "brass") -> RawPart:
    """A hose tail with two ridges and a hexagon at its root."""
    r, n = radius, length
    profile = [
        (0.0, r * 0.95),
        (n * 0.3, r * 0.95),
        (n * 0.3, r * 1.22),
        (n * 0.6, r * 0.95),
        (n * 0.6, r * 1.22),
        (n, r * 0.85),
        (n, r * 0.55),
        (n * 0.4, r * 0.55),
        (n * 0.4, 0.0),
    ]
    f = aim(at, way)
    nut = prism(Frame(at + f.axes[2] * r * 0.5, f.axes), HEX * r * 1.75, r * 0.55, edge=0.3)
    return joined(
        "fitting", [turned("fitting", material, f, profile, 18), hardware("fitting", material, [nut], [], 0.8)]
    )


def flange(
    at: Vec, way: Vec, spread: float, thick: float, ear: float, turn_deg: float = 0.0
) -> tuple[Solid, list[Vec]]:
    """A two-bolt flange plate centred on ``at``: the solid, and the two bolt places on its outer face."""
    f = aim(at, way, turn_deg)
    a = np.arange(48) * (2 * math.pi / 48)
    middle = np.stack([np.cos(a) * spread * 0.70, np.sin(a) * spread * 0.60], 1)
    round_ear = np.stack([ear * np.cos(a), ear * np.sin(a)], 1)
    aside = np.array([spread, 0.0])
    both = np.concatenate([middle, round_ear + aside, round_ear - aside])
    solid = prism(f, _hull(both), thick / 2, edge=0.8)
    return solid, [at + s * spread * f.axes[0] + f.axes[2] * thick / 2 for s in (1, -1)]


def _hull(points: Vec) -> Vec:
    """Convex outline of 2-D points (n, 2), counter-clockwise, thinned to about 40 corners."""
    ordered = points[np.lexsort((points[:, 1], points[:, 0]))]

    def half(some: Vec) -> list[Vec]:
        out: list[Vec] = []
        for r in some:
            while len(out) > 1:
                e, g = out[-1] - out[-2], r - out[-2]
                if e[0] * g[1] > e[1] * g[0]:
                    break
                out.pop()
            out.append(r)
        return out[:-1]

    ring = np.array(half(ordered) + half(ordered[::-1]))
    return ring[:: max(1, len(ring) // 40)]


def sawn(end: Vec, way: Vec, reach: float) -> Solid:
    """What lies beyond ``end`` along ``way``: cut it away for a flat pipe end of radius below ``reach``."""
    f = aim(end, way)
    return block(Frame(end + f.axes[2] * reach, f.axes), (reach * 1.3, reach * 1.3, reach))


def rim_spots(outline: Vec, count: int, inset: float, start: float = 0.0) -> Vec:
    """Equal steps along a closed outline (n, 2), moved ``inset`` mm toward its middle: (count, 2)."""
    closed = np.concatenate([outline, outline[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = (start + np.arange(count) / count) % 1.0 * along[-1]
    spots = np.stack([np.interp(at, along, closed[:, k]) for k in (0, 1)], 1)
    far = np.maximum(np.linalg.norm(spots, axis=1, keepdims=True), 1e-6)
    return np.asarray(spots * (1 - inset / far), np.float64)


def marks(rng: np.random.Generator, at: Vec, way: Vec, width: float, high: float) -> list[Solid]:
    """Raised marks: random strokes on a row, never a word; to be blended into a casting."""
    f = aim(at, way)
    out: list[Solid] = []
    count = int(rng.integers(3, 8))
    step = width / count
    for k in range(count):
        cell = (k - (count - 1) / 2) * step
        for _ in range(int(rng.integers(2, 4))):
            a, b = rng.uniform(-0.3, 0.3, 2), rng.uniform(-0.5, 0.5, 2)
            p = at + (cell + a[0] * step) * f.axes[0] + b[0] * high * f.axes[1]
            q = at + (cell + a[1] * step) * f.axes[0] + b[1] * high * f.axes[1]
            out.append(chain(np.array([p, q + 1e-3]), [0.8, 0.8]))
    return out


def slab(
    part: str, material: str, frame: Frame, outline: Vec, thick: float, holes: Sequence[Vec] = (), cell: float = 9.0
) -> RawPart:
    """A flat sheet with crisp edges: too thin for a distance grid.

    Args:
        part: name.
        material: of ``RawPart``.
        frame: the sheet lies in its u, v and rises from its origin along w.
        outline: (n, 2) corners in u, v.
        thick: mm.
        holes: outlines inside, any orientation.
        cell: longest triangle side, so that a coat can vary over the sheet.
    """
    from manifold3d import CrossSection, FillRule

    flat = CrossSection([np.asarray(o, np.float64) for o in (outline, *holes)], FillRule.EvenOdd)
    body = flat.extrude(thick).refine_to_length(cell).to_mesh()
    corners = np.asarray(body.vert_properties, np.float64)[np.asarray(body.tri_verts)]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    normals = (np.repeat(across, 3, axis=0) @ frame.axes).astype(np.float32)
    faces = np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3)
    return raw(part, material, frame.world(corners.reshape(-1, 3)), faces, normals)


def round_outline(radius: float, at: Sequence[float] = (0.0, 0.0), count: int = 24) -> Vec:
    """Corners of a circle, (count, 2)."""
    a = np.arange(count) * (2 * math.pi / count)
    return np.stack([at[0] + radius * np.cos(a), at[1] + radius * np.sin(a)], 1)


def rectangle(half_u: float, half_v: float) -> Vec:
    """Corners of a rectangle, (4, 2)."""
    return np.array([[-half_u, -half_v], [half_u, -half_v], [half_u, half_v], [-half_u, half_v]])
