"""Where the millimetres come from: the printed scale card, a card of known size, or a coin.

Each gives a ``Plane``. The scale card is the best by far: it has many corners, says by itself which is which, and
shows tilt and lens. Four marked corners of a bank card show tilt but not the lens. A coin shows neither the side to
which it tilts nor the lens.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from .errors import MeasureError
from .plane import (
    CORNER_PX_LEAST,
    FOCAL_GUESS,
    FOCAL_LOG_SD,
    LENS_SD,
    Floats,
    Plane,
    fit_plane,
    gradient,
    normalise,
)
from .scale_card import find_card
from .units import both

CARD_CORNER_PX = 0.15
PRINT_SLACK_CHECKED = 0.003
PRINT_SLACK_UNCHECKED = 0.01
"""Share by which the printed card may be off: with its ruler checked to a quarter of a millimetre in a hundred, and
without. A print fitted to the page can be off by several per cent; no interval covers that, so a note says it."""
COIN_SLACK = 0.003
SHAPE_MISFIT = 18.0
"""Chi-square of two degrees above which no likely camera sees a card of the named shape so (1 in 8,000 by chance)."""
FLAT_MM = 0.15
"""Residual of the card's corners above which the paper counts as bent. Own choice."""


@dataclass(frozen=True, slots=True)
class KnownCard:
    """A rectangle of known size; ``width`` is the longer side, millimetres."""

    id: str
    name: str
    width: float
    height: float
    slack: float
    thickness: float | None = None


@dataclass(frozen=True, slots=True)
class KnownCoin:
    """A round thing of known size, millimetres."""

    id: str
    name: str
    diameter: float
    thickness: float


@dataclass(frozen=True, slots=True)
class LookAlike:
    """A coin that can be taken for another, and what that does to every length, per cent.

    ``error_percent`` is positive when lengths come out too large.
    """

    coin: KnownCoin
    error_percent: float

    @property
    def text(self) -> str:
        """One sentence for the person."""
        if abs(self.error_percent) < 0.25:
            return f"A {self.coin.name} ({both(self.coin.diameter, 2)}) would do as well: practically the same size."
        way = "large" if self.error_percent > 0 else "small"
        return (
            f"If it is a {self.coin.name} ({both(self.coin.diameter, 2)}), every length here is "
            f"{abs(self.error_percent):.1f} % too {way}."
        )


@cache
def known_cards() -> tuple[KnownCard, ...]:
    """Return the rectangles of ``known_sizes.toml``."""
    return tuple(
        KnownCard(c["id"], c["name"], c["width"], c["height"], c["slack"], c.get("thickness")) for c in _known()["card"]
    )


@cache
def known_coins() -> tuple[KnownCoin, ...]:
    """Return the coins of ``known_sizes.toml``."""
    return tuple(KnownCoin(c["id"], c["name"], c["diameter"], c["thickness"]) for c in _known()["coin"])


def find_known(name: str) -> KnownCard | KnownCoin:
    """Return the card or coin with this id.

    Raises:
        MeasureError: there is none.
    """
    things: list[KnownCard | KnownCoin] = [*known_cards(), *known_coins()]
    for thing in things:
        if thing.id == name:
            return thing
    raise MeasureError(f"no known size called {name!r}; there are {', '.join(t.id for t in things)}")


def look_alikes(coin: KnownCoin, within_percent: float = 5.0) -> tuple[LookAlike, ...]:
    """Return the coins that differ from ``coin`` by no more than ``within_percent``, nearest first."""
    found = [
        LookAlike(other, 100 * (coin.diameter / other.diameter - 1))
        for other in known_coins()
        if other.id != coin.id and abs(coin.diameter / other.diameter - 1) * 100 <= within_percent
    ]
    return tuple(sorted(found, key=lambda a: abs(a.error_percent)))


