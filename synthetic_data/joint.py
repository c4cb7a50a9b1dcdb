"""The joint between the castings: flanges, corner bosses, front ear, gasket and screws."""

from __future__ import annotations

import math

import numpy as np
from updraft_key.model.cues import Era

from .layout import Layout, head_of, plan
from .mesh import Floats
from .noise import fbm
from .pieces import RawPart, raw
from .screws import HEADS, moved, screw_shape, thread_end
from .solids import Field, Solid, Vec, aim, f32, polygon, prism, rod, vec
from .unit import UnitSpec


def has_ear(spec: UnitSpec) -> bool:
    """Whether the joint has an ear in front."""
    return spec.era != Era.IRON


def joint_grow(spec: UnitSpec) -> float:
    """Corner rounding of the joint's outline, mm."""
    return 2.0 if spec.joint_outline in ("octagon", "hexagon", "kite", "waisted", "d_shape") else 0.0


def joint_plate(spec: UnitSpec, lay: Layout, field: Field, sign: float) -> None:
    """Add one casting's joint flange with its corner bosses; ``sign`` +1 upper, -1 lower."""
    thick = spec.joint_upper_mm if sign > 0 else spec.joint_lower_mm
    grow = joint_grow(spec)
    outline = polygon(spec.joint_outline, lay.half_x - grow, lay.half_z - grow)
    middle = sign * (lay.gap + thick / 2 - 1.0)  # reaches 1 mm past the joint plane, cut flat later
    field.add(prism(plan(middle), outline, thick / 2 + 1.0, spec.edge, grow), spec.fillet if sign < 0 else 0.0)
    for spot in lay.screws[:4]:
        a = spot + vec(0, sign * (lay.gap - 2.0), 0)
        field.add(
            rod(a, spot + vec(0, sign * (lay.gap + thick + 0.6), 0), spec.corner_boss, edge=0.6),
            0.6 * spec.fillet,
        )


def ear_solid(spec: UnitSpec, lay: Layout, sign: float) -> Solid:
    """The ear's half on one casting."""
    thick = spec.ear_upper_mm if sign > 0 else spec.ear_lower_mm
    w, out = lay.ear_width / 2, lay.ear_out
    back = -14.0
    if spec.ear == "square":
        flat = np.array([(-w, back), (w, back), (w, out - 1.5), (w - 1.5, out), (1.5 - w, out), (-w, out - 1.5)])
    elif spec.ear == "triangle":
        tip = 0.62 * w
        flat = np.array(
            [
                (-w - 9, back),
                (w + 9, back),
                (w + 4, 0.0),
                (tip, out - 3),
                (0.5 * tip, out),
                (-0.5 * tip, out),
                (-tip, out - 3),
                (-w - 4, 0.0),
            ]
        )
    elif spec.ear == "tongue":
        flat = np.array(
            [
                (-w, back),
                (w, back),
                (0.8 * w, out * 0.7),
                (0.45 * w, out),
                (-0.45 * w, out),
                (-0.8 * w, out * 0.7),
            ]
        )
    elif spec.ear == "lump":
        flat = _lump(spec, w, out, back)
    else:
        wide = w * (1.5 if spec.ear == "wide" else 1.0)
        r = min(wide, out + 8.0)
        a = np.linspace(0, math.pi, 15)
        arc = np.stack([wide * np.cos(a), out - r + r * np.sin(a)], 1)
        root = wide + (5.0 if spec.ear == "lug" else 0.0)
        flat = np.concatenate([[(-root, back), (root, back)], arc])
    middle = sign * (lay.gap + thick / 2 - 1.0)
    return prism(plan(middle, lay.half_z), flat, thick / 2 + 1.0, min(spec.edge, 1.4))


def _lump(spec: UnitSpec, w: float, out: float, back: float) -> Vec:
    """An ear's outline (n, 2) of no particular shape: rounder or squarer, leaning, its root narrow or wide."""
    rng = np.random.default_rng([spec.seed, 5])
    power, lean, root = rng.uniform(0.35, 1.3), rng.uniform(-0.25, 0.25), rng.uniform(0.95, 1.7)
    rise = min(w * rng.uniform(0.6, 1.3), out + 8.0)
    a = np.linspace(0, math.pi, 17)
    across, up = np.cos(a), np.sin(a).clip(0.0, 1.0) ** power
    arc = np.stack([w * (np.sign(across) * np.abs(across) ** power + lean * up * (1 - up)), out - rise * (1 - up)], 1)
    return np.concatenate([[(-w * root, back), (w * root, back)], arc])


def ear_face(spec: UnitSpec, lay: Layout, sign: float) -> float:
    """Height of the ear's outer face on one casting."""
    return sign * (lay.gap + (spec.ear_upper_mm if sign > 0 else spec.ear_lower_mm))


