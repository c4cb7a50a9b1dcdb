"""A name that is sure but not beyond doubt: every face says so, asks for one look more, and lets nothing be ordered."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest
from answers import Shot, photo_answer
from updraft_key.app.filing import claim_section
from updraft_key.app.panels import ask, evidence, magnet, verdict
from updraft_key.app.reply import reply
from updraft_key.app.screen import State, state_of
from updraft_key.app.words import finding_lines, verdict_lines
from updraft_key.model.answer import Answer
from updraft_key.model.certainty import RESERVE, to_act_on
from updraft_key.model.claims import check_claim
from updraft_key.model.cues import OUT_OF_SIGHT, UNSURE, Cue, CueVector, Era, Evidence
from updraft_key.model.fit import plan
from updraft_key.model.hands import hand_test
from updraft_key.model.identify import Identifier
from updraft_key.model.runtime import FakeNetwork, blank_outputs
from updraft_key.model.safety import findings


def answer(p: float, *hand: tuple[str, str], accepted: bool = True, **asked: str) -> Answer:
    """One photo from below that shows the big plug, ``p`` sure, and nothing else; and what hands have felt."""
    photo = photo_answer(Shot({Cue.THROAT_BOTTOM: "big_plug"}, view="below"))
    assert photo.readings is not None
    blank = dict.fromkeys(photo.readings.cues[Cue.THROAT_BOTTOM].probabilities, 0.0)
    cues = {
        cue: replace(
            said, probabilities=MappingProxyType({**dict.fromkeys(said.probabilities, 0.0), OUT_OF_SIGHT: 1.0})
        )
        for cue, said in photo.readings.cues.items()
    }
    told = MappingProxyType({**blank, "big_plug": p, OUT_OF_SIGHT: 1.0 - p})
    plug = replace(photo.readings.cues[Cue.THROAT_BOTTOM], probabilities=told)
    cues[Cue.THROAT_BOTTOM] = plug if accepted else replace(plug, reading=UNSURE, accepted=False)
    seen = replace(photo, readings=replace(photo.readings, cues=MappingProxyType(cues)))
    identifier = Identifier(FakeNetwork(lambda image: blank_outputs(image.shape[-1])))
    return identifier.decide([seen], [hand_test(test, said) for test, said in hand], **asked)


@pytest.mark.parametrize(("p", "reserved"), [(0.97, True), (0.99, False)])
def test_every_face_tells_a_likely_name_from_a_settled_one(p: float, reserved: bool) -> None:
    told = answer(p)
    assert told.verdict.era is Era.IRON and told.reserved is reserved
    assert (RESERVE in [line.ref for line in finding_lines(told)]) is reserved
    assert ("Likely" in verdict(told, "en")) is reserved and ("Settled" in verdict(told, "en")) is not reserved
    assert verdict_lines(told)[0].text.startswith("Most likely this is" if reserved else "This is")
    assert ("Before you order anything" in ask(told, "en")) is reserved
    assert (state_of(told) is State.ANSWER_NOW) is not reserved
    assert ("settles it" in magnet(told, "en")) is not reserved
    letter = reply(told)
    assert ("Please do not order" in letter) is reserved and ("What fits:" in letter) is not reserved
    assert ("To settle it, please send us or try this:" in letter) is reserved


def test_the_look_asked_for_first_is_a_photo_not_taken_or_a_test() -> None:
    told = answer(0.97)
    assert told.next_looks and "look_below" not in [n.look for n in told.next_looks]
    assert state_of(told) in (State.ASK_PICTURE, State.ASK_MAGNET)


@pytest.mark.parametrize(
    ("p", "claim", "result", "why"),
    [
        (0.97, Era.IRON, "open", "open_likely"),
        (0.97, Era.ALLOY5, "open", "open_unlikely"),
        (0.99, Era.IRON, "supported", "supported"),
        (0.99, Era.ALLOY5, "contradicted", "contradicted"),
    ],
)
def test_nobody_s_listing_is_contradicted_by_a_likely_name(p: float, claim: Era, result: str, why: str) -> None:
    told = check_claim(claim, answer(p))
    assert (told.result, told.why) == (result, why) and told.by
    assert (told.look is not None) is (result == "open")


def test_no_fit_plan_rests_on_a_likely_name() -> None:
    asked = {"wanted": "alloy5", "manifold": "plain", "arrester": "iron"}
    likely, settled = ([step.id for step in answer(p, **asked).fit] for p in (0.97, 0.99))
    open_ones = [step.id for step in plan(None, Era.ALLOY5, "plain", "iron")]
    assert likely == open_ones and settled == [step.id for step in plan(Era.IRON, Era.ALLOY5, "plain", "iron")]
    assert likely != settled


def test_no_part_is_called_fitting_or_wrong_by_a_likely_name() -> None:
    likely, settled = ({p.order for p in answer(p).parts if len(p.fits) == 1} for p in (0.97, 0.99))
    assert likely == {"wait"} and settled == {"fits", "do_not_order"}


def test_a_tube_that_is_not_there_stays_a_danger_while_iron_is_only_likely() -> None:
    for p, told in ((0.97, "scavenge_tube_unclear"), (0.99, "")):
        verdict = answer(p).verdict
        absent = Evidence(Cue.SCAVENGE_LINE, "absent", "photo:0", 0.97)
        vector = replace(CueVector.from_evidence(absent), findings=(RESERVE,) if told else ())
        found = findings(vector, to_act_on(vector, verdict))
        assert ("scavenge_tube_unclear" in [f.id for f in found]) is bool(told)


def test_a_magnet_that_says_the_same_takes_the_reserve_back_and_one_that_does_not_ends_the_name() -> None:
    assert not answer(0.97, ("magnet", "holds")).reserved
    assert answer(0.97, ("magnet", "holds")).verdict.era is Era.IRON
    against = answer(0.97, ("magnet", "falls"))
    assert against.verdict.era is None and not against.reserved


def test_a_statement_that_is_not_sure_by_itself_is_never_told_as_seen() -> None:
    told = answer(0.97, accepted=False)
    assert told.verdict.era is Era.IRON and told.reserved and told.cues.evidence == ()
    assert "Probably, though not sure by itself: A big steel plug" in evidence(told, "en")
    assert "Probably, though not sure by itself: A big steel plug" in reply(told)
    assert [r["accepted"] for r in told.to_json()["verdict"]["reasons"]] == [False]
    assert "Probably" not in evidence(answer(0.97), "en") and "Probably" not in reply(answer(0.97))
    (row,) = claim_section(check_claim(Era.IRON, told), told, "en").groups[0].lines
    assert row.note.endswith("not sure by itself")


def test_a_claim_that_an_accepted_statement_rules_out_stays_contradicted_beside_a_likely_name() -> None:
    photo = photo_answer(Shot({Cue.SCAVENGE_LINE: "external", Cue.FRONT_EAR: "screwed"}, view="front"))
    assert photo.readings is not None
    ear = photo.readings.cues[Cue.FRONT_EAR]
    shares = MappingProxyType({**dict.fromkeys(ear.probabilities, 0.0), "screwed": 0.93, OUT_OF_SIGHT: 0.07})
    unsure = replace(ear, reading=UNSURE, accepted=False, probabilities=shares)
    cues = MappingProxyType({**photo.readings.cues, Cue.FRONT_EAR: unsure})
    identifier = Identifier(FakeNetwork(lambda image: blank_outputs(image.shape[-1])))
    told = identifier.decide([replace(photo, readings=replace(photo.readings, cues=cues))])
    assert told.verdict.era is Era.ALLOY5 and told.reserved
    fared = {claim: check_claim(claim, told) for claim in Era}
    assert [str(fared[c].result) for c in Era] == ["contradicted", "open", "open"]
    assert [r.cue for r in fared[Era.IRON].by] == [Cue.SCAVENGE_LINE]
    assert {p.order for p in told.parts if p.fits == (Era.IRON,)} == {"do_not_order"}
