"""A claim checked: does what was found bear out the generation that a listing states?

The answer is never surer than the verdict: ``supported`` needs that very generation named, ``contradicted`` needs
it ruled out by something that settles, and everything else is ``open``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from .answer import Answer, Finding, NextLook
from .cues import Era, Outcome, Reason
from .safety import FINDINGS


class ClaimResult(StrEnum):
    """How a claim fared."""

    SUPPORTED = "supported"
    CONTRADICTED = "contradicted"
    OPEN = "open"


WHY: Mapping[str, str] = MappingProxyType(
    {
        "supported": "What was found settles it, and it is what the listing says.",
        "supported_in_doubt": "What was found settles it, and it is what the listing says; but the metal looks like "
        "the other kind, so ask for the magnet before relying on it.",
        "contradicted": "What was found rules out what the listing says.",
        "open": "Nothing found speaks against the listing, and nothing settles it.",
        "open_hint": "Nothing settles it, but there are hints against what the listing says.",
        "open_likely": "It is most likely what the listing says; one look more before relying on it.",
        "open_unlikely": "It is most likely not what the listing says; one look more before relying on that.",
        "open_conflict": "The evidence disagrees with itself, so it neither bears out the listing nor rules it out.",
        "open_not_seen": "No carburetor of this kind was found in the photos, so they say nothing about the listing.",
        "open_retake": "The photos cannot be read, so they say nothing about the listing.",
    }
)
"""One sentence for each way a claim can fare; English, the keys for translation."""

_FOREIGN = ("two_units", "same_picture_twice", "by_hand_alone", "screenshot")
"""Findings that a photo may not be of this unit at all."""


@dataclass(frozen=True, slots=True)
class ClaimCheck:
    """A claim and how it fared.

    Attributes:
        claim: the generation that is claimed.
        result: ``supported``, ``contradicted`` or ``open``.
        why: key of ``WHY``.
        text: the sentence of that key.
        by: the rules that bear the claim out or contradict it (for ``open`` in a conflict, those that disagree,
            with a reserve those behind the name), each with the photos and hand tests it rests on.
        hints: rules that settle nothing but speak against the claim.
        look: what would close an open claim, or remove a doubt; None if nothing is needed or known.
        signs: that photos may not be of this unit: two units, a picture used twice, a screenshot, no such
            carburetor in it.
    """

    claim: Era
    result: ClaimResult
    why: str
    text: str
    by: tuple[Reason, ...] = ()
    hints: tuple[Reason, ...] = ()
    look: NextLook | None = None
    signs: tuple[Finding, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain dicts, lists, strings and numbers."""
        return {
            "claim": str(self.claim),
            "result": str(self.result),
            "why": self.text,
            "by": [{"rule": r.rule, "cue": str(r.cue), "reading": r.reading, "from": list(r.sources)} for r in self.by],
            "hints": [{"rule": r.rule, "from": list(r.sources)} for r in self.hints],
            "look": None if self.look is None else self.look.look,
            "signs": [{"id": f.id, "text": f.text, "photo": f.photo} for f in self.signs],
        }


def check_claim(claim: Era, answer: Answer) -> ClaimCheck:
    """Check a claimed generation against an answer about the same photos and hand tests."""
    verdict = answer.verdict
    hints = tuple(r for r in verdict.reasons if not r.settles and claim not in r.keeps)
    look = answer.next_looks[0] if answer.next_looks else None
    why, by = _fared(claim, answer, hints)
    result = ClaimResult(why.split("_")[0])
    if result is ClaimResult.CONTRADICTED:
        look = None
    return ClaimCheck(claim, result, why, WHY[why], by, hints, look, signs(answer))


def signs(answer: Answer) -> tuple[Finding, ...]:
    """Signs that a photo may not be of this unit, with the photo where one can be named."""
    found = []
    for name in _FOREIGN:
        severity, text = FINDINGS[name]
        photos = [i for i, p in enumerate(answer.photos) if name in p.findings]
        if photos:
            found += [Finding(name, severity, text, i) for i in photos]
        elif name in answer.cues.findings:
            found.append(Finding(name, severity, text))
    empty = [i for i, p in enumerate(answer.photos) if p.readings is not None and not p.readings.subject.found]
    if len(empty) < sum(p.readings is not None for p in answer.photos):  # else the whole answer says so
        found += [Finding("not_in_photo", *FINDINGS["not_in_photo"], i) for i in empty]
    return tuple(found)


def _fared(claim: Era, answer: Answer, hints: tuple[Reason, ...]) -> tuple[str, tuple[Reason, ...]]:
    verdict = answer.verdict
    if verdict.outcome is Outcome.NOT_SEEN:
        return "open_not_seen", ()
    if verdict.outcome is Outcome.RETAKE:
        return "open_retake", ()
    if verdict.outcome is Outcome.CONFLICT:
        return "open_conflict", verdict.conflict
    settling = tuple(r for r in verdict.reasons if r.settles)
    if answer.reserved:
        surely_not = tuple(r for r in settling if r.accepted and claim not in r.keeps)
        if surely_not and not all(r.accepted for r in settling):
            return "contradicted", surely_not
        return ("open_likely" if verdict.era is claim else "open_unlikely"), settling
    if claim not in verdict.candidates:
        return "contradicted", tuple(r for r in settling if claim not in r.keeps)
    if verdict.era is claim:
        return ("supported_in_doubt" if verdict.magnet_test.flagged else "supported"), settling
    return ("open_hint" if hints else "open"), ()
