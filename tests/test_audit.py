"""The audit: counts, Cramer's V against published and outside values, and the rule layer fed with labels."""

from __future__ import annotations

import json

import numpy as np
import pytest
from stand_in import PointRenderer, StandIn
from updraft_key.model.key import decide
from updraft_key.synthetic_data.audit import LIMIT, audit, cramers_v, vector
from updraft_key.synthetic_data.blocks import Job, Settings, render_block


@pytest.fixture(scope="module")
def records() -> list[dict]:
    block = render_block(Job(Settings(size=112), 0, 40), StandIn(), PointRenderer(112, 1.6))
    assert not block.failures
    return json.loads(json.dumps(list(block.records)))


def test_true_labels_never_lose_the_true_generation(records: list[dict]) -> None:
    result = audit(records, decide)
    assert result.lost == ()
    assert result.subjects > 80
    assert 0 < result.named <= result.subjects


def test_a_wrong_label_is_found(records: list[dict]) -> None:
    wrong = json.loads(json.dumps(records))
    spoiled = next(r for r in wrong if r["era"] == "alloy5" and r["cues"]["front_ear"] == "screwed")
    spoiled["cues"]["front_ear"] = "none"
    spoiled["ambiguous"] = []
    assert audit(wrong, decide).lost == (spoiled["seed"],)
    assert not audit(wrong, decide).sound


def test_ambiguous_and_unseen_cues_say_nothing(records: list[dict]) -> None:
    r = {"cues": {"front_ear": "bare", "metal": "out_of_sight", "main_jet": "plug"}, "ambiguous": ["main_jet"]}
    assert [(e.cue, e.reading) for e in vector(r).evidence] == [("front_ear", "bare")]


def test_counts_add_up(records: list[dict]) -> None:
    result = audit(records, decide)
    assert sum(result.kinds.values()) == result.pictures == len(records)
    for rows in result.by.values():
        assert sum(n for row in rows.values() for n in row.values()) <= result.subjects
    for cue, rows in result.cues.items():
        counted = sum(n for row in rows.values() for n in row.values())
        assert counted + result.ambiguous.get(cue, 0) == result.subjects
    text = "\n".join(result.lines())
    assert "Cramer's V" in text and "front_ear" in text
    assert json.loads(json.dumps(result.to_json()))["pictures"] == len(records)


def test_a_confound_is_seen() -> None:
    rng = np.random.default_rng(0)
    base = {"cues": {}, "ambiguous": [], "ingredients": {}, "subject_box": [0, 0, 50, 50], "width": 100, "height": 100,
            "kind": "updraft_carburetor", "finish": "bare", "view": "front", "mirrored": False, "light": "dim",
            "casting": "whole", "split": "train"}  # fmt: skip
    eras = ["iron", "alloy4", "alloy5"]
    rows = [
        {**base, "seed": i, "era": eras[i % 3], "scene": "bench" if i % 3 == 0 and rng.random() < 0.7 else "engine"}
        for i in range(600)
    ]
    result = audit(rows, decide)
    assert result.confounds["scene"] > LIMIT and not result.sound
    assert result.confounds["light"] == 0.0


def test_cramers_v_equals_scipys() -> None:
    """Outside check: scipy.stats.contingency.association(method="cramer") on random tables."""
    contingency = pytest.importorskip("scipy.stats.contingency")
    rng = np.random.default_rng(5)
    for _ in range(20):
        table = rng.integers(1, 60, (int(rng.integers(2, 8)), 3))
        assert cramers_v(table)[0] == pytest.approx(contingency.association(table, method="cramer"))


def test_cramers_v_of_chance_is_what_chance_gives() -> None:
    rng = np.random.default_rng(6)
    seen = []
    for _ in range(300):
        rows, columns = rng.integers(0, 8, 900), rng.integers(0, 3, 900)
        table = np.zeros((8, 3))
        np.add.at(table, (rows, columns), 1)
        v, chance = cramers_v(table)
        seen.append((v**2, chance**2))
    assert np.mean(seen, axis=0)[0] == pytest.approx(np.mean(seen, axis=0)[1], rel=0.1)
    assert cramers_v(np.array([[5.0, 3.0, 2.0]])) == (0.0, 0.0)
