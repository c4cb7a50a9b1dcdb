"""A shop's cases round trip: kept in a real store, confirmed, corrected, exported, learned from, measured."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

pytest.importorskip("torch")
pytest.importorskip("onnx")

from PIL import Image
from updraft_key.app.cases import wilson
from updraft_key.app.cli import main
from updraft_key.app.store import KeptPhoto, Store
from updraft_key.model import Identifier, open_photo
from updraft_key.model.runtime import PACKAGED, WEIGHTS, OnnxNetwork, expected_sha256, packaged_network
from updraft_key.training.real_photos import read_cases

pytestmark = pytest.mark.train

EXAMPLES = Path(__file__).resolve().parent.parent / "app" / "assets" / "examples"
NOW = "2026-11-25T10:00:00+00:00"


@dataclass(frozen=True)
class Unit:
    """An example picture, what it truly shows, and where a person would draw the ear."""

    file: str
    truth: str
    cues: Mapping[str, str]


UNITS = (
    Unit("iron_front_left.jpg", "iron", {"front_ear": "none"}),
    Unit("alloy_front_in_the_bay.jpg", "alloy4", {"throat_bottom": "tube_fitting"}),
    Unit("alloy_level_handle.jpg", "alloy4", {"main_jet": "handle_level"}),
    Unit("iron_from_below.jpg", "iron", {"throat_bottom": "big_plug", "main_jet": "handle_sloping"}),
    Unit("alloy_five_in_the_bay.jpg", "alloy5", {"throat_bottom": "tube_fitting"}),
)


def photo_of(unit: Unit, turn: int) -> bytes:
    """The example as one more camera saw it."""
    with Image.open(EXAMPLES / unit.file) as image:
        w, h = image.size
        cut = image.crop((4 * turn, 3 * turn, w - 2 * turn, h - 4 * turn))
    out = io.BytesIO()
    cut.save(out, "JPEG", quality=92 - turn)
    return out.getvalue()


@pytest.fixture(scope="module")
def identifier() -> Identifier:
    if not (WEIGHTS / PACKAGED).is_file():
        pytest.skip("the network is not in this working copy")
    return Identifier(packaged_network())


def keep(store: Store, identifier: Identifier, unit: Unit, turn: int, said: Mapping[str, str], truth: str) -> int:
    """Keep one answered photo as the page does, draw what it shows, and record what it proved to be."""
    photo = open_photo(photo_of(unit, turn))
    answer = identifier.identify([(unit.file, photo)])
    kept = KeptPhoto.from_photo(unit.file, photo)
    number = store.keep(answer.to_json(), [kept], kept_at=NOW, title=f"{unit.file} {turn}")
    box = [0.3 * kept.width, 0.3 * kept.height, 0.6 * kept.width, 0.7 * kept.height]
    store.correct(number, 0, [{"part": c, "box": box, "cue": c, "reading": r} for c, r in said.items()])
    store.confirm(number, truth, "kit fitted", NOW)
    return number


@pytest.fixture
def weights(tmp_path: Path) -> Path:
    folder = tmp_path / "weights"
    folder.mkdir()
    for name in ("cues.onnx", "cues.int8.onnx", "SHA256SUMS"):
        shutil.copy(WEIGHTS / name, folder / name)
    return folder / "cues.onnx"


def exported(store: Store, url: str, out: Path, capsys: pytest.CaptureFixture[str]) -> int:
    store.close()
    assert main(["cases", "export", str(out), "--store", url]) == 0
    return int(capsys.readouterr().out)


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_what_is_kept_is_what_the_trainer_reads(
    identifier: Identifier, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = str(tmp_path / "cases.sqlite")
    store = Store(url)
    numbers = [keep(store, identifier, u, 1, u.cues, u.truth) for u in UNITS]
    open_one = keep(store, identifier, UNITS[0], 2, {}, "iron")
    store.forget(open_one)
    assert exported(store, url, tmp_path / "set", capsys) == len(UNITS)
    records = read_cases(tmp_path / "set")
    assert [r["case"] for r in records] == numbers and [r["era"] for r in records] == [u.truth for u in UNITS]
    for record, unit in zip(records, UNITS, strict=True):
        with Image.open(tmp_path / "set" / record["file"]) as image:
            assert image.size == (record["width"], record["height"]) and not image.getexif()
        assert unit.cues.items() <= record["cues"].items()
        x0, y0, x1, y1 = record["boxes"][next(iter(unit.cues))]
        assert (x0, x1) == pytest.approx((0.3 * record["width"], 0.6 * record["width"]))
        assert (y0, y1) == pytest.approx((0.3 * record["height"], 0.7 * record["height"]))
        if record["subject_box"] is not None:
            assert 0 <= record["subject_box"][0] < record["subject_box"][2] <= record["width"]


def test_heads_learn_from_cases_and_the_new_file_is_whole(
    identifier: Identifier, weights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = str(tmp_path / "cases.sqlite")
    store = Store(url)
    for turn in (1, 3, 5):
        for unit in UNITS:
            keep(store, identifier, unit, turn, unit.cues, unit.truth)
    assert exported(store, url, tmp_path / "set", capsys) == 3 * len(UNITS)
    old = bytes_of(weights.parent)
    assert main(["train", "--cases", str(tmp_path / "set"), "--model", str(weights)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["learned_from"], told["checked_on"]) == (10, 5)
    assert told["replaced"] and told["after"][0] <= told["before"][0] and told["after"][1] >= told["before"][1]
    new = bytes_of(weights.parent)
    assert new["cues.previous.onnx"] == old["cues.onnx"] != new["cues.onnx"]
    assert new["cues.previous.int8.onnx"] == old["cues.int8.onnx"] != new["cues.int8.onnx"]
    adapted = Identifier(OnnxNetwork(weights, sha256=expected_sha256(weights.with_name("SHA256SUMS"), "cues.onnx")))
    answer = adapted.identify([("a.jpg", open_photo(photo_of(UNITS[3], 2)))])
    assert str(answer.verdict.era) in ("iron", "None") and answer.model.sha256 != identifier.identify([]).model.sha256


def one_of_each(identifier: Identifier, folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """A store with one case of each unit, exported to ``folder / "set"``; where it is.

    The cut is one at which no answer lies so near its bar that the stored JPEG is answered otherwise.
    """
    url = str(folder / "cases.sqlite")
    store = Store(url)
    for unit in UNITS:
        keep(store, identifier, unit, 2, unit.cues, unit.truth)
    exported(store, url, folder / "set", capsys)
    return url


def test_what_would_read_held_out_cases_worse_changes_nothing(
    identifier: Identifier, weights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two of three cases are wrongly recorded; the third, which is held out, speaks against what they teach."""
    url = str(tmp_path / "cases.sqlite")
    store = Store(url)
    unit = UNITS[3]
    for n in range(12):
        if n % 3 == 2:
            keep(store, identifier, unit, 1 + n % 5, unit.cues, unit.truth)
        else:
            wrong = {"throat_bottom": "tube_fitting", "main_jet": "handle_level"}
            keep(store, identifier, unit, 1 + n % 5, wrong, "alloy4")
    exported(store, url, tmp_path / "set", capsys)
    old = bytes_of(weights.parent)
    assert main(["train", "--cases", str(tmp_path / "set"), "--model", str(weights)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert not told["replaced"] and "nothing was changed" in told["why"] and told["checked_on"] == 4
    assert told["after"][0] > told["before"][0] or told["after"][1] < told["before"][1]
    assert bytes_of(weights.parent) == old


def test_too_few_cases_are_refused(
    identifier: Identifier, weights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one_of_each(identifier, tmp_path, capsys)
    old = bytes_of(weights.parent)
    assert main(["train", "--cases", str(tmp_path / "set"), "--model", str(weights)]) == 1
    assert "expected at least 6 cases with cue readings, got 5" in capsys.readouterr().err
    assert bytes_of(weights.parent) == old


def test_evaluation_on_cases_agrees_with_the_shop_s_own_score(
    identifier: Identifier, weights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = one_of_each(identifier, tmp_path, capsys)
    assert main(["cases", "score", "--store", url]) == 0
    score = json.loads(capsys.readouterr().out)
    argv = ["evaluate", "--cases", str(tmp_path / "set"), "--model", str(weights), "--out", str(tmp_path / "figures")]
    assert main(argv) == 0
    capsys.readouterr()
    one = json.loads((tmp_path / "figures" / "metrics.json").read_text())["sets"]["real:set"]
    named = one["verdict"]["named_precision"]
    assert (named["k"], named["n"]) == (score["right"], score["named"]) and score["confirmed"] == len(UNITS)
    assert score["named"] >= 1
    assert named["wilson95"] == pytest.approx(wilson(named["k"], named["n"]), abs=1e-5)
    assert (score["low"], score["high"]) == pytest.approx(wilson(named["k"], named["n"]))
