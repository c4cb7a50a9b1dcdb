"""How a cost grows with a size: the exponent of the power law that fits best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Growth:
    """``cost = factor * size ** exponent``, and the largest ratio by which a point misses it."""

    exponent: float
    factor: float
    worst: float


def fit_growth(sizes: Sequence[float], costs: Sequence[float]) -> Growth:
    """Fit by least squares of the logarithms.

    Args:
        sizes: two or more, positive, not all the same.
        costs: one for each size, positive.

    Raises:
        ValueError: otherwise.
    """
    if len(sizes) != len(costs) or len(set(sizes)) < 2 or min(*sizes, *costs) <= 0.0:
        raise ValueError("expected two or more positive sizes that differ, and a positive cost for each")
    x, y = [math.log(s) for s in sizes], [math.log(c) for c in costs]
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    spread = sum((a - mean_x) ** 2 for a in x)
    exponent = sum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / spread
    level = mean_y - exponent * mean_x
    worst = max(abs(b - level - exponent * a) for a, b in zip(x, y, strict=True))
    return Growth(exponent, math.exp(level), math.exp(worst))
