"""Whether all that photos show, taken together, is sure enough for a name, and whether the name stands without reserve.

Accepted statements alone decide (``key.decide``), but each was accepted for itself. Before a name stands, what every
cue may say is put together, accepted or not: a name against which the other cues lean is not sure, however sure one
sign may look. Where it is not, the weakest statement behind the name is taken back, and what is left is a shorter or
longer list and the next look to take. Statements are only ever taken back, so no name comes of it; what hands have
felt is left alone. A name that is sure enough but not beyond doubt is given with a reserve: nothing is to be ordered
by it before one look more says the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from .cues import CUES, ERAS, READINGS, UNSURE, Cue, CueVector, Era, Evidence, Outcome, Reason, Verdict
from .key import RuleSet, decide, load_rules

SURE = 0.80
"""Least probability of a name, all cues of one photo together. Own judgement, as the next two; what they cost and spare
is in EXPERIMENTS.md."""
BEYOND_DOUBT = 0.93
"""Least probability of a name that stands without reserve."""
ABSENCE_BEYOND_DOUBT = 0.97
"""The same where nothing behind the name was seen, only missed: what a photo does not show may be hidden."""
ABSENT = frozenset({(Cue.FRONT_EAR, "none"), (Cue.SCAVENGE_LINE, "absent")})
"""Readings that say that something is not there."""
RESERVE = "name_with_reserve"
"""The finding of a name that does not."""
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

    A name that hand tests give without any photo stands. One that is sure but not beyond doubt gets the finding
    ``RESERVE``.
    """
    if _felt(vector, rules):
        return vector
    while True:
        verdict = decide(vector, rules)
        told = _told(vector, verdict)
        if not told or verdict.era is None:
            return vector
        sure = together(vector, rules)[verdict.era]
        if sure >= least(_photos(vector)):
            break
        weakest = min((r.cue for r in told), key=lambda cue: max(e.probability for e in vector.cues[cue].evidence))
        fused = replace(vector.cues[weakest], reading=UNSURE, accepted=False, evidence=())
        vector = replace(vector, cues=MappingProxyType({**vector.cues, weakest: fused}))
    missed = all((r.cue, r.reading) in ABSENT for r in told)
    beyond = sure >= least(_photos(vector), ABSENCE_BEYOND_DOUBT if missed else BEYOND_DOUBT)
    return vector if beyond or RESERVE in vector.findings else replace(vector, findings=(*vector.findings, RESERVE))


def to_act_on(vector: CueVector, verdict: Verdict) -> Verdict:
    """The verdict that parts, fit plan and warnings go by: with a reserve, one that leaves every generation open.

    Args:
        vector: as ``withhold`` left it.
        verdict: of the rule layer on it.
    """
    if RESERVE not in vector.findings:
        return verdict
    return replace(verdict, outcome=Outcome.SHORTLIST, era=None, candidates=ERAS)


def least(photos: int, sure: float = SURE) -> float:
    """Least probability of a name that this many photos have settled.

    Each photo has a chance of its own to be misread, so the doubt that one may leave is shared among all of them
    (Bonferroni's bound).

    Args:
        photos: how many photos said anything.
        sure: what one photo needs.
    """
    return 1.0 - (1.0 - sure) / max(1, photos)


def _told(vector: CueVector, verdict: Verdict) -> tuple[Reason, ...]:
    """The reasons from photos that settle a name; none where there is no name, or hands alone give it."""
    if verdict.outcome is not Outcome.NAMED:
        return ()
    return tuple(r for r in verdict.reasons if r.settles and not _by_hand(vector, r.cue))


def _felt(vector: CueVector, rules: RuleSet | None) -> bool:
    """Whether hand tests alone name it."""
    told = (e for fused in vector.cues.values() for e in fused.evidence if e.by_hand)
    return decide(CueVector.from_evidence(*told), rules).outcome is Outcome.NAMED


def _by_hand(vector: CueVector, cue: Cue) -> bool:
    return any(e.by_hand for e in vector.cues[cue].evidence)


def _photos(vector: CueVector) -> int:
    """How many photos show any cue."""
    return len({s for fused in vector.cues.values() for s in fused.sources if s.startswith("photo:")})


def _excludes(rules: RuleSet, told: Evidence, era: Era) -> bool:
    rule = rules.match(told)
    return rule is not None and rule.settles and era not in rule.keeps
