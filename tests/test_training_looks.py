"""Labels go through crop, turn, tilt and mirror with the pixels, and change where something is cut off."""

from __future__ import annotations

import json
import tarfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from updraft_key.model.cues import CUES, LANDMARKS, READINGS, VIEWS, Cue
from updraft_key.model.frame import MARGIN, letterbox_pixels
from updraft_key.training.data import Dataset, kept, labels_from, load_dataset
from updraft_key.training.looks import Look, find_look, map_points, read_look, targets_of

EAR = CUES.index(Cue.FRONT_EAR)
SCREWED = READINGS[Cue.FRONT_EAR].index("screwed")
OUT = len(READINGS[Cue.FRONT_EAR])


def record(**changes: Any) -> dict[str, Any]:
    base: dict[str, Any] = {
        "file": "a.png", "kind": "updraft_carburetor", "era": "alloy5", "view": "front_left", "mirrored": False,
        "finish": "bare", "width": 400, "height": 300, "subject_box": [100, 60, 300, 260],
        "cues": {
            "metal": "alloy", "joint_screws": "five", "front_ear": "screwed", "main_jet": "handle_level",
            "scavenge_line": "external", "throat_bottom": "out_of_sight",
        },
        "screw_count": 5, "all_screws": True,
        "boxes": {"joint_screw_5": [190, 90, 210, 110], "handle": [250, 220, 300, 230],
                  "scavenge_tube": [100, 60, 120, 260],
                  **{f"joint_screw_{k}": [100 + 30 * k, 150, 115 + 30 * k, 165] for k in range(1, 5)}},
        "zones": {"body_bare": [150, 100, 250, 200]},
        "landmarks": {
            "screw": [[137.5 + 30 * k, 157.5] for k in range(4)] + [[200, 100]],
            "ear": [[200, 95]], "handle_root": [[255, 225]], "handle_tip": [[295, 225]],
        },
        "handle": {"space_deg": 2.0, "image_deg": 1.0}, "ambiguous": [],
    }  # fmt: skip
    return {**base, **changes}


def still(matrix: np.ndarray, size: int = 320, **changes: Any) -> Look:
    n = len(matrix)
    base = {
        "window": np.tile([0.0, 0.0, size, size], (n, 1)),
        "mirrored": np.zeros(n, bool),
        "patches": np.zeros((n, 3, 4)),
        "backed": np.zeros(n, bool),
        "close": np.zeros(n, bool),
    }
    return Look(size, matrix, **{**base, **changes})


def scaled(scale: float, dx: float = 0.0, dy: float = 0.0) -> np.ndarray:
    return np.array([[[scale, 0, dx], [0, scale, dy], [0, 0, 1.0]]])


def test_the_plain_looks_are_those_of_the_product() -> None:
    labels = labels_from([record()])
    rng = np.random.default_rng(0)
    pixels = np.zeros((300, 400, 3), np.uint8)
    points = np.array([[[137.5, 157.5], [300.0, 260.0]]])
    _, frame = letterbox_pixels(pixels, None, 320)
    np.testing.assert_allclose(
        map_points(find_look(labels, 320, rng, plain=True).matrix, points)[0], frame.to_net(points[0]), atol=0.01
    )
    _, frame = letterbox_pixels(pixels, (100.0, 60.0, 300.0, 260.0), 448, margin=MARGIN)
    # The product rounds the crop to whole pixels.
    np.testing.assert_allclose(
        map_points(read_look(labels, 448, rng, plain=True).matrix, points)[0], frame.to_net(points[0]), atol=1.0
    )


def test_labels_pass_unchanged_through_a_look_that_takes_nothing() -> None:
    t = targets_of(labels_from([record()]), still(scaled(0.8)))
    assert t.found[0] == 1 and t.count[0] == 5 and t.angle[0] == 2.0
    assert t.cues[0].tolist() == [1, 1, 2, 2, 0, 3]
    np.testing.assert_allclose(t.box[0], np.array([80, 48, 240, 208]) / 320, atol=0.01)
    np.testing.assert_allclose(t.points[0, 5 + LANDMARKS.index("handle_root") - 1], [204, 180], atol=0.01)
    assert VIEWS[t.view[0]] == "front_left"


