"""Measuring: published figures, the algebra against a second opinion, and photographs of the card by a true camera.

``pytest -m slow tests/test_measure.py -s`` runs the 400 trials whose figures stand in the report.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from card_camera import Camera, photograph, stand
from hypothesis import given, settings
from hypothesis import strategies as st
from updraft_key.model import units
from updraft_key.model.errors import MeasureError
from updraft_key.model.measure import (
    NOTES,
    Measurement,
    angle_between,
    measure_diameter,
    measure_length,
    off_plane_share,
)
from updraft_key.model.plane import dual_conic_angle, fit_plane, homography
from updraft_key.model.scale import (
    find_known,
    known_cards,
    known_coins,
    look_alikes,
    scale_from_card,
    scale_from_coin,
    scale_from_corners,
)
from updraft_key.model.scale_card import black_rectangles, corners_mm, draw_card, find_card

# OUTSIDE_CHECKS section 8: teaching repository of an image library, reproduced by OpenCV 5.0.0 and scikit-image 0.26.0.
FOUR = np.array([[129, 72], [302, 76], [90, 185], [326, 193]], float)
SQUARE = np.array([[0, 0], [400, 0], [0, 400], [400, 400]], float)
PUBLISHED_H = np.array(
    [
        [3.04026872, 1.04929628, -467.743998],
        [-0.144134582, 6.23382067, -430.241727],
        [2.63620673e-05, 4.17694527e-03, 1],
    ]
)


def line(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.cross([*a, 1.0], [*b, 1.0])


def image_angle(a, b, c, d) -> float:
    u, v = np.subtract(b, a), np.subtract(d, c)
    return float(np.degrees(np.arccos(u @ v / np.hypot(*u) / np.hypot(*v))))


def acute(degrees: float) -> float:
    return min(degrees, 180 - degrees)


# ---- published figures ---------------------------------------------------------------------------


def test_the_published_homography():
    assert homography(FOUR, SQUARE) == pytest.approx(PUBLISHED_H, rel=1e-6)
    assert homography(FOUR, SQUARE) == pytest.approx(cv2.findHomography(FOUR, SQUARE)[0], rel=1e-6)
    transform = pytest.importorskip("skimage.transform")
    second = transform.ProjectiveTransform.from_estimate(FOUR, SQUARE).params
    assert homography(FOUR, SQUARE) == pytest.approx(second / second[2, 2], rel=1e-6)


def test_the_published_angles_by_the_dual_conic():
    h = homography(FOUR, SQUARE)
    top, side = line(FOUR[0], FOUR[1]), line(FOUR[0], FOUR[2])
    falling, rising = line(FOUR[0], FOUR[3]), line(FOUR[1], FOUR[2])
    # OUTSIDE_CHECKS section 8: 107.717 in the picture, 90 rectified; 30.234 to 45; 121.231 to 90.
    assert image_angle(FOUR[0], FOUR[1], FOUR[0], FOUR[2]) == pytest.approx(107.717, abs=5e-4)
    assert image_angle(FOUR[0], FOUR[1], FOUR[0], FOUR[3]) == pytest.approx(30.234, abs=5e-4)
    assert acute(image_angle(FOUR[0], FOUR[3], FOUR[1], FOUR[2])) == pytest.approx(180 - 121.231, abs=5e-4)
    assert dual_conic_angle(h, top, side) == pytest.approx(90, abs=1e-6)
    assert acute(dual_conic_angle(h, top, falling)) == pytest.approx(45, abs=1e-6)
    assert dual_conic_angle(h, falling, rising) == pytest.approx(90, abs=1e-6)


def test_the_published_card_angle():
    # OUTSIDE_CHECKS section 8: card 85.60 x 53.98 mm; a true 37 degree angle at (10, 10) looks like 38.795.
    picture = np.array([[100, 120], [820, 80], [900, 600], [60, 540]], float)
    card = np.array([[0, 0], [85.60, 0], [85.60, 53.98], [0, 53.98]])
    to_picture = homography(card, picture)
    turn = np.radians(37)
    ends = np.array([[10, 10], [40, 10], [10 + 30 * np.cos(turn), 10 + 30 * np.sin(turn)]])
    o, a, b = cv2.perspectiveTransform(ends[None], to_picture)[0]
    assert image_angle(o, a, o, b) == pytest.approx(38.795, abs=5e-4)
    got = dual_conic_angle(np.linalg.inv(to_picture), line(o, a), line(o, b))
    assert acute(got) == pytest.approx(37.000, abs=5e-4)
    plane = scale_from_corners(picture, find_known("id1"), (1000, 700), focal_px=900)
    m = angle_between(plane, np.array([o, a]), np.array([o, b]), off_plane_mm=(0, 0))
    assert m.value == pytest.approx(37.000, abs=5e-3) and m.low < 37 < m.high
    assert "lens_not_seen" in m.notes


def test_off_plane_error_as_published():
    # OUTSIDE_CHECKS section 8: 10 mm at 300 mm is 3.4 %, 0.25 mm on a 7.4 mm head.
    assert off_plane_share(10, 300) == pytest.approx(10 / 290)
    assert 7.4 * off_plane_share(10, 300) == pytest.approx(0.25, abs=0.01)
    with pytest.raises(MeasureError, match="in front of"):
        off_plane_share(300, 300)


def test_known_sizes_as_published():
    # OUTSIDE_CHECKS section 5: ISO/IEC 7810, specification page of the US Mint, summary of EU law, ISO 216.
    card = find_known("id1")
    assert (card.width, card.height, card.thickness) == (85.60, 53.98, 0.76)
    assert card.width / card.height == pytest.approx(1.5858, abs=5e-5)  # not the golden ratio one page claims
    assert units.agree("85.60", "3.370") and units.agree("53.98", "2.125")
    published = {
        "us_cent": 19.05, "us_nickel": 21.21, "us_dime": 17.91, "us_quarter": 24.26, "us_half_dollar": 30.61,
        "us_dollar": 26.49, "euro_2": 25.75, "euro_1": 23.25, "euro_cent_50": 24.25, "euro_cent_20": 22.25,
        "euro_cent_10": 19.75, "euro_cent_5": 21.25, "euro_cent_2": 18.75, "euro_cent_1": 16.25,
    }  # fmt: skip
    assert {c.id: c.diameter for c in known_coins()} == published
    for coin, inch in (("us_cent", "0.750"), ("us_nickel", "0.835"), ("us_dime", "0.705"), ("us_quarter", "0.955")):
        assert units.agree(f"{published[coin]:.2f}", inch)
    sizes = {c.id: (c.width, c.height) for c in known_cards()}
    assert sizes["a4"] == (297, 210) and sizes["letter"] == (pytest.approx(11 * 25.4), pytest.approx(8.5 * 25.4))
    with pytest.raises(MeasureError, match="id1"):
        find_known("doubloon")


def test_coin_look_alikes():
    # OUTSIDE_CHECKS section 5: 24.25 against 24.26 mm interchangeable; a 1 euro called a quarter errs by 4.3 %.
    quarter = {a.coin.id: a for a in look_alikes(find_known("us_quarter"))}
    assert abs(quarter["euro_cent_50"].error_percent) < 0.05
    assert "as well" in quarter["euro_cent_50"].text
    assert quarter["euro_1"].error_percent == pytest.approx(4.3, abs=0.05) and "too large" in quarter["euro_1"].text
    assert next(iter(quarter)) == "euro_cent_50"
    nickel = {a.coin.id: a for a in look_alikes(find_known("us_nickel"))}
    assert abs(nickel["euro_cent_5"].error_percent) == pytest.approx(0.19, abs=0.01)


# ---- the card ------------------------------------------------------------------------------------


def test_the_drawn_card_is_the_one_that_is_looked_for():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    board = cv2.aruco.CharucoBoard((7, 5), 15.0, 11.0, dictionary)
    assert (draw_card(12, 0) == board.generateImage((7 * 15 * 12, 5 * 15 * 12), marginSize=0)).all()
    assert corners_mm() == pytest.approx(np.asarray(board.getChessboardCorners())[:, :2])
    assert sum(r.width * r.height for r in black_rectangles()) == pytest.approx((draw_card(12, 0) == 0).sum() / 144)


def test_cards_that_cannot_be_used_say_why():
    picture = draw_card(6, 10)
    with pytest.raises(MeasureError, match="mirrored"):
        find_card(np.ascontiguousarray(picture[:, ::-1]))
    with pytest.raises(MeasureError, match="nothing of it"):
        find_card(np.full((400, 600), 200, np.uint8))
    with pytest.raises(MeasureError, match="8-bit"):
        find_card(np.zeros((400, 600), np.float32))
    with pytest.raises(MeasureError, match="90 to 110"):
        scale_from_card(picture, printed_100_mm=93 / 25.4)
    with pytest.raises(ValueError, match="pixels a mm"):
        draw_card(0)
    half = picture.copy()
    half[:, 400:] = 255
    sight = find_card(half)
    assert 6 <= len(sight.ids) < 24


def test_a_print_that_is_checked_is_trusted_more_and_corrected():
    picture = draw_card(10, 20)
    ends = np.array([[200, 200], [1250, 200]], float)  # 105 mm on a true print
    free = measure_length(scale_from_card(picture), *ends, off_plane_mm=(0, 0))
    true = measure_length(scale_from_card(picture, printed_100_mm=100), *ends, off_plane_mm=(0, 0))
    small = measure_length(scale_from_card(picture, printed_100_mm=97), *ends, off_plane_mm=(0, 0))
    assert "card_unchecked" in free.notes and "card_unchecked" not in true.notes
    assert true.value == pytest.approx(105, abs=0.05) and small.value == pytest.approx(105 * 0.97, abs=0.05)
    assert free.high - free.low > true.high - true.low + 1.0


def test_the_photo_may_be_large_colour_and_the_card_any_way_up():
    rng = np.random.default_rng(3)
    camera = stand(rng, 20, 300, (4000, 3000))
    grey = photograph(camera, rng)
    for turns in range(4):
        sight = find_card(np.ascontiguousarray(np.rot90(np.dstack([grey] * 3), turns)))
        assert len(sight.ids) >= 20
    sight = find_card(grey)
    assert np.abs(sight.points - camera.see(sight.card_mm)).max() < 0.35


# ---- trials: a true camera with lens distortion, blur and noise ----------------------------------


CLICK_PX = 0.7
SEGMENT_MM, PLUG_MM, ANGLE_DEG = 60.0, 28.575, 37.0


def trial(rng: np.random.Generator, tilt: float, size: tuple[int, int]) -> dict[str, tuple[Measurement, float]]:
    """Photograph the card from 300 mm and measure three true things beside or on it, clicked with scatter."""
    camera = stand(rng, tilt, 300, size)
    plane = scale_from_card(photograph(camera, rng), printed_100_mm=100.0)

    def click(mm: np.ndarray) -> np.ndarray:
        return camera.see(np.asarray(mm)) + rng.normal(0, CLICK_PX, (len(mm), 2))

    def way(degrees: float) -> np.ndarray:
        return np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])

    at, turn = rng.uniform([0, 0], [105, 75]), rng.uniform(0, 360)
    a, b = click(np.array([at, at + SEGMENT_MM * way(turn)]))
    round_at = np.array([52.5, 37.5]) + rng.uniform(-60, 60, 2)
    rim = click(np.array([round_at + PLUG_MM / 2 * way(d) for d in range(0, 360, 30)]))
    corner = rng.uniform([20, 20], [85, 55])
    legs = click(np.array([corner, corner + 40 * way(turn), corner, corner + 40 * way(turn + ANGLE_DEG)]))
    flat = {"point_px": CLICK_PX, "off_plane_mm": (0.0, 0.0)}
    return {
        "length": (measure_length(plane, a, b, **flat), SEGMENT_MM),
        "diameter": (measure_diameter(plane, rim, edge_px=0.0, **flat), PLUG_MM),
        "angle": (angle_between(plane, legs[:2], legs[2:], **flat), ANGLE_DEG),
        "scatter": (measure_length(replace(plane, scale_slack=0.0), a, b, **flat), SEGMENT_MM),
        "height": (Measurement(plane.height_mm[1], plane.height_mm[0], plane.height_mm[2], "mm", {}), camera.height),
    }


def run_trials(count: int, tilt: float, size: tuple[int, int], seed: int) -> dict[str, tuple[float, float, float]]:
    """Mean and 95th percentile of the error (per cent; degrees for the angle), and the share of intervals that hold."""
    rng = np.random.default_rng(seed)
    rows = [trial(rng, tilt, size) for _ in range(count)]
    out = {}
    for name in rows[0]:
        error = np.array([abs(r[name][0].value - r[name][1]) for r in rows])
        share = error if name == "angle" else 100 * error / np.array([r[name][1] for r in rows])
        held = np.mean([r[name][0].low <= r[name][1] <= r[name][0].high for r in rows])
        out[name] = (float(share.mean()), float(np.quantile(share, 0.95)), float(held))
    return out


@pytest.mark.parametrize(("tilt", "limit"), [(0, 0.5), (45, 1.5)])
def test_accuracy_on_photographs_of_the_card_sample(tilt, limit):
    result = run_trials(12, tilt, (3000, 2250), seed=11)
    for name in ("length", "diameter"):
        assert result[name][0] < limit / 2 and result[name][1] < limit
        assert result[name][2] >= 11 / 12
    assert result["angle"][1] < 1.0


@pytest.mark.slow
@pytest.mark.parametrize(("tilt", "limit"), [(0, 0.5), (45, 1.5)])
def test_accuracy_on_two_hundred_photographs(tilt, limit, capsys):
    result = run_trials(200, tilt, (4000, 3000), seed=12)
    with capsys.disabled():
        for name, (mean, p95, held) in result.items():
            print(f"\ntilt {tilt:2d}: {name:8s} mean {mean:.3f} p95 {p95:.3f} interval holds {held:.3f}", end="")
    for name in ("length", "diameter"):
        assert result[name][1] < limit and result[name][2] >= 0.95
    assert result["angle"][2] >= 0.95 and result["scatter"][2] >= 0.95


def seen_scale(camera: Camera, rng: np.random.Generator, far: float = 25.0):
    """Plane from exact corners of the card, as if perfectly found."""
    return fit_plane(
        camera.see(corners_mm()) + rng.normal(0, 0.05, (24, 2)),
        corners_mm(),
        camera.size,
        corner_px=0.05,
        scale_slack=0.003,
    )


def test_a_thing_off_the_plane_is_covered_and_corrected():
    rng = np.random.default_rng(21)
    held, corrected = [], []
    for tilt in (0, 10, 20, 30, 45) * 12:
        camera = stand(rng, tilt, 300, (4000, 3000))
        plane = seen_scale(camera, rng)
        above = rng.uniform(-2, 2)
        a, b = camera.see(np.array([[30.0, 20.0], [70.0, 50.0]]), above)
        m = measure_length(plane, a, b, point_px=0.1)
        held.append(m.low <= 50 <= m.high)
        a, b = camera.see(np.array([[30.0, 20.0], [70.0, 50.0]]), 10.0)
        raw = measure_length(plane, a, b, point_px=0.1, off_plane_mm=(0, 0))
        assert raw.value / 50 - 1 == pytest.approx(off_plane_share(10, camera.height), rel=0.1)
        m = measure_length(plane, a, b, point_px=0.1, off_plane_mm=(10, 10))
        corrected.append((abs(m.value / 50 - 1), m.low <= 50 <= m.high))
    assert np.mean(held) >= 0.95
    assert max(e for e, _ in corrected) < 0.02 and np.mean([h for _, h in corrected]) >= 0.95


def test_the_lens_is_learnt_from_the_card_and_helps():
    rng = np.random.default_rng(8)
    with_lens, without = [], []
    for _ in range(20):
        camera = stand(rng, 25, 160, (4000, 3000))  # near: the card fills the picture
        camera = replace(camera, k=np.array([-0.10, 0.02]))
        plane = seen_scale(camera, rng)
        a, b = camera.see(np.array([[0.0, 0.0], [105.0, 75.0]]))
        if not all((p > 0).all() and (p < (4000, 3000)).all() for p in (a, b)):
            continue
        true = float(np.hypot(105, 75))
        with_lens.append(abs(measure_length(plane, a, b, off_plane_mm=(0, 0)).value / true - 1))
        flat = plane.parameters.copy()
        flat[:8] = homography((corners_mm() - plane.origin) / plane.unit_mm,
                              (camera.see(corners_mm()) - (2000, 1500)) / 2500).ravel()[:8]  # fmt: skip
        flat[8:] = 0
        mm = plane.to_mm(np.array([a, b]), flat)
        without.append(abs(np.hypot(*(mm[1] - mm[0])) / true - 1))
    assert len(with_lens) >= 10
    assert np.mean(with_lens) < 0.002 and np.mean(with_lens) < 0.35 * np.mean(without)


def test_few_corners_widen_the_interval():
    rng = np.random.default_rng(4)
    camera = stand(rng, 20, 300, (4000, 3000))
    a, b = camera.see(np.array([[0.0, 80.0], [100.0, 80.0]]))

    def width(ids: list[int]) -> float:
        plane = fit_plane(camera.see(corners_mm()[ids]), corners_mm()[ids], camera.size, corner_px=0.2, scale_slack=0.0)
        m = measure_length(plane, a, b, point_px=0.2, off_plane_mm=(0, 0))
        assert m.low <= 100 <= m.high
        return m.high - m.low

    assert width(list(range(24))) < width([0, 1, 2, 6, 7, 8, 12, 13, 14]) < width([0, 1, 6, 7, 12, 13])


# ---- known things --------------------------------------------------------------------------------


def test_four_corners_of_a_bank_card():
    rng = np.random.default_rng(31)
    card = find_known("id1")
    outline = np.array([[0, 0], [card.width, 0], [card.width, card.height], [0, card.height]])
    held, errors = [], []
    for tilt in (0, 15, 30, 45) * 15:
        camera = stand(rng, tilt, 300, (4000, 3000))
        corners = camera.see(outline) + rng.normal(0, 1.5, (4, 2))
        start, back = rng.integers(2) * 2, rng.integers(2)
        corners = np.roll(corners, -start, axis=0)
        if back:  # marked the other way round, again starting along a long side
            corners = corners[[1, 0, 3, 2]]
        plane = scale_from_corners(corners, card, camera.size)
        rim = camera.see(np.array([70.0, 80.0]) + PLUG_MM / 2 * np.column_stack(
            [np.cos(np.arange(0, 6.28, 0.5)), np.sin(np.arange(0, 6.28, 0.5))]))  # fmt: skip
        m = measure_diameter(plane, rim + rng.normal(0, 1, rim.shape), off_plane_mm=(0, 0))
        held.append(m.low <= PLUG_MM <= m.high)
        errors.append(abs(m.value / PLUG_MM - 1))
        assert "card_shape_odd" not in m.notes
    assert np.mean(held) >= 0.95 and np.mean(errors) < 0.015


def test_a_wrong_card_and_wrong_corners_are_noticed():
    rng = np.random.default_rng(2)
    camera = stand(rng, 15, 400, (4000, 3000))
    paper = np.array([[-90, -60], [207, -60], [207, 150], [-90, 150]], float) / 2  # half an A4 sheet: ratio 1.414
    plane = scale_from_corners(camera.see(paper), find_known("id1"), camera.size)
    assert "card_shape_odd" in plane.notes
    crossed = camera.see(np.array([[0, 0], [85.6, 53.98], [85.6, 0], [0, 53.98]]))
    with pytest.raises(MeasureError, match="do not go round"):
        scale_from_corners(crossed, find_known("id1"), camera.size)
    with pytest.raises(MeasureError, match="four corners"):
        scale_from_corners(crossed[:3], find_known("id1"), camera.size)


def test_a_coin():
    rng = np.random.default_rng(41)
    coin = find_known("us_quarter")
    angles = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    held, errors = [], []
    for tilt in (0, 10, 20, 35) * 20:
        camera = stand(rng, tilt, 300, (4000, 3000))
        rim = camera.see(circle * coin.diameter / 2 + [40, 40]) + rng.normal(0, 1, (12, 2))
        plane = scale_from_coin(rim, coin, camera.size)
        plug = camera.see(circle * PLUG_MM / 2 + [40 + 35, 40]) + rng.normal(0, 1, (12, 2))
        m = measure_diameter(plane, plug, off_plane_mm=(0, 0))
        held.append(m.low <= PLUG_MM <= m.high)
        errors.append(abs(m.value / PLUG_MM - 1))
        assert {"coin_tilt", "lens_not_seen"} <= set(m.notes)
    assert np.mean(held) >= 0.95 and np.mean(errors[::4]) < 0.015 and np.mean(errors) < 0.05
    with pytest.raises(MeasureError, match="six points"):
        scale_from_coin(rim[:5], coin, camera.size)
    with pytest.raises(MeasureError, match="ellipse"):
        scale_from_coin(np.column_stack([np.arange(8.0), np.arange(8.0) ** 2 / 100 + 5]) + 50, coin, camera.size)


# ---- words and refusals --------------------------------------------------------------------------


def test_values_are_said_in_both_units_and_angles_in_degrees():
    plane = scale_from_card(draw_card(10, 20), printed_100_mm=100)
    m = measure_length(plane, np.array([200.0, 200.0]), np.array([500.0, 200.0]))
    ((mm, inch), *_) = units.pairs(m.text)
    assert units.agree(mm, inch) and float(mm) == pytest.approx(30, abs=0.1) and not units.twinless(m.text)
    a = angle_between(plane, np.array([[200, 200], [500, 200]]), np.array([[200, 200], [200, 500]]))
    assert a.text.startswith("90.0\N{DEGREE SIGN}") and a.low < 90 < a.high
    assert set(m.parts) == {"points", "plane", "scale", "off_plane", "edge"}
    for note in NOTES.values():
        assert not units.twinless(note) and note.endswith(".")


def test_roughly_marked_and_partly_marked_rims_are_noted():
    plane = scale_from_card(draw_card(10, 20), printed_100_mm=100)
    angles = np.radians(np.arange(0, 360, 30))
    rim = np.column_stack([np.cos(angles), np.sin(angles)]) * 143 + 600
    good = measure_diameter(plane, rim)
    assert good.value == pytest.approx(28.6, abs=0.05) and good.notes == ()
    oval = measure_diameter(plane, np.column_stack([np.cos(angles) * 1.15, np.sin(angles)]) * 143 + 600)
    assert "not_round" in oval.notes and oval.parts["points"] > 5 * good.parts["points"]
    arc = measure_diameter(plane, rim[:5])
    assert "arc_short" in arc.notes and arc.high - arc.low > good.high - good.low


def test_what_cannot_be_measured_says_why():
    plane = scale_from_card(draw_card(10, 20), printed_100_mm=100)
    p = np.array([300.0, 300.0])
    with pytest.raises(MeasureError, match="two different points"):
        measure_length(plane, p, p)
    with pytest.raises(MeasureError, match="outside the picture"):
        measure_length(plane, p, np.array([-5.0, 3.0]))
    with pytest.raises(MeasureError, match="outside the picture"):
        measure_length(plane, p, np.array([np.nan, 3.0]))
    with pytest.raises(MeasureError, match="five points"):
        measure_diameter(plane, np.array([p, p + 1]))
    with pytest.raises(MeasureError, match="one line"):
        measure_diameter(plane, p + np.arange(6)[:, None] * [10.0, 0.0])
    with pytest.raises(MeasureError, match="off the plane"):
        measure_length(plane, p, p + 50, off_plane_mm=(3, 2))
    with pytest.raises(MeasureError, match="too far"):
        measure_length(plane, p, p + 50, off_plane_mm=(0, 5000))
    with pytest.raises(MeasureError, match="pixels"):
        measure_length(plane, p, p + 50, point_px=-1)
    with pytest.raises(MeasureError, match="each line"):
        angle_between(plane, np.array([p, p]), np.array([p, p + 9]))
    with pytest.raises(MeasureError, match="two lines"):
        angle_between(plane, np.array([p]), np.array([p, p + 9]))
    with pytest.raises(MeasureError, match="four points"):
        homography(FOUR[:3], SQUARE[:3])
    with pytest.raises(MeasureError, match="one line"):
        homography(np.array([[0, 0], [1, 1], [2, 2], [3, 3]], float), SQUARE)


def test_beyond_the_horizon_is_refused():
    rng = np.random.default_rng(1)
    camera = stand(rng, 75, 300, (4000, 3000))
    plane = fit_plane(camera.see(corners_mm()), corners_mm(), camera.size, corner_px=0.1, scale_slack=0.0)
    grid = np.stack(np.meshgrid(np.linspace(1, 3999, 15), np.linspace(1, 2999, 15)), axis=-1).reshape(-1, 2)
    refused = 0
    for p in grid:
        try:
            plane.to_mm(p[None])
        except MeasureError as e:
            assert "horizon" in str(e)
            refused += 1
    assert 0 < refused < len(grid)


SPOTS = st.lists(st.tuples(st.floats(0, 4000), st.floats(0, 3000)), min_size=4, max_size=12)


@settings(max_examples=60, deadline=None)
@given(SPOTS, SPOTS)
def test_any_points_give_an_ordered_interval_or_a_plain_refusal(marked, measured):
    marks, rim = np.array(marked), np.array(measured)
    planes = (
        lambda: scale_from_corners(marks[:4], find_known("id1"), (4000, 3000)),
        lambda: scale_from_coin(marks, find_known("euro_1"), (4000, 3000)),
    )
    for make in planes:
        try:
            plane = make()
        except MeasureError:
            continue
        for measure in (
            lambda p=plane: measure_length(p, rim[0], rim[1]),
            lambda p=plane: measure_diameter(p, rim),
            lambda p=plane: angle_between(p, rim[:2], rim[2:4]),
        ):
            try:
                m = measure()
            except MeasureError:
                continue
            assert np.isfinite([m.value, m.low, m.high]).all() and 0 <= m.low <= m.value <= m.high
