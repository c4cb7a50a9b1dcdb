"""Threads and screw heads: published sizes, and what a measured interval may say of them.

A size is said only when the interval allows nothing else. A photo never says which pipe thread it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import atan, degrees
from types import MappingProxyType

from .units import both, both_range

MM = 25.4
STYLES: tuple[str, ...] = ("fillister", "pan", "binding", "unknown")
THROAT_PLUG_MM = 28.575
"""1 1/8 in, the steel plug under the throat of the iron body (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class TaperThread:
    """One row of ASME B1.20.1 (NPT), inches.

    Attributes:
        size: nominal.
        outside: D, outside diameter of the pipe.
        per_inch: n, threads in an inch.
        e1: pitch diameter at the hand-tight plane.
        l1: length of hand engagement.
    """

    size: str
    outside: float
    per_inch: int
    e1: float
    l1: float

    @property
    def e0(self) -> float:
        """Pitch diameter at the small end, E0 = D - (0.05 D + 1.1) / n."""
        return self.outside - (0.05 * self.outside + 1.1) / self.per_inch

    @property
    def l2(self) -> float:
        """Length of effective thread, L2 = (0.8 D + 6.8) / n."""
        return (0.8 * self.outside + 6.8) / self.per_inch

    @property
    def vanish(self) -> float:
        """Length of the vanishing thread, V = 3.47 / n."""
        return 3.47 / self.per_inch

    @property
    def depth(self) -> float:
        """Thread height, h = 0.8 / n."""
        return 0.8 / self.per_inch


NPT: Mapping[str, TaperThread] = MappingProxyType(
    {
        "1/16": TaperThread("1/16", 0.3125, 27, 0.28118, 0.160),
        "1/8": TaperThread("1/8", 0.405, 27, 0.37360, 0.1615),
        "1/4": TaperThread("1/4", 0.540, 18, 0.49163, 0.2278),
        "3/8": TaperThread("3/8", 0.675, 18, 0.62701, 0.240),
    }
)
TAPER = 1 / 16
"""Of the diameter, inch for inch."""
TAPER_HALF_ANGLE = degrees(atan(TAPER / 2))


@dataclass(frozen=True, slots=True)
class ParallelThread:
    """One row of ISO 228-1 (G), the look-alike of NPT: major diameter in millimetres, threads in an inch."""

    size: str
    major_mm: float
    per_inch: int


G: Mapping[str, ParallelThread] = MappingProxyType(
    {"1/8": ParallelThread("1/8", 9.728, 28), "1/4": ParallelThread("1/4", 13.157, 19)}
)


@dataclass(frozen=True, slots=True)
class HeadBand:
    """Head diameter of one slotted machine screw, ASME B18.6.3, inches."""

    size: str
    style: str
    low: float
    high: float

    @property
    def low_mm(self) -> float:
        """Least head diameter, millimetres."""
        return self.low * MM

    @property
    def high_mm(self) -> float:
        """Greatest head diameter, millimetres."""
        return self.high * MM

    @property
    def name(self) -> str:
        """Such as ``#10 fillister``."""
        return f"{self.size} {self.style}"


HEADS: tuple[HeadBand, ...] = (
    HeadBand("#8", "fillister", 0.250, 0.270),
    HeadBand("#10", "fillister", 0.292, 0.313),
    HeadBand("#12", "fillister", 0.334, 0.357),
    HeadBand("1/4", "fillister", 0.389, 0.414),
    HeadBand("#8", "pan", 0.306, 0.322),
    HeadBand("#10", "pan", 0.357, 0.373),
    HeadBand("#12", "pan", 0.407, 0.425),
    HeadBand("1/4", "pan", 0.473, 0.492),
    HeadBand("#8", "binding", 0.326, 0.344),
    HeadBand("#10", "binding", 0.378, 0.399),
    HeadBand("#12", "binding", 0.430, 0.454),
    HeadBand("1/4", "binding", 0.498, 0.525),
)


@dataclass(frozen=True, slots=True)
class SizeAnswer:
    """What a measured interval says. ``size`` is None unless it says exactly one thing."""

    size: str | None
    candidates: tuple[str, ...]
    text: str


def numbered_screw(number: int) -> float:
    """Return the major diameter of a numbered machine screw, inches: 0.060 + 0.013 N.

    Raises:
        ValueError: unless the number is 0 to 14.
    """
    if not 0 <= number <= 14:
        raise ValueError(f"expected a screw number from 0 to 14, got {number}")
    return round(0.060 + 0.013 * number, 4)


def judge_screw_head(low_mm: float, high_mm: float, style: str = "unknown") -> SizeAnswer:
    """Say which screw a head of this diameter belongs to, if the interval allows only one.

    The interval must lie inside one band of the named style; the style itself must be known, because a #10
    fillister head and a #8 pan head overlap.

    Raises:
        ValueError: an interval that runs backwards, or an unknown style.
    """
    _check(low_mm, high_mm)
    if style not in STYLES:
        raise ValueError(f"expected a head style of {', '.join(STYLES)}, got {style!r}")
    able = [h for h in HEADS if style in ("unknown", h.style) and h.low_mm <= high_mm and low_mm <= h.high_mm]
    names = tuple(h.name for h in able)
    seen = both_range(low_mm, high_mm, 2)
    if not able:
        return SizeAnswer(None, (), f"A head of {seen} is none of the sizes listed (ASME B18.6.3); measure again.")
    if style == "unknown":
        return SizeAnswer(
            None,
            names,
            f"A head of {seen} can be {' or '.join(names)}. The shape of the head must be known before its size can be "
            "said; measure the thread with a caliper.",
        )
    if len(able) == 1 and able[0].low_mm <= low_mm and high_mm <= able[0].high_mm:
        return SizeAnswer(able[0].size, names, f"A {style} head of {seen} is {able[0].size} (ASME B18.6.3).")
    return SizeAnswer(
        None,
        names,
        f"A {style} head of {seen} may be {' or '.join(names)}, but the photo is not exact enough to say so: measure "
        "the head or the thread with a caliper.",
    )


def judge_pipe_thread(low_mm: float, high_mm: float) -> SizeAnswer:
    """Say what a small pipe thread's outside diameter allows; which thread it is a photo never says.

    Raises:
        ValueError: an interval that runs backwards.
    """
    _check(low_mm, high_mm)
    sizes = [(f"{t.size} NPT", t.outside * MM) for t in NPT.values()] + [
        (f"G {t.size}", t.major_mm) for t in G.values()
    ]
    # A taper thread is thinner at its small end, a parallel one is cut below its nominal size, and both wear.
    able = tuple(name for name, mm in sizes if low_mm - 0.5 <= mm <= high_mm + 0.5)
    npt, g = NPT["1/8"], G["1/8"]
    ask = (
        f"A photo cannot tell 1/8 NPT, {both(npt.outside * MM, 2)} over its threads and {npt.per_inch} to the inch, "
        f"from G 1/8, {both(g.major_mm, 2)} and {g.per_inch} to the inch: over six threads they differ by "
        f"{both(6 * (MM / npt.per_inch - MM / g.per_inch), 2)}. Use a thread gauge, and never join one with the other."
    )
    seen = both_range(low_mm, high_mm, 2)
    first = f"{seen} allows {' or '.join(able)}. " if able else f"{seen} is none of the small pipe threads listed. "
    return SizeAnswer(None, able, first + ask)


def judge_throat_plug(low_mm: float, high_mm: float) -> SizeAnswer:
    """Say whether the interval allows the big plug of the iron body.

    Raises:
        ValueError: an interval that runs backwards.
    """
    _check(low_mm, high_mm)
    plug, seen = "1 1/8 in (28.6 mm)", both_range(low_mm, high_mm, 1)
    if not low_mm <= THROAT_PLUG_MM <= high_mm:
        return SizeAnswer(None, (), f"{seen} is not the big steel plug of {plug} under the throat of the iron body.")
    if high_mm - low_mm > 4.0:
        return SizeAnswer(
            None, ("big_plug",), f"{seen} is too wide to say whether it is the plug of {plug}; take the photo nearer."
        )
    return SizeAnswer(
        "big_plug", ("big_plug",), f"{seen} agrees with the big steel plug of {plug} under the throat of the iron body."
    )


def _check(low_mm: float, high_mm: float) -> None:
    if not 0 <= low_mm <= high_mm:
        raise ValueError(f"expected 0 <= low <= high, got {low_mm} and {high_mm}")
