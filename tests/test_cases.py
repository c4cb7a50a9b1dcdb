"""What kept cases teach: the score with its interval, and the exported set."""

import json
from pathlib import Path

import pytest
from scipy.stats import binomtest
from updraft_key.app.cases import export, score, wilson
from updraft_key.app.store import KeptPhoto, Store
from updraft_key.model.cues import Cue

from tests.answers import Shot, case

NOW = "2026-11-25T10:00:00+00:00"


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        # Statistics in Medicine 17 (1998) 857-872, numerical table, as recomputed in OUTSIDE_CHECKS.md 7.1
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # constants of scipy 1.17.1 scipy/stats/tests/test_morestats.py, class TestBinomTest
        (3, 10, 0.1077913, 0.6032219),
        (0, 10, 0.0, 0.2775328),
        (10, 10, 0.7224672, 1.0),
    ],
)
def test_wilson_against_published_figures(k: int, n: int, low: float, high: float) -> None:
    got = wilson(k, n)
    assert got == pytest.approx((low, high), abs=6e-5)
    reference = binomtest(k, n).proportion_ci(method="wilson")
    assert got == pytest.approx((reference.low, reference.high), abs=1e-9)


def test_wilson_of_nothing_says_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


def keep(store: Store, reading: str, truth: str | None) -> int:
    answer = case(Shot({Cue.FRONT_EAR: reading, Cue.SCAVENGE_LINE: "external"})).to_json()
    photo = KeptPhoto("p.jpg", answer["photos"][0]["sha256"], 400, 400, b"\xff\xd8x\xff\xd9")
    number = store.keep(answer, [photo], kept_at=NOW)
    if truth:
        store.confirm(number, truth, "kit fitted", NOW)
    return number


def test_score_counts_only_named_and_confirmed(tmp_path: Path) -> None:
    store = Store(tmp_path / "c.sqlite")
    keep(store, "bare", "alloy4")
    keep(store, "bare", "alloy5")  # named alloy4, proved wrong
    keep(store, "screwed", None)
    keep(store, "unsure", "alloy5")  # a shortlist, confirmed
    result = score(store)
    assert (result.confirmed, result.named, result.right) == (3, 2, 1)
    assert (result.low, result.high) == wilson(1, 2)


def test_export_is_coco_and_teaches_no_refuted_reading(tmp_path: Path) -> None:
    from pycocotools.coco import COCO

    store = Store(tmp_path / "c.sqlite")
    keep(store, "bare", "alloy4")
    wrong = keep(store, "bare", "alloy5")
    store.correct(wrong, 0, [{"part": "front_ear", "box": [10, 20, 50, 60], "cue": "front_ear", "reading": "screwed"}])
    keep(store, "screwed", None)
    assert export(store, tmp_path / "set") == 2
    coco = COCO(str(tmp_path / "set" / "coco.json"))
    first, second = coco.loadImgs(coco.getImgIds())
    assert first["cues"] == {"front_ear": "bare", "scavenge_line": "external"}
    assert second["cues"] == {"front_ear": "screwed", "scavenge_line": "external"}
    assert first["subject"] == [50, 40, 350, 360]  # the answer's box, in pixels of the smaller kept picture
    assert coco.loadAnns(coco.getAnnIds(second["id"]))[0]["bbox"] == [10, 20, 40, 40]
    assert (tmp_path / "set" / second["file_name"]).read_bytes() == b"\xff\xd8x\xff\xd9"
    assert json.loads((tmp_path / "set" / "coco.json").read_text())["images"][1]["truth"] == "alloy5"


def test_a_drawn_box_of_the_whole_carburetor_is_the_subject(tmp_path: Path) -> None:
    store = Store(tmp_path / "c.sqlite")
    number = keep(store, "bare", "alloy4")
    store.correct(number, 0, [{"part": "carburetor", "box": [1, 2, 300, 390]}])
    export(store, tmp_path / "set")
    assert json.loads((tmp_path / "set" / "coco.json").read_text())["images"][0]["subject"] == [1, 2, 300, 390]
