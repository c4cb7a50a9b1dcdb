"""Marks drawn on the page: the way to the drawing board and back, and nothing believed that a browser sends."""

from __future__ import annotations

from typing import Any

import pytest
from updraft_key.app.marking import KINDS, MOST_BOXES, from_board, kind_name, to_board
from updraft_key.model.cues import READINGS

SIZE = (3000, 2000)


def drawn(label: str = "joint screw", corners: tuple[object, ...] = (10, 20, 60, 80), **more: object) -> dict[str, Any]:
    return {"label": label, **dict(zip(("xmin", "ymin", "xmax", "ymax"), corners, strict=True)), **more}


@pytest.mark.parametrize("lang", ["en", "de"])
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_goes_to_the_board_and_comes_back(kind: str, lang: str) -> None:
    it = KINDS[kind]
    sent = {"boxes": [drawn(kind_name(kind, lang), (100, 50, 300, 250))]}
    marks = from_board(sent, 0.5, SIZE)
    assert marks[0]["part"] == it.part and marks[0]["box"] == [200, 100, 600, 500]
    assert marks[0].get("reading", "") == it.reading
    (box,) = to_board(marks, 0.5, lang)
    assert (box["xmin"], box["ymin"], box["xmax"], box["ymax"]) == (100, 50, 300, 250)
    assert box["label"] == kind_name(kind, lang)


def test_readings_are_of_the_vocabulary() -> None:
    for kind in KINDS.values():
        assert kind.cue is None or kind.reading in READINGS[kind.cue]


def test_the_board_s_own_scale_is_taken_out() -> None:
    (mark,) = from_board({"boxes": [drawn(corners=(50, 50, 100, 100), scaleFactor=0.25)]}, 0.5, SIZE)
    assert mark["box"] == [400, 400, 800, 800]


def test_boxes_are_cut_to_the_photo_turned_right_and_slips_left_out() -> None:
    sent = {"boxes": [drawn(corners=(90, 9000, -50, 100)), drawn(corners=(10, 10, 11, 200))]}
    (mark,) = from_board(sent, 1.0, SIZE)
    assert mark["box"] == [0, 100, 90, 2000]


@pytest.mark.parametrize(
    "sent",
    [
        None, [], "x", {}, {"boxes": "x"}, {"boxes": [1]}, {"boxes": [{}]}, {"boxes": [drawn("a word of its own")]},
        {"boxes": [drawn(corners=(1, 2, float("nan"), 4))]}, {"boxes": [drawn(corners=("1", 2, 3, 4))]},
        {"boxes": [drawn(corners=(True, 2, 3, 4))]}, {"boxes": [drawn(scaleFactor=0)]},
        {"boxes": [drawn()] * (MOST_BOXES + 1)},
    ],
)  # fmt: skip
def test_anything_else_is_refused(sent: object) -> None:
    with pytest.raises(ValueError, match="expected"):
        from_board(sent, 1.0, SIZE)


def test_marks_of_other_tools_are_not_shown_and_harm_nothing() -> None:
    assert to_board([{"part": "hull", "box": [0, 0, 5, 5]}], 1.0, "en") == []
