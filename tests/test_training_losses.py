"""The loss terms, against values worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from updraft_key.training.augment import compose, develop, normalise  # noqa: E402
from updraft_key.training.config import AUGMENTS  # noqa: E402
from updraft_key.training.looks import Look  # noqa: E402
from updraft_key.training.losses import (  # noqa: E402
    angle_loss,
    at_points,
    box_loss,
    cross_entropy,
    cue_loss,
    focal,
    heat_targets,
    mask_targets,
)
from updraft_key.training.photo_lab import installed, lab  # noqa: E402

pytestmark = pytest.mark.train
NAN = float("nan")


def test_unknown_labels_cost_nothing() -> None:
    logits = torch.tensor([[0.0, 0.0], [50.0, -50.0]])
    assert float(cross_entropy(logits, torch.tensor([0, -1]))) == pytest.approx(math.log(2))
    assert float(cross_entropy(logits, torch.tensor([-1, -1]))) == 0.0
    assert float(box_loss(torch.zeros(1, 4), torch.full((1, 4), NAN))) == 0.0


def test_where_two_labels_are_right_their_sum_counts_and_a_false_one_costs() -> None:
    p = torch.tensor([[0.1, 0.2, 0.3, 0.4], [0.7, 0.1, 0.1, 0.1]])
    none = torch.tensor([-1, -1])
    both = float(cue_loss(p.log(), none, torch.tensor([1, 1]), 0.0))
    assert both == pytest.approx((-math.log(0.6) - math.log(0.2)) / 2)
    assert float(cue_loss(p.log(), none, none, 0.0)) == 0.0
    one = torch.tensor([2, -1])  # known in the first, perhaps in the second: a mean over both
    assert float(cue_loss(p.log(), one, torch.tensor([-1, 0]), 0.0)) == pytest.approx(
        (-math.log(0.3) - math.log(0.8)) / 2
    )


def test_box_loss_is_zero_for_the_box_itself_and_one_and_a_bit_for_a_neighbour() -> None:
    box = torch.tensor([[0.2, 0.2, 0.4, 0.4]])
    assert float(box_loss(box, box)) == pytest.approx(0.0, abs=1e-6)
    beside = torch.tensor([[0.4, 0.2, 0.6, 0.4]])
    # No overlap and a hull that both fill: generalised overlap 0; the four sides differ by 0.4 in all, twice.
    assert float(box_loss(box, beside)) == pytest.approx(1.0 + 0.8, abs=1e-5)


def test_heat_peaks_in_the_landmark_s_cell_and_screws_share_a_channel() -> None:
    points = torch.full((1, 14, 2), NAN)
    points[0, 0], points[0, 1], points[0, 6] = (
        torch.tensor([8.5, 4.0]),
        torch.tensor([30.0, 4.0]),
        torch.tensor([17.9, 21.0]),
    )
    heat = heat_targets(points, 8, 8)
    assert heat[0, 0, 1, 2] == 1.0 and heat[0, 0, 1, 7] == 1.0 and (heat[0, 0] == 1.0).sum() == 2
    assert heat[0, 2, 5, 4] == 1.0
    assert heat[0, 1].max() == 0.0


def test_focal_rewards_the_right_peak_and_leaves_out_vague_channels() -> None:
    points = torch.full((1, 14, 2), NAN)
    points[0, 0] = torch.tensor([16.0, 16.0])
    target = heat_targets(points, 8, 8)
    right = torch.where(target >= 0.999, torch.tensor(6.0), torch.tensor(-6.0))
    weight = torch.ones(1, 10)
    assert float(focal(right, target, weight)) < 0.01
    wrong = right.clone()
    wrong[0, 4, 2, 2] = 6.0
    assert float(focal(wrong, target, weight)) > 1.0
    weight[0, 4] = 0.0
    assert float(focal(wrong, target, weight)) < 0.01


def test_a_convex_outline_fills_either_way_around() -> None:
    square = torch.tensor([[8.0, 8.0], [24.0, 8.0], [24.0, 24.0], [8.0, 24.0]]).repeat_interleave(4, 0)[None]
    for outline in (square, square.flip(1)):
        mask, known = mask_targets(outline, 8, 8)
        assert bool(known[0]) and mask[0, 2:6, 2:6].all() and mask[0].sum() == 16
    assert not bool(mask_targets(torch.full((1, 16, 2), NAN), 8, 8)[1][0])


def test_dense_maps_are_read_in_the_point_s_cell() -> None:
    dense = torch.arange(64.0).reshape(1, 1, 8, 8)
    values, offset, known = at_points(dense, torch.tensor([[[9.0, 23.0], [NAN, NAN]]]))
    assert values[0, 0, 0] == 5 * 8 + 2
    assert offset[0, 0].tolist() == pytest.approx([0.25, 0.75])
    assert known[0].tolist() == [True, False]


def test_laplace_likelihood_is_least_where_the_scale_is_the_mean_miss() -> None:
    points = torch.full((1, 14, 2), NAN)
    points[0, 6] = torch.tensor([16.0, 16.0])
    targets = {"points": points, "angle": torch.tensor([45.0])}

    def cost(value: float, log_scale: float) -> float:
        dense = torch.tensor([value, log_scale]).reshape(1, 2, 1, 1).expand(1, 2, 8, 8)
        return float(angle_loss(dense, targets))

    # A miss of 0.2 units (9 degrees): -log-likelihood |miss|/b + log b is least at b = 0.2.
    best = cost(1.2, math.log(0.2))
    assert best == pytest.approx(1.0 + math.log(0.2), abs=1e-5)
    assert cost(1.2, math.log(0.1)) > best and cost(1.2, math.log(0.4)) > best
    assert cost(1.0, -4.0) == pytest.approx(-4.0, abs=1e-5)


def look_of(n: int, size: int) -> Look:
    matrix = np.tile(np.eye(3), (n, 1, 1))
    window = np.tile([0.0, 8.0, size, size - 8.0], (n, 1))
    no = np.zeros(n, bool)
    return Look(size, matrix, window, no, np.zeros((n, 3, 4)), no, no)


def test_pixels_stay_in_place_and_bars_are_grey() -> None:
    pixels = torch.zeros(1, 3, 64, 64, dtype=torch.uint8)
    pixels[0, 0, 20:30, 40:50] = 200
    out = compose(
        pixels, np.array([0]), np.eye(3)[None], np.array([[64.0, 64.0]]), look_of(1, 64), np.array([], np.int64),
        np.random.default_rng(0),
    )  # fmt: skip
    assert out[0, :, :8].unique().tolist() == [127.0]
    assert out[0, 0, 20:30, 40:50].min() == 200 and out[0, 0].gt(100).sum() == 100 + 16 * 64
    assert float(normalise(out)[0, 0, 0, 0]) == 0.0


def test_developing_changes_the_look_but_never_the_place_and_is_the_same_for_the_same_seeds() -> None:
    image = torch.full((24, 3, 64, 64), 60.0)
    image[:, :, :, 32:] = 190.0
    noise = torch.Generator().manual_seed(1)
    out = develop(image, np.random.default_rng(3), noise)
    again = develop(image, np.random.default_rng(3), torch.Generator().manual_seed(1))
    torch.testing.assert_close(out, again)
    assert out.shape == image.shape and out.min() >= 0 and out.max() <= 255 and torch.isfinite(out).all()
    assert (out - image).abs().mean(dim=(1, 2, 3)).min() > 0.5
    edge = (out[..., 44:].mean(dim=(1, 2, 3)) - out[..., :20].mean(dim=(1, 2, 3))).abs()
    assert (edge > 10).float().mean() > 0.9
    torch.testing.assert_close(develop(image, np.random.default_rng(3), noise, AUGMENTS), image)


@pytest.mark.skipif(not installed(), reason="albumentations is not installed")
def test_relighting_is_the_same_for_the_same_draws_and_keeps_the_size() -> None:
    picture = np.random.default_rng(0).integers(0, 255, (64, 80, 3)).astype(np.uint8)
    change = lab()
    outs = [change(picture, np.random.default_rng(k)) for k in range(8)]
    for k, out in enumerate(outs):
        assert out.shape == picture.shape and out.dtype == np.uint8
        np.testing.assert_array_equal(out, change(picture, np.random.default_rng(k)))
    assert sum((out != picture).any() for out in outs) >= 7
