"""What sits in the bowl and under the throat: jet plug or T-handle, drain plug, the big plug (iron)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .layout import Layout, drain_axis, level
from .mesh import Floats
from .pieces import RawPart, hardware, joined, smooth_path, sweep, turned
from .solids import Field, Frame, Solid, Vec, aim, ball, block, f32, prism, ring, rod, vec
from .unit import UnitSpec

BIG_PLUG = 28.6  # mm, 1 1/8 in; common practice, no source


@dataclass(frozen=True, slots=True)
class JetPlace:
    """The jet boss: a rod from ``start`` to ``end``; what it holds leaves along ``direction``."""

    start: Vec
    end: Vec
    direction: Vec
    radius: float


def seat(spec: UnitSpec, lay: Layout, field: Field) -> JetPlace:
    """Find where the jet boss leaves the bowl.

    Args:
        spec: the unit.
        lay: its layout.
        field: the lower casting before the boss, so that the boss always comes out of the metal.
    """
    side = level(spec.jet_azimuth_deg)
    slope = math.radians(spec.handle_deg if spec.main_jet == "handle" else spec.jet_tilt_deg)
    direction = side * math.cos(slope) + vec(0, -math.sin(slope), 0)
    reach = 1.0 / math.hypot(side[0] / lay.bowl_x, side[2] / lay.bowl_z)
    start = lay.bowl + vec(0, lay.floor + spec.jet_rise, 0) + side * (reach * spec.jet_reach - 6.0)
    if float(field.sample(start[None, :])[0]) > -1.0:  # below the floor or beside the bowl: lift it into the metal
        start = start + vec(0, max(lay.floor + 3.0 - start[1], 0.0), 0) - side * 3.0
    steps = np.arange(0.0, 90.0, 0.6)
    open_air = np.flatnonzero(field.sample(start + steps[:, None] * direction) > 0.4)
    out = float(steps[open_air[0]]) if len(open_air) else 6.0
    start = start + direction * max(out - 12.0, 0.0)
    end = start + direction * (min(out, 12.0) + spec.jet_boss_length)
    return JetPlace(start - direction * 4.0, end, direction, spec.jet_boss)


def hexagon(across: float) -> Vec:
    """Outline of a hexagon by its width across flats."""
    a = np.arange(6) * (math.pi / 3)
    return np.stack([np.cos(a), np.sin(a)], 1) * (across / math.sqrt(3.0))


def hex_head(frame: Frame, across: float, height: float) -> list[Solid]:
    """A hex head standing on the frame's plane, its upper corners rounded off."""
    middle = Frame(frame.origin + frame.axes[2] * (height / 2), frame.axes)
    return [prism(middle, hexagon(across), height / 2, 0.5)]


def plug(part: str, material: str, kind: str, frame: Frame, across: float) -> RawPart:
    """A small screw plug on the frame's plane: hex, slotted or square."""
    w = frame.axes[2]
    flange = rod(frame.origin - w * 0.5, frame.origin + w * 1.6, across * 0.6, edge=0.4)
    if kind == "hex":
        h = across * 0.42
        top = frame.origin + w * (1.2 + h)
        bevel = rod(frame.origin + w * 1.0, top, across * 0.56, across * 0.52, 0.3)
        body = hex_head(Frame(frame.origin + w * 1.2, frame.axes), across, h)[0]
        clipped = Solid(
            body.low, body.high, lambda x, y, z: np.maximum(body.distance(x, y, z), bevel.distance(x, y, z))
        )
        return hardware(part, material, [flange, clipped], [], 0.55)
    if kind == "square":
        h = across * 0.55
        return hardware(
            part,
            material,
            [
                flange,
                block(Frame(frame.origin + w * (h / 2), frame.axes), (across * 0.32, across * 0.32, h / 2), 0.6),
            ],
            [],
            0.5,
        )
    h = across * 0.3
    body = rod(frame.origin - w * 0.5, frame.origin + w * h, across * 0.5, across * 0.47, 0.7)
    slot = block(Frame(frame.origin + w * h, frame.axes), (across, 0.085 * across, h * 0.55))
    return hardware(part, material, [body], [slot], 0.5)


def jet_parts(
    spec: UnitSpec, jet: JetPlace, lay: Layout, field: Field
) -> tuple[list[RawPart], dict[str, Floats], float | None]:
    """Plug or handle, and the drain plug.

    Returns:
        Parts, landmarks, and the handle's angle below the bowl floor in degrees (None without a handle).
    """
    marks: dict[str, Floats] = {}
    parts: list[RawPart] = []
    angle: float | None = None
    metal = "brass" if spec.hardware in ("brass", "steel") else "zinc"
    if spec.main_jet == "plug":
        frame = aim(jet.end, jet.direction, spec.bar_turn_deg)
        parts.append(plug("jet_plug", metal, spec.jet_plug, frame, spec.jet_plug_mm))
        marks["jet_plug"] = f32(jet.end + jet.direction * 3.0)
    else:
        made, root, tip = handle(spec, jet, metal)
        parts.append(made)
        marks["handle_root"], marks["handle_tip"] = f32(root), f32(tip)
        run = tip - root
        angle = round(math.degrees(math.atan2(-run[1], math.hypot(run[0], run[2]))), 3)
    if spec.drain != "none":
        start, end = drain_axis(spec, lay)
        parts.append(plug("drain_plug", spec.hardware, "hex", aim(end, end - start, 20.0), spec.drain_mm))
    return parts, marks, angle


