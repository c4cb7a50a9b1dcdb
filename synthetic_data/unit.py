"""One carburetor as numbers: ``UnitSpec``, the record of it.

A spec says everything that ``castings.build`` needs; it is frozen and goes through JSON unchanged. Lengths are
millimetres, angles degrees, shares 0..1. Frame: see ``mesh``. Random ones are drawn by ``sample_unit``.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields

from updraft_key.model.cues import ERAS, FINISHES
from updraft_key.model.errors import UpdraftKeyError

TRAIN = "train"
HELD = "held"


class SpecError(UpdraftKeyError):
    """A unit's description cannot be used."""


@dataclass(frozen=True, slots=True)
class UnitSpec:
    """Everything that shapes one modelled carburetor. All fields have defaults, so that old files stay loadable."""

    # --- identity
    seed: int = 0  #: seeds noise, relief and finish patterns
    era: str = "iron"  #: iron, alloy4 or alloy5
    ranges: str = TRAIN  #: which intervals the numbers were drawn from
    present: str = "whole"  #: whole, upper (upper casting alone) or lower
    # --- style of the foundry
    size: float = 1.0  #: scale of the castings (not of screws and plugs)
    crude: float = 0.4  #: 0 fine die-cast surface .. 1 rough sand casting
    fillet: float = 4.0  #: blend radius between cast bodies
    edge: float = 1.2  #: rounding of outer cast edges
    wall: float = 4.0  #: wall thickness
    draft_deg: float = 2.0  #: draft of the bowl's walls
    parting_mm: float = 0.3  #: height of the parting line's ridge
    parting_offset: float = 0.0  #: x of the parting plane
    # --- joint
    joint_outline: str = "square"  #: round, square, octagon, d_shape, oval, waisted, pillow; held: hexagon, kite
    joint_half_x: float = 36.0  #: half width of the joint
    joint_half_z: float = 38.0  #: half length of the joint
    joint_upper_mm: float = 7.0  #: thickness of the upper casting's joint flange
    joint_lower_mm: float = 7.0  #: thickness of the lower casting's joint flange
    corner_boss: float = 8.0  #: radius of the bosses round the corner screws
    spotface: bool = True  #: clearance cut round the screw heads
    gasket: str = "paper"  #: paper, cork, dark, squeezed, none
    gasket_mm: float = 0.8  #: gasket thickness
    gasket_out: float = 0.3  #: gasket edge beyond (or inside) the joint edge
    # --- throat and horn
    throat_z: float = 0.3  #: throat axis, share of joint_half_z to the front
    throat_radius: float = 15.0  #: inner radius of the throat
    horn_reach: float = 12.0  #: mouth in front of the joint's edge; negative: recessed under the joint
    horn_drop: float = 27.0  #: centre of the mouth below the joint
    horn_flare: float = 2.0  #: growth of the radius toward the mouth
    horn_oval: float = 1.0  #: width over height of the horn
    horn_tilt_deg: float = 0.0  #: the mouth looks down (positive) or up
    horn_skew_deg: float = 0.0  #: the mouth looks to +x (positive) or -x
    horn_style: str = "round"  #: round, boxed, webbed
    horn_belly: float = 0.5  #: curve of the horn: 0 tight elbow .. 1 long sweep
    rim: str = "bead"  #: none, bead, collar, flange, square
    rim_mm: float = 3.0  #: how far the rim stands out
    rim_length: float = 4.0  #: length of the rim along the horn
    # --- bowl
    bowl: str = "drum"  #: drum, box, oval, d_shape, octagon; held: tub, wedge
    bowl_half_x: float = 29.0  #: half width of the bowl
    bowl_half_z: float = 26.0  #: half length of the bowl
    bowl_depth: float = 46.0  #: bowl floor below the joint
    bowl_z: float = -0.42  #: bowl axis, share of joint_half_z
    bowl_floor: str = "flat"  #: flat, domed, stepped
    bowl_ribs: int = 0  #: vertical ribs on the bowl
    bowl_band: bool = False  #: raised band round the bowl
    # --- upper casting
    upper_height: float = 48.0  #: flange face above the joint
    cover_height: float = 10.0  #: bowl cover above the joint flange
    cover: str = "round"  #: round, box, low, barrel
    barrel_wall: float = 5.0  #: throttle barrel's wall
    barrel: str = "round"  #: round, boxed, necked
    barrel_ribs: int = 0  #: webs between barrel and joint flange
    flange: str = "diamond"  #: diamond, stadium, oval, rect; held: lobed, round
    flange_axis_deg: float = 0.0  #: direction of the line through the two studs; 0 = along x
    flange_spacing: float = 62.0  #: distance of the studs
    flange_mm: float = 9.0  #: thickness of the top flange
    studs: str = "nuts"  #: nuts, bolts, bare, holes
    stud_length: float = 22.0  #: stud above or through the flange
    bosses: int = 2  #: further small bosses and pads
    vent: str = "none"  #: none, stub, tube (bowl vent)
    spacer: str = "none"  #: none, plain, ported (block on the top flange)
    # --- lettering
    lettering: str = "none"  #: none, raised, pad
    lettering_place: str = "bowl"  #: bowl, cover, barrel
    lettering_text: str = ""  #: random characters, never a word
    lettering_mm: float = 7.0  #: height of the characters
    # --- controls
    throttle_side: int = 1  #: +1 lever at +x, -1 at -x
    throttle_axis_deg: float = 0.0  #: turn of the throttle shaft about y
    throttle_lever_deg: float = 30.0  #: position of the lever
    throttle_lever_mm: float = 28.0  #: length of the lever
    throttle_lever: str = "straight"  #: straight, two_arm, sector, ball
    stop_screw: bool = True  #: throttle stop screw with spring
    choke: str = "lever"  #: lever, spring, bare_shaft, none
    choke_side: int = -1  #: +1 lever at +x, -1 at -x
    choke_deg: float = 20.0  #: opening of the choke plate (90 = open)
    choke_lever_deg: float = 60.0  #: position of the choke lever
    idle: str = "slotted"  #: slotted, knurled, none (idle mixture screw with spring)
    idle_azimuth_deg: float = 60.0  #: where the idle screw leaves the barrel
    idle_height: float = 0.6  #: share of upper_height
    inlet: str = "straight"  #: elbow, straight, strainer, none (fuel inlet)
    inlet_azimuth_deg: float = 170.0  #: where the inlet leaves the bowl cover
    inlet_mm: float = 14.0  #: length of the inlet fitting
    # --- joint screws
    screw_head: str = "fillister"  #: fillister, pan, round; wrong replacements: hex, phillips, socket
    screw_size: str = "#10"  #: #8, #10, #12 or 1/4
    screw_side: str = "above"  #: where the heads show: above or below
    washer: str = "none"  #: none, plain, split
    thread_out: float = 1.5  #: thread end beyond the other face; negative: inside the hole
    missing_screw: int = 0  #: 1..4, or 0 for none
    odd_screw: int = 0  #: 1..4: a wrong replacement sits there, or 0
    odd_head: str = "hex"  #: hex, phillips, socket
    ear_head: str = "same"  #: head of the ear's screw: same as the others, or another one's name
    # --- front ear (alloy only)
    ear: str = "round"  #: round, square, triangle, lug, lump; held: wide, tongue
    ear_out: float = 10.0  #: how far the ear stands out of the joint's front
    ear_width: float = 18.0  #: width of the ear
    ear_upper_mm: float = 7.0  #: thickness of the ear's upper half
    ear_lower_mm: float = 7.0  #: thickness of the ear's lower half
    ear_hole: bool = False  #: a bare ear with a drilled hole
    # --- main jet
    main_jet: str = "plug"  #: plug or handle
    jet_azimuth_deg: float = 0.0  #: 0 = to the rear, 90 = to +x, -90 = to -x
    jet_reach: float = 0.85  #: jet boss's place, share of the bowl's half size
    jet_rise: float = 7.0  #: jet boss's axis above the bowl floor (negative: below it)
    jet_boss: float = 7.0  #: radius of the jet boss
    jet_boss_length: float = 9.0  #: how far the boss stands out
    jet_tilt_deg: float = 0.0  #: tilt of the boss when it holds a plug
    jet_plug: str = "hex"  #: hex, slotted, square
    jet_plug_mm: float = 12.7  #: across flats or diameter
    handle_deg: float = 40.0  #: stem below the bowl floor, wanted
    handle_mm: float = 40.0  #: length of the stem
    handle_radius: float = 2.2  #: radius of the stem
    handle_bend_deg: float = 0.0  #: sideways kink of the stem
    handle_end: str = "t_bar"  #: t_bar, knurled, ring, wing, cut
    bar_mm: float = 26.0  #: length of the T bar
    bar_radius: float = 2.2  #: radius of the T bar
    bar_turn_deg: float = 0.0  #: rotation of the T about the stem
    packing_nut: bool = True  #: hex packing nut at the root of the stem
    drain: str = "none"  #: none, floor, side (a hex that is not the main jet)
    drain_mm: float = 12.7  #: across flats
    # --- scavenge line (alloy only)
    tube: str = "external"  #: external or absent
    tube_metal: str = "copper"  #: copper, steel, rubber
    tube_od: float = 6.35  #: outer diameter
    tube_side: int = -1  #: +1 rises at +x, -1 at -x
    tube_out: float = 8.0  #: clearance from the body
    tube_bow: float = 0.4  #: how far the rise bows forward (+) or back (-)
    tube_to: str = "manifold"  #: manifold, spacer, loose
    tube_clips: int = 0  #: clips on the tube
    tube_hole: str = "fitting"  #: when the tube is gone: fitting, open, plugged
    fitting_metal: str = "brass"  #: brass, steel
    fitting_turn_deg: float = 0.0  #: direction in which the tube leaves the fitting
    throat_boss: float = 12.0  #: radius of the boss under the throat (alloy)
    # --- big plug (iron only)
    throat_plug: str = "hex"  #: hex, slotted, square, recessed, domed
    throat_plug_rust: float = 0.5  #: 0 clean .. 1 scaled
    # --- on the mouth
    arrester: str = "none"  #: none, can, screen
    # --- finish
    finish: str = "bare"  #: one of model.cues.FINISHES
    shade: float = 0.5  #: 0 dark .. 1 light bare metal
    warmth: float = 0.5  #: 0 bluish .. 1 yellowish bare metal
    blasted: bool = False  #: matt, even, blasted metal
    chromate: float = 0.0  #: yellow conversion tint
    paint: tuple[float, float, float] = (0.1, 0.12, 0.2)  #: linear RGB of the paint
    paint_gloss: float = 0.5  #: 0 matt .. 1 glossy
    paint_metal: float = 0.0  #: share of flake (silver, bronze paint)
    paint_hardware: bool = True  #: the paint covers the screws too
    chips: float = 0.1  #: share of the paint that is gone
    rust: float = 0.3  #: strength of rust or rust stains
    rust_cell: float = 9.0  #: size of the rust's patches
    bloom: float = 0.0  #: white bloom
    oil: float = 0.0  #: wet oil film
    grime: float = 0.2  #: grime in corners
    varnish: float = 0.1  #: brown fuel streaks under the joint
    hardware: str = "steel"  #: steel, zinc, brass, black
    hardware_rust: float = 0.2  #: rust of the small parts

    def __post_init__(self) -> None:
        if self.era not in tuple(ERAS):
            raise SpecError(f"era: expected one of {', '.join(ERAS)}, got {self.era!r}")
        if self.present not in ("whole", "upper", "lower"):
            raise SpecError(f"present: expected whole, upper or lower, got {self.present!r}")
        if self.finish not in FINISHES:
            raise SpecError(f"finish: expected one of {', '.join(FINISHES)}, got {self.finish!r}")
        if self.screw_size not in ("#8", "#10", "#12", "1/4"):
            raise SpecError(f"screw_size: expected #8, #10, #12 or 1/4, got {self.screw_size!r}")

    def to_json(self) -> str:
        """Return one line of JSON with every field; ``from_json`` gives an equal spec back."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> UnitSpec:
        """Read a spec; absent fields take their defaults.

        Raises:
            SpecError: for text that is no JSON object or has an unknown field.
        """
        try:
            raw = json.loads(text)
        except ValueError as error:
            raise SpecError(f"a unit's description must be a JSON object: {error}") from error
        if not isinstance(raw, dict):
            raise SpecError(f"a unit's description must be a JSON object, got {type(raw).__name__}")
        known = {f.name for f in fields(cls)}
        unknown = sorted(set(raw) - known)
        if unknown:
            raise SpecError(f"unknown fields of a unit: {', '.join(unknown)}")
        if "paint" in raw:
            raw["paint"] = tuple(raw["paint"])
        return cls(**raw)
