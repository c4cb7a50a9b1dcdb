"""The rule layer: from accepted statements about one unit to a verdict. Deterministic, small, pure.

The rules are data (``key.toml``). Each says which generations a reading of a cue goes with, and whether it
settles the matter or only hints. The candidates are what every settling rule keeps; nothing is weighed or
averaged, so two settling rules that share no generation end in a conflict and never in a winner.

Provenance of every rule: common practice, no source.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from .cues import (
    ERAS,
    READINGS,
    Cue,
    CueVector,
    Era,
    Evidence,
    MagnetTest,
    Outcome,
    Reason,
    Verdict,
)
from .errors import EvidenceError

DISPUTED = "two_units"
"""Finding of the fusion with which nothing is named: photos disagree strongly, though not each is sure by itself."""
RULES_FILE = Path(__file__).with_name("key.toml")
MAGNET_TEXTS = (
    "all_three", "iron_or_one", "conflict_metal", "conflict_metal_again", "magnet_again", "doubt_four_or_five", "doubt",
    "four_or_five", "conflict_same_metal", "settled", "nothing_to_test",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of ``key.toml``; the meaning of each field is at the head of that file."""

    id: str
    cue: Cue
    reading: str
    source: str
    settles: bool
    keeps: tuple[Era, ...]
    text: str
    provenance: str

    @property
    def rules_out(self) -> tuple[Era, ...]:
        """What a settling rule takes away; empty for a hint."""
        return tuple(e for e in ERAS if e not in self.keeps) if self.settles else ()


@dataclass(frozen=True, slots=True)
class RuleSet:
    """All rules in the order of the file, the magnet's texts, and the version.

    The version is the first 12 hex digits of the SHA-256 of the file's text.
    """

    rules: tuple[Rule, ...]
    magnet: Mapping[str, str]
    version: str
    by_place: Mapping[tuple[Cue, str, str], Rule]

    def match(self, evidence: Evidence) -> Rule | None:
        """The most exact rule for a statement: its very source, then ``hand`` or ``photo``, then ``any``."""
        kind = "hand" if evidence.by_hand else "photo"
        for source in (evidence.source, kind, "any"):
            rule = self.by_place.get((evidence.cue, evidence.reading, source))
            if rule is not None:
                return rule
        return None


def parse_rules(text: str) -> RuleSet:
    """Read rules from TOML text.

    Raises:
        EvidenceError: for a rule that repeats an id or a place, or names a cue, reading, source or generation
            that does not exist.
    """
    raw = tomllib.loads(text)
    rules = tuple(_rule(row) for row in raw.get("rule", ()))
    ids = [r.id for r in rules]
    by_place = {(r.cue, r.reading, r.source): r for r in rules}
    if len(set(ids)) != len(ids) or len(by_place) != len(rules):
        raise EvidenceError("rules: expected each id once and one rule for each cue, reading and source")
    magnet = raw.get("magnet", {})
    missing = [name for name in MAGNET_TEXTS if not magnet.get(name)]
    if missing:
        raise EvidenceError(f"rules: [magnet] lacks {', '.join(missing)}")
    version = hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]
    return RuleSet(rules, MappingProxyType(dict(magnet)), version, MappingProxyType(by_place))


@cache
def load_rules() -> RuleSet:
    """The shipped rules (``key.toml`` beside this file), read once."""
    return parse_rules(RULES_FILE.read_text(encoding="utf-8"))


def decide(vector: CueVector, rules: RuleSet | None = None) -> Verdict:
    """Answer for one unit.

    The order of the evidence never matters, and how often a thing was said never matters: a rule fires once,
    with all its sources. ``candidates`` is empty for ``conflict`` (nothing agrees with everything said),
    ``not_seen`` and ``retake``; ``conflict`` then lists the rules that cannot all be right.

    Args:
        vector: what is known. A statement whose cue and reading no rule covers decides nothing.
        rules: other rules than the shipped ones.
    """
    rules = load_rules() if rules is None else rules
    reasons = _fired(vector.evidence, rules)
    if not any(e.by_hand for e in vector.evidence):
        if vector.photos_given and not vector.photos_usable:
            return _nothing(Outcome.RETAKE, rules)
        if not vector.subject_found:
            return _nothing(Outcome.NOT_SEEN, rules)

    settling = tuple(r for r in reasons if r.settles)
    candidates = tuple(e for e in ERAS if all(e in r.keeps for r in settling))
    if not candidates:
        disagreeing = tuple(r for r in settling if any(not set(r.keeps) & set(o.keeps) for o in settling))
        conflict = disagreeing or settling
        return Verdict(Outcome.CONFLICT, None, (), reasons, _magnet((), reasons, conflict, rules), conflict)
    if len(candidates) == 1 and DISPUTED in vector.findings:
        # Every accepted sign agrees, but a photo strongly says otherwise: no name until that is cleared up.
        return Verdict(Outcome.CONFLICT, None, (), reasons, _magnet((), reasons, settling, rules), settling)
    magnet = _magnet(candidates, reasons, (), rules)
    if len(candidates) == 1:
        return Verdict(Outcome.NAMED, candidates[0], candidates, reasons, magnet)
    return Verdict(Outcome.SHORTLIST, None, candidates, reasons, magnet)


