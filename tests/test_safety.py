import itertools

import pytest
from updraft_key.model.cues import ERAS, Cue, CueVector, Era, Evidence, MagnetTest, Outcome, Verdict
from updraft_key.model.safety import CAUTIONS, FINDINGS, cautions, findings

NO_MAGNET = MagnetTest(False, False, "")


def verdict(outcome: Outcome, *eras: Era) -> Verdict:
    return Verdict(outcome, eras[0] if outcome is Outcome.NAMED else None, eras, (), NO_MAGNET)


def ids(vector: CueVector, v: Verdict, **more: str) -> list[str]:
    return [f.id for f in findings(vector, v, **more)]


def seen(cue: Cue, reading: str, source: str = "photo:0") -> Evidence:
    return Evidence(cue, reading, source)


@pytest.mark.parametrize(
    "v",
    [
        verdict(Outcome.NAMED, Era.ALLOY4),
        verdict(Outcome.NAMED, Era.ALLOY5),
        verdict(Outcome.SHORTLIST, Era.ALLOY4, Era.ALLOY5),
    ],
)
def test_a_missing_tube_on_an_alloy_is_always_a_safety_finding(v):
    vector = CueVector.from_evidence(seen(Cue.SCAVENGE_LINE, "absent", "photo:2"))
    for manifold, arrester in itertools.product(("plain", "ported", "unknown"), ("iron", "alloy", "none", "unknown")):
        tube = [f for f in findings(vector, v, manifold=manifold, arrester=arrester) if f.id == "scavenge_tube_missing"]
        assert len(tube) == 1
        assert tube[0].severity == "safety" and tube[0].photo == 2 and "183.526(c)" in tube[0].text


def test_absence_on_iron_is_normal_and_on_what_is_not_settled_is_said():
    vector = CueVector.from_evidence(seen(Cue.SCAVENGE_LINE, "absent"))
    assert not [i for i in ids(vector, verdict(Outcome.NAMED, Era.IRON)) if "tube" in i]
    for v in (verdict(Outcome.SHORTLIST, *ERAS), verdict(Outcome.CONFLICT, *ERAS)):
        assert "scavenge_tube_unclear" in ids(vector, v)
    both = CueVector.from_evidence(seen(Cue.SCAVENGE_LINE, "absent"), seen(Cue.SCAVENGE_LINE, "external", "photo:1"))
    assert "scavenge_tube_disputed" in ids(both, verdict(Outcome.NAMED, Era.ALLOY4))
    nothing = CueVector.from_evidence()
    assert "scavenge_tube_not_seen" in ids(nothing, verdict(Outcome.NAMED, Era.ALLOY4))
    there = CueVector.from_evidence(seen(Cue.SCAVENGE_LINE, "external"))
    assert not [i for i in ids(there, verdict(Outcome.NAMED, Era.ALLOY4)) if "tube" in i]


def test_bottom_of_the_throat():
    other = CueVector.from_evidence(seen(Cue.THROAT_BOTTOM, "other", "photo:1"))
    iron = findings(other, verdict(Outcome.NAMED, Era.IRON), arrester="iron")
    assert [(f.id, f.severity, f.photo) for f in iron] == [("throat_plug_missing", "safety", 1)]
    assert "tube_fitting_missing" in ids(other, verdict(Outcome.NAMED, Era.ALLOY5))
    plug = CueVector.from_evidence(seen(Cue.THROAT_BOTTOM, "big_plug"))
    assert ids(plug, verdict(Outcome.NAMED, Era.IRON), arrester="iron") == []


def test_arrester_manifold_handle_conflict():
    empty, iron = CueVector.from_evidence(), verdict(Outcome.NAMED, Era.IRON)
    assert ids(empty, iron, arrester="none") == ["arrester_missing"]
    assert ids(empty, iron) == ["arrester_unknown"]
    assert ids(empty, iron, arrester="iron", manifold="ported") == ["manifold_port_open"]
    assert "signs_disagree" in ids(empty, verdict(Outcome.CONFLICT, *ERAS))
    level = CueVector.from_evidence(seen(Cue.MAIN_JET, "handle_level", "hand:handle"))
    assert "handle_added" in ids(level, verdict(Outcome.NAMED, Era.ALLOY4))
    assert ids(empty, verdict(Outcome.NOT_SEEN), arrester="iron") == []
    with pytest.raises(ValueError, match="arrester"):
        findings(empty, iron, arrester="tin")


def test_findings_of_the_photos_pass_through_once_and_safety_comes_first():
    base = CueVector.from_evidence(seen(Cue.SCAVENGE_LINE, "absent"))
    vector = CueVector(base.cues, 2, 2, True, ("two_units", "screenshot", "blurred"))
    found = findings(vector, verdict(Outcome.NAMED, Era.ALLOY4))
    assert [f.id for f in found] == ["scavenge_tube_missing", "arrester_unknown", "two_units", "screenshot"]
    assert [f.severity for f in found] == ["safety", "note", "note", "note"]


def test_words_are_whole_plain_sentences():
    texts = [*CAUTIONS.values(), *(t for _, t in FINDINGS.values())]
    assert len(set(texts)) == len(texts)
    assert all(t[0].isupper() and t.endswith(".") and "  " not in t and "{" not in t for t in texts)
    assert {s for s, _ in FINDINGS.values()} == {"safety", "note"}
    assert not any(w in " ".join(texts).lower() for w in ("your boat complies", "certified", "torque", "n·m"))


def test_cautions_hold_every_point_of_the_list():
    text = " ".join(cautions())
    for point in ("heavier than air", "cold", "battery", "smoking", "fuel valve", "class B", "four minutes", "183.610",
                  "sniff", "flame arrester on", "Any smell", "certifies nothing", "can be wrong"):  # fmt: skip
        assert point in text
    assert cautions()[-1] == CAUTIONS["local_rules_first"] and "technician come first" in cautions()[-1]
