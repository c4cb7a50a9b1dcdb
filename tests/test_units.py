import re
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from updraft_key.model import units


def test_published_pairs_agree_and_the_misprint_does_not():
    # OUTSIDE_CHECKS, conflict 2: 46 CFR 28.335 prints 0.035 in / 0.9 mm; a mirror of 46 CFR 119.455 prints 0.35.
    assert units.agree("0.9", "0.035")
    assert not units.agree("0.9", "0.35")
    # 33 CFR 183.538 (0.029 in); ISO/IEC 7810 ID-1 prints 3.370 x 2.125 in for 85.60 x 53.98 mm.
    assert units.agree("0.737", "0.029")
    assert units.agree("85.60", "3.370") and units.agree("53.98", "2.125")
    # US Mint specification page: quarter 24.26 mm, 0.955 in; cent 19.05 mm, 0.750 in.
    assert units.agree("24.26", "0.955") and units.agree("19.05", "0.750")
    assert units.agree("28.6", "1 1/8") and not units.agree("28.5", "1 1/8")


@given(st.floats(0, 5000), st.integers(0, 3))
def test_either_figure_gives_the_other_to_its_last_digit(mm, decimals):
    text = units.both(mm, decimals)
    ((as_mm, as_in),) = units.pairs(text)
    assert units.agree(as_mm, as_in)
    back = Fraction(as_in) * Fraction("25.4")
    assert abs(back - Fraction(as_mm)) < Fraction(1, 2 * 10**decimals)
    assert not units.twinless(text)


def test_ranges_lone_figures_and_refusals():
    assert units.both_range(6.35, 6.858, 2) == "6.35 to 6.86 mm (0.2500 to 0.2701 in)"
    assert units.pairs("1/4 to 3/8 in (6.4 to 9.5 mm)") == (("6.4", "1/4"), ("9.5", "3/8"))
    assert units.twinless("drill 3 mm deep, plug 1 1/8 in (28.6 mm)") == ("3 mm",)
    assert units.twinless("a 1/8 NPT plug") == ()
    assert units.both(-0.0001) == "0.0 mm (0.000 in)"
    for bad in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="finite"):
            units.both(bad)
    with pytest.raises(ValueError, match="decimals"):
        units.both(1.0, 9)
    with pytest.raises(ValueError, match="low to high"):
        units.both_range(2, 1)
    with pytest.raises(ValueError, match="number"):
        units.agree("x", "1")
    with pytest.raises(ValueError, match="fraction"):
        units.agree("1", "1/0")


def test_every_length_in_the_shipped_words_has_a_right_twin():
    model = Path(units.__file__).parent
    seen = 0
    for file in ("catalogue.toml", "fit.toml", "safety.py", "parts.py"):
        path = model / file
        if not path.exists():
            pytest.fail(f"{file} is not there")
        for line in re.findall(r'"([^"\n]*)"', path.read_text(encoding="utf-8")):
            assert not units.twinless(line), (file, line)
            for mm, inch in units.pairs(line):
                assert units.agree(mm, inch), (file, mm, inch)
                seen += 1
    assert seen >= 5
