"""Answers made by hand for tests: photos as tables of readings, hand tests as pairs; the rules are real."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

from updraft_key.model.answer import Answer, Finding, FitStep, ModelId, NextLook, PhotoAnswer
from updraft_key.model.cues import (
    CUES,
    OUT_OF_SIGHT,
    READINGS,
    UNSURE,
    Angle,
    Cue,
    CueReading,
    CueVector,
    Evidence,
    FusedCue,
    Mark,
    Readings,
    Subject,
)
from updraft_key.model.key import decide
from updraft_key.model.parts import load_catalogue, match

MODEL = ModelId("hand-made", "0", "0" * 64)
CAUTIONS = (
    "Petrol vapour is heavier than air and lies in the bilge. Engine cold, battery off, no flame, no smoking.",
    "Local rules and a qualified marine technician come first.",
)
PLACES: Mapping[Cue, tuple[str, tuple[float, float, float, float]]] = MappingProxyType(
    {
        Cue.JOINT_SCREWS: ("screw", (200, 300, 240, 330)),
        Cue.FRONT_EAR: ("ear", (380, 300, 460, 350)),
        Cue.MAIN_JET: ("handle_root", (520, 560, 620, 610)),
        Cue.SCAVENGE_LINE: ("tube_low", (300, 500, 340, 640)),
        Cue.THROAT_BOTTOM: ("throat_plug", (360, 620, 460, 690)),
    }
)


@dataclass(frozen=True)
class Shot:
    """One photo of a hand-made case. ``cues`` maps a cue to a reading, ``unsure`` included."""

    cues: Mapping[Cue, str] = field(default_factory=dict)
    view: str = "front"
    file: str = "photo.jpg"
    found: bool = True
    usable: bool = True
    findings: tuple[str, ...] = ()
    error: str | None = None
    angle: Angle | None = None


def photo_answer(shot: Shot, index: int = 0) -> PhotoAnswer:
    """What the network would have said of a shot."""
    sha = hashlib.sha256(f"{index}{shot.file}".encode()).hexdigest()
    if shot.error:
        return PhotoAnswer(shot.file, sha, 0, 0, False, (), None, shot.error)
    cues = {cue: _cue(cue, shot.cues.get(cue, OUT_OF_SIGHT), shot.angle) for cue in CUES}
    box = (100.0, 80.0, 700.0, 720.0) if shot.found else None
    readings = Readings(
        Subject(shot.found, 0.98 if shot.found else 0.02, box), shot.view, "oily", MappingProxyType(cues),
        shot.findings,
    )  # fmt: skip
    return PhotoAnswer(shot.file, sha, 800, 800, shot.usable, shot.findings, readings if shot.usable else None)


def _cue(cue: Cue, reading: str, angle: Angle | None) -> CueReading:
    share = dict.fromkeys(READINGS[cue], 0.005) | {OUT_OF_SIGHT: 0.005}
    if reading != UNSURE:
        share[reading] = 1.0 - 0.005 * (len(share) - 1)
    marks: tuple[Mark, ...] = ()
    if cue in PLACES and reading != OUT_OF_SIGHT:
        part, box = PLACES[cue]
        marks = (Mark(part, 0.9, box),)
    return CueReading(
        cue, reading, share, reading not in (UNSURE, OUT_OF_SIGHT), marks,
        angle if cue is Cue.MAIN_JET and reading.startswith("handle") else None,
    )  # fmt: skip


def vector(photos: Sequence[PhotoAnswer], hand: Sequence[Evidence] = ()) -> CueVector:
    """A plain union of accepted statements, as the fusion gives for photos that do not repeat each other."""
    fused: dict[Cue, FusedCue] = {}
    for cue in CUES:
        told = [e for e in hand if e.cue is cue]
        sight = False
        for i, p in enumerate(photos):
            if p.readings is None or not p.readings.subject.found:
                continue
            c = p.readings.cues[cue]
            sight = sight or c.reading != OUT_OF_SIGHT
            if c.accepted:
                told.append(Evidence(cue, c.reading, f"photo:{i}", 0.95))
        words = {e.reading for e in told}
        reading = words.pop() if len(words) == 1 else (UNSURE if sight or told else OUT_OF_SIGHT)
        share = {r: (1.0 if r == reading else 0.0) for r in (*READINGS[cue], OUT_OF_SIGHT)}
        if reading == UNSURE:
            share = {r: 1.0 / len(share) for r in share}
        fused[cue] = FusedCue(
            cue,
            reading,
            reading not in (UNSURE, OUT_OF_SIGHT),
            share,
            tuple(e.source for e in told),
            tuple(told),
        )
    usable = sum(p.usable for p in photos)
    found = not photos or any(p.readings is not None and p.readings.subject.found for p in photos)
    return CueVector(MappingProxyType(fused), len(photos), usable, found)


def case(
    *shots: Shot,
    hand: Sequence[Evidence] = (),
    looks: Sequence[NextLook] = (),
    fit: Sequence[FitStep] = (),
    findings: Sequence[Finding] = (),
) -> Answer:
    """A whole answer. What the rule layer and the parts catalogue decide is really decided by them."""
    photos = tuple(photo_answer(s, i) for i, s in enumerate(shots))
    cues = vector(photos, hand)
    verdict = decide(cues)
    return Answer(
        MODEL, photos, cues, verdict, tuple(looks), match(load_catalogue(), verdict), tuple(fit),
        tuple(findings), CAUTIONS,
    )  # fmt: skip


def magnet(holds: bool) -> Evidence:
    """The magnet test's statement."""
    return Evidence(Cue.METAL, "iron" if holds else "alloy", "hand:magnet", 0.97)
