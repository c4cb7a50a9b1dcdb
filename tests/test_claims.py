"""Claims of a listing checked. Facts of the trade: common practice, no source."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from updraft_key.model.answer import Answer, ModelId, PhotoAnswer
from updraft_key.model.claims import WHY, ClaimResult, check_claim
from updraft_key.model.cues import CUES, ERAS, READINGS, Cue, CueVector, Era, Evidence, Outcome, Readings, Subject
from updraft_key.model.fuse import fuse
from updraft_key.model.hands import hand_test
from updraft_key.model.key import decide
from updraft_key.model.next_look import rank
from updraft_key.model.safety import findings


def answer(*evidence: Evidence, photos: int = 2, usable: int = 2, found: bool = True, **more: object) -> Answer:
    base = CueVector.from_evidence(*evidence)
    vector = CueVector(base.cues, photos, usable, found, tuple(more.get("findings", ())))  # type: ignore[arg-type]
    verdict = decide(vector)
    ailing = more.get("photo_findings", {})
    pictures = tuple(
        PhotoAnswer(f"{i}.jpg", "", 10, 10, True, ailing.get(i, ()))  # type: ignore[attr-defined]
        for i in range(photos)
    )
    return Answer(ModelId("none", "", ""), pictures, vector, verdict, next_looks=rank(vector, verdict))


def said(text: str) -> list[Evidence]:
    out = []
    for word in text.split():
        cue, _, rest = word.partition("=")
        reading, _, source = rest.partition("@")
        out.append(Evidence(Cue(cue), reading, source or "photo:0"))
    return out


@pytest.mark.parametrize(
    ("text", "claim", "result", "why", "by", "look"),
    [
        ("front_ear=bare", "alloy4", "supported", "supported", ["ear_bare"], None),
        ("front_ear=bare metal=iron@photo:1", "alloy4", "supported", "supported_in_doubt", ["ear_bare"], "magnet"),
        ("front_ear=bare@photo:1", "alloy5", "contradicted", "contradicted", ["ear_bare"], None),
        ("main_jet=handle_sloping", "alloy4", "contradicted", "contradicted", ["jet_sloping"], None),
        ("scavenge_line=external@photo:1", "iron", "contradicted", "contradicted", ["tube_external"], None),
        ("scavenge_line=external", "alloy5", "open", "open", [], "look_front"),
        ("scavenge_line=absent", "alloy5", "open", "open_hint", [], "look_front"),
        ("joint_screws=four", "alloy4", "open", "open", [], "look_front"),
        ("", "iron", "open", "open", [], "look_front"),
        (
            "front_ear=bare front_ear=screwed@photo:1",
            "alloy4",
            "open",
            "open_conflict",
            ["ear_bare", "ear_screwed"],
            "look_front",
        ),
    ],
)
def test_claims(text: str, claim: str, result: str, why: str, by: list[str], look: str | None) -> None:
    check = check_claim(Era(claim), answer(*said(text)))
    assert (check.result, check.why, [r.rule for r in check.by]) == (result, why, by)
    assert (check.look.look if check.look else None) == look
    assert check.text == WHY[why]


def test_a_contradiction_names_the_cue_and_the_photo() -> None:
    (reason,) = check_claim(Era.ALLOY5, answer(*said("front_ear=bare@photo:1 metal=alloy"))).by
    assert (reason.cue, reason.reading, reason.sources) == (Cue.FRONT_EAR, "bare", ("photo:1",))


def test_photos_of_something_else_leave_a_claim_open() -> None:
    assert check_claim(Era.IRON, answer(found=False)).why == "open_not_seen"
    assert check_claim(Era.IRON, answer(usable=0)).why == "open_retake"


def test_signs_that_a_photo_is_not_of_this_unit() -> None:
    check = check_claim(
        Era.ALLOY4,
        answer(findings=("two_units", "same_picture_twice", "blurred"), photo_findings={1: ("screenshot", "dark")}),
    )
    assert [(f.id, f.photo) for f in check.signs] == [
        ("two_units", None),
        ("same_picture_twice", None),
        ("screenshot", 1),
    ]
    assert all(f.text for f in check.signs)


def test_a_photo_without_a_carburetor_is_a_sign_and_so_is_a_claim_that_rests_on_hands_alone() -> None:
    """Facts of this tool, not of the trade: a magnet named it, and the picture beside it shows something else."""
    none, some = (Readings(Subject(found, 0.5), "", "", {}) for found in (False, True))
    empty, full = (PhotoAnswer("a.jpg", "", 10, 10, True, (), r) for r in (none, some))
    holds = hand_test("magnet", "holds")
    mixed = replace(answer(), photos=(empty, full))
    assert [(f.id, f.photo) for f in check_claim(Era.IRON, mixed).signs] == [("not_in_photo", 0)]
    assert check_claim(Era.IRON, replace(answer(found=False), photos=(empty,))).signs == ()
    vector = fuse([none], [holds])
    assert decide(vector).era is Era.IRON
    alone = replace(answer(), cues=vector, verdict=decide(vector), photos=(empty,))
    check = check_claim(Era.IRON, alone)
    assert check.result is ClaimResult.SUPPORTED and [f.id for f in check.signs] == ["by_hand_alone"]
    assert "by_hand_alone" in [f.id for f in findings(vector, decide(vector))], "and whoever asked is told"
    assert fuse([some], [holds]).findings == fuse([], [holds]).findings == ()


def test_a_check_turns_into_json() -> None:
    check = check_claim(
        Era.ALLOY5, answer(*said("front_ear=bare@photo:1 scavenge_line=absent"), findings=("screenshot",))
    )
    out = json.loads(json.dumps(check.to_json()))
    assert out["result"] == "contradicted"
    assert out["by"] == [{"rule": "ear_bare", "cue": "front_ear", "reading": "bare", "from": ["photo:1"]}]
    assert out["hints"] == [{"rule": "tube_absent", "from": ["photo:0"]}]
    assert out["signs"][0]["id"] == "screenshot" and out["look"] is None


def test_photos_that_may_show_two_units_leave_a_claim_open() -> None:
    check = check_claim(Era.ALLOY5, answer(*said("front_ear=bare@photo:1"), findings=("two_units",)))
    assert check.to_json()["result"] == "open" and check.to_json()["signs"][0]["id"] == "two_units"


@st.composite
def statements(draw: st.DrawFn) -> Evidence:
    cue = draw(st.sampled_from(CUES))
    source = draw(st.sampled_from(["photo:0", "photo:1", "hand:magnet", "hand:ear"]))
    return Evidence(cue, draw(st.sampled_from(READINGS[cue])), source)


@given(st.lists(statements(), max_size=5), st.sampled_from(ERAS))
def test_a_claim_is_never_more_certain_than_the_verdict(evidence: list[Evidence], claim: Era) -> None:
    base = CueVector.from_evidence(*evidence)
    verdict = decide(base)
    check = check_claim(claim, Answer(ModelId("none", "", ""), (), base, verdict))
    if check.result is ClaimResult.SUPPORTED:
        assert verdict.outcome is Outcome.NAMED and verdict.era is claim and check.by
    elif check.result is ClaimResult.CONTRADICTED:
        assert verdict.outcome in (Outcome.NAMED, Outcome.SHORTLIST) and claim not in verdict.candidates
        assert check.by and all(r.settles and claim not in r.keeps for r in check.by)
    else:
        assert verdict.era is None
