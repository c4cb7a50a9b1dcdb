"""The marked picture: labels inside, never on top of each other, marks where they belong, nothing else in the file."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from hostile.pictures import jpeg as encoded
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFont
from raw import ALLOY5, IRON, NOTHING, bench
from updraft_key.app.overlay import FONT, LONGEST, SHORTEST, draw_marks, jpeg
from updraft_key.app.panels import number_places
from updraft_key.app.placing import Rect, place
from updraft_key.model import Identifier, open_photo
from updraft_key.model.answer import PhotoAnswer
from updraft_key.model.cues import Mark
from updraft_key.model.photo import Photo

PHOTO = open_photo(encoded(bench(1600, 1200)))


def read(photo: Photo = PHOTO) -> PhotoAnswer:
    return Identifier(ALLOY5.network()).read("a.jpg", photo)


sizes = st.tuples(st.floats(10, 180), st.floats(8, 60))
points = st.tuples(st.floats(-50, 850), st.floats(-50, 650))


@settings(max_examples=80, deadline=None)
@given(st.lists(points, max_size=5), st.booleans())
def test_numbers_of_the_page_lie_inside_and_none_on_another(ends: list[tuple[float, float]], line: bool) -> None:
    """Five single points and a line between the first two of them; numbers are discs of 2.6 hundredths of 800 px."""
    marks = [Mark("ear", 0.9, points=(p,)) for p in ends]
    if line and len(ends) > 1:
        marks.append(Mark("scavenge_tube", 0.9, points=(ends[0], ends[1])))
    places = number_places(marks, 800, 600)
    assert len(places) == len(marks)
    assert all(24 <= x <= 776 and 24 <= y <= 576 for x, y in places)
    assert all(np.hypot(a[0] - b[0], a[1] - b[1]) >= 44 for i, a in enumerate(places) for b in places[:i])


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(points, sizes), max_size=9))
def test_labels_lie_inside_and_apart(labels: list[tuple[tuple[float, float], tuple[float, float]]]) -> None:
    """Nine labels of up to 180 x 60 fill less than a quarter of 800 x 600: there is always room."""
    anchors, shapes = [a for a, _ in labels], [s for _, s in labels]
    places = place(anchors, shapes, (800, 600), [Rect.around(a, 12) for a in anchors], gap=8)
    for rect, (w, h) in zip(places, shapes, strict=True):
        assert rect.x0 >= 0 and rect.x1 <= 800 and rect.y0 >= 0 and rect.y1 <= 600
        assert rect.x1 - rect.x0 == pytest.approx(w) and rect.y1 - rect.y0 == pytest.approx(h)
    for i, a in enumerate(places):
        assert all(a.overlap(b) < 1e-6 for b in places[i + 1 :]), "square pixels: no more than rounding"


def test_labels_stay_near_where_there_is_room() -> None:
    (rect,) = place([(400, 300)], [(100, 30)], (800, 600), [Rect.around((400, 300), 12)], gap=8)
    near = rect.nearest((400, 300))
    assert 0 < np.hypot(near[0] - 400, near[1] - 300) < 40


def test_the_photo_itself_is_left_alone() -> None:
    before = PHOTO.pixels.copy()
    drawn = draw_marks(PHOTO, read())
    assert np.array_equal(PHOTO.pixels, before) and drawn.shape == before.shape
    assert 0.005 < (drawn != before).any(axis=2).mean() < 0.35


def test_marks_are_drawn_where_they_are() -> None:
    """Each mark changes the picture within a few pixels of its point; far from all marks and labels nothing changes."""
    drawn = draw_marks(PHOTO, read())
    changed = (drawn != PHOTO.pixels).any(axis=2)
    readings = read().readings
    assert readings is not None
    for cue in readings.cues.values():
        for mark in cue.marks:
            for x, y in mark.points or ():
                assert changed[int(y) - 20 : int(y) + 20, int(x) - 20 : int(x) + 20].any(), mark
    assert not changed[-40:, -40:].any()


@pytest.mark.parametrize(
    ("width", "height"), [(200, 150), (1600, 1200), (1200, 1600), (6000, 4000), (3000, 120), (97, 3000)]
)
def test_any_size_is_drawn(width: int, height: int) -> None:
    factor = max(1, max(width, height) // 2000)
    pixels = bench(2000, 2000)[: -(-height // factor), : -(-width // factor)]
    photo = Photo(pixels, "0" * 64, pixels.shape[1] * factor, pixels.shape[0] * factor, 1 / factor)
    drawn = draw_marks(photo, read(photo))
    assert SHORTEST <= max(drawn.shape) <= LONGEST + 1 and drawn.dtype == np.uint8


def test_a_photo_without_a_subject_says_so() -> None:
    answer = Identifier(NOTHING.network()).read("a.jpg", PHOTO)
    changed = (draw_marks(PHOTO, answer) != PHOTO.pixels).any(axis=2)
    assert changed[:80].any() and not changed[200:].any()


def test_what_is_not_sure_is_drawn_otherwise() -> None:
    unsure = replace(ALLOY5, logit=0.8)
    sure, not_sure = (draw_marks(PHOTO, Identifier(s.network()).read("a.jpg", PHOTO)) for s in (ALLOY5, unsure))
    assert not np.array_equal(sure, not_sure)


def test_every_label_can_be_written() -> None:
    """The shipped font has a glyph for each character of every label, in each language."""
    from updraft_key.app.labels import MARK_NAMES, READING_NAMES
    from updraft_key.app.language import LANGUAGES, tongue

    font = ImageFont.truetype(str(FONT), 20)
    missing = bytes(font.getmask("\uffff"))
    texts = [*MARK_NAMES.values(), *(r for names in READING_NAMES.values() for r in names.values()), "0123456789°–?:,"]
    for lang in LANGUAGES:
        for c in set("".join(tongue(lang).say(t) for t in texts)) - {" "}:
            assert bytes(font.getmask(c)) != missing, c


def test_same_input_same_bytes_and_no_metadata() -> None:
    answer = Identifier(IRON.network()).read("a.jpg", PHOTO)
    one, two = (jpeg(draw_marks(PHOTO, answer)) for _ in range(2))
    assert one == two and b"Exif" not in one and b"a.jpg" not in one
    with Image.open(io.BytesIO(one)) as image:
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
