"""ModelSpec <-> ONNX metadata."""

from __future__ import annotations

import json

import numpy as np
import pytest
from updraft_key.model.errors import ModelFileError
from updraft_key.model.spec import (
    LARGEST_REFERENCE,
    OUTPUTS,
    Calibration,
    ModelSpec,
    labels_of,
    no_reference,
    reference_from,
)


def full_spec() -> ModelSpec:
    rows = np.random.default_rng(3).normal(size=(700, 128)).astype(np.float32)
    return ModelSpec(
        version="7",
        calibration=Calibration(
            temperatures={"metal": 1.25, "found": 0.8},
            conformal={"metal": {"iron": 0.4, "alloy": 0.3, "out_of_sight": 1.0}},
            floors={"metal": {"iron": 0.97}},
            angle_factor=2.0,
            cases={"metal": 120},
        ),
        reference=reference_from(rows, 3, 0.25),
        data_hash="ab",
        commit="cd",
        training={"epochs": 2, "sets": ["a"], "rates": {"trunk": 1e-5}},
    )


def test_round_trip_keeps_every_field() -> None:
    spec = full_spec()
    back = ModelSpec.from_metadata(spec.to_metadata())
    assert back.calibration == spec.calibration
    assert dict(back.training) == dict(spec.training)
    assert (back.version, back.data_hash, back.commit, back.outputs) == ("7", "ab", "cd", OUTPUTS)
    assert back.reference.neighbours == 3
    np.testing.assert_allclose(back.reference.prototypes, spec.reference.prototypes, atol=3e-4)
    assert back.to_metadata() == ModelSpec.from_metadata(back.to_metadata()).to_metadata()


def test_seven_hundred_prototypes_fit_the_size_limit_and_two_thousand_are_refused() -> None:
    assert len(full_spec().to_metadata()["reference"]) <= LARGEST_REFERENCE
    rows = np.random.default_rng(3).normal(size=(2000, 128)).astype(np.float32)
    with pytest.raises(ModelFileError, match="more than"):
        ModelSpec(reference=reference_from(rows, 1, 0.0)).to_metadata()


def test_similarity_is_the_mean_cosine_over_the_nearest() -> None:
    rows = np.zeros((3, 128), np.float32)
    rows[0, 0], rows[1, 1], rows[2, :2] = 2.0, 5.0, 1.0
    reference = reference_from(rows, 2, 0.5)
    asked = np.zeros((1, 128), np.float32)
    asked[0, 0] = 10.0
    assert reference.score(asked)[0] == pytest.approx((1.0 + np.sqrt(0.5)) / 2, abs=1e-6)
    assert no_reference().score(asked)[0] == 1.0


def broken(**changes: str) -> dict[str, str]:
    return {**full_spec().to_metadata(), **changes}


def body_with(key: str, value: object) -> str:
    return json.dumps({**json.loads(full_spec().to_metadata()["spec"]), key: value})


@pytest.mark.parametrize(
    "metadata",
    [
        {},
        {"format": "something else"},
        broken(spec="{"),
        broken(spec="[]"),
        broken(spec="{}"),
        broken(reference="@@@"),
        broken(reference="AAAA"),
        broken(spec=body_with("find_size", 321)),
        broken(spec=body_with("outputs", ["found"])),
        broken(spec=body_with("labels", {"view": ["front"]})),
        broken(spec=body_with("calibration", {"temperatures": {"metal": 0}})),
        broken(spec=body_with("calibration", {"temperatures": {"metal": "hot"}})),
        broken(spec=body_with("calibration", 3)),
    ],
)
def test_foreign_or_damaged_descriptions_are_refused_in_plain_words(metadata: dict[str, str]) -> None:
    with pytest.raises(ModelFileError) as caught:
        ModelSpec.from_metadata(metadata)
    assert len(str(caught.value)) > 15


def test_labels_end_with_out_of_sight_for_cues_only() -> None:
    assert labels_of("front_ear") == ("none", "bare", "screwed", "out_of_sight")
    assert labels_of("count") == ("0", "1", "2", "3", "4", "5")
    assert labels_of("heat")[0] == "mask"
    with pytest.raises(ModelFileError):
        labels_of("angle")
