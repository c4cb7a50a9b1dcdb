"""Calibration and figures of merit against published numbers and other libraries.

Numbers marked OC are those collected in OUTSIDE_CHECKS.md with their provenance; the source is named beside each.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from updraft_key.training.conformal import (
    fit_temperature,
    least_cases,
    least_floor,
    negative_log_likelihood,
    rank_of,
    sets,
    softmax,
    threshold,
    thresholds_by_label,
)
from updraft_key.training.measures import (
    auroc,
    bootstrap_ece,
    brier,
    chance_ece,
    false_alarms_at,
    reliability,
    share,
    wilson,
)


@pytest.mark.parametrize(
    ("k", "n", "low", "high", "digits"),
    [
        # Statistics in Medicine 17 (1998) 857-872, table recomputed with statsmodels and scipy (OC 7.1).
        (81, 263, 0.2553, 0.3662, 4), (15, 148, 0.0624, 0.1605, 4), (0, 20, 0.0, 0.1611, 4), (1, 29, 0.0061, 0.1718, 4),
        # scipy's own test constants, said there to come from another statistics system (OC 7.1, code R).
        (3, 10, 0.1077913, 0.6032219, 7), (0, 10, 0.0, 0.2775328, 7), (10, 10, 0.7224672, 1.0, 7),
        (5, 5, 0.5655, 1.0, 4),
    ],
)  # fmt: skip
def test_wilson_intervals_are_the_published_ones(k: int, n: int, low: float, high: float, digits: int) -> None:
    assert wilson(k, n) == pytest.approx((low, high), abs=0.6 * 10**-digits)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"), [(430, 474, 0.87767508, 0.93012398), (10, 14, 0.45350459, 0.88278812)]
)
def test_wilson_examples_of_a_public_readme(k: int, n: int, low: float, high: float) -> None:
    # OC 7.1, code S; the figures follow with the 95 % point rounded to 1.96.
    assert wilson(k, n, 1.96) == pytest.approx((low, high), abs=1e-8)


def test_wilson_agrees_with_statsmodels() -> None:
    other = pytest.importorskip("statsmodels.stats.proportion").proportion_confint
    for k, n in ((0, 7), (3, 8), (59, 60), (60, 60)):
        assert wilson(k, n) == pytest.approx(other(k, n, method="wilson"), abs=1e-9)
    assert share([]).value is None and share([]).interval is None
    assert share([True, False]).to_json()["value"] == 0.5


def test_calibration_error_of_the_five_predictions() -> None:
    # torchmetrics 1.9.0, docstring of BinaryCalibrationError (OC 7.3): two equal bins, L1 0.2900, L2 0.2918,
    # largest 0.3167. The bins there are of the probability of class 1.
    r = reliability(np.array([0.25, 0.25, 0.55, 0.75, 0.75]), np.array([0, 0, 1, 1, 1], bool), 2)
    assert (r.ece, r.root_mean_square, r.largest) == pytest.approx((0.2900, 0.2918, 0.3167), abs=5e-5)


def test_reliability_curve_of_nine_predictions() -> None:
    # scikit-learn 1.9.1, docstring of calibration_curve (OC 7.3).
    y = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1], bool)
    p = np.array([0.1, 0.2, 0.3, 0.4, 0.65, 0.7, 0.8, 0.9, 1.0])
    r = reliability(p, y, 3)
    assert r.right.tolist() == pytest.approx([0.0, 0.5, 1.0])
    assert r.confidence.tolist() == pytest.approx([0.2, 0.525, 0.85])
    curve = pytest.importorskip("sklearn.calibration").calibration_curve(y, p, n_bins=3)
    np.testing.assert_allclose(curve, (r.right, r.confidence))


def test_brier_scores_of_the_docstrings() -> None:
    # scikit-learn 1.9.1, docstring of brier_score_loss (OC 7.3): 0.0375 halved, that is 0.075 here; 0.146.
    p = np.array([0.1, 0.9, 0.8, 0.3])
    two = np.stack([1 - p, p], 1)
    assert brier(two, np.array([0, 1, 1, 0])) == pytest.approx(0.075)
    three = np.array([[0.8, 0.1, 0.1], [0.2, 0.7, 0.1], [0.2, 0.2, 0.6]])
    # Each of the three classes is the true one of its row; the docstring prints "0.146..." (0.44 / 3).
    assert brier(three, np.array([0, 1, 2])) == pytest.approx(0.44 / 3) and int(1000 * 0.44 / 3) == 146
    metric = pytest.importorskip("sklearn.metrics").brier_score_loss
    assert metric([0, 1, 1, 0], p) == pytest.approx(0.0375)


def test_brier_splits_into_reliability_resolution_and_uncertainty() -> None:
    # Worked example of OC 7.3: forecasts .1 x10 (1 hit), .4 x10 (4), .8 x10 (9).
    f = np.repeat([0.1, 0.4, 0.8], 10)
    hit = np.concatenate([np.arange(10) < 1, np.arange(10) < 4, np.arange(10) < 9])
    whole = ((f - hit) ** 2).mean()
    r = reliability(f, hit, 10)
    weight = r.counts / r.counts.sum()
    reliable = (weight * (r.confidence - r.right) ** 2).sum()
    resolved = (weight * (r.right - hit.mean()) ** 2).sum()
    unsure = hit.mean() * (1 - hit.mean())
    assert (whole, reliable, resolved, unsure) == pytest.approx((0.143333, 0.003333, 0.108889, 0.248889), abs=1e-6)
    assert whole == pytest.approx(reliable - resolved + unsure)
    two = np.stack([1 - f, f], 1)
    assert brier(two, hit.astype(int)) == pytest.approx(2 * whole)


def test_temperature_of_even_margins_is_the_closed_form() -> None:
    # OC 7.3: all margins 4, accuracy 0.8: T = 4 / ln(0.8 / 0.2) = 2.885390, confidence 0.9820 becomes 0.8.
    logits = np.tile([4.0, 0.0], (10, 1))
    labels = np.array([0] * 8 + [1] * 2)
    t = fit_temperature(logits, labels)
    assert t == pytest.approx(4 / math.log(4), abs=1e-6) == pytest.approx(2.885390, abs=1e-6)
    assert softmax(logits)[0, 0] == pytest.approx(0.9820, abs=5e-5)
    assert softmax(logits, t)[0, 0] == pytest.approx(0.8)
    assert negative_log_likelihood(logits, labels, t) < negative_log_likelihood(logits, labels, 2.0)
    assert fit_temperature(np.zeros((0, 2)), np.zeros(0, int)) == 1.0


@pytest.mark.parametrize(("confidence", "rank"), [(0.5, 10), (0.8, 16), (0.9, 18), (0.95, 19)])
def test_ranks_of_nineteen_cases(confidence: float, rank: int) -> None:
    # OC 7.3 and table 10, row 24: k = ceil((n + 1)(1 - alpha)).
    alpha = round(1 - confidence, 10)
    assert rank_of(19, alpha) == rank
    assert threshold(np.arange(1.0, 20.0), alpha) == rank
    # The tutorials' numpy form is one rank too high for three of the four (OC 7.3, traps); inverted_cdf is exact.
    level = math.ceil(round(20 * confidence, 9)) / 19
    assert np.quantile(np.arange(1.0, 20.0), level, method="inverted_cdf") == rank


def test_least_calibration_counts() -> None:
    # OC 7.3: 19 at alpha 0.05, 99 at 0.01, 9 at 0.10.
    assert [least_cases(a) for a in (0.05, 0.01, 0.1)] == [19, 99, 9]
    for alpha, n in ((0.05, 19), (0.01, 99), (0.1, 9)):
        assert threshold(np.linspace(0, 0.9, n), alpha) < 1.0
        assert threshold(np.linspace(0, 0.9, n - 1), alpha) == 1.0


def test_ranks_agree_with_crepes_where_its_floating_point_does_not_slip() -> None:
    crepes = pytest.importorskip("crepes")
    residuals = np.arange(1.0, 20.0)
    other = crepes.ConformalRegressor()
    other.fit(residuals)

    def half_width(confidence: float) -> float:
        _, high = other.predict_int(np.array([0.0]), confidence=confidence)[0]
        return float(high)

    # OC 7.3, traps: crepes 0.9.1 gives 19 at 0.90 and 17 at 0.80 (20 * (1 - 0.9) = 1.9999...), 19 at 0.95 rightly.
    assert half_width(0.95) == threshold(residuals, 0.05) == 19
    assert math.isinf(half_width(0.96)) and threshold(residuals, 0.04, math.inf) == math.inf
    assert half_width(0.75) == threshold(residuals, 0.25) == 15


def test_sets_agree_with_mapie() -> None:
    mapie = pytest.importorskip("mapie.classification")
    linear = pytest.importorskip("sklearn.linear_model")
    rng = np.random.default_rng(4)
    y = rng.integers(0, 3, 600)
    x = rng.normal(size=(600, 2)) + np.array([[0, 0], [2, 0], [0, 2]])[y]
    model = linear.LogisticRegression().fit(x[:200], y[:200])
    other = mapie.SplitConformalClassifier(
        estimator=model, confidence_level=0.9, prefit=True, conformity_score="lac"
    ).conformalize(x[200:400], y[200:400])
    theirs = other.predict_set(x[400:])[1][:, :, 0]
    p = model.predict_proba(x[200:400])
    limit = threshold(1 - p[np.arange(200), y[200:400]], 0.1)
    ours = sets(model.predict_proba(x[400:]), np.full(3, limit))
    # At the threshold itself rounding may decide; nowhere else.
    edge = np.isclose(1 - model.predict_proba(x[400:]), limit, atol=1e-9)
    assert (ours == theirs)[~edge].all()
    covered = ours[np.arange(200), y[400:]].mean()
    # OC 7.3: 200 test cases at 90 % have a standard error of sqrt(.9 * .1 / 200) = 2.1 points.
    assert covered > 0.9 - 3 * math.sqrt(0.9 * 0.1 / 200)


def test_mapie_counts_bin_edges() -> None:
    # OC 7.3, traps: num_bins is the number of edges, so two bins are num_bins=3.
    calibration = pytest.importorskip("mapie.metrics.calibration")
    y, p = np.array([0, 0, 1, 1, 1]), np.array([0.25, 0.25, 0.55, 0.75, 0.75])
    assert calibration.expected_calibration_error(y, p, num_bins=3) == pytest.approx(0.29)
    assert calibration.expected_calibration_error(y, p, num_bins=2) == pytest.approx(0.09)


def test_mean_coverage_is_k_over_n_plus_one() -> None:
    # OC 7.3 (arXiv 2303.02770): coverage given the calibration draw is Beta(k, n + 1 - k), mean k / (n + 1).
    rng = np.random.default_rng(0)
    n, alpha = 39, 0.1
    limits = [threshold(rng.random(n), alpha) for _ in range(4000)]
    k = rank_of(n, alpha)
    assert np.mean(limits) == pytest.approx(k / (n + 1), abs=0.004)
    assert np.var(limits) == pytest.approx(k * (n + 1 - k) / ((n + 1) ** 2 * (n + 2)), rel=0.1)


def test_thresholds_by_label_promise_coverage_for_each_label() -> None:
    rng = np.random.default_rng(5)
    y = rng.integers(0, 2, 4000)
    logits = np.stack([np.zeros(4000), rng.normal(np.where(y == 1, 0.5, -4.0), 1.0)], 1)
    p = softmax(logits)
    limits = thresholds_by_label(p[:2000], y[:2000], 0.1)
    inside = sets(p[2000:], limits)[np.arange(2000), y[2000:]]
    for label in (0, 1):
        assert inside[y[2000:] == label].mean() == pytest.approx(0.9, abs=0.03)
    assert thresholds_by_label(p[:4], np.zeros(4, int), 0.1).tolist() == [1.0, 1.0]


def test_floor_is_the_least_that_keeps_the_bar() -> None:
    p = np.array([0.99, 0.95, 0.9, 0.8, 0.7, 0.6])
    right = np.array([1, 1, 1, 0, 1, 0], bool)
    assert least_floor(p, right, 0.0) == pytest.approx(0.85)
    assert least_floor(p, right, 0.2) == pytest.approx(0.65)
    assert least_floor(p, right, 0.5) == 0.0
    assert least_floor(p, np.zeros(6, bool), 0.1) == 0.9995
    assert least_floor(np.zeros(0), np.zeros(0, bool), 0.1) == 0.0


def test_auroc_and_false_alarms_agree_with_scikit_learn() -> None:
    metrics = pytest.importorskip("sklearn.metrics")
    rng = np.random.default_rng(1)
    inside, outside = np.round(rng.normal(1, 1, 80), 1), np.round(rng.normal(0, 1, 120), 1)
    truth = np.r_[np.ones(80), np.zeros(120)]
    score = np.r_[inside, outside]
    assert auroc(inside, outside) == pytest.approx(metrics.roc_auc_score(truth, score))
    fpr, tpr, _ = metrics.roc_curve(truth, score, drop_intermediate=False)
    assert false_alarms_at(inside, outside) == pytest.approx(fpr[np.argmax(tpr >= 0.95)])
    assert auroc(inside, np.zeros(0)) is None


def test_even_a_calibrated_source_has_an_error_that_shrinks_with_the_root_of_the_cases() -> None:
    rng = np.random.default_rng(2)
    p = rng.uniform(0.5, 1.0, 6400)
    few, many = (float(chance_ece(p[:n], rng, 300) or 0.0) for n in (400, 6400))
    assert few / many == pytest.approx(4.0, rel=0.1)  # sixteen times the cases
    # One bin of n cases at 0.8: the mean of |k / n - 0.8|, near the normal value sqrt(2 p (1 - p) / (pi n)).
    assert chance_ece(np.full(500, 0.8), rng, 4000) == pytest.approx(math.sqrt(2 * 0.16 / (math.pi * 500)), rel=0.05)
    assert chance_ece(np.zeros(0), rng) is None


def test_bootstrap_interval_holds_the_error_of_a_calibrated_source() -> None:
    rng = np.random.default_rng(2)
    p = rng.uniform(0.5, 1.0, 400)
    low, high = bootstrap_ece(p, rng.random(400) < p, rng, 200) or (1.0, 0.0)
    assert 0.0 <= low < high < 0.15