@pytest.mark.parametrize(
    ("mirrored_picture", "mirrored_look", "view"),
    [
        (False, False, "front_left"),
        (False, True, "front_right"),
        (True, False, "front_right"),
        (True, True, "front_left"),
    ],
)
def test_mirroring_swaps_left_and_right_and_nothing_else(
    mirrored_picture: bool, mirrored_look: bool, view: str
) -> None:
    matrix = scaled(0.8)
    if mirrored_look:
        matrix = np.array([[[-0.8, 0, 320], [0, 0.8, 0], [0, 0, 1.0]]])
    labels = labels_from([record(mirrored=mirrored_picture)])
    t = targets_of(labels, still(matrix, mirrored=np.array([mirrored_look])))
    assert VIEWS[t.view[0]] == view
    assert t.cues[0].tolist() == [1, 1, 2, 2, 0, 3]
    assert t.points[0, 6, 0] == pytest.approx(320 - 204 if mirrored_look else 204)


def test_a_cue_cut_off_is_out_of_sight_and_one_cut_through_may_be_either() -> None:
    labels = labels_from([record()])
    # Screw 5 and the ear lie between y = 90 and 110; the others below 150.
    gone = targets_of(labels, still(scaled(1.0, 0, -130.0)))
    assert gone.cues[0, EAR] == OUT
    assert gone.count[0] == 4
    through = targets_of(labels, still(scaled(1.0, 0, -100.0)))
    assert gone.perhaps[0, EAR] == -1
    assert through.cues[0, EAR] == -1 and through.perhaps[0, EAR] == READINGS[Cue.FRONT_EAR].index("screwed")


def test_a_covered_cue_is_out_of_sight_and_its_landmarks_go() -> None:
    patches = np.zeros((1, 3, 4))
    patches[0, 0] = [145, 65, 175, 95]
    t = targets_of(labels_from([record()]), still(scaled(0.8), patches=patches))
    assert t.cues[0, EAR] == OUT
    assert np.isnan(t.points[0, 5]).all() and np.isnan(t.points[0, 4]).all()
    assert t.count[0] == 4
    assert t.cues[0, CUES.index(Cue.JOINT_SCREWS)] == 1 or t.cues[0, CUES.index(Cue.JOINT_SCREWS)] == -1


def test_what_shrinks_below_eight_pixels_is_not_trained() -> None:
    t = targets_of(labels_from([record()]), still(scaled(0.35)))
    # Screw 5 is 20 px wide in the photo, 7 px here; the tube is 7 px wide; the handle 3.5 px high.
    assert t.cues[0, EAR] == -1
    assert t.cues[0, CUES.index(Cue.MAIN_JET)] == -1


def test_a_cut_to_one_place_trains_its_cue_though_little_of_the_subject_is_left() -> None:
    labels = labels_from([record()])
    # 60 x 60 pixels of the photo round screw 5: a tenth of the subject.
    matrix = scaled(320 / 60, -170 * 320 / 60, -70 * 320 / 60)
    plain = targets_of(labels, still(matrix))
    assert plain.found[0] == -1 and (plain.cues[0] == -1).all()
    close = targets_of(labels, still(matrix, close=np.array([True])))
    assert close.found[0] == -1 and np.isnan(close.box[0]).all()
    assert close.cues[0, EAR] == SCREWED
    # The handle and the tube are outside the cut: the picture does not show them any more.
    assert close.cues[0, CUES.index(Cue.MAIN_JET)] == len(READINGS[Cue.MAIN_JET])
    assert close.cues[0, CUES.index(Cue.JOINT_SCREWS)] == -1
    np.testing.assert_allclose(close.evidence[0, EAR], np.array([20, 20, 40, 40]) * 320 / 60, atol=0.01)


def test_some_second_looks_go_close_and_none_that_the_product_takes() -> None:
    labels = labels_from([record()] * 400)
    rng = np.random.default_rng(3)
    look = read_look(labels, 320, rng)
    assert 10 <= look.close.sum() <= 100
    enlarged = np.abs(np.linalg.det(look.matrix[look.close, :2, :2])) ** 0.5
    assert enlarged.max() < 3.0 * 1.3
    assert not read_look(labels, 320, rng, plain=True).close.any()


