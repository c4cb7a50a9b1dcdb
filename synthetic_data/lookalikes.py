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
from updraft_key.model.cues import FINISHES

from . import far_kin, near_kin
from .coat import STUFF, Coat, Colour, paint_colour, painted
from .mesh import Model, PartMesh
from .solids import RawPart

Recipe = Callable[[np.random.Generator], list[RawPart]]

KINDS: Mapping[str, tuple[Recipe, float]] = MappingProxyType(
    {
        "downdraft_carburetor": (near_kin.downdraft, 3.0),
        "side_draft_carburetor": (near_kin.side_draft, 3.0),
        "small_engine_carburetor": (near_kin.small_engine, 2.0),
        "loose_bowl": (near_kin.loose_bowl, 1.5),
        "fuel_pump": (far_kin.fuel_pump, 1.5),
        "water_pump": (far_kin.water_pump, 1.0),
        "thermostat_housing": (far_kin.thermostat_housing, 1.2),
        "exhaust_elbow": (far_kin.exhaust_elbow, 1.0),
        "alternator": (far_kin.alternator, 1.0),
        "starter_solenoid": (far_kin.solenoid, 0.8),
        "ignition_coil": (far_kin.coil, 0.6),
        "distributor": (far_kin.distributor, 1.0),
        "oil_filter": (far_kin.oil_filter, 0.8),
        "fuel_filter_bowl": (far_kin.filter_bowl, 1.2),
        "pressure_regulator": (far_kin.regulator, 1.0),
        "valve": (far_kin.valve, 1.2),
        "pipe_fitting": (far_kin.pipe_fittings, 1.0),
        "bracket": (far_kin.bracket, 0.8),
        "gear_or_hub": (far_kin.loose_gear, 0.5),
    }
)
"""Kind -> recipe and how often it is drawn; near relatives more often."""

METALS = ("iron", "alloy")


@dataclass(frozen=True, slots=True)
class LookalikeSpec:
    """One thing that is not the subject.

    Attributes:
        kind: key of ``KINDS``.
        shape: seed of the proportions.
        metal: ``iron`` or ``alloy``, of its castings.
        finish: one of ``model.cues.FINISHES``.
        surface: seed of the finish's patches.
    """

    kind: str
    shape: int
    metal: str
    finish: str
    surface: int

    def __post_init__(self) -> None:
        for name, value, known in (
            ("kind", self.kind, tuple(KINDS)),
            ("metal", self.metal, METALS),
            ("finish", self.finish, FINISHES),
        ):
            if value not in known:
                raise ValueError(f"{name}: expected one of {', '.join(known)}, got {value!r}")

    def to_json(self) -> str:
        """One line of JSON."""
        return json.dumps(asdict(self), sort_keys=True)

    @staticmethod
    def from_json(text: str) -> LookalikeSpec:
        """The inverse of ``to_json``."""
        return LookalikeSpec(**json.loads(text))


def sample(rng: np.random.Generator) -> LookalikeSpec:
    """Draw one. Metal and finish are drawn apart from the kind, so that they say nothing of it."""
    names = list(KINDS)
    weight = np.array([KINDS[n][1] for n in names])
    return LookalikeSpec(
        kind=names[int(rng.choice(len(names), p=weight / weight.sum()))],
        shape=int(rng.integers(2**31)),
        metal=METALS[int(rng.integers(2))],
        finish=FINISHES[int(rng.integers(len(FINISHES)))],
        surface=int(rng.integers(2**31)),
    )


def shape(spec: LookalikeSpec) -> list[RawPart]:
    """Its parts before any finish, the middle of its box at the origin, millimetres."""
    raws = [r for r in KINDS[spec.kind][0](np.random.default_rng(spec.shape)) if len(r.faces)]
    everything = np.concatenate([r.vertices for r in raws])
    middle = ((everything.min(0) + everything.max(0)) / 2).astype(np.float32)
    return [replace(r, vertices=r.vertices - middle) for r in raws]


def build(spec: LookalikeSpec) -> Model:
    """Model it; ``facts`` hold ``kind``, ``metal`` and ``finish``."""
    rng = np.random.default_rng(spec.surface)
    over = paint_colour(rng)
    own = paint_colour(rng)
    parts = []
    for raw in shape(spec):
        parts.append(_finished(rng, raw, spec, over, own))
    return Model(tuple(parts), facts={"kind": spec.kind, "metal": spec.metal, "finish": spec.finish})


def _finished(
    rng: np.random.Generator, raw: RawPart, spec: LookalikeSpec, over: Colour, own: Colour
) -> PartMesh:
    """One part with the spec's finish; ``own`` is the colour of parts that are painted whatever the finish."""
    name = {"casting": "iron" if spec.metal == "iron" else "aluminium"}.get(raw.material, raw.material)
    if name in ("painted", "red_cap"):
        base = Coat(own, 0.4, 0.0, 0.03, chips=float(rng.random() ** 3))
    else:
        base = STUFF.get({"dark": "black"}.get(name, name), STUFF["steel"])
    soft = raw.material in ("paper", "cork", "rubber", "dark", "black", "glass")
    rusts = name in ("iron", "steel", "black_oxide", "zinc")
    if spec.finish == "oily":
        base = replace(base, roughness=base.roughness * 0.55, grime=float(rng.uniform(0.3, 0.7)))
    elif spec.finish == "rusty":
        base = replace(base, rust=float(rng.uniform(0.25, 0.9)) if rusts else 0.12 if not soft else 0.0, grime=0.2)
    elif spec.finish == "oxidised" and not soft:
        pale = 0.55 * np.array(base.colour) + 0.45 * np.array((0.5, 0.5, 0.49))
        base = replace(base, colour=tuple(float(c) for c in pale), roughness=0.85, metallic=0.35, tone=0.2, grime=0.15)
    elif spec.finish == "painted" and raw.material not in ("glass", "rubber"):
        base = Coat(over, float(rng.uniform(0.25, 0.6)), 0.0, 0.05, grime=0.15, chips=float(rng.random() ** 2 * 0.8))
    elif spec.finish == "dirty":
        base = replace(base, roughness=min(base.roughness + 0.2, 0.9), grime=float(rng.uniform(0.6, 1.0)),
                       rust=float(rng.random() * 0.35) if rusts else 0.0)  # fmt: skip
    return painted(rng, raw, base)
