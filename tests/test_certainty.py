"""A name stands only where all that is seen makes it sure together; else the weakest statement is taken back."""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import MappingProxyType

import pytest
from updraft_key.model.certainty import ABSENCE_BEYOND_DOUBT, BEYOND_DOUBT, RESERVE, SURE, least, together, withhold
from updraft_key.model.cues import (
    CUES,
    OUT_OF_SIGHT,
    READINGS,
    UNSURE,
    Cue,
    CueVector,
    Era,
    Evidence,
    FusedCue,
    Outcome,
)
from updraft_key.model.key import decide, load_rules
from updraft_key.model.next_look import rank


def vector(**cues: tuple[str, float, bool]) -> CueVector:
    """One photo: cue -> its likeliest reading, that one's probability (the rest is out of sight), accepted or not."""
    fused = {}
    for cue in CUES:
        reading, p, accepted = cues.get(str(cue), (OUT_OF_SIGHT, 1.0, False))
        shares = dict.fromkeys((*READINGS[cue], OUT_OF_SIGHT), 0.0) | {OUT_OF_SIGHT: 1.0 - p} | {reading: p}
        said = (Evidence(cue, reading, "photo:0", p),) if accepted else ()
        fused[cue] = FusedCue(cue, reading if accepted else UNSURE, accepted, shares, ("photo:0",), said)
    return CueVector(MappingProxyType(fused), 1, 1)


def test_probabilities_of_the_generations_follow_from_those_of_the_readings() -> None:
    # By hand: iron keeps 1 - 0.1 of the ear's share, alloy4 all but 0.8, alloy5 all but 0.8 + 0.1.
    seen = vector(front_ear=("none", 0.8, True))
    shares = {"none": 0.8, "bare": 0.1, "screwed": 0.0, OUT_OF_SIGHT: 0.1}
    seen = replace(seen, cues={**seen.cues, Cue.FRONT_EAR: replace(seen.cues[Cue.FRONT_EAR], probabilities=shares)})
    odds = together(seen)
    assert odds[Era.IRON] == pytest.approx(0.9 / (0.9 + 0.2 + 0.1))
    assert odds[Era.ALLOY4] == pytest.approx(0.2 / 1.2) and odds[Era.ALLOY5] == pytest.approx(0.1 / 1.2)
    assert sum(together(vector()).values()) == pytest.approx(1.0)


def test_a_sure_sign_names_and_an_unsure_one_leaves_a_list() -> None:
    sure = vector(front_ear=("none", 0.99, True))
    assert withhold(sure) == sure and decide(sure).outcome is Outcome.NAMED
    doubtful = vector(front_ear=("none", 0.85, True))  # 1 / (1 + 2 * 0.15) = 0.77
    assert decide(doubtful).outcome is Outcome.NAMED
    left = withhold(doubtful)
    assert decide(left).outcome is Outcome.SHORTLIST
    assert left.cues[Cue.FRONT_EAR].reading == UNSURE and not left.cues[Cue.FRONT_EAR].accepted


def test_a_name_that_is_sure_but_not_beyond_doubt_is_given_with_a_reserve() -> None:
    # The rest is out of sight, so both alloys keep 1 - p of iron's share: 1 / (1 + 2 * 0.05) = 0.909.
    seen = vector(throat_bottom=("big_plug", 0.95, True))
    assert SURE < together(seen)[Era.IRON] < BEYOND_DOUBT
    told = withhold(seen)
    assert decide(told).era is Era.IRON and told == replace(seen, findings=(RESERVE,)) and withhold(told) == told


def test_a_name_for_which_nothing_was_seen_but_something_missed_must_be_surer() -> None:
    # 1 / (1 + 2 * 0.03) = 0.943
    missed, seen = vector(front_ear=("none", 0.97, True)), vector(throat_bottom=("big_plug", 0.97, True))
    assert BEYOND_DOUBT < together(missed)[Era.IRON] == together(seen)[Era.IRON] < ABSENCE_BEYOND_DOUBT
    assert withhold(missed).findings == (RESERVE,) and withhold(seen) == seen
    both = vector(front_ear=("none", 0.97, True), throat_bottom=("big_plug", 0.5, True))
    assert together(both)[Era.IRON] == pytest.approx(1 / (1 + 2 * 0.03 * 0.5)) and withhold(both) == both


