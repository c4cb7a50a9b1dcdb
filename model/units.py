"""Millimetres and inches, always together and always saying the same thing.

The inch figure is computed from the millimetre figure *as printed*, with two more decimals, so that either
turns into the other to its last digit: 25.4 / 2 thousandths of the millimetre's last place are lost, a quarter
of the half unit that would show. One inch is 25.4 mm exactly.
"""

from __future__ import annotations

import re
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation
from fractions import Fraction
from math import isfinite

MM_PER_INCH = Decimal("25.4")

_NUMBER = r"-?\d+(?:\.\d+)?"
_INCH = rf"(?:\d+ )?\d+/\d+|{_NUMBER}"
_PAIR_MM_FIRST = re.compile(rf"({_NUMBER})(?: to ({_NUMBER}))? mm \(({_INCH})(?: to ({_INCH}))? in\)")
_PAIR_INCH_FIRST = re.compile(rf"(?<![\d/.])({_INCH})(?: to ({_INCH}))? in \(({_NUMBER})(?: to ({_NUMBER}))? mm\)")
_LONE = re.compile(rf"(?<![\d/.])(?:{_INCH}) ?(?:mm|in|inch|inches)\b(?! (?:the|a|an|its|place|front)\b)")


def inches(mm: float, decimals: int = 1) -> str:
    """Return the inch figure that belongs to ``mm`` printed with ``decimals`` places.

    >>> inches(0.9)
    '0.035'

    Raises:
        ValueError: if ``mm`` is not finite, or ``decimals`` is not 0 to 4.
    """
    return _places(_printed(mm, decimals) / MM_PER_INCH, decimals + 2)


def both(mm: float, decimals: int = 1) -> str:
    """Return one length in both units.

    >>> both(28.575)
    '28.6 mm (1.126 in)'

    Raises:
        ValueError: as ``inches``.
    """
    return f"{_places(_printed(mm, decimals), decimals)} mm ({inches(mm, decimals)} in)"


def both_range(low: float, high: float, decimals: int = 1) -> str:
    """Return two lengths, millimetres, as a range in both units.

    >>> both_range(6.35, 6.858, 2)
    '6.35 to 6.86 mm (0.2500 to 0.2701 in)'

    Raises:
        ValueError: as ``inches``, or if ``low`` exceeds ``high``.
    """
    if low > high:
        raise ValueError(f"a range runs from low to high, got {low} to {high}")
    mm = f"{_places(_printed(low, decimals), decimals)} to {_places(_printed(high, decimals), decimals)} mm"
    return f"{mm} ({inches(low, decimals)} to {inches(high, decimals)} in)"


def agree(mm: str, inch: str) -> bool:
    """Whether two printed figures are one length: one of them is the other, rounded to its last digit.

    Inches may be a fraction (``1 1/8``), which counts as exact.

    >>> agree("0.9", "0.035"), agree("0.9", "0.35"), agree("28.6", "1 1/8")
    (True, False, True)

    Raises:
        ValueError: if a figure is not a number.
    """
    a, b = Fraction(_decimal(mm)), _inch_fraction(inch)
    per = Fraction(MM_PER_INCH)
    if abs(b * per - a) <= _half_unit(mm):
        return True
    return "/" not in inch and abs(a / per - b) <= _half_unit(inch)


def pairs(text: str) -> tuple[tuple[str, str], ...]:
    """Return every ``(mm, inch)`` pair that ``text`` states, as printed, ranges as two pairs."""
    found: list[tuple[int, str, str]] = []
    for pattern, mm_first in ((_PAIR_MM_FIRST, True), (_PAIR_INCH_FIRST, False)):
        for m in pattern.finditer(text):
            a1, a2, b1, b2 = m.groups()
            for a, b in ((a1, b1), (a2, b2)):
                if a is not None and b is not None:
                    found.append((m.start(), a, b) if mm_first else (m.start(), b, a))
    return tuple((mm, inch) for _, mm, inch in sorted(found, key=lambda f: f[0]))


def twinless(text: str) -> tuple[str, ...]:
    """Return the lengths in ``text`` that lack the other unit beside them."""
    rest = _PAIR_INCH_FIRST.sub(" ", _PAIR_MM_FIRST.sub(" ", text))
    return tuple(m.group(0) for m in _LONE.finditer(rest))


def _decimal(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:
        raise ValueError(f"expected a number, got {text!r}") from None


def _printed(mm: float, decimals: int) -> Decimal:
    if not isfinite(mm):
        raise ValueError(f"expected a finite length in millimetres, got {mm}")
    if not 0 <= decimals <= 4:
        raise ValueError(f"expected 0 to 4 decimals, got {decimals}")
    # repr, not the binary expansion: 28.575 is meant as written, not as 28.57499999...
    value = Decimal(repr(float(mm))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN)
    return value + 0  # turns -0 into 0


def _places(value: Decimal, decimals: int) -> str:
    return str((value.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN)) + 0)


def _half_unit(text: str) -> Fraction:
    exponent = _decimal(text).as_tuple().exponent
    if not isinstance(exponent, int):
        raise ValueError(f"expected a finite number, got {text!r}")
    return Fraction(Decimal(1).scaleb(exponent)) / 2


def _inch_fraction(text: str) -> Fraction:
    if "/" not in text:
        return Fraction(_decimal(text))
    whole, _, part = text.rpartition(" ")
    try:
        return Fraction(int(whole or 0)) + Fraction(part)
    except (ValueError, ZeroDivisionError):
        raise ValueError(f"expected inches as a number or a fraction, got {text!r}") from None
