"""The smoke run: both stages on 24 drawn pictures, export, and going on after a stop."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")
onnx = pytest.importorskip("onnx")

from updraft_key.model.spec import OUTPUTS, ModelSpec  # noqa: E402
from updraft_key.training.checkpoint import (  # noqa: E402
    STATE,
    WEIGHTS,
    load_network,
    read_state,
    read_weights,
)
from updraft_key.training.config import LossWeights, TrainConfig, smoke_config  # noqa: E402
from updraft_key.training.data import load_dataset  # noqa: E402
from updraft_key.training.export import (  # noqa: E402
    export,
    fold,
    int8_beside,
    quantize,
    read_spec,
    session_of,
    write_onnx,
)
from updraft_key.training.loop import ALL_SCREWS, batches, here, rate_at, set_modes, sparing, train, worth  # noqa: E402
from updraft_key.training.network import CueNet  # noqa: E402
from updraft_key.training.smoke import draw_toy_set  # noqa: E402
from updraft_key.training.step import uphill  # noqa: E402

pytestmark = pytest.mark.train


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> TrainConfig:
    folder = tmp_path_factory.mktemp("toy")
    draw_toy_set(folder / "set", 24, np.random.default_rng(0))
    config = smoke_config((str(folder / "set"),), str(folder / "run"))
    measures = train(config, here())
    assert measures["epoch"] == 2 and np.isfinite(measures["loss"])
    return config


def test_a_run_leaves_its_config_log_weights_and_state(run: TrainConfig) -> None:
    out = Path(run.out)
    assert TrainConfig.read(out / "config.json") == run
    lines = [json.loads(line) for line in (out / "log.jsonl").read_text().splitlines()]
    assert [line["epoch"] for line in lines] == [1, 2]
    assert lines[1]["loss"] < lines[0]["loss"]
    assert 0 <= lines[1]["held/front_ear"] <= 1
    assert any(out.glob("events.out.tfevents.*"))
    _, about = read_weights(out / WEIGHTS)
    assert len(about["data_hash"]) == 64 and about["epoch"] == 2
    assert read_state(out / STATE).epoch == 2


def test_the_first_stage_leaves_the_trunk_alone_and_norm_statistics_never_move_there(run: TrainConfig) -> None:
    net, _ = load_network(Path(run.out) / WEIGHTS)
    fresh = CueNet(run.channels)
    from updraft_key.training.network import load_imagenet

    load_imagenet(fresh.trunk)
    ours, theirs = net.trunk.state_dict(), fresh.trunk.state_dict()
    moved = {k for k in ours if not torch.equal(ours[k], theirs[k])}
    assert moved and not any("running" in k or "num_batches" in k or "classifier" in k for k in moved)
    set_modes(fresh, heads_only=True)
    assert not any(p.requires_grad for p in fresh.trunk.parameters())
    assert not fresh.trunk.stem[1].training and fresh.refine[0][0].body[1].training
    set_modes(fresh, heads_only=False)
    assert fresh.trunk.stem[0][1].weight.requires_grad and not fresh.refine[0][0].body[1].training


def test_a_finished_run_does_nothing_and_a_longer_one_goes_on(run: TrainConfig) -> None:
    before = (Path(run.out) / WEIGHTS).read_bytes()
    assert train(run, here()) == {}
    assert (Path(run.out) / WEIGHTS).read_bytes() == before
    measures = train(replace(run, epochs_all=2, held=()), here())
    assert measures["epoch"] == 3
    assert read_state(Path(run.out) / STATE).step > 6


def test_weights_export_to_onnx_with_their_description_and_to_int8(run: TrainConfig, tmp_path: Path) -> None:
    path = tmp_path / "cues.onnx"
    spec = export(Path(run.out) / WEIGHTS, path, "0.0.1", "abc")
    assert isinstance(spec, ModelSpec) and spec.find_size == 96 and spec.read_size == 128
    assert read_spec(path).to_metadata() == spec.to_metadata()
    rng = np.random.default_rng(0)
    images = [rng.uniform(-1, 1, (1, 3, s, s)).astype(np.float32) for s in (96, 128, 96, 128)]
    small = quantize(path, iter(images))
    assert small == int8_beside(path) and small.stat().st_size < 0.5 * path.stat().st_size
    assert read_spec(small).to_metadata() == spec.to_metadata()
    full, eight = (dict(zip(("found", "box"), session_of(p).run(["found", "box"], {"image": images[0]}), strict=True))
                   for p in (path, small))  # fmt: skip
    np.testing.assert_allclose(full["box"], eight["box"], atol=0.1)


def test_folding_changes_no_bit_and_keeps_to_standard_operators(run: TrainConfig, tmp_path: Path) -> None:
    net, _ = load_network(Path(run.out) / WEIGHTS)
    plain, folded = tmp_path / "plain.onnx", tmp_path / "folded.onnx"
    write_onnx(net, plain)
    folded.write_bytes(plain.read_bytes())
    fold(folded)
    before, after = onnx.load(str(plain)), onnx.load(str(folded))
    assert len(after.graph.node) < 0.7 * len(before.graph.node)
    assert {n.domain for n in after.graph.node} <= {""} and [o.domain for o in after.opset_import] == [""]
    image = np.random.default_rng(3).uniform(-1, 1, (1, 3, 128, 128)).astype(np.float32)
    for one, other in zip(*(session_of(p).run(list(OUTPUTS), {"image": image}) for p in (plain, folded)), strict=True):
        np.testing.assert_array_equal(one, other)


def test_the_rate_rises_then_falls_to_a_hundredth() -> None:
    rates = [rate_at(k / 1000) for k in range(1000)]
    assert rates[0] < 0.02 and max(rates) == pytest.approx(1.0) and rates[-1] < 0.011
    assert rates.index(max(rates)) < 150


@pytest.mark.parametrize(
    "changes",
    [{"sets": ()}, {"find_size": 100}, {"batch": 0}, {"leave_out": ("sound",)}, {"no_augment": ("x",)},
     {"target": "age"}, {"average": 1.0}, {"rate_trunk": -1.0}, {"shoot": 2.0}],
)  # fmt: skip
def test_a_configuration_out_of_range_is_refused(changes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="expected"):
        TrainConfig(**{"sets": ("a",), **changes})  # type: ignore[arg-type]


def test_a_configuration_comes_back_from_json() -> None:
    config = TrainConfig(sets=("a", "b"), weights=LossWeights(cue=2.0))
    assert TrainConfig.from_json(json.loads(json.dumps(config.to_json()))) == config
    with pytest.raises(ValueError, match="epoch"):
        TrainConfig.from_json({**config.to_json(), "epoch": 3})


def test_pictures_with_more_to_see_are_looked_at_more_often_and_every_process_takes_as_many_steps(
    run: TrainConfig,
) -> None:
    labels = load_dataset([Path(run.sets[0])], [], side=160, workers=1).labels
    weight = worth(labels)
    assert weight.mean() == pytest.approx(1.0) and weight[~labels.found].sum() >= 0.199 * weight.sum()
    hidden = labels.take(np.arange(len(labels)))
    units = np.flatnonzero(labels.found)
    hidden.cues[units[0]] = [2, 2, 3, 3, 2, 3]
    assert worth(hidden)[units[0]] < worth(hidden)[units[1]]
    counted = labels.take(np.arange(len(labels)))
    counted.cues[units[:2]] = [[2, 0, 3, 3, 2, 3], [2, 2, 0, 3, 2, 3]]  # one cue each: all screws, or the ear
    assert worth(counted)[units[0]] == pytest.approx(ALL_SCREWS * worth(counted)[units[1]])
    rng = np.random.default_rng(0)
    rows = [r for _ in range(300) for r in batches(weight, 8, 3, rng)]
    assert len(rows) == 900 and all(len(r) == 8 for r in rows)
    times = np.bincount(np.concatenate(rows), minlength=len(labels)) / 300
    np.testing.assert_allclose(times, weight, atol=0.15)


def test_what_was_looked_at_less_comes_first_and_an_epoch_ends_where_the_configuration_says() -> None:
    # Five looks more: by hand (1/5) / (1/10) = twice as often.
    weight = sparing(np.ones(400), np.repeat([0, 5], 200))
    rng = np.random.default_rng(0)
    rows = np.concatenate([r for _ in range(100) for r in batches(weight, 10, 6, rng)])
    new, old = (rows < 200).sum(), (rows >= 200).sum()
    assert new + old == 6000 and new / old == pytest.approx(2.0, rel=0.1)
    # What is worth three times as much has three times as many looks in the long run.
    worths, looks = np.repeat([0.5, 1.5], 200), np.zeros(400, np.int64)
    for _ in range(400):
        looks += np.bincount(np.concatenate(list(batches(sparing(worths, looks), 20, 10, rng))), minlength=400)
    assert looks[200:].sum() / looks[:200].sum() == pytest.approx(3.0, rel=0.05)


def test_an_epoch_is_no_longer_than_the_configuration_lets(run: TrainConfig, tmp_path: Path) -> None:
    short = replace(run, held=(), out=str(tmp_path), epochs_heads=0, epochs_all=2, epoch_steps=1, keep_every=2)
    train(short, here())
    lines = [json.loads(line) for line in (tmp_path / "log.jsonl").read_text().splitlines()]
    assert [line["step"] for line in lines] == [1, 2]


def test_uphill_takes_the_gradients_of_a_place_above_and_comes_back() -> None:
    # f(w) = w^2: the slope at 3 is 6, uphill by 0.5 the place is 3.5 and its slope 7 (by hand).
    layer = torch.nn.Linear(1, 1, bias=False)
    with torch.no_grad():
        layer.weight.fill_(3.0)
    (layer.weight**2).sum().backward()
    with uphill(layer, 0.5):
        assert layer.weight.item() == pytest.approx(3.5)
        layer.zero_grad()
        (layer.weight**2).sum().backward()
    assert layer.weight.item() == 3.0
    assert layer.weight.grad is not None
    assert layer.weight.grad.item() == pytest.approx(7.0)


def test_a_step_with_a_radius_is_another_step_and_a_finite_one(run: TrainConfig, tmp_path: Path) -> None:
    short = replace(run, held=(), epochs_heads=0, epochs_all=1)
    ends = []
    for radius in (0.0, 0.05):
        out = tmp_path / str(radius)
        assert np.isfinite(train(replace(short, out=str(out), sam_radius=radius), here())["loss"])
        ends.append(read_weights(out / WEIGHTS)[0])
    gap = max(float((ends[0][k] - ends[1][k]).abs().max()) for k in ends[0])
    assert 0.0 < gap < 1.0
