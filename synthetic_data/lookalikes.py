"""Things that are not the subject but lie where it lies: near negatives in the same finishes.

``sample`` draws which kind, how it is proportioned and how it is finished; ``build`` models it. A shape comes
from its own seed, so that a description of a few numbers gives the same thing wherever it is built.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from types import MappingProxyType

import numpy as np
from updraft_key.model.cues import Era

from . import finishes, fluid_kin, machine_kin, near_kin, pipe_kin
from .coat import STUFF, Coat, paint_colour, painted, without_slivers
from .mesh import Model
from .pieces import RawPart
from .sample_unit import sample_unit
from .unit import SpecError

Recipe = Callable[[np.random.Generator], list[RawPart]]
OWN = ("painted", "glass")
"""Materials with a surface of their own whatever the finish."""

KINDS: Mapping[str, tuple[Recipe, float]] = MappingProxyType(
    {
        "downdraft_carburetor": (near_kin.downdraft, 3.0),
        "side_draft_carburetor": (near_kin.side_draft, 3.0),
        "small_engine_carburetor": (near_kin.small_engine, 2.0),
        "loose_bowl": (near_kin.loose_bowl, 1.5),
        "fuel_pump": (fluid_kin.fuel_pump, 1.5),
        "water_pump": (fluid_kin.water_pump, 1.0),
        "thermostat_housing": (fluid_kin.thermostat_housing, 1.2),
        "exhaust_elbow": (fluid_kin.exhaust_elbow, 1.0),
        "alternator": (machine_kin.alternator, 1.0),
        "starter_solenoid": (machine_kin.solenoid, 0.8),
        "ignition_coil": (machine_kin.coil, 0.6),
        "distributor": (machine_kin.distributor, 1.0),
        "oil_filter": (fluid_kin.oil_filter, 0.8),
        "fuel_filter_bowl": (fluid_kin.filter_bowl, 1.2),
        "pressure_regulator": (fluid_kin.regulator, 1.0),
        "valve": (pipe_kin.valve, 1.2),
        "pipe_fitting": (pipe_kin.pipe_fittings, 1.0),
        "bracket": (machine_kin.bracket, 0.8),
        "gear_or_hub": (machine_kin.loose_gear, 0.5),
    }
)
"""Kind -> recipe and how often it is drawn; near relatives more often."""

METALS = ("iron", "alloy")
HELD_KINDS = ("pressure_regulator", "exhaust_elbow", "ignition_coil", "gear_or_hub")
"""Kinds that training never sees: what the network makes of them says how it takes the unknown."""


@dataclass(frozen=True, slots=True)
class LookalikeSpec:
    """One thing that is not the subject.

    Attributes:
        kind: key of ``KINDS``.
        shape: seed of the proportions.
        metal: ``iron`` or ``alloy``, of its castings.
        surface: seed of its finish, drawn as the subject's own is.
        ranges: ``train`` or ``held``, as in ``sample_unit``.
    """

    kind: str
    shape: int
    metal: str
    surface: int
    ranges: str = "train"

    def __post_init__(self) -> None:
        for name, value, known in (
            ("kind", self.kind, tuple(KINDS)),
            ("metal", self.metal, METALS),
            ("ranges", self.ranges, ("train", "held")),
        ):
            if value not in known:
                raise SpecError(f"{name}: expected one of {', '.join(known)}, got {value!r}")

    def to_json(self) -> str:
        """One line of JSON."""
        return json.dumps(asdict(self), sort_keys=True)

    @staticmethod
    def from_json(text: str) -> LookalikeSpec:
        """The inverse of ``to_json``.

        Raises:
            SpecError: for text that does not describe a look-alike.
        """
        try:
            return LookalikeSpec(**json.loads(text))
        except (TypeError, ValueError) as problem:
            raise SpecError(f"not a look-alike: {problem}") from problem


def sample(rng: np.random.Generator, ranges: str = "train") -> LookalikeSpec:
    """Draw one. Metal and finish are drawn apart from the kind, so that they say nothing of it."""
    names = [n for n in KINDS if ranges == "held" or n not in HELD_KINDS]
    weight = np.array([KINDS[n][1] for n in names])
    return LookalikeSpec(
        kind=names[int(rng.choice(len(names), p=weight / weight.sum()))],
        shape=int(rng.integers(2**31)),
        metal=METALS[int(rng.integers(2))],
        surface=int(rng.integers(2**31)),
        ranges=ranges,
    )


def shape(spec: LookalikeSpec) -> list[RawPart]:
    """Its parts before any finish, the middle of its box at the origin, millimetres."""
    raws = [r for r in KINDS[spec.kind][0](np.random.default_rng(spec.shape)) if len(r.faces)]
    everything = np.concatenate([r.vertices for r in raws])
    middle = ((everything.min(0) + everything.max(0)) / 2).astype(np.float32)
    return [replace(r, vertices=r.vertices - middle, faces=without_slivers(r.vertices, r.faces)) for r in raws]


def build(spec: LookalikeSpec) -> Model:
    """Model it; ``facts`` hold ``kind``, ``metal`` and ``finish``.

    The finish is a whole unit's, drawn and laid on by the same code, so that no surface tells the subject from
    what is not the subject.
    """
    rng = np.random.default_rng(spec.surface)
    unit = sample_unit(str(Era.IRON if spec.metal == "iron" else Era.ALLOY4), rng, spec.ranges)
    own = Coat(paint_colour(rng), 0.4, 0.0, 0.03, grime=0.6 * unit.grime, chips=float(rng.random() ** 3))
    glass = replace(STUFF["glass"], grime=0.6 * unit.grime)
    raws = shape(spec)
    covered = [r for r in raws if r.material not in OWN]
    parts, _ = finishes.apply(covered, unit, rng)
    others = [painted(rng, r, own if r.material == "painted" else glass) for r in raws if r.material in OWN]
    return Model((*parts, *others), facts={"kind": spec.kind, "metal": spec.metal, "finish": unit.finish})
