"""Calibration, evaluation, card, plots and adaptation on a network trained on toys: that the parts fit together,
and that the rules between them hold whatever the network says."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")

from updraft_key.model.certainty import together  # noqa: E402
from updraft_key.model.cues import CUES, Outcome  # noqa: E402
from updraft_key.model.fuse import fuse  # noqa: E402
from updraft_key.model.runtime import OnnxNetwork, expected_sha256  # noqa: E402
from updraft_key.training.ablate import measured, named_by_itself, names_at  # noqa: E402
from updraft_key.training.calibrate import Bars, angle_at_root, calibrate, fitted  # noqa: E402
from updraft_key.training.card import card_of, share_text  # noqa: E402
from updraft_key.training.cases import Layer, adapt, fit_layer, split_cases  # noqa: E402
from updraft_key.training.checkpoint import WEIGHTS, network_of, save_weights  # noqa: E402
from updraft_key.training.config import smoke_config  # noqa: E402
from updraft_key.training.evaluate import Target, agreement, evaluate, rows_of, targets_from  # noqa: E402
from updraft_key.training.export import export, int8_beside, quantize, read_spec, session_of  # noqa: E402
from updraft_key.training.loop import here, train  # noqa: E402
from updraft_key.training.passage import (  # noqa: E402
    both_looks,
    ceiling,
    opened,
    overlap,
    pass_through,
    records_of,
    truth_of,
)
from updraft_key.training.plots import draw_plots  # noqa: E402
from updraft_key.training.real_photos import read_cases  # noqa: E402
from updraft_key.training.rival import contest, rival_config  # noqa: E402
from updraft_key.training.several import several  # noqa: E402
from updraft_key.training.smoke import draw_toy_set  # noqa: E402

pytestmark = pytest.mark.train


@pytest.fixture(scope="module")
def toy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("passage")
    draw_toy_set(folder / "toys", 40, np.random.default_rng(1))
    return folder


@pytest.fixture(scope="module")
def network_file(toy: Path) -> Path:
    config = replace(smoke_config((str(toy / "toys"),), str(toy / "run")), epochs_heads=3, epochs_all=1, held=())
    train(config, here())
    path = toy / "weights" / "cues.onnx"
    spec = export(toy / "run" / WEIGHTS, path, "0.0.1")
    quantize(path, both_looks(spec, toy / "toys", records_of(toy / "toys", 4)))
    calibrate(path, [toy / "toys"], None, Bars(alpha=0.2))
    return path


@pytest.fixture(scope="module")
def figures(toy: Path, network_file: Path) -> dict[str, object]:
    return evaluate(network_file, targets_from([toy / "toys"], None, [], [], 0), toy / "figures", command="as tested")


def test_calibration_is_written_into_both_files_and_listed(network_file: Path) -> None:
    spec = read_spec(network_file)
    assert read_spec(int8_beside(network_file)).to_metadata() == spec.to_metadata()
    sums = network_file.with_name("SHA256SUMS")
    network = OnnxNetwork(network_file, sha256=expected_sha256(sums, "cues.onnx"))
    calibration = network.spec.calibration
    assert calibration.alpha == 0.2 and set(calibration.conformal) == set(map(str, CUES))
    assert all(0.25 <= t <= 8.0 for t in calibration.temperatures.values())
    assert 0.5 <= calibration.found_first == calibration.found_second < 1.0
    assert len(network.spec.reference.prototypes) == 16


def test_the_angles_interval_is_fitted_wherever_a_root_will_have_a_peak(network_file: Path, toy: Path) -> None:
    network = OnnxNetwork(network_file)
    cases = list(pass_through(network, toy / "toys", records_of(toy / "toys"), "toys"))
    calibration = fitted(network, cases, Bars()).calibration
    handles = [c for c in cases if c.unit and c.record.get("handle") and overlap(c.box, c.record["subject_box"]) >= 0.3]
    assert calibration.cases["angle"] == sum(angle_at_root(c, calibration) is not None for c in handles)


def test_a_calibration_is_the_same_again_and_names_toys_rightly(toy: Path, network_file: Path) -> None:
    network = OnnxNetwork(network_file)
    cases = pass_through(network, toy / "toys", records_of(toy / "toys"), "toys")
    assert len(cases) == 40 and sum(c.unit for c in cases) == 32
    bars = Bars(alpha=0.2)
    spec = fitted(network, cases, bars)
    assert spec.to_metadata() == network.spec.to_metadata()
    named = [c for c in cases if c.verdict(spec).outcome is Outcome.NAMED]
    assert all(c.unit and c.verdict(spec).era == c.record["era"] for c in named)


def test_truth_fed_to_the_rules_names_every_toy(toy: Path) -> None:
    units = [r for r in records_of(toy / "toys") if r["era"]]
    assert all(ceiling(r).era == r["era"] for r in units)
    assert (
        truth_of(units[0], "front_ear") == 0 and truth_of({**units[0], "ambiguous": ["front_ear"]}, "front_ear") is None
    )
    assert truth_of({**units[0], "view": "left", "mirrored": True}, "view") == 4
    assert truth_of({"kind": "pump", "subject_box": None}, "count") is None


def test_names_are_compared_at_equal_answer_rates(toy: Path, network_file: Path) -> None:
    network = OnnxNetwork(network_file)
    cases = pass_through(network, toy / "toys", records_of(toy / "toys"), "toys")
    told = []
    for case in (c for c in cases if c.unit):
        odds = together(fuse([case.readings(opened(network.spec))]))
        told.append((max(odds.values()), odds[case.record["era"]] == max(odds.values())))
    at = names_at(cases, network.spec, (0.25, 1.0))
    assert at["1"]["n"] == len(told) == 32 and at["1"]["k"] == sum(right for _, right in told)
    surest = sorted(told, reverse=True)[:8]
    assert at["0.25"]["n"] == 8 and at["0.25"]["k"] == sum(right for _, right in surest)


def test_runs_trained_elsewhere_are_measured_side_by_side(toy: Path, network_file: Path, tmp_path: Path) -> None:
    pytest.importorskip("imagecorruptions")
    runs = measured([toy / "run"], tmp_path, [toy / "toys"], None, [toy / "toys"], Bars(alpha=0.2), harmed=2)["runs"]
    assert json.loads((tmp_path / "ablation.json").read_text())["runs"] == runs and list(runs) == ["run"]
    found = runs["run"]["toys"]
    cases = pass_through(OnnxNetwork(network_file), toy / "toys", records_of(toy / "toys"), "toys")
    spec = read_spec(network_file)  # the same weights, calibrated on the same pictures
    named = [c for c in cases if c.verdict(spec).outcome is Outcome.NAMED]
    assert found["named_by_itself"] == named_by_itself(cases, spec)
    assert found["named_by_itself"]["right"]["n"] == len(named)
    assert found["named_by_itself"]["of_ceiling"]["n"] == 32
    assert found["names_at"] == names_at(cases, read_spec(toy / "run" / "cues.onnx")), "before any calibration"
    harmed = found["visible_cues_right_harmed"]
    assert harmed["n"] <= 19 * 2 * len(CUES) and harmed["n"] % 19 == 0 and 0 < harmed["k"] < harmed["n"]


def test_several_photos_of_a_unit_are_asked_as_one_question(
    toy: Path, network_file: Path, figures: dict[str, object], tmp_path: Path
) -> None:
    records = draw_toy_set(tmp_path, 30, np.random.default_rng(8))
    eras = sorted((r for r in records if r["era"]), key=lambda r: str(r["era"]))
    units = [r for r in eras if sum(o["era"] == r["era"] for o in eras) % 2 == 0]
    lines = [json.dumps({**r, "seed": k}) for k, r in enumerate(units)]
    (tmp_path / "labels.jsonl").write_text("\n".join(lines) + "\n")
    (tmp_path / "set.json").write_text('{"views": 2}')
    found = several(OnnxNetwork(network_file), [tmp_path])
    assert found["units"] == len(units) // 2 > 5 and list(found["photos"]) == ["1", "2"]
    for share in found["photos"].values():
        assert share["answer_rate"]["n"] == found["units"], "a perfect reader names every toy"
        assert share["answer_rate"]["k"] == share["named_precision"]["k"] <= share["named_precision"]["n"]
    text = card_of({**figures, "several_photos": found}, read_spec(network_file))
    assert f"## Several photos of one unit ({found['units']} units)" in text
    (tmp_path / "set.json").write_text('{"views": 1}')
    with pytest.raises(ValueError, match="several pictures a scene"):
        several(OnnxNetwork(network_file), [tmp_path])


def test_metrics_hold_every_promised_figure(figures: dict[str, object], toy: Path) -> None:
    assert json.loads((toy / "figures" / "metrics.json").read_text()) == json.loads(json.dumps(figures))
    one = figures["sets"]["toys"]  # type: ignore[index]
    assert one["pictures"] == 40 and one["units"] == 32
    assert one["verdict"]["ceiling_named"] == {"k": 32, "n": 32, "value": 1.0, "wilson95": [0.89282, 1.0]}
    assert sum(one["outcomes"].values()) == 40
    assert sum(n for line in one["confusion"].values() for n in line.values()) == 40
    assert set(one["by"]) == {"view", "finish", "scene", "size"} and one["others"]["far"]["n"] == 8
    for cue in CUES:
        shown = one["cues"][cue]
        assert shown["n"] == shown["reliability"]["n"] <= 32
        assert 0 <= shown["ece_bootstrap95"][0] <= shown["ece_bootstrap95"][1] <= 1
    assert 0 <= one["int8"]["same_verdict"]["value"] <= 1
    lines = (toy / "figures" / "rows.jsonl").read_text().splitlines()
    assert len(lines) == 40 and json.loads(lines[0])["set"] == "toys"


def test_the_card_says_what_the_figures_say_and_plots_are_pictures(
    figures: dict[str, object], network_file: Path, toy: Path
) -> None:
    card = card_of(figures, read_spec(network_file))
    one = figures["sets"]["toys"]  # type: ignore[index]
    assert share_text(one["verdict"]["answer_rate"]) in card
    assert figures["model"]["sha256"] in card and "as tested" in card  # type: ignore[index]
    assert "on real photos nothing is guaranteed" in card and "80% a label" in card
    front = card.split("---")[1]
    index = json.loads(front.split("model-index:\n- ")[1])
    assert index["results"][0]["metrics"][1]["value"] == one["verdict"]["answer_rate"]["value"]
    with pytest.raises(ValueError, match="expected metrics"):
        card_of({}, read_spec(network_file))
    for plot in draw_plots(figures, toy / "figures"):
        assert min(cv2.imread(str(plot)).shape[:2]) > 200


def test_a_network_agrees_with_itself(toy: Path, network_file: Path) -> None:
    target = Target("toys", toy / "toys", tuple(records_of(toy / "toys", 6)))
    rows = list(rows_of(OnnxNetwork(network_file), target))
    assert agreement(rows, rows)["same_verdict"]["value"] == 1.0


def test_the_rival_keeps_silent_by_the_same_rules(toy: Path, figures: dict[str, object]) -> None:
    config = rival_config(smoke_config((str(toy / "toys"),), str(toy / "run")), str(toy / "rival"))
    assert config.target == "generation" and config.weights.cue == 0 and config.weights.generation == 1
    (toy / "rival").mkdir()
    save_weights(toy / "rival" / WEIGHTS, network_of(config).state_dict(), {"config": config.to_json(), "epoch": 0})
    target = Target("toys", toy / "toys", tuple(records_of(toy / "toys", 12)))
    result = contest(
        toy / "rival" / WEIGHTS, [target], [target], toy / "figures" / "rows.jsonl", Bars(), toy / "rival.json"
    )
    both = result["sets"]["toys"]["all"]
    assert both["pictures"] == 12
    named, equal = both["product"]["named"]["k"], both["rival_at_equal_rate"]["right"]["n"]
    assert named == equal


@pytest.fixture
def real(toy: Path, tmp_path: Path) -> Path:
    (tmp_path / "photos").mkdir()
    images = []
    for k, record in enumerate(r for r in records_of(toy / "toys") if r["era"]):
        name = f"photos/{k}.jpg"
        cv2.imwrite(str(tmp_path / name), cv2.imread(str(toy / "toys" / record["file"])))
        image = {"id": k + 1, "file_name": name, "width": 160, "height": 120, "case": k // 2, "truth_how": "magnet"}
        told = {"truth": record["era"], "cues": record["cues"], "view": "front", "subject": record["subject_box"]}
        images.append({**image, **told})
    coco = {"images": images, "categories": [{"id": 1, "name": "handle"}],
            "annotations": [{"id": 1, "image_id": 1, "category_id": 1, "bbox": [1, 2, 30, 40]}]}  # fmt: skip
    (tmp_path / "coco.json").write_text(json.dumps(coco))
    return tmp_path


def test_exported_cases_are_read_as_records(real: Path) -> None:
    records = read_cases(real)
    assert records[0]["boxes"] == {"handle": [1, 2, 31, 42]} and records[0]["scene"] == "real"
    assert {r["kind"] for r in records} == {"updraft_carburetor"}
    (real / "coco.json").write_text("{}")
    with pytest.raises(ValueError, match="COCO"):
        read_cases(real)


def test_adaptation_improves_held_out_photos_or_changes_nothing(network_file: Path, real: Path, tmp_path: Path) -> None:
    path = tmp_path / "w" / "cues.onnx"
    path.parent.mkdir()
    for file in (network_file, int8_beside(network_file)):
        (path.parent / file.name).write_bytes(file.read_bytes())
    before = path.read_bytes()
    result = adapt(path, real)
    assert result.checked_on > 0 and result.learned_from > result.checked_on
    if result.replaced:
        assert result.after[0] <= result.before[0] and result.after[1] >= result.before[1]
        assert path.with_name("cues.previous.onnx").read_bytes() == before != path.read_bytes()
        assert read_spec(path).to_metadata() == read_spec(network_file).to_metadata()
        image = np.zeros((1, 3, 128, 128), np.float32)
        old, new = (session_of(p).run(["heat", "metal"], {"image": image}) for p in (network_file, path))
        np.testing.assert_array_equal(old[0], new[0])
        assert np.abs(old[1] - new[1]).max() > 0
    else:
        assert path.read_bytes() == before
    again = adapt(path, real)
    assert again.before == pytest.approx(result.after if result.replaced else result.before, abs=1e-4)


def test_adaptation_refuses_what_makes_held_out_photos_worse(network_file: Path, real: Path, tmp_path: Path) -> None:
    # Labels of the learning cases are turned round; those of the held-out cases stay true to the network.
    path = tmp_path / "w" / "cues.onnx"
    path.parent.mkdir()
    path.write_bytes(network_file.read_bytes())
    coco = json.loads((real / "coco.json").read_text())
    session = OnnxNetwork(path)
    cases = pass_through(session, real, read_cases(real), "real")
    said = {c.record["file"]: int(c.logits("metal").argmax()) for c in cases}
    _, check = split_cases(read_cases(real))
    for k, image in enumerate(coco["images"]):
        as_read = ("iron", "alloy", "out_of_sight")[said[image["file_name"]]]
        other = "alloy" if as_read == "iron" else "iron"
        image["cues"] = {"metal": as_read if k in check and as_read != "out_of_sight" else other}
    (real / "coco.json").write_text(json.dumps(coco))
    before = path.read_bytes()
    assert not adapt(path, real).replaced
    assert path.read_bytes() == before and not path.with_name("cues.previous.onnx").exists()


def test_a_last_layer_moves_with_evidence_and_stays_without() -> None:
    rng = np.random.default_rng(0)
    old = Layer(rng.normal(size=(2, 5)), np.zeros(2))
    x = rng.normal(size=(300, 5))
    labels = (x[:, 0] > 0).astype(int)
    new = fit_layer(old, x, labels)
    assert (new.logits(x).argmax(1) == labels).mean() > 0.97 > (old.logits(x).argmax(1) == labels).mean()
    held = fit_layer(old, x[:2], labels[:2], penalty=1e6)
    np.testing.assert_allclose(held.weight, old.weight, atol=1e-3)


def test_cases_are_split_by_case() -> None:
    records = [{"case": k // 3, "file": str(k)} for k in range(30)]
    learn, check = split_cases(records)
    assert len(learn) == 21 and len(check) == 9
    assert not {records[i]["case"] for i in learn} & {records[i]["case"] for i in check}