def test_with_a_reserve_another_side_or_a_hand_is_asked_and_what_was_taken_or_felt_is_not() -> None:
    told = withhold(vector(throat_bottom=("big_plug", 0.95, True)))
    looks = [n.look for n in rank(told, decide(told), ("below",))]
    assert {"look_front", "magnet"} <= set(looks) and "look_below" not in looks
    assert rank(replace(told, findings=()), decide(told), ("below",)) == ()
    plug = told.cues[Cue.THROAT_BOTTOM]
    felt = replace(plug, evidence=(*plug.evidence, Evidence(Cue.THROAT_BOTTOM, "big_plug", "hand:throat", 0.97)))
    known = replace(told, cues=MappingProxyType({**told.cues, Cue.THROAT_BOTTOM: felt}))
    assert all("throat_bottom" not in n.settles for n in rank(known, decide(known), ("below",)))


def test_the_doubt_that_one_photo_may_leave_is_shared_among_several() -> None:
    assert [least(n) for n in (0, 1, 2, 4)] == pytest.approx([0.80, 0.80, 0.90, 0.95])
    assert [least(n, BEYOND_DOUBT) for n in (1, 7)] == pytest.approx([0.93, 0.99])
    for p, alone, beside_another in ((0.97, (), (RESERVE,)), (0.9, (RESERVE,), None)):  # 0.943, 0.833
        seen = vector(throat_bottom=("big_plug", p, True))
        assert decide(withhold(seen)).era is Era.IRON and withhold(seen).findings == alone
        other = replace(seen.cues[Cue.METAL], sources=("photo:0", "photo:1"))
        both = withhold(replace(seen, cues=MappingProxyType({**seen.cues, Cue.METAL: other})))
        assert (decide(both).era is Era.IRON) is (beside_another is not None)
        assert both.findings == (beside_another or ())
        by_hand = replace(seen.cues[Cue.METAL], sources=("hand:magnet",))
        felt = withhold(replace(seen, cues=MappingProxyType({**seen.cues, Cue.METAL: by_hand})))
        assert felt.findings == alone


def test_a_sign_that_leans_the_other_way_takes_a_name_back_though_it_was_not_accepted() -> None:
    alone = vector(front_ear=("none", 0.99, True))
    assert decide(withhold(alone)).era is Era.IRON
    against = vector(front_ear=("none", 0.99, True), throat_bottom=("tube_fitting", 0.95, False))
    assert decide(against).era is Era.IRON
    assert decide(withhold(against)).outcome is Outcome.SHORTLIST


def test_the_weakest_statement_goes_first_and_the_others_stay() -> None:
    seen = vector(scavenge_line=("external", 0.98, True), front_ear=("bare", 0.7, True))
    assert decide(seen).era is Era.ALLOY4
    left = decide(withhold(seen))
    assert left.outcome is Outcome.SHORTLIST and left.candidates == (Era.ALLOY4, Era.ALLOY5)
    assert [r.cue for r in left.reasons] == [Cue.SCAVENGE_LINE]


def test_what_hands_have_felt_is_never_taken_back() -> None:
    felt = CueVector.from_evidence(Evidence(Cue.FRONT_EAR, "none", "hand:ear", 0.9))
    assert withhold(felt) == felt and decide(felt).era is Era.IRON


def test_a_photo_that_a_hand_test_leans_on_must_be_sure_itself() -> None:
    # The magnet rules out iron; four or five screws hang on the photo of the ear alone.
    for p, outcome in ((0.99, Outcome.NAMED), (0.7, Outcome.SHORTLIST)):
        seen = vector(front_ear=("bare", p, True))
        magnet = CueVector.from_evidence(Evidence(Cue.METAL, "alloy", "hand:magnet", 0.98)).cues[Cue.METAL]
        both = replace(seen, cues=MappingProxyType({**seen.cues, Cue.METAL: magnet}))
        assert decide(both).era is Era.ALLOY4
        left = decide(withhold(both))
        assert left.outcome is outcome and set(left.candidates) <= {Era.ALLOY4, Era.ALLOY5}


def test_no_name_and_no_other_name_ever_comes_of_taking_back() -> None:
    settling = [r for r in load_rules().rules if r.settles and r.source in ("any", "photo")]
    levels = (0.6, 0.9, 0.99)
    named = kept = 0
    for a, b in itertools.combinations(settling, 2):
        if a.cue is b.cue:
            continue
        for p, q in itertools.product(levels, levels):
            seen = vector(**{str(a.cue): (a.reading, p, True), str(b.cue): (b.reading, q, True)})
            before, after = decide(seen), decide(withhold(seen))
            if before.outcome is not Outcome.NAMED:
                assert withhold(seen) == seen
                continue
            named += 1
            if after.outcome is Outcome.NAMED:
                kept += 1
                assert after.era is before.era and after.reasons == before.reasons
                assert together(seen)[before.era] >= SURE
            else:
                assert after.outcome is Outcome.SHORTLIST and before.era in after.candidates
    assert 0 < kept < named
