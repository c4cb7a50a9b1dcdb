"""The vocabulary: generations, cues, readings, and the frozen records that carry them.

Everything that flows from a photo to an answer is one of the types below. No I/O here.

Coordinates: boxes are ``(x0, y0, x1, y1)`` and points ``(x, y)`` in pixels of the upright photo, x to the
right, y down, pixel (0, 0) centred at (0.5, 0.5).

The facts behind the vocabulary are common practice of the trade, no published source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from .errors import EvidenceError

Box = tuple[float, float, float, float]
Point = tuple[float, float]


class Era(StrEnum):
    """The three generations."""

    IRON = "iron"
    ALLOY4 = "alloy4"
    ALLOY5 = "alloy5"


ERAS: tuple[Era, ...] = tuple(Era)


class Cue(StrEnum):
    """What can be seen or felt."""

    METAL = "metal"
    JOINT_SCREWS = "joint_screws"
    FRONT_EAR = "front_ear"
    MAIN_JET = "main_jet"
    SCAVENGE_LINE = "scavenge_line"
    THROAT_BOTTOM = "throat_bottom"


CUES: tuple[Cue, ...] = tuple(Cue)

UNSURE = "unsure"
OUT_OF_SIGHT = "out_of_sight"

READINGS: Mapping[Cue, tuple[str, ...]] = MappingProxyType(
    {
        Cue.METAL: ("iron", "alloy"),
        Cue.JOINT_SCREWS: ("four", "five"),
        Cue.FRONT_EAR: ("none", "bare", "screwed"),
        Cue.MAIN_JET: ("plug", "handle_sloping", "handle_level"),
        Cue.SCAVENGE_LINE: ("external", "absent"),
        Cue.THROAT_BOTTOM: ("big_plug", "tube_fitting", "other"),
    }
)
"""Readings of each cue, in the order of the network's outputs (``out_of_sight`` comes last there)."""

VIEWS: tuple[str, ...] = (
    "front", "front_left", "front_right", "left", "right", "rear", "top", "below",
)  # fmt: skip
"""Side of the unit that faces the camera. Left and right are the viewer's, looking into the throat mouth."""

FINISHES: tuple[str, ...] = ("bare", "oily", "rusty", "oxidised", "painted", "dirty")

LANDMARKS: tuple[str, ...] = (
    "screw", "ear", "handle_root", "handle_tip", "jet_plug", "throat_plug", "tube_low", "tube_high",
    "floor_a", "floor_b",
)  # fmt: skip
"""Channels of the network's stride-4 heatmap after the first, which is the subject's own mask.

``screw`` may have several peaks, every other at most one. ``floor_a`` is the end of the bowl-floor line
nearer to the jet boss, ``floor_b`` the far end."""


class Outcome(StrEnum):
    """How a question ends."""

    NAMED = "named"
    SHORTLIST = "shortlist"
    CONFLICT = "conflict"
    NOT_SEEN = "not_seen"
    RETAKE = "retake"


