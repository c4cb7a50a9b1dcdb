"""Whether all that photos show, taken together, is sure enough for a name.

Accepted statements alone decide (``key.decide``), but each was accepted for itself. Before a name stands, what every
cue may say is put together, accepted or not: a name against which the other cues lean is not sure, however sure one
sign may look. Where it is not, the weakest statement behind the name is taken back, and what is left is a shorter or
longer list and the next look to take. Statements are only ever taken back, so no name comes of it; what hands have
felt is left alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from .cues import CUES, ERAS, READINGS, UNSURE, Cue, CueVector, Era, Evidence, Outcome, Reason
from .key import RuleSet, decide, load_rules

SURE = 0.93
"""Least probability of the name, all cues of one photo together. Own judgement; what it costs and spares is in
EXPERIMENTS.md."""
SURE_OF_ABSENCE = 0.97
"""The same where nothing behind the name was seen, only missed: what a photo does not show may be hidden."""
ABSENT = frozenset({(Cue.FRONT_EAR, "none"), (Cue.SCAVENGE_LINE, "absent")})
"""Readings that say that something is not there."""
_LEAST = 1e-4
"""No single cue argues more than ten thousand to one."""


def together(vector: CueVector, rules: RuleSet | None = None) -> Mapping[Era, float]:
    """Probability of each generation from all cues, each as probable as it is; they sum to one.

    Equal odds before. A generation is possible with a reading unless a settling rule says otherwise (that for the hand
    test where one was done, else that for photos), and with whatever is out of sight.
    """
    rules = load_rules() if rules is None else rules
    odds = dict.fromkeys(ERAS, 1.0)
    for cue in CUES:
        if cue not in vector.cues:
            continue
        fused = vector.cues[cue]
        source = next((e.source for e in fused.evidence if e.by_hand), "photo:0")
        for era in ERAS:
            excluded = (r for r in READINGS[cue] if _excludes(rules, Evidence(cue, r, source), era))
            odds[era] *= max(1.0 - sum(fused.probabilities.get(r, 0.0) for r in excluded), _LEAST)
    total = sum(odds.values())
    return MappingProxyType({era: value / total for era, value in odds.items()})


def withhold(vector: CueVector, rules: RuleSet | None = None) -> CueVector:
    """Take back the weakest photo statements behind a name that is not sure, until nothing is named.

    A name that hand tests give without any photo stands.
    """
    felt = {cue: tuple(e for e in fused.evidence if e.by_hand) for cue, fused in vector.cues.items()}
    if decide(CueVector.from_evidence(*(e for told in felt.values() for e in told)), rules).outcome is Outcome.NAMED:
        return vector
    while True:
        verdict = decide(vector, rules)
        if verdict.outcome is not Outcome.NAMED or verdict.era is None:
            return vector
        told = [r for r in verdict.reasons if r.settles and not felt[r.cue]]
        if not told or together(vector, rules)[verdict.era] >= least(told, _photos(vector)):
            return vector
        weakest = min((r.cue for r in told), key=lambda cue: max(e.probability for e in vector.cues[cue].evidence))
        fused = replace(vector.cues[weakest], reading=UNSURE, accepted=False, evidence=())
        vector = replace(vector, cues=MappingProxyType({**vector.cues, weakest: fused}))


def least(told: Sequence[Reason], photos: int) -> float:
    """Least probability of a name that photos have settled.

    Each photo has a chance of its own to be misread, so the doubt that one may leave is shared among all of them
    (Bonferroni's bound).

    Args:
        told: the reasons from photos that settle it.
        photos: how many photos said anything.
    """
    missed = all((r.cue, r.reading) in ABSENT for r in told)
    return 1.0 - (1.0 - (SURE_OF_ABSENCE if missed else SURE)) / max(1, photos)


def _photos(vector: CueVector) -> int:
    """How many photos show any cue."""
    return len({s for fused in vector.cues.values() for s in fused.sources if s.startswith("photo:")})


def _excludes(rules: RuleSet, told: Evidence, era: Era) -> bool:
    rule = rules.match(told)
    return rule is not None and rule.settles and era not in rule.keeps
