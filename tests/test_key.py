"""The rule layer as tables. Every fact of the trade here: common practice, no source."""

from __future__ import annotations

import hashlib
import itertools
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import MappingProxyType

import pytest
from updraft_key.model.cues import (
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
    Outcome,
    Verdict,
)
from updraft_key.model.errors import EvidenceError
from updraft_key.model.key import RULES_FILE, decide, load_rules, parse_rules

GOLDEN = Path(__file__).parent / "golden" / "key_summary.json"

# rule, cue, reading, source, settles, keeps: written by hand from "What settles what" in the trade notes.
TABLE = [
    ("metal_iron_magnet", "metal", "iron", "hand:magnet", True, "iron"),
    ("metal_alloy_magnet", "metal", "alloy", "hand:magnet", True, "alloy4 alloy5"),
    ("metal_alloy_weight", "metal", "alloy", "hand:weigh", True, "alloy4 alloy5"),
    ("metal_iron_hand", "metal", "iron", "hand:weigh", False, "iron"),
    ("metal_alloy_hand", "metal", "alloy", "hand:seen", False, "alloy4 alloy5"),
    ("metal_iron_photo", "metal", "iron", "photo:0", False, "iron"),
    ("metal_alloy_photo", "metal", "alloy", "photo:0", False, "alloy4 alloy5"),
    ("screws_five", "joint_screws", "five", "photo:0", True, "alloy5"),
    ("screws_four", "joint_screws", "four", "photo:0", False, "iron alloy4 alloy5"),
    ("ear_none", "front_ear", "none", "photo:0", True, "iron"),
    ("ear_bare", "front_ear", "bare", "hand:ear", True, "alloy4"),
    ("ear_screwed", "front_ear", "screwed", "photo:0", True, "alloy5"),
    ("jet_sloping", "main_jet", "handle_sloping", "photo:0", True, "iron"),
    ("jet_level", "main_jet", "handle_level", "photo:0", True, "alloy4 alloy5"),
    ("jet_plug", "main_jet", "plug", "photo:0", False, "alloy4 alloy5"),
    ("tube_external", "scavenge_line", "external", "hand:tube", True, "alloy4 alloy5"),
    ("tube_absent", "scavenge_line", "absent", "photo:0", False, "iron"),
    ("throat_big_plug", "throat_bottom", "big_plug", "photo:0", True, "iron"),
    ("throat_tube_fitting", "throat_bottom", "tube_fitting", "photo:0", True, "alloy4 alloy5"),
    ("throat_other", "throat_bottom", "other", "photo:0", False, "iron alloy4 alloy5"),
]


def say(text: str) -> CueVector:
    """A vector from words such as ``"front_ear=bare@photo:0 metal=iron@hand:magnet"``."""
    evidence = []
    for word in text.split():
        cue, _, rest = word.partition("=")
        reading, _, source = rest.partition("@")
        evidence.append(Evidence(Cue(cue), reading, source or "photo:0"))
    return CueVector.from_evidence(*evidence)


@pytest.mark.parametrize(("rule", "cue", "reading", "source", "settles", "keeps"), TABLE)
def test_each_rule_alone(rule: str, cue: str, reading: str, source: str, settles: bool, keeps: str) -> None:
    verdict = decide(say(f"{cue}={reading}@{source}"))
    (reason,) = verdict.reasons
    kept = tuple(Era(word) for word in keeps.split())
    assert (reason.rule, reason.cue, reason.reading) == (rule, Cue(cue), reading)
    assert (reason.settles, reason.keeps, reason.sources) == (settles, kept, (source,))
    assert verdict.candidates == (kept if settles else ERAS)
    assert reason.rules_out == (tuple(e for e in ERAS if e not in kept) if settles else ())
    assert verdict.outcome == (Outcome.NAMED if len(verdict.candidates) == 1 else Outcome.SHORTLIST)
    assert verdict.era == (kept[0] if verdict.outcome == Outcome.NAMED else None)


def test_the_table_covers_every_rule_and_every_reading() -> None:
    assert sorted(row[0] for row in TABLE) == sorted(rule.id for rule in load_rules().rules)
    for cue in CUES:
        assert set(READINGS[cue]) == {row[2] for row in TABLE if row[1] == cue}


def test_every_rule_says_where_it_comes_from_and_reads_as_sentences() -> None:
    for rule in load_rules().rules:
        assert rule.provenance == "common practice, no source"
        assert rule.text[0].isupper() and rule.text.endswith(".")
        assert "_" not in rule.text and "alloy4" not in rule.text and "alloy5" not in rule.text


