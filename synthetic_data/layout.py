"""Where everything of a unit sits: key points and sizes computed from its spec, millimetres in the unit frame."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .screws import HEADS, Head
from .solids import Frame, Vec, vec
from .unit import UnitSpec

PLAN = np.array([[1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]])  # u = x, v = z, w = y: for outlines seen from above

# share of the joint's half sizes at which the corner screws sit: (front x, front z, rear x, rear z)
CORNERS: dict[str, tuple[float, float, float, float]] = {
    "round": (0.72, 0.72, 0.72, 0.72),
    "square": (0.84, 0.84, 0.84, 0.84),
    "octagon": (0.78, 0.78, 0.78, 0.78),
    "d_shape": (0.84, 0.84, 0.68, 0.72),
    "oval": (0.74, 0.72, 0.74, 0.72),
    "waisted": (0.84, 0.84, 0.84, 0.84),
    "pillow": (0.8, 0.8, 0.8, 0.8),
    "hexagon": (0.7, 0.84, 0.7, 0.84),
    "kite": (0.62, 0.84, 0.76, 0.84),
}


def head_of(spec: UnitSpec, screw: int) -> Head:
    """Sizes of a joint screw's head, an odd one aside: 0 to 3 at the corners, 4 in the ear."""
    own = screw == 4 and spec.ear_head != "same"
    return HEADS[spec.ear_head if own else spec.screw_head][spec.screw_size]


def plan(y: float, z: float = 0.0, x: float = 0.0) -> Frame:
    """Frame for outlines seen from above, at height ``y``."""
    return Frame(vec(x, y, z), PLAN)


def level(azimuth_deg: float) -> Vec:
    """Horizontal unit direction; 0 to the rear, 90 to +x, -90 to -x."""
    a = math.radians(azimuth_deg)
    return vec(math.sin(a), 0.0, -math.cos(a))


@dataclass(frozen=True, slots=True)
class Layout:
    """Key places of one unit. Radii and lengths in mm; ``screws`` holds the four corners, then the ear."""

    half_x: float
    half_z: float
    gap: float  #: half of the gasket
    top: float  #: flange face
    throat: Vec  #: throat axis at the joint
    throat_radius: float
    barrel_radius: float
    mouth: Vec
    mouth_direction: Vec
    mouth_radius: float
    horn_path: Vec
    horn_inner: tuple[float, ...]
    horn_wall: float
    bowl: Vec  #: bowl axis at the joint
    bowl_x: float
    bowl_z: float
    floor: float
    screws: tuple[Vec, ...]
    ear_width: float
    ear_out: float
    under: Vec  #: centre of the face under the throat, where plug or fitting sits
    flange_centre: Vec
    flange_direction: Vec
    flange_half: float  #: half the distance of the studs


