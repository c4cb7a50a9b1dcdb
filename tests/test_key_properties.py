"""Properties of the rule layer that no table shows. Facts of the trade: common practice, no source."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from updraft_key.model.cues import CUES, ERAS, READINGS, Cue, CueVector, Era, Evidence, Outcome
from updraft_key.model.key import decide, load_rules

# What each generation can show, with every variation found in practice.
TRUE_READINGS: dict[Era, dict[Cue, tuple[str, ...]]] = {
    Era.IRON: {
        Cue.METAL: ("iron",),
        Cue.JOINT_SCREWS: ("four",),
        Cue.FRONT_EAR: ("none",),
        Cue.MAIN_JET: ("handle_sloping", "plug"),  # a lost handle leaves what looks like a plug
        Cue.SCAVENGE_LINE: ("absent",),
        Cue.THROAT_BOTTOM: ("big_plug", "other"),
    },
    Era.ALLOY4: {
        Cue.METAL: ("alloy",),
        Cue.JOINT_SCREWS: ("four",),
        Cue.FRONT_EAR: ("bare",),
        Cue.MAIN_JET: ("plug", "handle_level"),  # a handle added later lies level
        Cue.SCAVENGE_LINE: ("external", "absent"),  # the tube can be missing: a fault, not an iron body
        Cue.THROAT_BOTTOM: ("tube_fitting", "other"),
    },
    Era.ALLOY5: {
        Cue.METAL: ("alloy",),
        Cue.JOINT_SCREWS: ("five", "four"),  # four where the front is hidden (an arrester can over it)
        Cue.FRONT_EAR: ("screwed",),
        Cue.MAIN_JET: ("plug", "handle_level"),
        Cue.SCAVENGE_LINE: ("external", "absent"),
        Cue.THROAT_BOTTOM: ("tube_fitting", "other"),
    },
}

photo_sources = st.integers(0, 7).map(lambda i: f"photo:{i}")
hand_sources = st.sampled_from(("magnet", "weigh", "screws", "ear", "handle", "tube")).map("hand:{}".format)


@st.composite
def statements(draw: st.DrawFn) -> Evidence:
    """Any statement at all, true or not."""
    cue = draw(st.sampled_from(CUES))
    reading = draw(st.sampled_from(READINGS[cue]))
    return Evidence(cue, reading, draw(st.one_of(photo_sources, hand_sources)))


@st.composite
def true_statements(draw: st.DrawFn, era: Era) -> list[Evidence]:
    """What an honest eye can say of one unit: any subset of its cues, in any number of photos and hand tests.

    The metal from a photo may be wrong (paint over everything; rust dust on alloy): it only ever hints.
    """
    out = []
    for cue in draw(st.lists(st.sampled_from(CUES), max_size=12)):
        source = draw(st.one_of(photo_sources, hand_sources))
        wrong_by_eye = cue is Cue.METAL and source.startswith("photo:")
        readings = READINGS[cue] if wrong_by_eye else TRUE_READINGS[era][cue]
        out.append(Evidence(cue, draw(st.sampled_from(readings)), source))
    return out


@given(st.lists(statements(), max_size=10), st.randoms(use_true_random=False))
def test_the_order_of_the_evidence_never_matters(evidence: list[Evidence], rng: object) -> None:
    shuffled = list(evidence)
    rng.shuffle(shuffled)  # type: ignore[attr-defined]
    assert decide(CueVector.from_evidence(*evidence)) == decide(CueVector.from_evidence(*shuffled))


@given(st.lists(statements(), max_size=10))
def test_saying_a_thing_twice_changes_nothing(evidence: list[Evidence]) -> None:
    assert decide(CueVector.from_evidence(*evidence)) == decide(CueVector.from_evidence(*evidence, *evidence))


@given(st.lists(statements(), max_size=10), statements())
def test_more_evidence_never_widens_the_candidates(evidence: list[Evidence], more: Evidence) -> None:
    before = decide(CueVector.from_evidence(*evidence))
    after = decide(CueVector.from_evidence(*evidence, more))
    assert set(after.candidates) <= set(before.candidates)
    if before.outcome == Outcome.CONFLICT:
        assert after.outcome == Outcome.CONFLICT, "a conflict is never outvoted"


@settings(max_examples=400)
@given(st.data(), st.sampled_from(ERAS))
def test_true_cues_never_rule_out_the_true_generation(data: st.DataObject, era: Era) -> None:
    verdict = decide(CueVector.from_evidence(*data.draw(true_statements(era))))
    assert era in verdict.candidates
    assert verdict.outcome in (Outcome.NAMED, Outcome.SHORTLIST)
    assert verdict.era in (None, era)


@settings(max_examples=300)
@given(statements(), statements(), st.lists(statements(), max_size=6))
def test_two_settling_cues_that_disagree_conflict(a: Evidence, b: Evidence, others: list[Evidence]) -> None:
    rule_a, rule_b = load_rules().match(a), load_rules().match(b)
    assert rule_a is not None and rule_b is not None
    verdict = decide(CueVector.from_evidence(a, b, *others))
    if rule_a.settles and rule_b.settles and not set(rule_a.keeps) & set(rule_b.keeps):
        assert verdict.outcome == Outcome.CONFLICT and verdict.era is None
        assert {rule_a.id, rule_b.id} <= {r.rule for r in verdict.conflict}


@settings(max_examples=400)
@given(st.lists(statements(), max_size=8))
def test_the_magnet_is_asked_for_whenever_the_metal_is_open(evidence: list[Evidence]) -> None:
    verdict = decide(CueVector.from_evidence(*evidence))
    magnet, kept = verdict.magnet_test, set(verdict.candidates)
    metals = {e.reading for e in evidence if e.cue is Cue.METAL}
    if Era.IRON in kept and len(kept) > 1:
        assert magnet.flagged
    if metals == {"iron", "alloy"}:
        assert magnet.flagged, "the metal itself is in conflict"
    if {Era.ALLOY4, Era.ALLOY5} <= kept:
        assert not magnet.settles
        assert "nothing between four and five screws" in magnet.why
    if magnet.flagged and (kept & {Era.ALLOY4, Era.ALLOY5} or not kept):
        assert "nothing between four and five screws" in magnet.why or len(kept) == 2


@given(st.lists(statements(), max_size=10))
def test_a_named_generation_is_the_only_one_left_and_every_reason_was_said(evidence: list[Evidence]) -> None:
    verdict = decide(CueVector.from_evidence(*evidence))
    assert (verdict.outcome == Outcome.NAMED) == (len(verdict.candidates) == 1) == (verdict.era is not None)
    said = {(e.cue, e.reading) for e in evidence}
    assert {(r.cue, r.reading) for r in verdict.reasons} == said
    assert all(r.sources for r in verdict.reasons)
