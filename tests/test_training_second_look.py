"""Records of the other hand in our form, and the corruption suite's names."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("torch")

from updraft_key.training.harm import KINDS15, KINDS_EXTRA, harm_of
from updraft_key.training.second_look import converted, read_second_look

pytestmark = pytest.mark.train


def row(**changes: Any) -> dict[str, Any]:
    base: dict[str, Any] = {
        "file": "images/1.jpg", "use": "calibrate", "era": "alloy4", "kind": "updraft_carburetor", "view": "front-left",
        "mirrored": True, "finish": "dirty", "scene": "engine",
        "cues": {"front_ear": "out_of_sight", "main_jet": "handle_level", "scavenge_line": "external",
                 "throat_bottom": "tube_fitting", "joint_screws": "out_of_sight"},
        "handle_angle_deg": 0.0, "joint_screws_visible": 2, "ceiling": ["alloy4", "alloy5"],
        "boxes": {"body": [100, 100, 300, 300], "handle": [60, 280, 120, 310], "joint_screw_1": [110, 150, 130, 160],
                  "drain_plug": [0, 0, 20, 20]},
        "visible_fraction": {"front_ear": 0.1, "handle": 0.6, "scavenge_tube": 0.9}, "width": 960, "height": 720,
    }  # fmt: skip
    return {**base, **changes}


def test_a_record_becomes_ours() -> None:
    ours = converted(row())
    assert ours["view"] == "front_left" and ours["subject_box"] == [60, 100, 300, 310]
    assert set(ours["boxes"]) == {"handle", "joint_screw_1"}
    assert ours["landmarks"]["screw"] == [[120.0, 155.0]]
    assert ours["handle"] == {"space_deg": 0.0, "image_deg": None}
    assert ours["screw_count"] == 2 and ours["all_screws"] is False


def test_a_part_of_which_a_bit_shows_makes_its_cue_ambiguous_only_where_it_is_called_unseen() -> None:
    assert converted(row())["ambiguous"] == ["front_ear"]
    cues = {**row()["cues"], "main_jet": "out_of_sight"}
    fractions = {"front_ear": 0.3, "handle": 0.24}
    assert converted(row(cues=cues, visible_fraction=fractions))["ambiguous"] == ["main_jet"]
    assert converted(row(joint_screws_visible=4))["ambiguous"] == ["front_ear", "joint_screws"]


def test_look_alikes_have_no_cues() -> None:
    other = row(kind="pump", era=None, view=None, cues=None, joint_screws_visible=None, handle_angle_deg=None)
    ours = converted(other)
    assert ours["cues"] is None and ours["era"] is None and ours["kind"] == "pump"


def test_halves_are_kept_apart(tmp_path: Path) -> None:
    lines = [row(file="a"), row(file="b", use="validate")]
    (tmp_path / "labels.jsonl").write_text("\n".join(map(json.dumps, lines)))
    assert [r["file"] for r in read_second_look(tmp_path, "calibrate")] == ["a"]
    assert [r["file"] for r in read_second_look(tmp_path, "validate")] == ["b"]
    with pytest.raises(ValueError, match="calibrate, validate"):
        read_second_look(tmp_path, "train")


def test_the_corruption_suite_has_the_kinds_we_name() -> None:
    suite = pytest.importorskip("imagecorruptions")
    # ACCURACY.md section 2.1: 15 standard kinds and 4 extra ones, all of which run in imagecorruptions-imaug 1.1.5.
    assert set(suite.get_corruption_names("common")) == set(KINDS15) and len(KINDS15) == 15
    assert set(suite.get_corruption_names("validation")) == set(KINDS_EXTRA)


@pytest.mark.parametrize("kind", ["gaussian_noise", "impulse_noise", "glass_blur", "jpeg_compression", *KINDS_EXTRA])
def test_corruptions_run_on_a_picture(kind: str) -> None:
    pytest.importorskip("imagecorruptions")
    picture = np.random.default_rng(0).integers(0, 255, (96, 128, 3)).astype(np.uint8)
    out = harm_of(kind, 3)(picture)
    assert out.shape == picture.shape and out.dtype == np.uint8 and not np.array_equal(out, picture)
    assert np.array_equal(harm_of(kind, 3)(picture), out), "the draws begin anew"
