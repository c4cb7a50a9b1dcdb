"""A scene is data: same draw, same bytes; what is drawn keeps to its ranges and ignores the generation."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stand_in import box
from updraft_key.model.cues import ERAS, VIEWS
from updraft_key.synthetic_data.rest import resting_up
from updraft_key.synthetic_data.sample import (
    EMPTY_SHARE,
    INGREDIENT_OFF,
    LOOKALIKE_SHARE,
    SINGLE_CASTING_SHARE,
    direction,
    sample_scene,
    scene_of,
    scene_rng,
    view_of,
)
from updraft_key.synthetic_data.spec import SceneError, SceneSpec


def scene(index: int = 0, split: str = "train") -> SceneSpec:
    return sample_scene(scene_rng(split, index), split, index)


@given(st.integers(0, 10**6), st.sampled_from(["train", "held"]))
@settings(max_examples=40, deadline=None)
def test_json_round_trip_and_same_bytes(index: int, split: str) -> None:
    one, two = scene(index, split), scene(index, split)
    assert one.to_json() == two.to_json()
    assert SceneSpec.from_json(one.to_json()) == one
    assert "\n" not in one.to_json()


def test_splits_are_different_scenes() -> None:
    assert scene(3).to_json() != scene(3, "held").to_json()


def test_describing_a_scene_imports_no_renderer() -> None:
    code = (
        "import sys; import updraft_key.synthetic_data.sample, updraft_key.synthetic_data.generate;"
        "bad = {'mitsuba', 'drjit', 'torch', 'onnxruntime'} & set(sys.modules); sys.exit(str(bad) if bad else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"index": 0}', "null"])
def test_what_is_no_scene_is_refused(text: str) -> None:
    with pytest.raises(SceneError, match="not a scene description"):
        SceneSpec.from_json(text)


def test_unknown_words_are_refused_by_field() -> None:
    good = json.loads(scene().to_json())
    with pytest.raises(SceneError, match="place: expected one of bench"):
        SceneSpec.from_json(json.dumps({**good, "place": "moon"}))
    with pytest.raises(SceneError, match="era"):
        replace(scene(), subject=replace(scene().subject, kind="carburetor", era=None))
    with pytest.raises(SceneError, match="view: expected"):
        replace(scene(), shots=(replace(scene().shots[0], view="inside"),))


def test_left_view_is_a_camera_at_minus_x() -> None:
    assert view_of(-90.0, 0.0) == "left"
    assert direction(-90.0, 0.0) == pytest.approx([-1.0, 0.0, 0.0], abs=1e-12)
    assert view_of(0.0, 0.0) == "front"
    assert direction(0.0, 0.0) == pytest.approx([0.0, 0.0, 1.0])
    assert view_of(45.0, 0.0) == "front_right"
    assert view_of(180.0, 0.0) == "rear" == view_of(-150.0, 0.0)
    assert view_of(10.0, 80.0) == "top"
    assert view_of(10.0, -70.0) == "below"


def test_the_view_named_is_the_view_drawn() -> None:
    for i in range(60):
        for shot in scene(i).shots:
            assert shot.view == view_of(shot.azimuth, shot.elevation)
            assert -25.0 <= shot.roll <= 25.0
            assert 150.0 <= shot.distance <= 1200.0


def test_cameras_stay_above_tables_and_before_engines() -> None:
    for i in range(150):
        spec = scene(i)
        for shot in spec.shots:
            if spec.place == "bench":
                assert direction(shot.azimuth, shot.elevation) @ np.array(spec.subject.up) > 0.0
            if spec.place in ("engine", "mirror"):
                assert abs(shot.azimuth) <= 84.0
                assert shot.mirrored == (spec.place == "mirror")


def test_shares_are_as_stated() -> None:
    many = [scene(i) for i in range(1500)]
    units = [s for s in many if s.subject.kind == "carburetor"]
    share = {k: sum(s.subject.kind == k for s in many) / len(many) for k in ("lookalike", "empty")}
    assert share["lookalike"] == pytest.approx(LOOKALIKE_SHARE, abs=0.03)
    assert share["empty"] == pytest.approx(EMPTY_SHARE, abs=0.02)
    for era in ERAS:
        assert sum(s.subject.era == era for s in units) / len(units) == pytest.approx(1 / 3, abs=0.04)
    loose = [s for s in units if s.place in ("bench", "hand")]
    assert sum(s.subject.casting != "whole" for s in loose) / len(loose) == pytest.approx(
        SINGLE_CASTING_SHARE, abs=0.02
    )
    assert all(s.subject.casting == "whole" for s in units if s.place not in ("bench", "hand"))
    for name in ("materials", "light_on", "distractors", "backgrounds"):
        assert sum(not getattr(s, name) for s in many) / len(many) == pytest.approx(INGREDIENT_OFF, abs=0.025)
    views = [shot.view for s in units for shot in s.shots]
    assert set(views) == set(VIEWS)
    assert views.count("front") > 1.15 * np.mean([views.count(v) for v in VIEWS if v != "front"])
    assert all(
        s.materials and s.light_on and s.distractors and s.backgrounds for s in (scene(i, "held") for i in range(200))
    )


def test_the_rest_of_a_scene_does_not_look_at_the_generation() -> None:
    """Draws come in a fixed order with a fixed number of draws before anything that depends on the kind."""
    by_era = {e: [s for s in map(scene, range(1200)) if s.subject.era == e] for e in ERAS}
    for pick in (
        lambda s: np.mean([t.fraction for t in s.shots]),
        lambda s: s.light.strength,
        lambda s: float(s.place == "bench"),
        lambda s: float(np.mean([t.view == "front" for t in s.shots])),
    ):
        values = [np.array([pick(s) for s in by_era[e]]) for e in ERAS]
        spread = np.concatenate(values).std()
        for v in values:
            assert abs(v.mean() - np.concatenate(values).mean()) < 4.0 * spread / np.sqrt(len(v))


def test_training_units_come_in_threes_that_differ_in_the_generation_alone() -> None:
    threes = [[scene_of("train", 3 * i + k) for k in range(3)] for i in range(200)]
    units = [t for t in threes if t[0].subject.kind == "carburetor"]
    assert 130 < len(units) < 200
    for three in units:
        assert sorted(str(s.subject.era) for s in three) == sorted(map(str, ERAS))
        alike = {replace(s, index=0, subject=replace(s.subject, era="iron")).to_json() for s in three}
        assert len(alike) == 1
    others = [t for t in threes if t[0].subject.kind != "carburetor"]
    assert all(len({s.subject.seed for s in t}) == 3 for t in others)
    assert all(scene_of("held", i) == scene(i, "held") for i in range(20))


def test_a_box_comes_to_lie_on_its_nearest_face() -> None:
    pytest.importorskip("scipy")
    plank = [box("plank", (-60, -10, -30), (60, 10, 30))]
    tilted = np.array([0.25, 1.0, -0.2])
    assert resting_up(plank, tuple(tilted)) == pytest.approx((0.0, 1.0, 0.0), abs=1e-5)
    assert resting_up(plank, (0.1, -0.2, 0.97)) == pytest.approx((0.0, 0.0, 1.0), abs=1e-5)


def test_nothing_balances_on_a_stick() -> None:
    """A block with a rod under one corner falls over; with the rod up it lies flat."""
    pytest.importorskip("scipy")
    stick = [box("block", (-40, 0, -40), (40, 40, 40)), box("rod", (30, -60, 30), (36, 0, 36))]
    up = np.array(resting_up(stick, (0.0, 1.0, 0.0)))
    assert np.degrees(np.arccos(up[1])) > 5.0
    assert resting_up(stick, (0.0, -1.0, 0.0)) == pytest.approx((0.0, -1.0, 0.0), abs=1e-5)
