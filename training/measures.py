"""Figures of merit, each with what it needs to be trusted: counts and intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Z95 = 1.959963984540054
"""Two-sided 95 % point of the normal distribution."""


@dataclass(frozen=True, slots=True)
class Share:
    """k of n, with its Wilson interval at 95 %."""

    k: int
    n: int

    @property
    def value(self) -> float | None:
        """k / n; None of nothing."""
        return None if self.n == 0 else self.k / self.n

    @property
    def interval(self) -> tuple[float, float] | None:
        """Wilson interval; None of nothing."""
        return None if self.n == 0 else wilson(self.k, self.n)

    def to_json(self) -> dict[str, object]:
        """Return plain values."""
        low_high = self.interval
        return {
            "k": self.k,
            "n": self.n,
            "value": None if self.value is None else round(self.value, 5),
            "wilson95": None if low_high is None else [round(v, 5) for v in low_high],
        }


def share(right: NDArray[np.bool_] | list[bool]) -> Share:
    """Count the true ones."""
    values = np.asarray(right, np.bool_)
    return Share(int(values.sum()), len(values))


def wilson(k: int, n: int, z: float = Z95) -> tuple[float, float]:
    """Wilson score interval of k hits in n trials (1998 comparison of seven methods, method 3)."""
    p = k / n
    centre = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return max(0.0, centre - half), min(1.0, centre + half)


@dataclass(frozen=True, slots=True)
class Reliability:
    """Equal-width bins of confidence: how many, how sure, how often right."""

    counts: NDArray[np.int64]
    confidence: Floats
    right: Floats

    @property
    def ece(self) -> float:
        """Mean gap between confidence and hit rate, weighted by the bins' counts."""
        total = int(self.counts.sum())
        return 0.0 if total == 0 else float((self.counts * np.abs(self.confidence - self.right)).sum() / total)

    @property
    def largest(self) -> float:
        """Largest gap of a filled bin."""
        filled = self.counts > 0
        return 0.0 if not filled.any() else float(np.abs(self.confidence - self.right)[filled].max())

    @property
    def root_mean_square(self) -> float:
        """Root of the weighted mean squared gap."""
        total = self.counts.sum()
        return (
            0.0 if total == 0 else math.sqrt(float((self.counts * (self.confidence - self.right) ** 2).sum() / total))
        )

    def to_json(self) -> dict[str, object]:
        """Return plain values."""
        return {
            "ece": round(self.ece, 5),
            "n": int(self.counts.sum()),
            "counts": self.counts.tolist(),
            "confidence": [round(float(v), 4) for v in self.confidence],
            "right": [round(float(v), 4) for v in self.right],
        }


def reliability(confidence: Floats, right: NDArray[np.bool_], bins: int = 15) -> Reliability:
    """Sort (n,) confidences in [0, 1] into equal bins (a value on an edge belongs to the bin above it)."""
    place = np.minimum((np.asarray(confidence) * bins).astype(int), bins - 1)
    counts = np.bincount(place, minlength=bins)
    filled = np.maximum(counts, 1)
    return Reliability(
        counts.astype(np.int64),
        np.bincount(place, confidence, bins) / filled,
        np.bincount(place, np.asarray(right, np.float64), bins) / filled,
    )


def brier(p: Floats, labels: NDArray[np.integer]) -> float:
    """Mean squared distance of (n, k) probabilities from the truth (not halved: 0 to 2)."""
    truth = np.zeros_like(p)
    truth[np.arange(len(labels)), labels] = 1.0
    return float(((p - truth) ** 2).sum(axis=1).mean())


def auroc(positive: Floats, negative: Floats) -> float | None:
    """Chance that a positive scores above a negative, ties counted half; None when one side is empty."""
    if len(positive) == 0 or len(negative) == 0:
        return None
    both = np.concatenate([positive, negative])
    _, place, counts = np.unique(both, return_inverse=True, return_counts=True)
    rank = (np.cumsum(counts) - (counts - 1) / 2.0)[place]
    n, m = len(positive), len(negative)
    return float((rank[:n].sum() - n * (n + 1) / 2.0) / (n * m))


def false_alarms_at(positive: Floats, negative: Floats, hit_rate: float = 0.95) -> float | None:
    """Share of negatives at or above the score that keeps at least ``hit_rate`` of the positives."""
    if len(positive) == 0 or len(negative) == 0:
        return None
    ordered = np.sort(positive)[::-1]
    limit = ordered[math.ceil(hit_rate * len(ordered)) - 1]
    return float((negative >= limit).mean())


def bootstrap_ece(
    confidence: Floats, right: NDArray[np.bool_], rng: np.random.Generator, rounds: int = 1000, bins: int = 15
) -> tuple[float, float] | None:
    """95 % percentile interval of the ECE over resampled cases; None of nothing."""
    n = len(confidence)
    if n == 0:
        return None
    values = []
    for _ in range(rounds):
        pick = rng.integers(0, n, n)
        values.append(reliability(confidence[pick], right[pick], bins).ece)
    low, high = np.quantile(values, [0.025, 0.975])
    return float(low), float(high)


def chance_ece(confidence: Floats, rng: np.random.Generator, rounds: int = 1000, bins: int = 15) -> float | None:
    """Mean ECE of as many cases that are each right just as often as their confidence says; None of nothing.

    An ECE is never zero on finitely many cases: what is above this is miscalibration, the rest is counting noise.
    """
    n = len(confidence)
    if n == 0:
        return None
    return float(np.mean([reliability(confidence, rng.random(n) < confidence, bins).ece for _ in range(rounds)]))