def handle(spec: UnitSpec, jet: JetPlace, material: str) -> tuple[RawPart, Vec, Vec]:
    """The T-handle: packing nut, stem and grip; also the stem's root and tip (3,)."""
    d = jet.direction
    frame = aim(jet.end, d, spec.bar_turn_deg)
    pieces: list[RawPart] = []
    nut = 7.5 if spec.packing_nut else 2.5
    if spec.packing_nut:
        solids = hex_head(frame, spec.jet_boss * 1.6, 5.5)
        solids.append(rod(jet.end, jet.end + d * nut, spec.jet_boss * 0.55, spec.jet_boss * 0.42, 0.8))
        pieces.append(hardware("handle", material, solids, [], 0.55))
    else:
        pieces.append(
            turned(
                "handle",
                material,
                frame,
                [(-1.0, spec.handle_radius * 1.8), (nut, spec.handle_radius * 1.6), (nut, 0.5)],
            )
        )
    root = jet.end + d * nut
    length = spec.handle_mm * (0.45 if spec.handle_end == "cut" else 1.0)
    # a bent stem swings sideways in the plane of its own slope, so that its angle to the floor stays what it was
    across = np.cross(d, vec(0, 1, 0))
    across /= np.linalg.norm(across)
    b = math.radians(spec.handle_bend_deg)
    middle = root + d * (0.55 * length)
    tip = middle + (d * math.cos(b) + across * math.sin(b)) * (0.45 * length)
    path = smooth_path(np.array([root - d * 2.0, root + d * (0.3 * length), middle, tip]), 6)
    pieces.append(sweep("handle", material, path, spec.handle_radius, 16))
    last = tip - middle
    last /= np.linalg.norm(last)
    end = aim(tip, last, spec.bar_turn_deg)
    u = end.axes[0]
    if spec.handle_end in ("t_bar", "knurled"):
        half, r = spec.bar_mm / 2, spec.bar_radius
        a = np.linspace(-half, half, 7)[:, None] * u + tip
        if spec.handle_end == "t_bar":
            pieces.append(
                hardware("handle", material, [rod(a[0], a[-1], r, edge=0.6 * r), ball(tip, r * 1.5)], [], 0.6, 1.5)
            )
        else:
            wheel = knurled_profile(spec.bar_mm * 0.32, 6.0)
            pieces.append(turned_knurl(material, aim(tip - last * 1.0, last), wheel))
    elif spec.handle_end == "ring":
        centre = tip + last * (spec.bar_mm * 0.3)
        side = Frame(centre, np.stack([last, u, np.cross(last, u)]))
        pieces.append(hardware("handle", material, [ring(side, spec.bar_mm * 0.3, spec.bar_radius * 0.8)], [], 0.6))
    elif spec.handle_end == "wing":
        h = spec.bar_mm * 0.3
        wings = []
        for s in (-1.0, 1.0):
            way = u * s + last * 0.35
            wings.append(block(aim(tip + way * h * 0.8, way, 90.0), (h * 0.42, 1.1, h * 0.7), 1.0))
        wings.append(rod(tip - last * 4, tip + last * 3, spec.handle_radius * 1.8, edge=0.8))
        pieces.append(hardware("handle", material, wings, [], 0.6, 1.5))
    return joined("handle", pieces), root, tip


def knurled_profile(radius: float, height: float) -> list[tuple[float, float]]:
    """Profile of a knurled grip: bevelled disc."""
    return [
        (0.0, 0.5),
        (0.0, radius - 0.6),
        (0.6, radius),
        (height - 0.6, radius),
        (height, radius - 0.6),
        (height, 0.5),
    ]


def turned_knurl(material: str, frame: Frame, profile: list[tuple[float, float]]) -> RawPart:
    """A turned disc whose rim is toothed like a knurl."""
    disc = turned("handle", material, frame, profile, 72)
    u, v, w = frame.local(*(disc.vertices[:, i] for i in range(3)))
    radial = np.hypot(u, v)
    tooth = np.where(radial > 0.8 * max(r for _, r in profile), np.where(np.arange(len(u)) % 2 == 0, 1.0, 0.93), 1.0)
    local = np.stack([u * tooth, v * tooth, w], 1)
    return RawPart("handle", material, frame.world(local), disc.faces, disc.normals, disc.occlusion)


def throat_plug(spec: UnitSpec, lay: Layout) -> RawPart:
    """The plug of 28.6 mm that closes the bottom of the throat (iron)."""
    down = vec(0, -1, 0)
    frame = aim(lay.under, down, spec.bar_turn_deg)
    r = BIG_PLUG / 2
    base = rod(lay.under - down * 2.0, lay.under + down * 1.8, r, edge=0.5)
    kind = spec.throat_plug
    if kind == "hex":
        return hardware("throat_plug", "steel", [base, *hex_head(frame, BIG_PLUG * 0.84, 8.0)], [], 0.7, 0.5)
    if kind == "square":
        return hardware(
            "throat_plug",
            "steel",
            [base, block(Frame(lay.under + down * 5, frame.axes), (6.5, 6.5, 5.0), 0.8)],
            [],
            0.7,
            0.6,
        )
    if kind == "domed":
        return hardware(
            "throat_plug",
            "steel",
            [base, ball(lay.under - down * 1.0, r * 0.96, (1.0, 0.45, 1.0))],
            [],
            0.7,
            0.8,
        )
    disc = rod(lay.under - down * 2.0, lay.under + down * 3.6, r, edge=0.8)
    if kind == "slotted":
        return hardware(
            "throat_plug",
            "steel",
            [disc],
            [block(Frame(lay.under + down * 3.6, frame.axes), (r * 1.2, 1.7, 2.4))],
            0.7,
        )
    hollow = block(Frame(lay.under + down * 2.0, frame.axes), (5.6, 5.6, 4.0), 0.6)
    return hardware("throat_plug", "steel", [disc], [hollow], 0.7)
