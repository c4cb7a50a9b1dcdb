"""Joint screws: heads, washers and thread ends.

Head sizes are the maxima of ASME B18.6.3 slotted machine screws (fillister A and O, pan A and H, slot J; the
project's table of published figures, section 3). The round head's sizes are not published there: common
practice, no source. Hex, Phillips and socket heads are wrong replacements at ordinary proportions (no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .pieces import RawPart, hardware, joined, raw, turned
from .solids import Frame, Solid, aim, ball, block, f32, polygon, prism, rod, vec

INCH = 25.4


@dataclass(frozen=True, slots=True)
class Head:
    """Sizes of a screw head, mm."""

    diameter: float
    height: float
    slot: float
    thread: float


def _row(major: float, diameter: float, height: float, slot: float) -> Head:
    return Head(diameter * INCH, height * INCH, slot * INCH, major * INCH)


_SLOTTED: Mapping[str, Mapping[str, Head]] = {
    "fillister": {
        "#8": _row(0.164, 0.270, 0.156, 0.054),
        "#10": _row(0.190, 0.313, 0.180, 0.060),
        "#12": _row(0.216, 0.357, 0.205, 0.067),
        "1/4": _row(0.250, 0.414, 0.237, 0.075),
    },
    "pan": {
        "#8": _row(0.164, 0.322, 0.096, 0.054),
        "#10": _row(0.190, 0.373, 0.110, 0.060),
        "#12": _row(0.216, 0.425, 0.125, 0.067),
        "1/4": _row(0.250, 0.492, 0.144, 0.075),
    },
    "round": {  # common practice, no source
        "#8": _row(0.164, 0.309, 0.120, 0.054),
        "#10": _row(0.190, 0.359, 0.137, 0.060),
        "#12": _row(0.216, 0.408, 0.153, 0.067),
        "1/4": _row(0.250, 0.472, 0.175, 0.075),
    },
}
HEADS: Mapping[str, Mapping[str, Head]] = {
    **_SLOTTED,
    # wrong replacements; common practice, no source
    "phillips": _SLOTTED["pan"],
    "hex": {k: Head(2.0 * h.thread, 0.68 * h.thread, h.slot, h.thread) for k, h in _SLOTTED["pan"].items()},
    "socket": {k: Head(1.5 * h.thread, h.thread, h.slot, h.thread) for k, h in _SLOTTED["pan"].items()},
}
"""Head style -> screw size -> its sizes."""

STEP = 0.4  # mm: fine enough that a 1.4 mm slot is more than three cells wide


def head_at_origin(kind: str, head: Head) -> tuple[list[Solid], list[Solid], float]:
    """Solids and cuts of a head standing on y = 0, axis +y, slot along x; and its height, mm."""
    r, h = head.diameter / 2, head.height
    up = vec(0, 1, 0)
    slot = block(Frame(vec(0, h, 0), np.eye(3)), (r * 1.5, 0.48 * h, head.slot / 2))
    if kind == "fillister":
        body = [
            rod(vec(0, -0.6, 0), up * (h * 0.78), r, edge=0.35),
            ball(vec(0, h * 0.62, 0), r * 0.93, (1.0, 0.44 * h / r, 1.0)),
        ]
        return body, [slot], h
    if kind == "pan":
        return [rod(vec(0, -0.6, 0), up * h, r, r * 0.9, edge=min(0.42 * h, 1.2))], [slot], h
    if kind == "round":
        dome = ball(vec(0, 0, 0), r, (1.0, h / r, 1.0))
        return [dome], [slot, rod(vec(0, -h, 0), vec(0, -0.6, 0), r * 1.2)], h
    if kind == "hex":
        w = head.thread * 1.75
        outline = polygon("drum", w / 2 / 0.87, w / 2 / 0.87)[::8]
        hexagon = prism(
            Frame(vec(0, head.thread * 0.32, 0), np.array([[1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]])),
            outline,
            head.thread * 0.36,
            0.3,
        )
        return [hexagon], [], head.thread * 0.68
    if kind == "socket":
        hollow = prism(
            Frame(vec(0, h, 0), np.array([[1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]])),
            polygon("drum", head.thread * 0.45, head.thread * 0.45)[::8],
            h * 0.5,
        )
        return [rod(vec(0, -0.6, 0), up * h, r, edge=0.5)], [hollow], h
    cross = [
        block(Frame(vec(0, h, 0), np.eye(3)), (r * 0.55, 0.55 * h, 0.5)),
        block(Frame(vec(0, h, 0), np.eye(3)), (0.5, 0.55 * h, r * 0.55)),
    ]
    return [rod(vec(0, -0.6, 0), up * h, r, r * 0.9, edge=min(0.42 * h, 1.2))], cross, h


def moved(part: str, shape: RawPart, frame: Frame) -> RawPart:
    """Copy of ``shape`` (modelled about +y at the origin) with its +y along the frame's w axis."""
    u, v, w = frame.axes
    turn = np.stack([u, w, -v])  # x -> u, y -> w, z -> -v: right-handed
    vertices = (shape.vertices.astype(np.float64) @ turn + frame.origin).astype(np.float32)
    return RawPart(
        part,
        shape.material,
        vertices,
        shape.faces,
        (shape.normals @ turn).astype(np.float32),
        shape.occlusion,
    )


def screw_shape(kind: str, size: Head, washer: str, material: str) -> RawPart:
    """A head with its washer, standing on y = 0 about +y."""
    lift = 0.0 if washer == "none" else (1.0 if washer == "plain" else 1.5)
    solids, cuts, _ = head_at_origin(kind, size)
    shape = hardware("head", material, solids, cuts, STEP)
    shape = RawPart(
        "head",
        material,
        shape.vertices + f32([0, lift, 0]),
        shape.faces,
        shape.normals,
        shape.occlusion,
    )
    if not lift:
        return shape
    r = size.diameter / 2 * (1.35 if washer == "plain" else 1.08)
    ringed = turned(
        "washer",
        material,
        aim(vec(0, 0, 0), vec(0, 1, 0)),
        [(-0.2, r), (lift - 0.25, r), (lift, r - 0.3), (lift, 0.5)],
    )
    return joined("head", [shape, ringed])


def thread_end(part: str, material: str, frame: Frame, radius: float, length: float) -> RawPart:
    """The end of a screw standing ``length`` out of a face, with turns of thread."""
    profile: list[tuple[float, float]] = [(-1.5, radius)]
    w, pitch = 0.0, 0.9
    while w + pitch < length:
        profile += [(w + 0.5 * pitch, radius * 0.86), (w + pitch, radius)]
        w += pitch
    profile += [(length, radius * 0.8), (length, 1e-3)]
    return turned(part, material, frame, profile, 18)


def hole_rim(radius: float) -> RawPart:
    """Dark disc that closes an empty screw hole, about +y at the origin."""
    a = np.arange(16) * (2 * np.pi / 16)
    vertices = np.concatenate([np.stack([radius * np.cos(a), np.zeros(16), radius * np.sin(a)], 1), [[0, 0, 0]]])
    k = np.arange(16)
    return raw(
        "hole",
        "dark",
        vertices.astype(np.float32),
        np.stack([k, np.full(16, 16), (k + 1) % 16], 1).astype(np.int32),
    )