def spotfaces(spec: UnitSpec, lay: Layout, f: Field, sign: float) -> None:
    """Clear the faces on which the heads sit, if they sit on this casting, and drill empty holes."""
    heads_here = (spec.screw_side == "above") == (sign > 0)
    thick = spec.joint_upper_mm if sign > 0 else spec.joint_lower_mm
    for i, spot in enumerate(lay.screws):
        if i == 4 and not has_ear(spec):
            continue
        size = head_of(spec, i)
        face = ear_face(spec, lay, sign) if i == 4 else sign * (lay.gap + thick + 0.6)
        start = spot + vec(0, face - sign * 0.15, 0)
        if heads_here or (i == 4 and sign > 0):
            tall = size.height + (1.5 if spec.washer != "none" else 0.0)
            # deep enough for a screwdriver, but never through the horn below the front screws and the ear
            reach = tall + (18.0 if spec.spotface and (sign > 0 or 2 <= i < 4) else 0.7)
            wide = size.diameter / 2 + (1.6 if i < 4 else 1.2)
            f.cut(rod(start, start + vec(0, sign * reach, 0), wide), 0.5)
        drilled = i == 4 and spec.era == Era.ALLOY4 and spec.ear_hole
        if drilled or (i < 4 and (spec.present != "whole" or spec.missing_screw == i + 1)):
            f.cut(rod(spot + vec(0, -30, 0), spot + vec(0, 30, 0), size.thread / 2 + 0.25))


def gasket(spec: UnitSpec, lay: Layout, rng: np.random.Generator) -> RawPart:
    """The joint's gasket; only its edge shows."""
    grow = joint_grow(spec)
    out = spec.gasket_out
    f = Field(
        vec(-lay.half_x - 12, -3, -lay.half_z - 12),
        vec(lay.half_x + 12, 3, lay.half_z + lay.ear_out + 6),
        1.3,
    )
    half = max(lay.gap, 0.35) + 0.02
    f.add(prism(plan(0), polygon(spec.joint_outline, lay.half_x - grow, lay.half_z - grow), half, 0.0, grow + out))
    for spot in lay.screws[:4]:
        f.add(rod(spot + vec(0, -half, 0), spot + vec(0, half, 0), spec.corner_boss + out))
    if has_ear(spec):
        ear = ear_solid(spec, lay, 1.0)
        f.add(
            Solid(
                ear.low - 2,
                ear.high + 2,
                lambda x, y, z: np.maximum(
                    ear.distance(x, y * 0 + np.float32(lay.gap + 2), z) - np.float32(out),
                    np.abs(y) - np.float32(half),
                ),
            )
        )
    vertices, faces = f.mesh()
    if spec.gasket == "squeezed":
        flat = vertices * [1, 0, 1]
        away = flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-6)
        vertices = (vertices + away * (fbm(vertices, 6.0, 2, spec.seed) * 1.2)[:, None]).astype(np.float32)
    material = {"paper": "paper", "cork": "cork", "dark": "dark", "squeezed": "dark"}[spec.gasket]
    return raw("gasket", material, vertices, faces)


def joint_screws(
    spec: UnitSpec, lay: Layout, rng: np.random.Generator
) -> tuple[list[RawPart], dict[str, Floats], tuple[str, ...]]:
    """Heads, thread ends and their landmarks; names of the screws that are there."""
    out: list[RawPart] = []
    marks: dict[str, Floats] = {}
    names = []
    sign = 1.0 if spec.screw_side == "above" else -1.0
    size, odd_size = head_of(spec, 0), HEADS[spec.odd_head][spec.screw_size]
    shape = in_ear = screw_shape(spec.screw_head, size, spec.washer, spec.hardware)
    if spec.ear_head != "same":
        in_ear = screw_shape(spec.ear_head, head_of(spec, 4), spec.washer, spec.hardware)
    odd = screw_shape(spec.odd_head, odd_size, spec.washer, "zinc") if spec.odd_screw else None
    thick = spec.joint_upper_mm if sign > 0 else spec.joint_lower_mm
    other = spec.joint_lower_mm if sign > 0 else spec.joint_upper_mm
    single = spec.present != "whole"
    for i, spot in enumerate(lay.screws):
        turn = float(rng.uniform(0, 180))
        drop = bool(rng.uniform() < 0.5)
        if i == 4 and spec.era != Era.ALLOY5:
            continue
        # a single casting has lost some of its screws; the ear's stays (stuck), so that it still tells
        if i < 4 and (spec.missing_screw == i + 1 or (single and drop)):
            continue
        face = ear_face(spec, lay, sign) if i == 4 else sign * (lay.gap + thick + 0.45)
        end = ear_face(spec, lay, -sign) if i == 4 else -sign * (lay.gap + other + 0.6)
        if spec.present == "lower":
            face, end = (-lay.gap, end) if sign > 0 else (face, lay.gap)
        elif spec.present == "upper":
            face, end = (face, -lay.gap) if sign > 0 else (lay.gap, end)
        frame = aim(spot + vec(0, face - sign * 0.1, 0), vec(0, sign, 0), turn)
        out.append(
            moved(
                f"joint_screw_{i + 1}",
                in_ear if i == 4 else odd if odd is not None and spec.odd_screw == i + 1 else shape,
                frame,
            )
        )
        marks[f"screw_{i + 1}"] = f32(frame.origin + vec(0, sign * head_of(spec, i).height * 0.6, 0))
        names.append(f"joint_screw_{i + 1}")
        if spec.thread_out > 0.3 and i < 4:
            stick = spec.thread_out + (4.0 if single else 0.0)
            out.append(
                thread_end(
                    f"screw_thread_{i + 1}",
                    spec.hardware,
                    aim(spot + vec(0, end, 0), vec(0, -sign, 0)),
                    size.thread / 2,
                    stick,
                )
            )
    return out, marks, tuple(names)
