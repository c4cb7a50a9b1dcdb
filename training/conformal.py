"""Temperatures and split-conformal thresholds: small, exact, numpy alone.

A set holds every label whose miss ``1 - p`` is at most a threshold; the threshold is the k-th smallest miss of
the true labels of n calibration cases, k = ceil((n + 1)(1 - alpha)). If calibration and new cases are
exchangeable, the true label is in the set with probability at least 1 - alpha; if they are not (renders against
photos), nothing is promised. With k > n the threshold is 1: everything stays in the set.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def softmax(logits: NDArray[np.floating], temperature: float = 1.0) -> Floats:
    """Probabilities over the last axis of logits divided by a temperature."""
    scaled = np.asarray(logits, np.float64) / temperature
    powers = np.exp(scaled - scaled.max(axis=-1, keepdims=True))
    return np.asarray(powers / powers.sum(axis=-1, keepdims=True))


def negative_log_likelihood(logits: NDArray[np.floating], labels: NDArray[np.integer], temperature: float) -> float:
    """Mean negative log-likelihood of (n,) labels under (n, k) logits at a temperature."""
    scaled = np.asarray(logits, np.float64) / temperature
    top = scaled.max(axis=1, keepdims=True)
    log_sum = np.log(np.exp(scaled - top).sum(axis=1)) + top[:, 0]
    return float((log_sum - scaled[np.arange(len(labels)), labels]).mean())


def fit_temperature(
    logits: NDArray[np.floating], labels: NDArray[np.integer], low: float = 0.05, high: float = 20.0
) -> float:
    """Temperature of least negative log-likelihood, by golden section over its logarithm.

    Args:
        logits: (n, k).
        labels: (n,) true classes.
        low: least temperature tried.
        high: largest temperature tried.

    Returns:
        The temperature; 1 when there are no cases.
    """
    if len(labels) == 0:
        return 1.0
    ratio = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = math.log(low), math.log(high)
    while b - a > 1e-9:
        c, d = b - ratio * (b - a), a + ratio * (b - a)
        if negative_log_likelihood(logits, labels, math.exp(c)) <= negative_log_likelihood(logits, labels, math.exp(d)):
            b = d
        else:
            a = c
    return math.exp((a + b) / 2.0)


def rank_of(n: int, alpha: float) -> int:
    """k = ceil((n + 1)(1 - alpha)), exactly: alpha is taken as the decimal that was written.

    Floating point makes 20 * (1 - 0.9) fall below 2, and the rank one too high.
    """
    return math.ceil((n + 1) * (1 - Fraction(str(alpha))))


def least_cases(alpha: float) -> int:
    """Fewest calibration cases that give a threshold below 1."""
    return math.ceil(1 / Fraction(str(alpha))) - 1


def threshold(misses: Sequence[float] | Floats, alpha: float, everything: float = 1.0) -> float:
    """The k-th smallest miss; ``everything`` when there are too few cases."""
    ordered = np.sort(np.asarray(misses, np.float64))
    k = rank_of(len(ordered), alpha)
    return everything if k > len(ordered) else float(ordered[k - 1])


def thresholds_by_label(p: Floats, labels: NDArray[np.integer], alpha: float) -> Floats:
    """Thresholds for each label apart, from (n, k) probabilities and (n,) true labels: (k,).

    The promise then holds for each true label by itself, not only on average.
    """
    return np.array([threshold(1.0 - p[labels == y, y], alpha) for y in range(p.shape[1])])


def sets(p: Floats, limits: Floats) -> NDArray[np.bool_]:
    """Which labels are in the sets of (n, k) probabilities under (k,) thresholds."""
    return np.asarray(1.0 - p <= limits)


def least_floor(p: Floats, right: NDArray[np.bool_], most_wrong: float, highest: float = 0.9995) -> float:
    """Least probability from which on at most a share of the statements is wrong.

    Args:
        p: (n,) probabilities of statements that would otherwise be accepted.
        right: (n,) whether each is.
        most_wrong: largest share of wrong ones among those at or above the floor.
        highest: the answer where no floor does it, so that a sure mistake does not silence a cue for good.

    Returns:
        A number from 0 to ``highest``, half way to the next lower statement where there is one.
    """
    order = np.argsort(-p, kind="stable")
    wrong = np.cumsum(~right[order])
    share = wrong / np.arange(1, len(p) + 1)
    fine = np.flatnonzero(share <= most_wrong)
    if len(p) == 0 or len(fine) == len(p):
        return 0.0
    if len(fine) == 0:
        return highest
    last = int(fine[-1])
    if last + 1 == len(p):
        return 0.0
    return float(min(highest, (p[order[last]] + p[order[last + 1]]) / 2.0))
