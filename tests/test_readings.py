"""From raw outputs to readings: each rule of ``readings.py`` as a row. Angles: common practice, no source."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from raw import ALLOY4, ALLOY5, FIVE, FLOOR, FOUR, HANDLE, IRON, SURE, Sight
from updraft_key.model.cues import CUES, OUT_OF_SIGHT, READINGS, UNSURE, Cue, Readings
from updraft_key.model.frame import letterbox_pixels
from updraft_key.model.peaks import MOST_SCREWS, find_peaks
from updraft_key.model.readings import (
    IMAGE_LEVEL_DEG,
    IMAGE_SLOPING_DEG,
    first_look,
    image_angle,
    is_small,
    read,
    softmax,
)
from updraft_key.model.spec import Calibration, ModelSpec, reference_from

PIXELS = np.full((448, 448, 3), 90, np.uint8)
SPEC = ModelSpec()


def taken(sight: Sight, spec: ModelSpec = SPEC, size: tuple[int, int] = (448, 448)) -> Readings:
    """Both looks at a blank photo of ``size`` (width, height)."""
    pixels = np.full((size[1], size[0], 3), 90, np.uint8)
    _, frame = letterbox_pixels(pixels, None, spec.find_size)
    first = first_look(sight.outputs(spec.find_size, second=False), frame, spec)
    _, frame = letterbox_pixels(pixels, None, spec.read_size)
    return read(sight.outputs(spec.read_size, second=True), frame, spec, first)


@pytest.mark.parametrize("sight", [IRON, ALLOY4, ALLOY5], ids=["iron", "alloy4", "alloy5"])
def test_a_clear_sight_is_accepted_whole(sight: Sight) -> None:
    readings = taken(sight)
    assert readings.subject.found and readings.view == "front"
    for cue in CUES:
        assert (readings.cues[cue].reading, readings.cues[cue].accepted) == (sight.cues[cue], True), cue
        assert math.isclose(sum(readings.cues[cue].probabilities.values()), 1.0)
        assert set(readings.cues[cue].probabilities) == {*READINGS[cue], OUT_OF_SIGHT}


def test_marks_lie_where_the_peaks_are() -> None:
    marks = {m.part: m for c in taken(IRON).cues.values() for m in c.marks if m.part != "screw"}
    assert marks["throat_plug"].points == (pytest.approx((200.0, 400.0), abs=0.01),)
    assert marks["handle"].points == (pytest.approx((250.0, 330.0)), pytest.approx((330.0, 375.0)))
    assert marks["bowl_floor"].points == (pytest.approx((250.0, 325.0)), pytest.approx((120.0, 325.0)))
    screws = taken(ALLOY5).cues[Cue.JOINT_SCREWS].marks
    assert sorted(m.points[0] for m in screws if m.points) == [pytest.approx(p) for p in sorted(FIVE)]


def test_marks_are_pixels_of_the_whole_photo() -> None:
    """A photo of 1792 x 896 fits the square with bars above and below; network (200, 232) is photo (800, 480)."""
    readings = taken(ALLOY4, size=(1792, 896))
    assert readings.cues[Cue.FRONT_EAR].marks[0].points == (pytest.approx((800.0, (232.0 - 112.0) * 4), abs=0.1),)
    assert readings.subject.box == pytest.approx((448.0, 0.0, 1344.0, 896.0))


@pytest.mark.parametrize(
    ("change", "cue", "why"),
    [
        ({"peaks": {**ALLOY5.peaks, "ear": ()}}, Cue.FRONT_EAR, "an ear that is nowhere"),
        ({"peaks": {**ALLOY5.peaks, "jet_plug": ()}}, Cue.MAIN_JET, "a plug that is nowhere"),
        ({"peaks": {**ALLOY5.peaks, "tube_low": (), "tube_high": ()}}, Cue.SCAVENGE_LINE, "a tube that is nowhere"),
        ({"count": 4}, Cue.JOINT_SCREWS, "the counting head says four"),
        ({"peaks": {**ALLOY5.peaks, "screw": FOUR}, "count": 5}, Cue.JOINT_SCREWS, "only four peaks"),
        ({"peaks": {**ALLOY5.peaks, "screw": (*FIVE, (30.0, 30.0))}, "count": 5}, Cue.JOINT_SCREWS, "six peaks"),
        ({"peaks": {**ALLOY5.peaks, "screw": FOUR}, "count": 4}, Cue.JOINT_SCREWS, "four of each against five"),
    ],
)
def test_what_is_not_borne_out_is_unsure(change: dict[str, object], cue: Cue, why: str) -> None:
    readings = taken(replace(ALLOY5, **change))  # type: ignore[arg-type]
    assert (readings.cues[cue].reading, readings.cues[cue].accepted) == (UNSURE, False), why
    others = [c for c in CUES if c is not cue and c is not Cue.THROAT_BOTTOM]
    assert all(readings.cues[c].accepted for c in others), "nothing else changes"


def test_a_plug_under_the_throat_must_be_seen_somewhere() -> None:
    assert taken(replace(IRON, peaks={**IRON.peaks, "throat_plug": ()})).cues[Cue.THROAT_BOTTOM].reading == UNSURE


@pytest.mark.parametrize(
    ("reading", "degrees", "scale", "accepted"),
    [
        ("handle_sloping", 28.0, 2.0, True),
        ("handle_sloping", 18.5, 1.0, True),
        ("handle_sloping", 17.5, 1.0, False),  # the interval is never narrower than 3 degrees either way
        ("handle_sloping", 28.0, 8.0, False),  # a wide interval reaches below the boundary
        ("handle_sloping", 3.0, 1.0, False),  # the two heads disagree
        ("handle_level", 2.0, 1.0, True),
        ("handle_level", -6.0, 3.0, True),
        ("handle_level", 11.5, 1.0, True),
        ("handle_level", 12.5, 1.0, False),
        ("handle_level", 2.0, 8.0, False),
        ("handle_level", 30.0, 1.0, False),
    ],
)
def test_the_handle_and_its_angle_must_agree(reading: str, degrees: float, scale: float, accepted: bool) -> None:
    sight = Sight({"main_jet": reading}, dict(HANDLE), angle=(degrees, scale))
    jet = taken(sight).cues[Cue.MAIN_JET]
    assert jet.accepted is accepted
    assert jet.angle is not None and jet.angle.value == pytest.approx(degrees, abs=0.01)
    half = max(3.0, math.log(10.0) * scale)  # 90 % of a Laplace distribution: scale x ln 10
    assert (jet.angle.low, jet.angle.high) == (
        pytest.approx(degrees - half, abs=0.01),
        pytest.approx(degrees + half, abs=0.01),
    )


def tip(slope: float) -> dict[str, tuple[tuple[float, float], ...]]:
    """The handle drawn at ``slope`` degrees below a level floor line."""
    x, y = 250.0 + 80 * math.cos(math.radians(slope)), 330.0 + 80 * math.sin(math.radians(slope))
    return {"handle_root": ((250.0, 330.0),), "handle_tip": ((x, y),), **FLOOR}


@pytest.mark.parametrize(
    ("reading", "head", "drawn", "view", "accepted"),
    [
        ("handle_sloping", 28.0, 28.0, "left", True),
        ("handle_sloping", 28.0, IMAGE_LEVEL_DEG + 1, "right", True),
        ("handle_sloping", 28.0, IMAGE_LEVEL_DEG - 1, "right", False),
        ("handle_sloping", 28.0, 0.0, "front", True),  # from the front the slope does not show in the picture
        ("handle_sloping", 28.0, 28.0, "below", False),  # from below or above a slope hardly shows
        ("handle_level", 2.0, 2.0, "top", False),
        ("handle_level", 2.0, 2.0, "left", True),
        ("handle_level", 2.0, IMAGE_SLOPING_DEG + 1, "left", False),
        ("handle_level", 2.0, IMAGE_SLOPING_DEG + 1, "front", True),
    ],
)
def test_a_side_view_must_not_show_the_opposite_nor_a_steep_one_say_anything(
    reading: str, head: float, drawn: float, view: str, accepted: bool
) -> None:
    sight = Sight({"main_jet": reading}, tip(drawn), angle=(head, 1.0), view=view)
    assert taken(sight).cues[Cue.MAIN_JET].accepted is accepted


@pytest.mark.parametrize(
    ("view", "tube", "accepted"), [("top", False, False), ("top", True, True), ("front", False, True)]
)
def test_from_above_a_fifth_screw_needs_a_tube_beside_it(view: str, tube: bool, accepted: bool) -> None:
    cues = dict(ALLOY5.cues) if tube else {**ALLOY5.cues, "scavenge_line": "out_of_sight"}
    said = taken(replace(ALLOY5, cues=cues, view=view)).cues
    for cue in (Cue.FRONT_EAR, Cue.JOINT_SCREWS):
        assert said[cue].accepted is accepted and (said[cue].reading != UNSURE) is accepted
    bare = taken(replace(ALLOY4, cues={**ALLOY4.cues, "scavenge_line": "out_of_sight"}, view=view)).cues
    assert bare[Cue.FRONT_EAR].accepted and bare[Cue.JOINT_SCREWS].accepted


@pytest.mark.parametrize("slope", [-30.0, 0.0, 12.0, 45.0, 80.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_the_drawn_angle_is_the_angle_drawn(slope: float, mirrored: bool) -> None:
    outputs = Sight({}, tip(slope)).outputs(448, second=True)
    if mirrored:
        flipped = {k: [(448.0 - x, y) for x, y in v] for k, v in tip(slope).items()}
        outputs = Sight({}, flipped).outputs(448, second=True)
    _, frame = letterbox_pixels(PIXELS, None, 448)
    assert image_angle(find_peaks(outputs, frame, {})) == pytest.approx(slope, abs=0.1)


def test_no_subject_means_nothing_is_in_sight() -> None:
    for sight in (replace(IRON, found=-SURE), replace(IRON, found_second=-SURE)):
        readings = taken(sight)
        assert not readings.subject.found and readings.subject.box is None and readings.subject.probability < 0.01
        assert all(c.reading == OUT_OF_SIGHT and not c.accepted for c in readings.cues.values())


def test_a_picture_unlike_the_known_ones_is_not_read() -> None:
    known = np.zeros((6, 128), np.float32)
    known[:, 0] = 1.0
    spec = ModelSpec(reference=reference_from(known, 5, 0.5))
    readings = taken(IRON, spec)  # the drawn features are zero: as far from the known ones as can be
    assert not readings.subject.found and readings.findings == ("unlike_training",)


def calibrated(**values: object) -> ModelSpec:
    return ModelSpec(calibration=Calibration(**values))  # type: ignore[arg-type]


def test_a_second_member_of_the_set_makes_it_unsure() -> None:
    """``bare`` at 0.8, ``none`` at 0.1: alone in the set at 0.5, not when ``none`` may be missed by 0.95."""
    sight = replace(ALLOY4, logit=3.0)
    p = softmax(np.array([0.0, 3.0, 0.0, 0.0]), 1.0)
    assert p[1] == pytest.approx(0.87, abs=0.01)
    assert taken(sight).cues[Cue.FRONT_EAR].accepted
    wide = calibrated(conformal={"front_ear": {"none": 0.97, "bare": 0.5, "screwed": 0.5, "out_of_sight": 0.5}})
    assert taken(sight, wide).cues[Cue.FRONT_EAR].reading == UNSURE
    hidden = calibrated(conformal={"front_ear": {"none": 0.5, "bare": 0.5, "screwed": 0.5, "out_of_sight": 0.97}})
    assert taken(sight, hidden).cues[Cue.FRONT_EAR].reading == UNSURE


def test_an_empty_set_and_a_floor_make_it_unsure() -> None:
    strict = calibrated(conformal={"front_ear": {"bare": 0.001}})
    assert taken(replace(ALLOY4, logit=3.0), strict).cues[Cue.FRONT_EAR].reading == UNSURE
    floor = calibrated(floors={"front_ear": {"bare": 0.95}})
    assert taken(replace(ALLOY4, logit=3.0), floor).cues[Cue.FRONT_EAR].reading == UNSURE
    assert taken(ALLOY4, floor).cues[Cue.FRONT_EAR].reading == "bare"
    never = calibrated(floors={"front_ear": {"bare": 1.5}})
    assert taken(ALLOY4, never).cues[Cue.FRONT_EAR].reading == UNSURE


def test_temperature_flattens() -> None:
    hot = calibrated(temperatures={"front_ear": 4.0, "found": 2.0})
    cold, warm = taken(ALLOY4).cues[Cue.FRONT_EAR], taken(ALLOY4, hot).cues[Cue.FRONT_EAR]
    assert warm.probabilities["bare"] < cold.probabilities["bare"]
    assert taken(ALLOY4, hot).subject.probability == pytest.approx(1 / (1 + math.exp(-SURE / 2)))


def test_out_of_sight_is_said_and_never_accepted() -> None:
    for cue in CUES:
        reading = taken(replace(IRON, cues={**IRON.cues, cue: OUT_OF_SIGHT})).cues[cue]
        assert (reading.reading, reading.accepted) == (OUT_OF_SIGHT, False)


def test_peaks_in_the_bars_do_not_count() -> None:
    """The second look of a wide photo has bars above and below; a screw cannot be there."""
    _, frame = letterbox_pixels(np.zeros((224, 448, 3), np.uint8), None, 448)
    outputs = Sight({}, {"screw": ((100.0, 40.0), (100.0, 200.0), (100.0, 420.0))}).outputs(448, second=True)
    peaks = find_peaks(outputs, frame, {})["screw"]
    assert [p.point for p in peaks] == [pytest.approx((100.0, 88.0))]


def test_a_plateau_is_one_peak_and_noise_is_bounded() -> None:
    _, frame = letterbox_pixels(PIXELS, None, 448)
    outputs = dict(Sight().outputs(448, second=True))
    outputs["heat"][0, 1, 50:52, 60:62] = 3.0
    assert len(find_peaks(outputs, frame, {})["screw"]) == 1
    outputs["heat"][0, 1] = np.random.default_rng(0).normal(2.0, 1.0, (112, 112))
    assert len(find_peaks(outputs, frame, {})["screw"]) == MOST_SCREWS


@given(st.lists(st.floats(-50, 50), min_size=2, max_size=6), st.floats(0.05, 20))
def test_softmax_sums_to_one(logits: list[float], temperature: float) -> None:
    assert math.isclose(softmax(np.array(logits), temperature).sum(), 1.0)


@given(st.integers(0, 2**32 - 1))
def test_any_finite_outputs_give_readings_that_hold_together(seed: int) -> None:
    rng = np.random.default_rng(seed)
    spec = ModelSpec(find_size=64, read_size=64)
    blank = Sight().outputs(64, second=True)
    outputs = {k: rng.normal(0, 6, v.shape).astype(np.float32) for k, v in blank.items()}
    outputs["found"][:] = SURE
    _, frame = letterbox_pixels(np.zeros((70, 90, 3), np.uint8), None, 64)
    readings = read(outputs, frame, spec, first_look(outputs, frame, spec))
    x0, y0, x1, y1 = readings.subject.box or (0, 0, 0, 0)
    assert 0 <= x0 <= x1 <= 90 and 0 <= y0 <= y1 <= 70
    for cue, c in readings.cues.items():
        assert c.accepted == (c.reading in READINGS[cue])
        assert all(0 <= x <= 90 and 0 <= y <= 70 for m in c.marks for x, y in m.points or ())
        assert c.angle is None or c.angle.low <= c.angle.value <= c.angle.high


def test_small_subjects_are_told() -> None:
    assert is_small((0, 0, 100, 50), 1000, 1000) and not is_small((0, 0, 300, 50), 1000, 1000)
    assert not is_small(None, 10, 10)