def scale_from_card(
    pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]],
    *,
    printed_100_mm: float | None = None,
    focal_px: float | None = None,
) -> Plane:
    """Find the printed scale card and return its plane.

    Args:
        pixels: (H, W, 3) uint8 RGB or (H, W) grey, upright.
        printed_100_mm: what the card's 100 mm ruler measures with a good rule; None if nobody checked.
        focal_px: focal length in pixels, if known.

    Raises:
        MeasureError: no usable card, or a ruler reading that no print at 100 % gives.
    """
    if printed_100_mm is not None and not 90 <= printed_100_mm <= 110:
        raise MeasureError(
            f"the 100 mm ruler of the card is said to measure {printed_100_mm:g} mm; expected 90 to 110. "
            "Print the card again at 100 %"
        )
    sight = find_card(pixels)
    stretch = 1.0 if printed_100_mm is None else printed_100_mm / 100
    plane = fit_plane(
        sight.points,
        sight.card_mm * stretch,
        sight.size,
        corner_px=CARD_CORNER_PX,
        scale_slack=PRINT_SLACK_UNCHECKED if printed_100_mm is None else PRINT_SLACK_CHECKED,
        focal_px=focal_px,
        notes=("card_unchecked",) if printed_100_mm is None else (),
    )
    a, b = plane.to_mm(np.array([sight.points[0], sight.points[0] + 1.0]))
    if plane.residual_px * np.hypot(*(b - a)) / np.sqrt(2) > FLAT_MM:
        plane = replace(plane, notes=(*plane.notes, "card_not_flat"))
    return plane


def scale_from_corners(
    corners: Floats,
    card: KnownCard,
    size: tuple[int, int],
    *,
    point_px: float = 1.5,
    focal_px: float | None = None,
) -> Plane:
    """Return the plane of a known card whose four corners were marked.

    Args:
        corners: (4, 2) pixels, in order round the card, starting at either end of a long side and running along it.
            Of a card with rounded corners, where its straight edges would meet.
        card: what it is.
        size: width and height of the picture, pixels.
        point_px: how well the corners are marked, one standard deviation, pixels.
        focal_px: focal length in pixels, if known.

    Raises:
        MeasureError: the corners do not go round a four-sided shape.
    """
    c = np.asarray(corners, np.float64)
    if c.shape != (4, 2):
        raise MeasureError(f"expected four corners, got an array of shape {c.shape}")
    edges = np.roll(c, -1, axis=0) - c
    after = np.roll(edges, -1, axis=0)
    turns = edges[:, 0] * after[:, 1] - edges[:, 1] * after[:, 0]
    if not ((turns > 0).all() or (turns < 0).all()):
        raise MeasureError("the four corners do not go round the card; mark them one after the other along its edge")
    w, h = card.width, card.height
    target = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float64)
    if (turns < 0).all():  # marked the other way round: seen from above all the same
        target = target * np.array([1, -1])
    plane = fit_plane(
        c,
        target,
        size,
        corner_px=point_px,
        scale_slack=card.slack,
        focal_px=focal_px,
        notes=("lens_not_seen",),
    )
    odd = plane.shape_misfit > SHAPE_MISFIT
    return replace(plane, notes=(*plane.notes, "card_shape_odd")) if odd else plane