def speaks_for_iron(keeps: Iterable[Era]) -> bool | None:
    """True if only iron is kept, False if only alloy is, None if both survive (or nothing)."""
    kept = set(keeps)
    if not kept or (Era.IRON in kept and len(kept) > 1):
        return None
    return Era.IRON in kept


def _nothing(outcome: Outcome, rules: RuleSet) -> Verdict:
    return Verdict(outcome, None, (), (), MagnetTest(False, False, rules.magnet["nothing_to_test"]))


def _fired(evidence: Iterable[Evidence], rules: RuleSet) -> tuple[Reason, ...]:
    sources: dict[str, set[str]] = {}
    for e in evidence:
        rule = rules.match(e)
        if rule is not None:
            sources.setdefault(rule.id, set()).add(e.source)
    return tuple(
        Reason(
            r.id, r.cue, r.reading, r.keeps, r.rules_out, r.settles, r.text,
            tuple(sorted(sources[r.id], key=_source_order)),
        )
        for r in rules.rules
        if r.id in sources
    )  # fmt: skip


def _source_order(source: str) -> tuple[str, int, str]:
    """Hand tests by name, then photos by number (so that photo:10 comes after photo:9)."""
    kind, _, name = source.partition(":")
    return (kind, int(name) if name.isdigit() else -1, name)


def _magnet(
    candidates: tuple[Era, ...], reasons: tuple[Reason, ...], conflict: tuple[Reason, ...], rules: RuleSet
) -> MagnetTest:
    """Ask for the magnet whenever iron and an alloy both survive, or what was said of the metal disagrees."""

    def say(flagged: bool, settles: bool, text: str) -> MagnetTest:
        return MagnetTest(flagged, settles, rules.magnet[text])

    metals = {speaks_for_iron(r.keeps) for r in reasons if r.cue is Cue.METAL}
    if conflict:
        sides = {speaks_for_iron(r.keeps) for r in conflict} | metals
        both = True in sides and False in sides
        tried = any("hand:magnet" in r.sources for r in conflict)
        metal = "conflict_metal_again" if tried else "conflict_metal"
        return say(both, False, metal if both else "conflict_same_metal")
    side = speaks_for_iron(candidates)
    if side is None:
        two = len(candidates) == 2
        return say(True, two, "iron_or_one" if two else "all_three")
    one = len(candidates) == 1
    if (not side) in metals:
        if any("hand:magnet" in r.sources for r in reasons):
            return say(True, one, "magnet_again")
        return say(True, one, "doubt" if one else "doubt_four_or_five")
    return say(False, False, "settled" if one else "four_or_five")


def _rule(row: Mapping[str, Any]) -> Rule:
    try:
        rule = Rule(
            id=str(row["id"]),
            cue=Cue(row["cue"]),
            reading=str(row["reading"]),
            source=str(row["source"]),
            settles=bool(row["settles"]),
            keeps=tuple(Era(e) for e in row["keeps"]),
            text=str(row["text"]),
            provenance=str(row["provenance"]),
        )
    except (KeyError, ValueError) as error:
        raise EvidenceError(f"rules: {row.get('id', 'a rule without an id')}: {error}") from error
    if rule.reading not in READINGS[rule.cue]:
        raise EvidenceError(f"rules: {rule.id}: {rule.cue} has no reading {rule.reading!r}")
    if rule.source not in ("any", "photo", "hand") and not rule.source.startswith("hand:"):
        raise EvidenceError(f"rules: {rule.id}: expected source any, photo, hand or hand:<test>")
    if not rule.keeps or (rule.settles and len(rule.keeps) == len(ERAS)):
        raise EvidenceError(f"rules: {rule.id}: a settling rule keeps some generations, not none and not all")
    return rule