@pytest.mark.parametrize(
    ("said", "outcome", "era", "flagged", "settles", "words"),
    [
        ("", "shortlist", None, True, False, "nothing between four and five"),
        ("metal=alloy", "shortlist", None, True, False, "nothing between four and five"),
        ("metal=iron", "shortlist", None, True, False, "If it holds"),
        ("joint_screws=four", "shortlist", None, True, False, "If it holds"),
        ("metal=alloy@hand:magnet", "shortlist", None, False, False, "look at the front of the joint"),
        ("metal=alloy@hand:magnet metal=iron", "shortlist", None, True, False, "once more"),
        ("scavenge_line=external metal=iron", "shortlist", None, True, False, "looks like iron"),
        ("scavenge_line=external main_jet=handle_level", "shortlist", None, False, False, "Not needed"),
        ("metal=iron@hand:magnet", "named", "iron", False, False, "Not needed"),
        ("main_jet=handle_sloping scavenge_line=absent", "named", "iron", False, False, "Not needed"),
        ("main_jet=handle_sloping metal=alloy", "named", "iron", True, True, "removes the doubt"),
        ("front_ear=bare scavenge_line=absent", "named", "alloy4", False, False, "Not needed"),
        ("front_ear=bare joint_screws=four main_jet=plug", "named", "alloy4", False, False, "Not needed"),
        ("joint_screws=five scavenge_line=external", "named", "alloy5", False, False, "Not needed"),
        ("main_jet=plug throat_bottom=big_plug", "named", "iron", False, False, "Not needed"),
        ("front_ear=bare front_ear=screwed@photo:1", "conflict", None, False, False, "Both sides are alloy"),
        ("front_ear=bare joint_screws=five", "conflict", None, False, False, "Both sides are alloy"),
        ("front_ear=none joint_screws=five", "conflict", None, True, False, "iron and to alloy at once"),
        ("metal=iron@hand:magnet front_ear=bare", "conflict", None, True, False, "look again"),
        ("metal=iron@hand:magnet metal=alloy@hand:weigh", "conflict", None, True, False, "look again"),
        ("throat_bottom=big_plug scavenge_line=external", "conflict", None, True, False, "look again"),
        ("front_ear=bare joint_screws=five metal=iron", "conflict", None, True, False, "look again"),
    ],
)
def test_what_is_answered(said: str, outcome: str, era: str | None, flagged: bool, settles: bool, words: str) -> None:
    verdict = decide(say(said))
    assert (verdict.outcome, verdict.era) == (outcome, era)
    assert (verdict.magnet_test.flagged, verdict.magnet_test.settles) == (flagged, settles)
    assert words in verdict.magnet_test.why


def test_a_conflict_names_both_sides_with_their_photos_and_keeps_nobody() -> None:
    verdict = decide(say("front_ear=none@photo:0 scavenge_line=external@photo:2 main_jet=plug@photo:1"))
    assert verdict.candidates == ()
    assert [(r.rule, r.sources) for r in verdict.conflict] == [
        ("ear_none", ("photo:0",)),
        ("tube_external", ("photo:2",)),
    ]


def test_a_rule_that_agrees_with_everybody_is_not_part_of_the_conflict() -> None:
    verdict = decide(say("front_ear=bare front_ear=screwed@photo:1 scavenge_line=external"))
    assert [r.rule for r in verdict.conflict] == ["ear_bare", "ear_screwed"]


def test_a_rule_fires_once_with_all_its_sources_in_order() -> None:
    verdict = decide(say("front_ear=bare@photo:10 front_ear=bare@photo:9 front_ear=bare@hand:ear"))
    assert [r.sources for r in verdict.reasons] == [("hand:ear", "photo:9", "photo:10")]


def test_photos_that_cannot_be_used_and_photos_of_something_else() -> None:
    empty = say("").cues
    hand = say("metal=iron@hand:magnet").cues
    assert decide(CueVector(empty, 2, 0, False)).outcome == Outcome.RETAKE
    assert decide(CueVector(empty, 2, 1, False)).outcome == Outcome.NOT_SEEN
    assert decide(CueVector(empty, 2, 1, True)).outcome == Outcome.SHORTLIST
    assert decide(CueVector(empty, 0, 0, True)).outcome == Outcome.SHORTLIST
    for vector in (CueVector(hand, 2, 0, False), CueVector(hand, 2, 1, False)):
        assert decide(vector).era == Era.IRON, "a hand test counts whatever the photos are worth"


def test_nothing_is_asked_of_the_magnet_before_a_carburetor_is_seen() -> None:
    verdict = decide(CueVector(say("").cues, 1, 1, False))
    assert not verdict.magnet_test.flagged and verdict.reasons == ()