def scale_from_coin(
    rim: Floats,
    coin: KnownCoin,
    size: tuple[int, int],
    *,
    point_px: float = 1.0,
    focal_px: float | None = None,
) -> Plane:
    """Return the plane of a coin's upper face from points marked on its rim.

    The rim is seen as an ellipse; that the coin is round gives the scale both ways and the amount of tilt, but not
    to which side it tilts: perspective is left open and widens what is measured far from the coin.

    Args:
        rim: (n, 2) pixels, n >= 6, spread round the rim.
        coin: what it is.
        size: width and height of the picture, pixels.
        point_px: how well the rim is marked, one standard deviation, pixels.
        focal_px: focal length in pixels, if known.

    Raises:
        MeasureError: too few points, or no ellipse.
    """
    p = np.asarray(rim, np.float64)
    if p.ndim != 2 or p.shape[1] != 2 or len(p) < 6:
        raise MeasureError("mark at least six points round the rim of the coin")
    half = np.hypot(*size) / 2
    picture = normalise(p, size)
    try:
        shape, residual, jacobian = _round(picture)
        information = np.linalg.inv(jacobian.T @ jacobian)
    except np.linalg.LinAlgError as e:
        raise MeasureError("the points on the rim do not lie on an ellipse; spread them all round it") from e
    stretch, centre = np.array([[shape[2], shape[3]], [shape[3], shape[4]]]), shape[:2]
    to_px = np.linalg.inv(stretch)  # unit circle of the coin -> picture
    axes = np.linalg.svd(to_px)
    major, minor = float(axes[1][0]), float(axes[1][1])
    sd = max(
        point_px / half,
        CORNER_PX_LEAST / half,
        float(np.sqrt((residual**2).sum() / max(len(p) - 5, 1))) * (major + minor) / 2,
    )
    # Residuals are in coin radii; a pixel of error is 1 / mean radius of them.
    shape_cov = information * (sd / ((major + minor) / 2)) ** 2

    def to_parameters(s: Floats) -> Floats:
        m = np.linalg.inv(np.array([[s[2], s[3]], [s[3], s[4]]]))
        return np.array([m[0, 0], m[0, 1], s[0], m[1, 0], m[1, 1], s[1], 0.0, 0.0])

    slope = gradient(to_parameters, shape, np.full(5, 1e-7))
    covariance = np.zeros((10, 10))
    covariance[:8, :8] = slope @ shape_cov @ slope.T
    covariance[8, 8], covariance[9, 9] = LENS_SD[0] ** 2, LENS_SD[1] ** 2
    ratio = max(minor / major - 2 * sd / major, 0.05)
    sine = float(np.sqrt(1 - min(ratio, 1.0) ** 2))
    focal = FOCAL_GUESS * 2 if focal_px is None else focal_px / half  # half diagonals
    spread = np.exp(1.96 * (FOCAL_LOG_SD if focal_px is None else 0.02))
    distance = focal / major  # coin radii
    tilt_way = axes[2][1]  # plane direction that is seen shortened
    lean = tilt_way * sine / (distance / spread)
    covariance[6:8, 6:8] += np.outer(lean, lean)
    cosine = minor / major
    unit = coin.diameter / 2
    under = -np.linalg.inv(to_px) @ centre * unit
    height = distance * cosine * unit
    return Plane(
        size=size,
        parameters=np.append(to_parameters(shape), [0.0, 0.0]),
        covariance=covariance,
        origin=(0.0, 0.0),
        unit_mm=unit,
        residual_px=float(np.sqrt((residual**2).mean())) * (major + minor) / 2 * half,
        height_mm=(height / spread, height, height * spread),
        under_mm=(float(under[0]), float(under[1])),
        scale_slack=COIN_SLACK,
        notes=("lens_not_seen", "coin_tilt"),
    )


def _round(points: Floats) -> tuple[Floats, Floats, Floats]:
    """Fit ``|S (p - c)| = 1`` with symmetric S; returns (cx, cy, sxx, sxy, syy), residuals (n,), Jacobian (n, 5)."""
    centre = points.mean(axis=0)
    spread = float(np.sqrt(((points - centre) ** 2).sum(axis=1).mean()))
    if spread == 0:
        raise MeasureError("the points on the rim are one point")
    x, y = ((points - centre) / spread).T
    design = np.column_stack([x * x, x * y, y * y, x, y])
    conic, _, rank, _ = np.linalg.lstsq(design, np.ones(len(x)), rcond=None)
    quadratic = np.array([[conic[0], conic[1] / 2], [conic[1] / 2, conic[2]]])
    if rank < 5 or np.linalg.eigvalsh(quadratic)[0] <= 0:
        raise MeasureError("the points on the rim do not lie on an ellipse; spread them all round it")
    middle = -np.linalg.solve(quadratic, conic[3:]) / 2
    level = 1 + middle @ quadratic @ middle
    values, vectors = np.linalg.eigh(quadratic / level)
    root = vectors @ np.diag(np.sqrt(values)) @ vectors.T / spread
    shape = np.array([*(middle * spread + centre), root[0, 0], root[0, 1], root[1, 1]])

    def miss(s: Floats) -> Floats:
        d = points - s[:2]
        u = np.column_stack([s[2] * d[:, 0] + s[3] * d[:, 1], s[3] * d[:, 0] + s[4] * d[:, 1]])
        return np.asarray(np.hypot(u[:, 0], u[:, 1]) - 1, np.float64)

    steps = np.array([spread, spread, 1 / spread, 1 / spread, 1 / spread]) * 1e-6
    jacobian = gradient(miss, shape, steps)
    for _ in range(20):
        step = np.linalg.lstsq(jacobian, -miss(shape), rcond=None)[0]
        shape = shape + step
        jacobian = gradient(miss, shape, steps)
        if (np.abs(step) < steps * 1e-4).all():
            break
    if not (np.isfinite(shape).all() and shape[2] * shape[4] > shape[3] ** 2):
        raise MeasureError("the points on the rim do not lie on an ellipse; spread them all round it")
    return shape, miss(shape), jacobian


def _known() -> dict[str, Any]:
    text = Path(__file__).with_name("known_sizes.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
