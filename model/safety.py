"""What the person must know whatever was asked: findings of this unit, and the cautions of every answer.

The English sentences are the keys for translation and stand only here. The facts are common practice of the
trade, no published source, except where a sentence names one; figures and sections as in ``fit.toml``.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from .answer import Finding
from .certainty import RESERVE
from .cues import Cue, CueVector, Era, Outcome, Verdict

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "vapour": "Petrol vapour is heavier than air: it runs down and lies in the bilge, where a spark lights it.",
        "before_work": "Work only with the engine cold, the battery switched off, and no flame or smoking near.",
        "fuel_closed": "Close the fuel valve first, catch what spills, and keep soaked rags out of the boat.",
        "extinguisher": "Keep a class B fire extinguisher within reach.",
        "leak_check": "After fitting, open the fuel valve and look for leaks before anything electrical is "
        "switched on.",
        "blower": "Before starting, run the bilge blower for at least four minutes (33 CFR 183.610), then sniff "
        "low in the engine space.",
        "arrester_on": "Make the first start with the flame arrester on, never without it.",
        "stop": "Any smell of petrol or any drip: stop, close the valve, air the boat, find the cause.",
        "can_be_wrong": "This tool names and lists; it certifies nothing, and it can be wrong.",
        "local_rules_first": "Local rules and a qualified marine technician come first.",
    }
)
"""Cautions of every answer about work on the engine, in order; the last one closes every plan."""

FINDINGS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "scavenge_tube_missing": (
            "safety",
            "The external scavenge tube of this alloy carburetor is missing. Petrol from flooding or choking then "
            "pools in the throat and can drip and burn, or air leaks in. 33 CFR 183.526(c) asks that an updraft "
            "carburetor holds this petrol and gives it back to the engine. Do not run the engine until the tube is "
            "back.",
        ),
        "scavenge_tube_unclear": (
            "safety",
            "No external scavenge tube is seen where its lower end would be. On an iron body that is normal; on an "
            "alloy body it is a fault that can let petrol pool and burn. Settle the generation before running it.",
        ),
        "scavenge_tube_not_seen": (
            "note",
            "The scavenge tube of this alloy carburetor is not in the evidence. Look from below: a thin tube must "
            "rise from the fitting under the throat to the manifold, whole and open.",
        ),
        "scavenge_tube_disputed": (
            "safety",
            "One piece of evidence shows the scavenge tube, another shows its place empty. Look again at the real "
            "engine; a missing tube on an alloy body can let petrol pool and burn.",
        ),
        "tube_fitting_missing": (
            "safety",
            "Under the throat of this alloy carburetor there is no tube fitting. The hole must lead to the scavenge "
            "tube: left open it drips petrol and lets in air, plugged it lets petrol pool.",
        ),
        "throat_plug_missing": (
            "safety",
            "The big steel plug, 1 1/8 in (28.6 mm), is not seen in the bottom of the throat of this iron carburetor. "
            "An open hole there drips petrol. Do not run the engine until it is closed with a plain plug; never put a "
            "drain fitting there (33 CFR 183.556).",
        ),
        "manifold_port_open": (
            "safety",
            "A late manifold has a 1/8 NPT hole behind the carburetor flange. Over an iron body it must be plugged: "
            "left open it lets in air, with a fast idle and a weak mixture.",
        ),
        "arrester_missing": (
            "safety",
            "There is no flame arrester on the air intake. A backfire can then light petrol vapour in the engine "
            "space. Do not run the engine without a marked arrester, flametight on the throat (46 CFR 58.10-5; "
            "check the current text).",
        ),
        "arrester_unknown": (
            "note",
            "Nothing here says whether a flame arrester is on the air intake. Check that a marked one is fitted, metal "
            "to metal, before the engine runs.",
        ),
        "handle_added": (
            "note",
            "A level T-handle on an alloy body was added later; the main jet was made fixed. Tell the seller of parts.",
        ),
        "signs_disagree": (
            "safety",
            "Signs that each settle the generation disagree. A misread photo, photos of two units, or a unit put "
            "together from parts of two: order nothing and do not run it until this is cleared up.",
        ),
        RESERVE: (
            "note",
            "The photos leave some doubt about this name. Order nothing by it until one look more says the same.",
        ),
        "two_units": (
            "note",
            "These photos may show two different units. Take all of them again of the one you mean.",
        ),
        "same_picture_twice": ("note", "The same picture was given twice; it counts once."),
        "by_hand_alone": (
            "note",
            "No photo shows such a carburetor: what is said here rests on hand tests alone.",
        ),
        "not_in_photo": ("note", "No such carburetor was found in one picture; it tells nothing of this unit."),
        "screenshot": (
            "note",
            "One picture looks like a screenshot, not a photo. It may not show this unit.",
        ),
    }
)
"""Severity and English sentence of each finding that this module can give. The ids of ``CueVector.findings`` are
looked up here too; an id that is not listed is about picture quality and is worded by the faces."""

_ALLOYS = frozenset({Era.ALLOY4, Era.ALLOY5})
_INTAKE = ("iron", "alloy", "none", "unknown")
_MANIFOLDS = ("plain", "ported", "unknown")


def cautions() -> tuple[str, ...]:
    """Return the cautions of every answer, in order."""
    return tuple(CAUTIONS.values())


def findings(
    vector: CueVector, verdict: Verdict, *, manifold: str = "unknown", arrester: str = "unknown"
) -> tuple[Finding, ...]:
    """Return what must be said of this unit, safety first.

    Only accepted statements count; ``manifold`` (``plain``, ``ported``, ``unknown``) and ``arrester`` (housing
    made for ``iron`` or ``alloy``, ``none``, ``unknown``) are what the person said.

    Raises:
        ValueError: for any other ``manifold`` or ``arrester``.
    """
    if manifold not in _MANIFOLDS or arrester not in _INTAKE:
        raise ValueError(
            f"expected manifold in {', '.join(_MANIFOLDS)} and arrester in {', '.join(_INTAKE)}, "
            f"got {manifold!r} and {arrester!r}"
        )
    ids: dict[str, int | None] = {RESERVE: None} if RESERVE in vector.findings else {}
    if verdict.outcome is not Outcome.NOT_SEEN:
        ids |= _of_the_unit(vector, verdict)
        if manifold == "ported" and verdict.era is Era.IRON:
            ids["manifold_port_open"] = None
    if arrester == "none":
        ids["arrester_missing"] = None
    elif arrester == "unknown":
        ids["arrester_unknown"] = None
    ids |= {name: None for name in vector.findings if name in FINDINGS and name not in ids}
    found = [Finding(name, *FINDINGS[name], photo=photo) for name, photo in ids.items()]
    return tuple(sorted(found, key=lambda f: f.severity != "safety"))


def _of_the_unit(vector: CueVector, verdict: Verdict) -> dict[str, int | None]:
    candidates = frozenset({verdict.era} if verdict.era is not None else verdict.candidates)
    usable = verdict.outcome in (Outcome.NAMED, Outcome.SHORTLIST) and bool(candidates)
    alloy, iron = usable and candidates <= _ALLOYS, usable and candidates == {Era.IRON}
    tube, bottom = _said(vector, Cue.SCAVENGE_LINE), _said(vector, Cue.THROAT_BOTTOM)
    ids: dict[str, int | None] = {}
    if "absent" in tube and "external" in tube:
        ids["scavenge_tube_disputed"] = tube["absent"]
    elif "absent" in tube and not iron:
        ids["scavenge_tube_missing" if alloy else "scavenge_tube_unclear"] = tube["absent"]
    elif alloy and "external" not in tube:
        ids["scavenge_tube_not_seen"] = None
    if "other" in bottom and "big_plug" not in bottom and "tube_fitting" not in bottom:
        if iron:
            ids["throat_plug_missing"] = bottom["other"]
        elif alloy:
            ids["tube_fitting_missing"] = bottom["other"]
    handle = _said(vector, Cue.MAIN_JET)
    if alloy and "handle_level" in handle:
        ids["handle_added"] = handle["handle_level"]
    if verdict.outcome is Outcome.CONFLICT:
        ids["signs_disagree"] = None
    return ids


def _said(vector: CueVector, cue: Cue) -> dict[str, int | None]:
    """Readings of ``cue`` that were accepted, with the index of the first photo that says so (None: by hand)."""
    said: dict[str, int | None] = {}
    if cue not in vector.cues:
        return said
    for e in vector.cues[cue].evidence:
        kind, _, rest = e.source.partition(":")
        index = int(rest) if kind == "photo" and rest.isdigit() else None
        if e.reading not in said or said[e.reading] is None:
            said[e.reading] = index
    return said
