"""Boxes as numbers: what becomes a mark, and what is refused."""

from __future__ import annotations

import pytest

pytest.importorskip("gradio", reason="the [web] extra")
pytestmark = pytest.mark.web

from updraft_key.app.box_form import NEW, chosen, percent, put_in  # noqa: E402
from updraft_key.app.marking import MOST_BOXES, mark_of  # noqa: E402

SIZE = (3000, 2000)
MARKS = (mark_of("screw", (300, 200, 600, 400)), mark_of("ear_bare", (0, 0, 1500, 1000)))


def test_a_box_goes_to_percent_and_back() -> None:
    assert percent(MARKS[0], SIZE) == [10, 10, 20, 20]
    assert put_in(NEW, "screw", [str(v) for v in percent(MARKS[0], SIZE)], (), SIZE) == (MARKS[0],)


def test_a_moved_box_stays_what_it_is_and_the_others_where_they_are() -> None:
    moved = put_in(1, "tube", ("1", "2 %", "3", "4,5"), MARKS, SIZE)
    assert moved == (MARKS[0], {**MARKS[1], "box": [30, 40, 90, 90]})


@pytest.mark.parametrize("index", [NEW, 2, None, "1", True, 0.0, [0]])
def test_what_the_list_does_not_offer_is_a_new_box(index: object) -> None:
    assert chosen(index, MARKS) is None
    assert put_in(index, "tube", ("1", "2", "3", "4"), MARKS, SIZE)[1:] == MARKS


@pytest.mark.parametrize(
    "edges",
    [
        (None, "1", "2", "3"), (1, 1, 2, 3), ("", "1", "2", "3"), ("nan", "1", "2", "3"), ("inf", "1", "2", "3"),
        ("one", "1", "2", "3"), ("-1", "1", "2", "3"), ("1", "1", "101", "3"), ("5", "1", "5", "3"),
        ("9", "1", "5", "3"), ("1", "5", "9", "5"), ("10", "10", "10.05", "90"), (["1"], "1", "2", "3"),
    ],
)  # fmt: skip
def test_numbers_that_are_no_box_are_refused(edges: tuple[object, ...]) -> None:
    with pytest.raises(ValueError, match=r"expected|could not convert"):
        put_in(NEW, "screw", edges, MARKS, SIZE)


def test_there_is_an_end_to_boxes_but_not_to_moving_them() -> None:
    full = (MARKS[0],) * MOST_BOXES
    with pytest.raises(ValueError, match="at most"):
        put_in(NEW, "screw", ("1", "2", "3", "4"), full, SIZE)
    many = tuple(mark_of("screw", (i, i, i + 50, i + 50)) for i in range(MOST_BOXES))
    assert len(put_in(3, "screw", ("1", "2", "3", "4"), many, SIZE)) == MOST_BOXES
