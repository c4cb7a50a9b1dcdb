"""The committed summary of the training set: what issue 3 asks of it, and that it belongs to these assets."""

from __future__ import annotations

import collections
import json
import tomllib
from importlib import resources
from typing import Any

import pytest


@pytest.fixture(scope="module")
def summary() -> dict[str, Any]:
    text = resources.files("updraft_key.synthetic_data").joinpath("train_set.json").read_text("utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def test_it_is_large_enough_and_true_labels_never_rule_the_true_generation_out(summary: dict[str, Any]) -> None:
    assert summary["audit"]["pictures"] >= 12_000
    assert summary["audit"]["lost"] == []
    assert summary["throughput"]["pictures_a_second"] >= 10


def test_no_nuisance_goes_with_the_generation(summary: dict[str, Any]) -> None:
    assert set(summary["audit"]["cramers_v"]) >= {"view", "finish", "scene", "size", "light", "mirrored", "casting"}
    assert max(summary["audit"]["cramers_v"].values()) < 0.1


def test_every_reading_is_there(summary: dict[str, Any]) -> None:
    for cue, readings in summary["audit"]["cues"].items():
        for reading, eras in readings.items():
            assert sum(eras.values()) >= 50, (cue, reading)


def test_its_licences_are_those_of_the_manifest(summary: dict[str, Any]) -> None:
    manifest = tomllib.loads(resources.files("updraft_key.synthetic_data").joinpath("assets.toml").read_text("utf-8"))
    mine = collections.Counter(f"{a['kind']}, {a['licence']}" for a in manifest["asset"] if a["split"] == "train")
    assert summary["licences_of_light_and_backgrounds"] == dict(mine)


def test_its_settings_are_those_of_its_command(summary: dict[str, Any]) -> None:
    words = summary["command"].split()
    for name in ("size", "samples", "split"):
        assert str(summary["settings"][name]) == words[words.index(f"--{name}") + 1]