def place(spec: UnitSpec) -> Layout:
    """Compute the layout; numbers that cannot go together are moved apart here."""
    s = spec.size
    hx, hz = spec.joint_half_x * s, spec.joint_half_z * s
    gap = 0.5 * (0.0 if spec.gasket == "none" else spec.gasket_mm)
    zt = spec.throat_z * hz
    rt = spec.throat_radius * s
    mouth_r = rt + spec.horn_flare * s
    outer = mouth_r + spec.wall
    size = head_of(spec, 4)
    tall = (
        max(size.height, head_of(spec, 0).height) + 3.0 if spec.screw_side == "below" else 0.0
    )  # room for heads under the joint's front
    under_joint = max(spec.ear_lower_mm + 0.6, spec.joint_lower_mm) + tall if tall else 0.6 * spec.joint_lower_mm
    drop = max(spec.horn_drop * s, outer + under_joint + 0.5)
    # the barrel stays clear of the screw that an ear has in front
    ear_z = hz + max(spec.ear_out, size.diameter / 2 + 3.5) - size.diameter / 2 - 1.8
    zt = min(zt, max(2.0, ear_z - size.diameter / 2 - 1.6 - rt - spec.barrel_wall))
    reach = max(spec.horn_reach * s, zt + 10.0 - hz + spec.rim_length)
    tilt, skew = math.radians(spec.horn_tilt_deg), math.radians(spec.horn_skew_deg)
    direction = vec(math.sin(skew) * math.cos(tilt), -math.sin(tilt), math.cos(skew) * math.cos(tilt))
    length = hz + reach - zt
    mouth = vec(0.0, -drop, zt) + direction * (length / direction[2])
    # from the throat straight down, round the bend, out to the mouth
    bend = vec(0.0, -drop + 0.1 * rt, zt)
    a = vec(0.0, -gap - 2.0, zt)
    b = bend + (a - bend) * (0.25 + 0.35 * spec.horn_belly)
    c = bend + (mouth - bend) * (0.15 + 0.25 * spec.horn_belly)
    t = np.linspace(0.0, 1.0, 6)[:, None]
    curve = b * (1 - t) ** 2 + 2 * bend * t * (1 - t) + c * t**2
    path = np.concatenate([[a + vec(0, 12, 0)], curve, [mouth + direction * 10.0]])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    inner = tuple(float(rt + (mouth_r - rt) * (k / run[-1]) ** 1.5) for k in run)
    bx = min(spec.bowl_half_x * s, hx + 1.0)
    bz = min(spec.bowl_half_z * s, hz)
    zb = max(spec.bowl_z * hz, bz - hz - 3.0)
    fx, fz, rx, rz = CORNERS[spec.joint_outline]
    head = size.diameter / 2
    width = max(spec.ear_width, 2 * head + 3.0)
    out = max(spec.ear_out, head + 3.5)
    corners = (
        vec(-fx * hx, 0, fz * hz),
        vec(fx * hx, 0, fz * hz),
        vec(rx * hx, 0, -rz * hz),
        vec(-rx * hx, 0, -rz * hz),
    )
    ear = vec(0, 0, hz + out - head - 1.8)
    # the underside of the bend, not of a mouth that looks down
    low_y = float((path[1:-1, 1] - np.array(inner[1:-1])).min()) - spec.wall
    axis = math.radians(spec.flange_axis_deg)
    return Layout(
        half_x=hx,
        half_z=hz,
        gap=gap,
        top=spec.upper_height * s,
        throat=vec(0, 0, zt),
        throat_radius=rt,
        barrel_radius=rt + spec.barrel_wall,
        mouth=mouth,
        mouth_direction=direction,
        mouth_radius=mouth_r,
        horn_path=path,
        horn_inner=inner,
        horn_wall=spec.wall,
        bowl=vec(0, 0, zb),
        bowl_x=bx,
        bowl_z=bz,
        floor=-spec.bowl_depth * s,
        screws=(*corners, ear),
        ear_width=width,
        ear_out=out,
        under=vec(0, low_y - 2.0, zt + 3.0),
        flange_centre=vec(0, spec.upper_height * s, zt),
        flange_direction=vec(math.cos(axis), 0, -math.sin(axis)),
        flange_half=max(spec.flange_spacing * s / 2, rt + spec.barrel_wall + 5.0),
    )


def drain_axis(spec: UnitSpec, lay: Layout) -> tuple[Vec, Vec]:
    """Start and end of the drain plug's boss."""
    side = level(spec.jet_azimuth_deg + 180.0)
    base = lay.bowl + vec(0, lay.floor, 0)
    if spec.drain == "floor":
        spot = base + vec(side[0] * lay.bowl_x * 0.3, 0, side[2] * lay.bowl_z * 0.3)
        return spot + vec(0, 6, 0), spot + vec(0, -3.0, 0)
    out = level(spec.jet_azimuth_deg + (75.0 if abs(spec.jet_azimuth_deg + 75.0) < 120.0 else -75.0))
    spot = base + vec(out[0] * lay.bowl_x, 9.0, out[2] * lay.bowl_z)
    return spot - out * 6.0, spot + out * 2.5


def throttle_axis(spec: UnitSpec) -> Vec:
    """Unit direction of the throttle shaft toward its lever."""
    a = math.radians(spec.throttle_axis_deg)
    return vec(math.cos(a), 0, math.sin(a)) * spec.throttle_side


def throttle_height(spec: UnitSpec, lay: Layout) -> float:
    """Height of the throttle shaft."""
    return max(0.62 * lay.top, lay.gap + spec.joint_upper_mm + 9.0)


def inlet_axis(spec: UnitSpec, lay: Layout) -> tuple[Vec, Vec]:
    """Start and end of the fuel inlet's boss on the bowl cover."""
    side = level(180.0 - spec.inlet_azimuth_deg)
    at = lay.bowl + vec(0, lay.gap + spec.joint_upper_mm + 5.0, 0)
    reach = 1.0 / math.hypot(side[0] / lay.bowl_x, side[2] / lay.bowl_z)
    return at, at + side * (reach + 2.0)
