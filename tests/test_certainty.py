"""A name stands only where all that is seen makes it sure together; else the weakest statement is taken back."""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import MappingProxyType

import pytest
from updraft_key.model.certainty import (
    ABSENCE_BEYOND_DOUBT,
    BEYOND_DOUBT,
    RESERVE,
    SURE,
    conclude,
    least,
    to_act_on,
    together,
    withhold,
)
from updraft_key.model.cues import (
    CUES,
    ERAS,
    OUT_OF_SIGHT,
    READINGS,
    UNSURE,
    Cue,
    CueReading,
    CueVector,
    Era,
    Evidence,
    FusedCue,
    Outcome,
    Readings,
    Subject,
)
from updraft_key.model.fuse import each_alone, fuse
from updraft_key.model.key import DISPUTED, decide, load_rules
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
    assert [least(n) for n in (0, 1, 2, 4)] == pytest.approx([0.88, 0.88, 0.94, 0.97])
    assert [least(n, BEYOND_DOUBT) for n in (1, 7)] == pytest.approx([0.93, 0.99])
    for p, alone, beside_another in ((0.97, (), (RESERVE,)), (0.95, (RESERVE,), None)):  # 0.943, 0.909
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


def test_what_is_sure_only_all_together_names_with_a_reserve_and_is_not_accepted() -> None:
    # Iron keeps all, the alloys 0.4 and 0.3: 1 / (1 + 2 * 0.4 * 0.3) = 0.806; with 0.2 and 0.2 it is 0.926.
    unsure = vector(front_ear=("none", 0.6, False), throat_bottom=("big_plug", 0.7, False))
    assert conclude(unsure, [unsure]) == (unsure, decide(unsure)) and decide(unsure).outcome is Outcome.SHORTLIST
    seen = vector(front_ear=("none", 0.8, False), throat_bottom=("big_plug", 0.81, False))
    assert decide(seen).outcome is Outcome.SHORTLIST and SURE < together(seen)[Era.IRON] < BEYOND_DOUBT
    stands, verdict = conclude(seen, [seen])
    assert verdict.era is Era.IRON and verdict.outcome is Outcome.NAMED
    assert stands == replace(seen, findings=(RESERVE,)) and stands.evidence == ()
    assert [(r.cue, r.accepted, r.sources) for r in verdict.reasons] == [(Cue.THROAT_BOTTOM, False, ("photo:0",))]
    assert to_act_on(stands, verdict).era is None and to_act_on(stands, verdict).candidates == ERAS


def test_such_a_name_keeps_a_reserve_however_sure_all_together_are() -> None:
    seen = vector(front_ear=("none", 0.97, False), throat_bottom=("big_plug", 0.97, False))
    assert together(seen)[Era.IRON] > ABSENCE_BEYOND_DOUBT
    stands, verdict = conclude(seen, [seen])
    assert verdict.era is Era.IRON and RESERVE in stands.findings


def test_statements_are_lent_until_they_name_it_and_accepted_ones_stay_beside_them() -> None:
    seen = vector(scavenge_line=("external", 0.98, True), front_ear=("screwed", 0.93, False))
    stands, verdict = conclude(seen, [seen])
    assert verdict.era is Era.ALLOY5 and RESERVE in stands.findings
    assert {r.cue: r.accepted for r in verdict.reasons} == {Cue.SCAVENGE_LINE: True, Cue.FRONT_EAR: False}
    assert to_act_on(stands, verdict).candidates == (Era.ALLOY4, Era.ALLOY5)  # the tube stands: no iron


def test_nothing_is_lent_against_an_accepted_statement_or_a_dispute_or_from_what_no_photo_shows() -> None:
    against = vector(scavenge_line=("external", 0.6, True), throat_bottom=("big_plug", 0.99, False))
    assert together(against)[Era.IRON] > SURE
    assert conclude(against, [against]) == (against, decide(against))
    seen = vector(front_ear=("none", 0.97, False))
    disputed = replace(seen, findings=(DISPUTED,))
    assert conclude(disputed, [disputed]) == (disputed, decide(disputed))
    hidden = replace(seen, cues={**seen.cues, Cue.FRONT_EAR: replace(seen.cues[Cue.FRONT_EAR], sources=())})
    assert conclude(hidden, [hidden]) == (hidden, decide(hidden))


def test_a_name_that_rests_on_accepted_statements_is_concluded_as_it_stands() -> None:
    for p in (0.99, 0.95):
        seen = vector(throat_bottom=("big_plug", p, True))
        stands, verdict = conclude(seen, [seen])
        alone = decide(withhold(seen))
        assert stands == withhold(seen) and (verdict.era, verdict.reasons) == (alone.era, alone.reasons)
        assert all(r.accepted for r in verdict.reasons)


def test_a_name_with_a_reserve_asks_for_the_magnet_unless_a_hand_has_felt_the_metal() -> None:
    for p, flagged in ((0.99, False), (0.95, True)):
        for accepted in (True, False):
            seen = vector(throat_bottom=("big_plug", p, accepted))
            assert conclude(seen, [seen])[1].magnet_test.flagged is (flagged or not accepted)
    felt = CueVector.from_evidence(Evidence(Cue.METAL, "alloy", "hand:magnet", 0.98)).cues[Cue.METAL]
    seen = vector(front_ear=("screwed", 0.92, True))
    both = replace(seen, cues=MappingProxyType({**seen.cues, Cue.METAL: felt}))
    stands, verdict = conclude(both, [both])
    assert RESERVE in stands.findings and verdict.era is Era.ALLOY5 and not verdict.magnet_test.flagged


def two(first: float, second: float) -> tuple[CueVector, tuple[CueVector, ...]]:
    """Two photos of the ear, neither accepted: how probable ``bare`` is in each, the rest being ``screwed``."""
    photos = [
        Readings(
            Subject(True, 0.99),
            view,
            "bare",
            MappingProxyType(
                {
                    Cue.FRONT_EAR: CueReading(
                        Cue.FRONT_EAR, UNSURE, {"none": 0.0, "bare": p, "screwed": 1 - p, OUT_OF_SIGHT: 0.0}, False
                    )
                }
            ),
        )
        for view, p in (("front", first), ("front_left", second))
    ]
    return fuse(photos), each_alone(photos)


def test_of_several_photos_one_must_be_sure_alone_and_all_must_lean_that_way() -> None:
    # Of bare and screwed alone: alloy4 keeps p, alloy5 1 - p, iron nothing.
    for first, second, named in ((0.9, 0.6, True), (0.6, 0.9, True), (0.9, 0.45, False), (0.85, 0.85, False)):
        vector, alone = two(first, second)
        stands, verdict = conclude(vector, alone)
        assert together(vector)[Era.ALLOY4] > 0.85 and len(alone) == 2
        assert (verdict.era is Era.ALLOY4) is named and (RESERVE in stands.findings) is named
        if named:
            assert verdict.reasons[0].sources == ("photo:0" if first > second else "photo:1",)
