"""Draw a random carburetor: ``sample_unit``.

Only the trade's own cues follow the generation (common practice, no source): metal, front
ear, main jet, scavenge line, bottom of the throat, and a mild tendency of the side that shows the screw heads.
Style, proportions, finish, colour and hardware are drawn before the generation is looked at, so that nothing
else can tell it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from .unit import HELD, TRAIN, SpecError, UnitSpec

BAND = 0.18
"""Width of the bands beside a usual interval that are kept out of training, in widths of the interval."""
BEYOND = 0.35
"""Width of what lies beyond those bands, which training does see."""
BEYOND_SHARE = 0.3
"""Share of the numbers of a training unit that come from beyond."""


class Draw:
    """Draws numbers for training, or from the bands that training leaves out on both sides of the usual interval."""

    def __init__(self, rng: np.random.Generator, held: bool) -> None:
        self.rng = rng
        self.held = held

    def free(self, low: float, high: float) -> float:
        """Uniform in [low, high], whatever the ranges."""
        return round(float(self.rng.uniform(low, high)), 4)

    def real(self, low: float, high: float, floor: float = -1e9, ceiling: float = 1e9) -> float:
        """A number between the limits.

        Held: in the bands beside [low, high]. Train: in [low, high], or sometimes beyond those bands.
        """
        spot, side, far = (float(self.rng.uniform()) for _ in range(3))
        band = BAND * (high - low)
        below, above = (max(low - band, floor), low), (high, min(high + band, ceiling))
        if not self.held:
            reach = BEYOND * (high - low)
            below, above = (
                (max(low - band - reach, floor), low - band),
                (high + band, min(high + band + reach, ceiling)),
            )
        under, over = max(below[1] - below[0], 0.0), max(above[1] - above[0], 0.0)
        if not self.held and (far >= BEYOND_SHARE or under + over == 0.0):
            return round(low + spot * (high - low), 4)
        start, end = below if side * (under + over) < under else above
        return round(start + spot * (end - start), 4)

    def chance(self, share: float) -> bool:
        """True with the given probability."""
        return bool(self.rng.uniform() < share)

    def pick(self, weights: Mapping[str, float], held_only: Sequence[str] = ()) -> str:
        """One of the keys by weight. Held: half of the time one of the words kept out of training."""
        spot, side, which = (float(self.rng.uniform()) for _ in range(3))
        if self.held and held_only and side < 0.5:
            return held_only[int(which * len(held_only))]
        names, share = list(weights), np.cumsum(list(weights.values()))
        return names[int(np.searchsorted(share / share[-1], spot, side="right"))]


# No vowels, so that no word can arise; the glyphs are those of ``lettering``.
CHARACTERS = "0123456789FHKLNTVXZ"

ENGINE_PAINTS: tuple[tuple[float, float, float], ...] = (
    (0.02, 0.05, 0.16), (0.03, 0.10, 0.05), (0.06, 0.12, 0.10), (0.22, 0.03, 0.02), (0.35, 0.10, 0.02),
    (0.30, 0.30, 0.29), (0.12, 0.13, 0.14), (0.025, 0.025, 0.027), (0.55, 0.54, 0.50), (0.28, 0.20, 0.06),
    (0.10, 0.17, 0.20), (0.05, 0.15, 0.30), (0.45, 0.33, 0.06), (0.16, 0.08, 0.05),
)  # fmt: skip
"""Usual colours of marine engine paint, linear RGB (common practice, no source)."""


def part_number(characters: str) -> str:
    """At most two letters, then digits only: no abbreviation of three letters can arise either."""
    return characters[:2] + "".join(c if c.isdigit() else str(ord(c) % 10) for c in characters[2:])


def _style(d: Draw) -> dict[str, object]:
    """Foundry style and proportions: never looks at the generation."""
    squat = d.free(0.0, 1.0)  # ties heights loosely together so that squat and tall units both occur
    low = {
        "size": d.real(0.88, 1.15, 0.83, 1.2),
        "crude": d.real(0.05, 0.95, 0.0, 1.0),
        "fillet": d.real(1.6, 7.5, 1.0),
        "edge": d.real(0.5, 2.4, 0.3),
        "wall": d.real(3.0, 5.5, 2.6),
        "draft_deg": d.real(0.0, 6.0, 0.0),
        "parting_mm": d.real(0.0, 0.7, 0.0) if d.chance(0.6) else 0.0,
        "parting_offset": d.free(-6.0, 6.0),
        "joint_outline": d.pick(
            {"round": 1.0, "square": 1.4, "octagon": 1.0, "d_shape": 1.0, "oval": 0.8, "waisted": 0.7, "pillow": 0.8},
            ("hexagon", "kite"),
        ),
        "joint_half_x": d.real(30.0, 42.0, 28.0),
        "joint_half_z": d.real(32.0, 44.0, 30.0),
        "joint_upper_mm": d.real(4.5, 10.0, 4.0),
        "joint_lower_mm": d.real(4.5, 10.0, 4.0),
        "corner_boss": d.real(6.6, 9.6, 6.2),
        "spotface": d.chance(0.75),
        "gasket": d.pick({"paper": 1.0, "cork": 0.6, "dark": 1.0, "squeezed": 0.6, "none": 0.5}),
        "gasket_mm": d.real(0.4, 2.0, 0.3),
        "gasket_out": d.real(-0.8, 1.0),
        "throat_z": d.real(0.18, 0.46, 0.1),
        "throat_radius": d.real(12.5, 17.5, 11.5, 18.2),
        "horn_reach": d.real(-6.0, 32.0, -9.0),
        "horn_drop": d.real(22.0, 33.0, 20.0),
        "horn_flare": d.real(0.0, 6.0, 0.0),
        "horn_oval": d.real(0.86, 1.28),
        "horn_tilt_deg": d.real(-10.0, 14.0),
        "horn_skew_deg": d.real(-10.0, 10.0),
        "horn_style": d.pick({"round": 1.6, "boxed": 0.8, "webbed": 0.8}),
        "horn_belly": d.free(0.0, 1.0),
        "rim": d.pick({"none": 0.8, "bead": 1.0, "collar": 1.0, "flange": 0.7, "square": 0.5}),
        "rim_mm": d.real(1.5, 4.5, 1.0),
        "rim_length": d.real(2.5, 9.0, 2.0),
        "bowl": d.pick({"drum": 1.5, "box": 1.2, "oval": 0.8, "d_shape": 0.8, "octagon": 0.5}, ("tub", "wedge")),
        "bowl_half_x": d.real(23.0, 34.0, 21.0),
        "bowl_half_z": d.real(20.0, 29.0, 18.5),
        "bowl_depth": d.real(34.0, 48.0) + (1.0 - squat) * 8.0,
        "bowl_z": d.real(-0.55, -0.32),
        "bowl_floor": d.pick({"flat": 1.3, "domed": 1.0, "stepped": 0.7}),
        "bowl_ribs": int(d.rng.integers(2, 7)) if d.chance(0.25) else 0,
        "bowl_band": d.chance(0.2),
        "upper_height": d.real(32.0, 48.0) + (1.0 - squat) * 12.0,
        "cover_height": d.real(3.0, 18.0, 2.0),
        "cover": d.pick({"round": 1.2, "box": 1.0, "low": 0.6, "barrel": 0.7}),
        "barrel_wall": d.real(4.0, 7.5, 3.6),
        "barrel": d.pick({"round": 1.4, "boxed": 0.8, "necked": 0.8}),
        "barrel_ribs": int(d.rng.integers(1, 5)) if d.chance(0.45) else 0,
        "flange": d.pick({"diamond": 1.2, "stadium": 1.0, "oval": 0.8, "rect": 0.8}, ("lobed", "round")),
        "flange_axis_deg": d.free(-8.0, 8.0) * float(d.chance(0.3)) + float(d.rng.choice([0.0, 0.0, 0.0, 90.0, 30.0])),
        "flange_spacing": d.real(54.0, 70.0, 52.0),
        "flange_mm": d.real(6.5, 12.0, 6.0),
        "studs": d.pick({"nuts": 1.2, "bolts": 0.6, "bare": 0.7, "holes": 1.0}),
        "stud_length": d.real(12.0, 30.0, 10.0),
        "bosses": int(d.rng.integers(0, 6)),
        "vent": d.pick({"none": 1.2, "stub": 0.8, "tube": 0.6}),
        "spacer": "plain" if d.chance(0.12) else "none",
        "lettering": d.pick({"none": 1.0, "raised": 1.0, "pad": 0.6}),
        "lettering_place": d.pick({"bowl": 1.0, "cover": 0.5, "barrel": 0.6}),
        "lettering_text": part_number("".join(d.rng.choice(list(CHARACTERS), int(d.rng.integers(3, 8))))),
        "lettering_mm": d.real(4.5, 9.5, 4.0),
    }
    return {k: round(v, 4) if isinstance(v, float) else v for k, v in low.items()}


def _controls(d: Draw) -> dict[str, object]:
    """Levers, idle screw, fuel inlet, screws, and all of the jet, tube and plug that does not depend on the era."""
    jet_side = float(d.rng.choice([0.0, 0.0, 90.0, -90.0, 90.0, -90.0, 45.0, -45.0]))
    return {
        "throttle_side": 1 if d.chance(0.5) else -1,
        "throttle_axis_deg": d.free(-15.0, 15.0) if d.chance(0.7) else float(d.rng.choice([60.0, 90.0, -60.0])),
        "throttle_lever_deg": d.free(-180.0, 180.0),
        "throttle_lever_mm": d.real(18.0, 40.0, 15.0),
        "throttle_lever": d.pick({"straight": 1.0, "two_arm": 0.8, "sector": 0.6, "ball": 0.6}),
        "stop_screw": d.chance(0.7),
        "choke": d.pick({"lever": 1.2, "spring": 0.8, "bare_shaft": 0.4, "none": 0.4}),
        "choke_side": 1 if d.chance(0.5) else -1,
        "choke_deg": d.free(5.0, 90.0),
        "choke_lever_deg": d.free(-180.0, 180.0),
        "idle": d.pick({"slotted": 1.0, "knurled": 0.7, "none": 0.3}),
        "idle_azimuth_deg": d.free(-110.0, 110.0),
        "idle_height": d.free(0.42, 0.75),
        "inlet": d.pick({"elbow": 0.8, "straight": 1.0, "strainer": 0.6, "none": 0.5}),
        "inlet_azimuth_deg": d.free(95.0, 265.0),
        "inlet_mm": d.real(9.0, 22.0, 8.0),
        "screw_head": d.pick({"fillister": 1.5, "pan": 0.8, "round": 0.9, "hex": 0.25, "phillips": 0.2, "socket": 0.2}),
        "screw_size": d.pick({"#8": 0.4, "#10": 1.2, "#12": 1.0, "1/4": 0.6}),
        "washer": d.pick({"none": 1.4, "plain": 0.4, "split": 0.8}),
        "thread_out": d.free(-2.0, 4.5),
        "missing_screw": int(d.rng.integers(1, 5)) if d.chance(0.07) else 0,
        "odd_screw": int(d.rng.integers(1, 5)) if d.chance(0.12) else 0,
        "odd_head": d.pick({"hex": 1.0, "phillips": 1.0, "socket": 0.5}),
        "ear_head": d.pick({"same": 8.0, "fillister": 0.5, "round": 0.5, "pan": 0.5, "hex": 0.4, "socket": 0.2}),
        "ear": d.pick({"round": 1.4, "square": 1.0, "triangle": 0.8, "lug": 0.8, "lump": 1.6}, ("wide", "tongue")),
        "ear_out": d.real(7.5, 14.5, 7.0),
        "ear_width": d.real(13.0, 26.0, 12.0),
        "ear_upper_mm": d.real(4.5, 11.0, 4.0),
        "ear_lower_mm": d.real(4.5, 11.0, 4.0),
        "ear_hole": d.chance(0.4),
        "jet_azimuth_deg": round(jet_side + d.free(-25.0, 25.0), 4),
        "jet_reach": d.real(0.45, 1.0, 0.35),
        "jet_rise": d.real(-3.0, 12.0),
        "jet_boss": d.real(5.5, 9.0, 5.0),
        "jet_boss_length": d.real(4.0, 13.0, 3.0),
        "jet_tilt_deg": d.free(0.0, 50.0) if d.chance(0.35) else 0.0,
        "jet_plug": d.pick({"hex": 1.4, "slotted": 0.8, "square": 0.3}),
        "jet_plug_mm": d.real(9.5, 16.0, 9.0),
        "handle_mm": d.real(24.0, 62.0, 20.0),
        "handle_radius": d.real(1.6, 3.2, 1.4),
        "handle_bend_deg": d.free(-30.0, 30.0) if d.chance(0.25) else 0.0,
        "handle_end": d.pick({"t_bar": 2.0, "knurled": 0.8, "ring": 0.6, "wing": 0.6, "cut": 0.4}),
        "bar_mm": d.real(18.0, 42.0, 15.0),
        "bar_radius": d.real(1.6, 3.2, 1.4),
        "bar_turn_deg": d.free(-90.0, 90.0),
        "packing_nut": d.chance(0.75),
        "drain": d.pick({"none": 1.4, "floor": 0.7, "side": 0.4}),
        "drain_mm": d.real(9.5, 17.5, 9.0),
        "tube_metal": d.pick({"copper": 1.3, "steel": 0.8, "rubber": 0.7}),
        "tube_od": d.real(4.76, 9.5, 4.4),
        "tube_side": 1 if d.chance(0.5) else -1,
        "tube_out": d.real(4.0, 16.0, 3.0),
        "tube_bow": d.free(-1.0, 1.0),
        "tube_to": d.pick({"manifold": 1.2, "spacer": 0.8, "loose": 0.5}),
        "tube_clips": int(d.rng.choice([0, 0, 1, 2])),
        "tube_hole": d.pick({"fitting": 1.0, "open": 1.0, "plugged": 1.0}),
        "fitting_metal": d.pick({"brass": 1.5, "steel": 0.7}),
        "fitting_turn_deg": d.free(-70.0, 70.0),
        "throat_boss": d.real(9.0, 18.5, 8.5),
        "throat_plug": d.pick({"hex": 1.0, "slotted": 1.0, "square": 0.7, "recessed": 0.8, "domed": 0.6}),
        "throat_plug_rust": d.free(0.0, 1.0),
        "arrester": d.pick({"none": 9.0, "can": 0.5, "screen": 0.5}),
        "present": d.pick({"whole": 9.0, "upper": 0.5, "lower": 0.5}),
    }  # fmt: skip


def _finish(d: Draw) -> dict[str, object]:
    """Surface of the unit: never looks at the generation."""
    finish = d.pick({"bare": 1.0, "oily": 0.8, "rusty": 1.0, "oxidised": 0.9, "painted": 1.4, "dirty": 1.0})
    paint = np.array(ENGINE_PAINTS[int(d.rng.integers(len(ENGINE_PAINTS)))])
    if d.held or d.chance(0.2):  # any other colour
        paint = np.clip(d.rng.uniform(0.02, 0.6) * d.rng.uniform(0.15, 1.0, 3), 0.01, 0.8)
    paint = np.clip(paint * d.rng.uniform(0.7, 1.4), 0.012, 0.85)
    silver = d.chance(0.15)
    return {
        "finish": finish,
        "shade": d.real(0.05, 0.95, 0.0, 1.0),
        "warmth": d.real(0.1, 0.9, 0.0, 1.0),
        "blasted": d.chance(0.2),
        "chromate": d.free(0.3, 1.0) if d.chance(0.12) else 0.0,
        "paint": tuple(round(float(c), 4) for c in ((0.55, 0.55, 0.54) if silver else paint)),
        "paint_gloss": d.real(0.1, 0.9, 0.0, 1.0),
        "paint_metal": d.free(0.4, 0.9) if silver else 0.0,
        "paint_hardware": d.chance(0.7),
        "chips": d.free(0.02, 0.35) if d.chance(0.6) else 0.0,
        "rust": d.free(0.35, 1.0) if finish == "rusty" else d.free(0.0, 0.22),
        "rust_cell": d.real(3.0, 16.0, 2.5),
        "bloom": d.free(0.3, 1.0) if finish == "oxidised" else d.free(0.0, 0.2) * float(d.chance(0.3)),
        "oil": d.free(0.4, 1.0) if finish == "oily" else d.free(0.0, 0.25) * float(d.chance(0.3)),
        "grime": d.free(0.55, 1.0) if finish == "dirty" else d.free(0.0, 0.4),
        "varnish": d.free(0.2, 0.9) if d.chance(0.35) else 0.0,
        "hardware": d.pick({"steel": 1.2, "zinc": 0.8, "brass": 0.5, "black": 0.5}),
        "hardware_rust": d.free(0.3, 1.0) if d.chance(0.4) else d.free(0.0, 0.25),
    }


def _cues(d: Draw, era: str, style: Mapping[str, object]) -> dict[str, object]:
    """What follows the generation (common practice, no source): see the module's docstring."""
    spot, variant, slope, level, head = (float(d.rng.uniform()) for _ in range(5))
    iron = era == "iron"
    out: dict[str, object] = {
        # iron heads are often seen only from below, alloy heads usually from above: a tendency, not a rule
        "screw_side": "below" if head < (0.7 if iron else 0.3) else "above",
        "main_jet": "handle" if spot < (0.86 if iron else 0.3) else "plug",
        "handle_deg": round(20.0 + 40.0 * slope if iron else -5.0 + 10.0 * level, 4),
        "tube": "absent" if iron or variant < 0.2 else "external",
    }
    if not iron and out["tube"] == "external" and style["tube_to"] == "spacer":
        out["spacer"] = "ported"
    return out


def sample_unit(era: str, rng: np.random.Generator, ranges: str = TRAIN) -> UnitSpec:
    """Draw one unit of a generation.

    Args:
        era: iron, alloy4 or alloy5.
        rng: the only source of randomness; the same state and era give the same spec.
        ranges: ``train``, or ``held`` for intervals and shape words that training never sees.

    Raises:
        SpecError: for an unknown era or range name.
    """
    if ranges not in (TRAIN, HELD):
        raise SpecError(f"ranges: expected train or held, got {ranges!r}")
    d = Draw(rng, ranges == HELD)
    seed = int(rng.integers(2**31))
    values = {**_style(d), **_controls(d), **_finish(d)}
    values |= _cues(d, era, values)
    return UnitSpec(seed=seed, era=era, ranges=ranges, **values)  # type: ignore[arg-type]
