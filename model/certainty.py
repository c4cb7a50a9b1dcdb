"""Whether all that photos show, taken together, is sure enough for a name, and whether the name stands without reserve.

Accepted statements alone decide (``key.decide``), but each was accepted for itself. Before a name stands, what every
cue may say is put together, accepted or not (``together``): a name against which the other cues lean is not sure,
however sure one sign may look. Where it is not, the weakest statement behind the name is taken back (``withhold``), and
what is left is a shorter or longer list and the next look to take. What hands have felt is left alone.

A name that is sure enough but not beyond doubt is given with a reserve: nothing is to be ordered by it before one look
more says the same. Such a name may also rest on statements of one photo of which none is sure by itself but all
together are; they are lent to the rule layer for its verdict (``conclude``) and count for nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from .cues import (
    CUES,
    ERAS,
    OUT_OF_SIGHT,
    READINGS,
    UNSURE,
    Cue,
    CueVector,
    Era,
    Evidence,
    FusedCue,
    MagnetTest,
    Outcome,
    Reason,
    Verdict,
)
from .key import DISPUTED, RuleSet, decide, load_rules

SURE = 0.88
"""Least probability of a name, all cues of one photo together. Own judgement, as the next two; what they cost and spare
is in EXPERIMENTS.md."""
BEYOND_DOUBT = 0.93
"""Least probability of a name that stands without reserve."""
ABSENCE_BEYOND_DOUBT = 0.97
"""The same where nothing behind the name was seen, only missed: what a photo does not show may be hidden."""
ABSENT = frozenset({(Cue.FRONT_EAR, "none"), (Cue.SCAVENGE_LINE, "absent")})
"""Readings that say that something is not there."""
LEANS = 0.50
"""Least probability that every photo of several gives a name that none of them has settled."""
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


def conclude(vector: CueVector, alone: Sequence[CueVector], rules: RuleSet | None = None) -> tuple[CueVector, Verdict]:
    """What stands of what is known, and the verdict: of the rule layer on it, or a name with a reserve.

    Where the accepted statements leave several generations open, but all that one photo says, accepted or not, is sure
    enough of one of these, and every other photo leans that way too, that one is named with a reserve. Its reasons are
    what that photo says most probably. They are lent for the verdict alone: in the vector that is returned nothing more
    is accepted, so that no danger is called off by them.

    Args:
        vector: as fused.
        alone: what each photo says by itself (``fuse.each_alone``); the vector itself where there is one photo.
        rules: other rules than the shipped ones.
    """
    vector = withhold(vector, rules)
    verdict = decide(vector, rules)
    if RESERVE in vector.findings:
        return vector, _with_magnet(vector, verdict, rules)
    seen = [one for one in alone if _photos(one)]
    if verdict.outcome is not Outcome.SHORTLIST or DISPUTED in vector.findings or not seen:
        return vector, verdict
    odds = [together(one, rules) for one in seen]
    best = max(range(len(seen)), key=lambda k: max(odds[k].values()))
    era = max(ERAS, key=lambda e: odds[best][e])
    if era not in verdict.candidates or odds[best][era] < SURE or min(o[era] for o in odds) < LEANS:
        return vector, verdict
    likely = decide(_lent(vector, seen[best], era, rules), rules)
    if likely.era is not era:
        return vector, verdict
    sure_of = {(e.cue, e.reading) for e in vector.evidence}
    reasons = tuple(replace(r, accepted=(r.cue, r.reading) in sure_of) for r in likely.reasons)
    vector = replace(vector, findings=(*vector.findings, RESERVE))
    return vector, replace(likely, reasons=reasons, magnet_test=verdict.magnet_test)


def to_act_on(vector: CueVector, verdict: Verdict) -> Verdict:
    """The verdict that parts, fit plan and warnings go by.

    With a reserve it is what the accepted statements leave open; where these alone give the name, every generation is.

    Args:
        vector: of ``conclude``.
        verdict: the same.
    """
    if RESERVE not in vector.findings:
        return verdict
    accepted = decide(vector)
    if accepted.outcome is Outcome.SHORTLIST:
        return accepted
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


def _lent(vector: CueVector, photo: CueVector, era: Era, rules: RuleSet | None) -> CueVector:
    """The vector with statements of a photo lent that rule something out, the most probable first, until ``era`` is
    named."""
    rules = load_rules() if rules is None else rules
    left = set(decide(vector, rules).candidates)
    open_cues = [cue for cue in CUES if cue in vector.cues and not vector.cues[cue].evidence and _shown(photo, cue)]
    for cue in sorted(open_cues, key=lambda cue: -max(_seen(photo.cues[cue]).values())):
        said = photo.cues[cue]
        reading, probability = max(_seen(said).items(), key=lambda item: item[1])
        lent = tuple(Evidence(cue, reading, source, probability) for source in _shown(photo, cue))
        rule = rules.match(lent[0])
        hidden = said.probabilities.get(OUT_OF_SIGHT, 0.0) >= probability
        if hidden or rule is None or not rule.settles or era not in rule.keeps or left <= set(rule.keeps):
            continue
        fused = replace(vector.cues[cue], evidence=lent)
        vector = replace(vector, cues=MappingProxyType({**vector.cues, cue: fused}))
        left &= set(rule.keeps)
        if left == {era}:
            break
    return vector


def _with_magnet(vector: CueVector, verdict: Verdict, rules: RuleSet | None) -> Verdict:
    """A name with a reserve asks for the magnet, unless a hand has felt the metal: nothing is settled yet."""
    if verdict.magnet_test.flagged or any(e.cue is Cue.METAL and e.by_hand for e in vector.evidence):
        return verdict
    rules = load_rules() if rules is None else rules
    return replace(verdict, magnet_test=MagnetTest(True, False, rules.magnet["all_three"]))


def _seen(fused: FusedCue) -> Mapping[str, float]:
    """Probability of each reading of a cue, without that of being out of sight."""
    return {r: fused.probabilities.get(r, 0.0) for r in READINGS[fused.cue]}


def _shown(vector: CueVector, cue: Cue) -> tuple[str, ...]:
    """The photos that show a cue."""
    return tuple(s for s in vector.cues[cue].sources if s.startswith("photo:")) if cue in vector.cues else ()


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
