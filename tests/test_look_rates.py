"""Measured rates take the place of the estimates."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from updraft_key.model.cues import CUES, VIEWS, Cue, CueVector
from updraft_key.model.errors import EvidenceError
from updraft_key.model.key import decide
from updraft_key.model.next_look import LOOKS_FILE, RATES_FILE, parse_looks, rank
from updraft_key.training.look_rates import measured_rates, rates_from_rows, write_rates


def test_rates_are_counted_by_view_and_few_pictures_lean_on_the_mean() -> None:
    pictures = [("front", {Cue.FRONT_EAR: i < 80, Cue.METAL: True}) for i in range(100)]
    pictures += [("below", {Cue.THROAT_BOTTOM: i < 60}) for i in range(100)]
    rates = measured_rates(pictures)
    assert rates["front"]["front_ear"] == pytest.approx(0.8, abs=0.02)
    assert rates["below"]["throat_bottom"] == pytest.approx(0.6, abs=0.02)
    assert rates["below"]["front_ear"] < 0.02
    assert rates["rear"]["front_ear"] == pytest.approx(0.4), "no picture of this view: the mean of all"
    assert set(rates) == set(VIEWS) and set(rates["top"]) == {str(c) for c in CUES if c is not Cue.METAL}


def test_written_rates_are_what_the_ranking_uses(tmp_path: Path) -> None:
    pictures = [(v, {Cue.FRONT_EAR: v == "top"}) for v in VIEWS for _ in range(50)]
    write_rates(tmp_path / "look_rates.json", measured_rates(pictures), "8 x 50 made up")
    raw = json.loads((tmp_path / "look_rates.json").read_text(encoding="utf-8"))
    assert raw["source"] == "8 x 50 made up" and set(raw) == set(json.loads(RATES_FILE.read_text(encoding="utf-8")))
    vector = CueVector.from_evidence()
    looks = parse_looks(LOOKS_FILE.read_text(encoding="utf-8"), raw)
    assert rank(vector, decide(vector), looks=looks)[0].look == "look_top"


def test_nonsense_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="view"):
        measured_rates([("inside", {})])
    with pytest.raises(ValueError, match="at least one"):
        measured_rates([])
    with pytest.raises(EvidenceError, match="looks"):
        write_rates(tmp_path / "x.json", {"front": {"front_ear": 1.5}}, "wrong")
    assert not (tmp_path / "x.json").exists()


def test_rates_are_counted_from_the_rows_that_evaluate_writes(tmp_path: Path) -> None:
    said = {"accepted": True, "top": "screwed"}
    hidden = {"accepted": True, "top": "out_of_sight"}
    rows = [
        {"era": "alloy5", "view": ["front", "left"], "cues": {"front_ear": said, "main_jet": hidden}},
        {"era": "alloy4", "view": ["front", "front"], "cues": {"front_ear": {**said, "accepted": False}}},
        {"era": None, "view": None, "cues": None},
    ]
    (tmp_path / "rows.jsonl").write_text("".join(json.dumps(r) + "\n" for r in rows))
    rates = rates_from_rows(tmp_path / "rows.jsonl")
    assert rates["front"]["front_ear"] == 0.5 and rates["front"]["main_jet"] == 0.0