def test_of_an_ambiguous_cue_only_the_false_readings_are_trained_and_no_landmark() -> None:
    cues = {**record()["cues"], "front_ear": "out_of_sight"}
    labels = labels_from([record(cues=cues, ambiguous=["front_ear"], glimpsed={"front_ear": "screwed"})])
    t = targets_of(labels, still(scaled(0.8)))
    assert t.cues[0, EAR] == -1
    assert t.perhaps[0].tolist() == [READINGS[Cue.FRONT_EAR].index("screwed") if k == EAR else -1 for k in range(6)]
    unsaid = targets_of(labels_from([record(cues=cues, ambiguous=["front_ear"])]), still(scaled(0.8)))
    assert unsaid.cues[0, EAR] == -1 and (unsaid.perhaps == -1).all()
    assert t.vague[0].tolist() == [name == "ear" for name in LANDMARKS]


def test_absence_without_a_known_place_needs_the_whole_subject() -> None:
    cues = {**record()["cues"], "front_ear": "none"}
    labels = labels_from([record(cues=cues)])
    none = READINGS[Cue.FRONT_EAR].index("none")
    assert targets_of(labels, still(scaled(0.8))).cues[0, EAR] == none
    assert targets_of(labels, still(scaled(1.0, -150.0))).cues[0, EAR] == -1
    told = labels_from([record(cues=cues, zones={"front_joint": [185, 85, 215, 115]})])
    assert targets_of(told, still(scaled(1.0, -150.0))).cues[0, EAR] == none


def test_pictures_without_a_subject_have_no_other_labels() -> None:
    t = targets_of(labels_from([record(kind="pump", subject_box=[0, 0, 50, 50])]), still(scaled(0.8)))
    assert t.found[0] == 0 and (t.cues == -1).all() and t.count[0] == -1 and np.isnan(t.box).all()


@pytest.mark.parametrize("draw", [find_look, read_look])
def test_a_thousand_draws_keep_the_subject_in_the_picture_most_of_the_time(draw: Any) -> None:
    labels = labels_from([record()] * 1000)
    look = draw(labels, 320, np.random.default_rng(1))
    t = targets_of(labels, look)
    assert ((t.found == 1) | look.close).mean() > 0.95
    box = t.box[t.found == 1]
    assert (box >= 0).all() and (box <= 1).all() and (box[:, 2:] > box[:, :2]).all()
    assert 0.4 < look.mirrored.mean() < 0.6
    share = (t.cues[:, EAR] == OUT).mean()
    assert 0.005 < share < 0.3
    again = draw(labels, 320, np.random.default_rng(1))
    np.testing.assert_array_equal(look.matrix, again.matrix)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    picture = np.zeros((300, 400, 3), np.uint8)
    picture[100:120, 200:240] = (0, 0, 255)
    tall = np.ascontiguousarray(np.rot90(picture))
    cv2.imwrite(str(tmp_path / "tall.png"), tall)
    cv2.imwrite(str(tmp_path / "a.png"), picture)
    with tarfile.open(tmp_path / "one.tar", "w") as tar:
        tar.add(tmp_path / "tall.png", "tall.png")
    (tmp_path / "tall.png").unlink()
    records = [record(), record(file="tall.png", width=300, height=400)]
    (tmp_path / "labels.jsonl").write_text("".join(json.dumps(r) + "\n" for r in records))
    return tmp_path


def test_pictures_are_found_loose_and_in_shards_and_portraits_keep_their_coordinates(folder: Path) -> None:
    data: Dataset = load_dataset([folder], [], side=200, workers=1)
    assert data.files == ("a.png", "tall.png") and data.block.pixels.shape == (2, 3, 150, 200)
    # The red patch's middle in each photo's own pixels (the tall one is the wide one turned to the left).
    for row, point in ((0, (220.0, 110.0)), (1, (110.0, 400.0 - 220.0))):
        x, y = map_points(data.block.to_block[row : row + 1], np.array([[point]]))[0, 0]
        assert data.block.pixels[row, :, int(y), int(x)].tolist() == [255, 0, 0]


def test_left_out_ingredients_choose_the_pictures() -> None:
    full = {"materials": True, "light": True}
    assert kept({"ingredients": full}, ()) and not kept({"ingredients": full}, ("light",))
    assert kept({"ingredients": {**full, "light": False}}, ("light",))
    assert kept({}, ("light",))


def test_a_set_without_labels_or_with_a_broken_picture_is_refused(folder: Path, tmp_path: Path) -> None:
    (folder / "a.png").write_bytes(b"no picture")
    with pytest.raises(ValueError, match="can be decoded"):
        load_dataset([folder], [], side=200, workers=1)
    with pytest.raises(ValueError, match=r"labels\.jsonl"):
        load_dataset([folder / "nothing"], [], side=200, workers=1)
