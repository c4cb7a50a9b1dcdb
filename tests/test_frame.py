"""The way from the photo to the network's square and back."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from updraft_key.model.fingerprint import difference_hash, fingerprint
from updraft_key.model.frame import GREY, halved, halvings, letterbox, letterbox_pixels, net_input, widen
from updraft_key.model.photo import SMALLEST, Photo

sides = st.integers(1, 400)


@given(w=sides, h=sides, size=st.sampled_from([32, 320, 448]), scale=st.sampled_from([1.0, 0.5, 0.37]))
def test_there_and_back_is_exact(w: int, h: int, size: int, scale: float) -> None:
    pixels = np.zeros((h, w, 3), np.uint8)
    _, frame = letterbox_pixels(pixels, None, size, scale=scale)
    points = np.array([[0.0, 0.0], [w / scale, h / scale], [w / 3 / scale, h / 7 / scale]])
    net = frame.to_net(points)
    assert np.allclose(frame.to_photo(net), points, atol=1e-6 * max(w, h) / scale)
    assert net.min() >= -1e-6 and net.max() <= size + 1e-6


@given(
    w=sides, h=sides, margin=st.floats(0, 0.5),
    box=st.tuples(*[st.floats(-1000, 1000, allow_nan=False)] * 4),
)  # fmt: skip
def test_any_box_gives_a_cut_inside_the_photo(
    w: int, h: int, margin: float, box: tuple[float, float, float, float]
) -> None:
    canvas, frame = letterbox_pixels(np.zeros((h, w, 3), np.uint8), box, 64, margin=margin)
    assert canvas.shape == (64, 64, 3)
    assert frame.x >= 0 and frame.y >= 0
    assert frame.x + frame.width <= w and frame.y + frame.height <= h
    assert frame.width >= 1 and frame.height >= 1


def test_a_nan_box_gives_the_whole_photo() -> None:
    nan = float("nan")
    canvas, frame = letterbox_pixels(np.zeros((30, 40, 3), np.uint8), (nan, nan, nan, nan), 64)
    assert (frame.x, frame.y, frame.width, frame.height) == (0, 0, 40, 30)
    assert canvas.shape == (64, 64, 3)


@pytest.mark.parametrize(("size", "scale"), [(448, 1.0), (448, 0.5), (96, 1.0), (96, 0.25)])
def test_a_dot_lands_where_the_frame_says(size: int, scale: float) -> None:
    """A bright square at known photo coordinates has its centroid where ``to_net`` puts it."""
    pixels = np.zeros((240, 320, 3), np.uint8)
    pixels[100:108, 200:208] = 255
    centre = np.array([[204.0, 104.0]]) / scale
    canvas, frame = letterbox_pixels(pixels, (150 / scale, 60 / scale, 260 / scale, 150 / scale), size,
                                     margin=0.15, scale=scale)  # fmt: skip
    light = canvas[:, :, 0].astype(float)
    light[light == GREY] = 0
    ys, xs = np.mgrid[0:size, 0:size] + 0.5
    found = np.array([(light * xs).sum(), (light * ys).sum()]) / light.sum()
    assert np.allclose(found, frame.to_net(centre)[0], atol=0.1 * max(1.0, size / 150))


def test_normalisation_and_bars() -> None:
    net, _ = letterbox(np.full((10, 20, 3), 255, np.uint8), None, 32)
    assert net.shape == (1, 3, 32, 32) and net.dtype == np.float32
    assert net.max() == 1.0
    assert np.all(net[0, :, :8] == 0.0) and np.all(net[0, :, 24:] == 0.0)
    assert net_input(np.zeros((4, 4, 3), np.uint8)).min() == np.float32(-127 / 128)


def test_channel_order_is_kept() -> None:
    pixels = np.zeros((8, 8, 3), np.uint8)
    pixels[..., 0] = 255
    net, _ = letterbox(pixels, None, 32)
    assert net[0, 0].min() == 1.0 and net[0, 1:].max() < 0


def test_margin_is_clipped_at_the_edge() -> None:
    assert widen((10, 10, 110, 60), 0.15, 200, 65) == (0, 2.5, 125, 65)


@pytest.mark.parametrize("bad", [np.zeros((4, 4), np.uint8), np.zeros((4, 4, 3)), np.zeros((0, 4, 3), np.uint8)])
def test_wrong_arrays_are_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match="expected uint8"):
        letterbox_pixels(bad, None, 32)


PICTURES = [(1512, 2016), (756, 1008), (600, 800), (601, 800), (1200, 1500), (480, 640), (30, 40), (2001, 1000)]


@pytest.mark.parametrize(("h", "w"), PICTURES)
def test_who_starts_from_a_halving_gets_the_same_bits(h: int, w: int) -> None:
    """The first look, the fingerprints and the quality lean on this: a photo is halved once for all of them."""
    pixels = np.random.default_rng(h).integers(0, 256, (h, w, 3), np.uint8)
    photo = Photo(pixels, "0" * 64, 2 * w, 2 * h, 0.5)
    for size in (32, 160, 320, 384):
        ours, our_frame = photo.look(None, size)
        theirs, their_frame = letterbox(pixels, None, size, scale=0.5)
        assert np.array_equal(ours, theirs) and our_frame == their_frame
    small = photo.small(SMALLEST)[0]
    assert np.array_equal(fingerprint(small).detail, fingerprint(pixels).detail)
    assert difference_hash(small) == difference_hash(pixels)


def test_a_cut_comes_from_the_smallest_halving_that_still_has_its_pixels() -> None:
    """Its size before the last step lies within a factor of two of the square; where it lies is exact to that pixel."""
    pixels = np.random.default_rng(1).integers(0, 256, (1512, 2016, 3), np.uint8)
    photo = Photo(pixels, "0" * 64, 4032, 3024, 0.5)
    for share in (1.0, 0.7, 0.5, 0.3, 0.11):
        box = (100.0, 200.0, 100.0 + share * 2900, 200.0 + share * 2000)
        net, frame = photo.look(box, 384)
        assert net.shape == (1, 3, 384, 384)
        assert abs(frame.x - box[0]) <= 8 and abs(frame.width - (box[2] - box[0])) <= 16
        plain, plain_frame = letterbox(pixels, box, 384, scale=0.5)
        there = frame.to_net(plain_frame.to_photo(np.array([[40.0, 200.0], [300.0, 250.0]])))
        assert np.abs(there - [[40.0, 200.0], [300.0, 250.0]]).max() < 384 * 8 / (share * 2900) + 0.5
    assert np.abs(plain - photo.look(box, 384)[0]).mean() < 0.05, "no halving: the same cut, but for its rounded edges"


def test_the_last_step_is_linear_within_a_factor_of_two_and_averages_beyond() -> None:
    """A picture of odd sides cannot be halved; single bright pixels must then not be stepped over."""
    pixels = np.zeros((1201, 1601, 3), np.uint8)
    pixels[::7, ::7] = 255
    canvas, _ = letterbox_pixels(pixels, None, 160)
    light = canvas[(canvas != GREY).any(2)]
    assert abs(light.mean() - pixels.mean()) < 0.4
    even = np.random.default_rng(4).integers(0, 256, (300, 400, 3), np.uint8)
    assert np.array_equal(
        letterbox_pixels(even, None, 320)[0][40:280],
        cv2.resize(even, (320, 240), interpolation=cv2.INTER_LINEAR_EXACT),
    )


def test_halvings_end_where_a_side_is_odd_or_too_small() -> None:
    sides_of = [step.shape[:2] for step in halvings(np.zeros((1512, 2016, 3), np.uint8), 192)]
    assert sides_of == [(1512, 2016), (756, 1008), (378, 504), (189, 252)]
    assert len(halvings(np.zeros((601, 800, 3), np.uint8), 10)) == 1
    assert halved(np.zeros((1512, 2016, 3), np.uint8), 400).shape == (378, 504, 3)
    assert len(halvings(np.zeros((100, 191, 3), np.uint8), 192)) == 1


def test_a_photos_halvings_are_averages_nobody_can_write_to() -> None:
    pixels = np.random.default_rng(2).integers(0, 256, (600, 800, 3), np.uint8)
    photo = Photo(pixels, "0" * 64, 800, 600, 1.0)
    assert photo.halvings[0] is pixels and [len(s) for s in photo.halvings] == [600, 300, 150]
    exact = pixels.reshape(300, 2, 400, 2, 3).mean((1, 3))
    assert np.abs(photo.halvings[1] - exact).max() <= 0.5
    assert not any(step.flags.writeable for step in photo.halvings[1:])
    assert photo.small(401)[0] is pixels and photo.small(400)[1] == 0.5 and photo.small(10)[0] is photo.halvings[-1]
    assert photo.small(5000)[0] is pixels