def test_a_reading_that_was_not_accepted_decides_nothing() -> None:
    shares = MappingProxyType({"bare": 0.7, "screwed": 0.3})
    fused = FusedCue(Cue.FRONT_EAR, UNSURE, False, shares, ("photo:0",))
    verdict = decide(CueVector(MappingProxyType({Cue.FRONT_EAR: fused}), 1, 1, True))
    assert verdict.candidates == ERAS and verdict.reasons == ()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('id = "ear_bare"', 'id = "ear_none"'),
        ('keeps = ["alloy4"]', 'keeps = ["alloy6"]'),
        ('reading = "bare"', 'reading = "bald"'),
        ('cue = "front_ear"', 'cue = "rear_ear"'),
        ('source = "hand:weigh"', 'source = "rumour"'),
        ('keeps = ["alloy4"]', "keeps = []"),
        ("settled = ", "settled_ = "),
    ],
)
def test_a_broken_rule_file_is_refused(old: str, new: str) -> None:
    text = RULES_FILE.read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(EvidenceError, match="rules"):
        parse_rules(text.replace(old, new, 1))


def test_the_version_changes_with_the_rules() -> None:
    text = RULES_FILE.read_text(encoding="utf-8")
    assert parse_rules(text).version == load_rules().version
    assert parse_rules(text + "\n# one more word").version != load_rules().version


# ---- the full cross product, once ------------------------------------------------------------


def cross_product() -> Iterator[tuple[tuple[str, ...], CueVector]]:
    """Every reading of every cue, ``unsure`` and ``out_of_sight`` too, times the magnet's three answers."""
    choices = [(*READINGS[cue], UNSURE, OUT_OF_SIGHT) for cue in CUES]
    for *seen, magnet in itertools.product(*choices, ("iron", "alloy", UNSURE)):
        cues = {}
        for cue, reading in zip(CUES, seen, strict=True):
            evidence = []
            if reading in READINGS[cue]:
                evidence.append(Evidence(cue, reading, "photo:0"))
            if cue is Cue.METAL and magnet != UNSURE:
                evidence.append(Evidence(cue, magnet, "hand:magnet"))
            cues[cue] = FusedCue(cue, reading, bool(evidence), {}, evidence=tuple(evidence))
        yield (*seen, magnet), CueVector(cues, 1, 1, True)


def expected(readings: tuple[str, ...]) -> tuple[str, str]:
    """The rules stated a second time, the other way round: by what each generation never shows."""
    _, screws, ear, jet, tube, throat, magnet = readings
    impossible = {
        "iron": (screws == "five", ear in ("bare", "screwed"), jet == "handle_level", tube == "external",
                 throat == "tube_fitting", magnet == "alloy"),
        "alloy4": (screws == "five", ear in ("none", "screwed"), jet == "handle_sloping",
                   throat == "big_plug", magnet == "iron"),
        "alloy5": (ear in ("none", "bare"), jet == "handle_sloping", throat == "big_plug", magnet == "iron"),
    }  # fmt: skip
    left = [era for era, signs in impossible.items() if not any(signs)]
    outcome = "conflict" if not left else "named" if len(left) == 1 else "shortlist"
    return outcome, " ".join(left)


def _line(readings: tuple[str, ...], verdict: Verdict) -> str:
    magnet = verdict.magnet_test
    return ",".join(
        (*readings, verdict.outcome, "+".join(verdict.candidates), "+".join(r.rule for r in verdict.reasons),
         "+".join(r.rule for r in verdict.conflict), str(magnet.flagged), str(magnet.settles))
    )  # fmt: skip


def summary() -> dict[str, object]:
    """Counts over the cross product, and the SHA-256 of the whole table."""
    digest, rows = hashlib.sha256(), 0
    outcomes, eras, flagged = Counter[str](), Counter[str](), Counter[str]()
    for readings, vector in cross_product():
        verdict = decide(vector)
        assert (str(verdict.outcome), " ".join(verdict.candidates)) == expected(readings), readings
        digest.update((_line(readings, verdict) + "\n").encode())
        outcomes[verdict.outcome] += 1
        eras[str(verdict.era)] += 1
        flagged[f"flagged={verdict.magnet_test.flagged} settles={verdict.magnet_test.settles}"] += 1
        rows += 1
    return {
        "rows": rows,
        "outcomes": dict(sorted(outcomes.items())),
        "eras": dict(sorted(eras.items())),
        "magnet": dict(sorted(flagged.items())),
        "sha256": digest.hexdigest(),
    }


def test_the_full_cross_product_matches_the_golden_summary() -> None:
    """After an intended change of the rules: ``python tests/test_key.py`` writes the summary anew."""
    assert summary() == json.loads(GOLDEN.read_text(encoding="utf-8"))


if __name__ == "__main__":
    GOLDEN.write_text(json.dumps(summary(), indent=2) + "\n", encoding="utf-8")