def check_reading(cue: Cue, reading: str) -> str:
    """Return ``reading`` if ``cue`` knows it (``unsure`` and ``out_of_sight`` included).

    Raises:
        EvidenceError: for any other word.
    """
    if reading in READINGS[cue] or reading in (UNSURE, OUT_OF_SIGHT):
        return reading
    raise EvidenceError(
        f"{cue}: expected one of {', '.join(READINGS[cue])}, {UNSURE} or {OUT_OF_SIGHT}, got {reading!r}"
    )


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing seen at one place of a photo: a box, or points (one, or a line's two ends)."""

    part: str
    score: float
    box: Box | None = None
    points: tuple[Point, ...] | None = None


@dataclass(frozen=True, slots=True)
class Angle:
    """An angle in degrees, positive when the handle slopes down from the bowl floor, with its 90 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class CueReading:
    """What one photo says of one cue.

    ``probabilities`` holds every reading of the cue plus ``out_of_sight``; they sum to one. ``accepted`` is
    true when the conformal set is that single reading; a reading that is not accepted decides nothing
    by itself.
    """

    cue: Cue
    reading: str
    probabilities: Mapping[str, float]
    accepted: bool
    marks: tuple[Mark, ...] = ()
    angle: Angle | None = None


@dataclass(frozen=True, slots=True)
class Subject:
    """Whether a carburetor of this kind is in the photo, and where."""

    found: bool
    probability: float
    box: Box | None = None


@dataclass(frozen=True, slots=True)
class Readings:
    """Everything read from one photo. ``findings`` are ids of photo-quality findings (``blurred``, ``dark``...)."""

    subject: Subject
    view: str
    finish: str
    cues: Mapping[Cue, CueReading]
    findings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Evidence:
    """One statement that the rule layer may use: accepted, or lent to it for a name with a reserve (``certainty``).

    ``source`` is ``photo:<index>`` or ``hand:<test>``. ``probability`` is that the statement is right.
    """

    cue: Cue
    reading: str
    source: str
    probability: float = 1.0

    @property
    def by_hand(self) -> bool:
        """True for hand tests, false for photos."""
        return self.source.startswith("hand:")


@dataclass(frozen=True, slots=True)
class FusedCue:
    """One cue over all photos and hand tests.

    ``evidence`` lists each accepted statement with its source; they may disagree (the rule layer then reports
    the conflict; nothing is averaged). ``reading`` is the one reading if they agree, ``unsure`` if there is
    none accepted though the cue was in sight, ``out_of_sight`` if no photo shows it.
    """

    cue: Cue
    reading: str
    accepted: bool
    probabilities: Mapping[str, float]
    sources: tuple[str, ...] = ()
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True)
class CueVector:
    """What the rule layer sees: one ``FusedCue`` for each cue, and whether any photo was usable."""

    cues: Mapping[Cue, FusedCue]
    photos_given: int = 0
    photos_usable: int = 0
    subject_found: bool = True
    findings: tuple[str, ...] = ()

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """All accepted statements, in the order of the vocabulary."""
        return tuple(e for cue in CUES if cue in self.cues for e in self.cues[cue].evidence)

    @classmethod
    def from_evidence(cls, *evidence: Evidence) -> CueVector:
        """Build a vector from statements alone (hand tests, tables, tests); no photo involved.

        Raises:
            EvidenceError: for a reading that its cue does not know.
        """
        cues: dict[Cue, FusedCue] = {}
        for cue in CUES:
            mine = tuple(e for e in evidence if e.cue is cue)
            for e in mine:
                check_reading(cue, e.reading)
            words = {e.reading for e in mine}
            reading = words.pop() if len(words) == 1 else (UNSURE if words else OUT_OF_SIGHT)
            said = {e.reading for e in mine}
            share = {r: (1.0 / len(said) if r in said else 0.0) for r in READINGS[cue]}
            share[OUT_OF_SIGHT] = 0.0 if said else 1.0
            cues[cue] = FusedCue(
                cue, reading, len(said) == 1, MappingProxyType(share), tuple(e.source for e in mine), mine
            )
        return cls(MappingProxyType(cues))


@dataclass(frozen=True, slots=True)
class Reason:
    """One rule that fired.

    ``accepted`` is false where the statement behind it is what the photos say most probably, but is not sure by itself:
    such statements bear only a name with a reserve (``certainty.conclude``).
    """

    rule: str
    cue: Cue
    reading: str
    keeps: tuple[Era, ...]
    rules_out: tuple[Era, ...]
    settles: bool
    text: str
    sources: tuple[str, ...] = ()
    accepted: bool = True


@dataclass(frozen=True, slots=True)
class MagnetTest:
    """Whether the magnet is asked for, and whether it would settle the question."""

    flagged: bool
    settles: bool
    why: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The rule layer's answer. ``era`` is set only when ``outcome`` is ``named``."""

    outcome: Outcome
    era: Era | None
    candidates: tuple[Era, ...]
    reasons: tuple[Reason, ...]
    magnet_test: MagnetTest
    conflict: tuple[Reason, ...] = field(default=())
