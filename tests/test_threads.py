import csv
import re
from importlib.resources import files
from itertools import pairwise

import pytest
from updraft_key.model import units
from updraft_key.model.threads import (
    HEADS,
    NPT,
    TAPER,
    TAPER_HALF_ANGLE,
    THROAT_PLUG_MM,
    G,
    judge_pipe_thread,
    judge_screw_head,
    judge_throat_plug,
    numbered_screw,
)

# ASME B1.20.1 as printed in two resellers' tables and one spreadsheet copy (OUTSIDE_CHECKS section 2), inches:
# size, D, threads per inch, E0, E1, L1, L2, h, K0.
PUBLISHED_NPT = [
    ("1/16", 0.3125, 27, 0.27118, 0.28118, 0.160, 0.2611, 0.02963, 0.2416),
    ("1/8", 0.405, 27, 0.36351, 0.37360, 0.1615, 0.2639, 0.02963, 0.3339),
    ("1/4", 0.540, 18, 0.47739, 0.49163, 0.2278, 0.4018, 0.04444, 0.4329),
    ("3/8", 0.675, 18, 0.61201, 0.62701, 0.240, 0.4078, 0.04444, 0.5676),
]


@pytest.mark.parametrize("row", PUBLISHED_NPT, ids=lambda r: r[0])
def test_npt_rows_obey_their_identities(row):
    size, outside, per_inch, e0, e1, l1, l2, h, k0 = row
    t = NPT[size]
    assert (t.outside, t.per_inch, t.e1, t.l1) == (outside, per_inch, e1, l1)
    assert t.e0 == pytest.approx(e0, abs=6e-6)
    assert t.e1 == pytest.approx(t.e0 + t.l1 * TAPER, abs=6e-6)
    assert t.l2 == pytest.approx(l2, abs=6e-5)
    assert t.depth == pytest.approx(h, abs=6e-6)
    assert t.e0 - t.depth == pytest.approx(k0, abs=6e-5)


def test_taper_and_vanish_as_published():
    # OUTSIDE_CHECKS section 2: 1 in 16 = 0.75 in a foot = 62.5 mm a metre; half angle 1.7899 degrees; V = 3.47 / n.
    assert TAPER * 12 == 0.75 and TAPER * 1000 == 62.5
    assert pytest.approx(1.7899, abs=5e-5) == TAPER_HALF_ANGLE
    assert NPT["1/8"].vanish == pytest.approx(0.1285, abs=5e-5)
    assert NPT["1/4"].vanish == pytest.approx(0.1928, abs=5e-5)


def test_the_misprinted_length_fails_the_identity():
    # OUTSIDE_CHECKS, conflict 3: a table copy prints L2 for 3/8 as 0.0478.
    assert NPT["3/8"].l2 == pytest.approx(0.4078, abs=6e-5) and abs(NPT["3/8"].l2 - 0.0478) > 0.3


def table(path: str) -> list[dict[str, str]]:
    pytest.importorskip("bd_warehouse")
    with (files("bd_warehouse") / path).open(encoding="utf-8") as f:
        return list(csv.DictReader(f))


def test_outside_diameters_and_g_threads_against_a_package():
    # bd-warehouse 0.4.0: pipe.csv (pipe outside diameters, inches) and iso_228_1.csv (ISO 228-1, millimetres).
    pipe = {r["nps"]: float(r["od"]) for r in table("pipe.csv") if r["material"] == "steel"}
    for size in ("1/8", "1/4", "3/8"):
        assert NPT[size].outside == pipe[size]
    iso = {r["size"]: r for r in table("data/iso_228_1.csv")}
    for size, g in G.items():
        assert (g.major_mm, g.per_inch) == (float(iso[size]["major_diameter"]), int(iso[size]["tpi"]))


def test_numbered_screws_against_formula_and_package():
    # ASME B18.6.3 (OUTSIDE_CHECKS section 3): 0.164, 0.190, 0.216; bd-warehouse 0.4.0 fastener.py says the same.
    assert [numbered_screw(n) for n in (8, 10, 12)] == [0.164, 0.190, 0.216]
    pytest.importorskip("bd_warehouse")
    source = (files("bd_warehouse") / "fastener.py").read_text("utf-8")
    package = {int(n): float(d) for n, d in re.findall(r'"#(\d+)": (0\.\d+) \* IN', source) if n.strip("0")}
    assert {8, 10} <= set(package)
    for number, diameter in package.items():
        assert numbered_screw(number) == diameter
    with pytest.raises(ValueError, match="0 to 14"):
        numbered_screw(99)


def test_head_bands_as_published():
    # ASME B18.6.3 (OUTSIDE_CHECKS section 3), head diameter max / min in inches.
    fillister = {"#8": (0.270, 0.250), "#10": (0.313, 0.292), "#12": (0.357, 0.334), "1/4": (0.414, 0.389)}
    pan = {"#8": (0.322, 0.306), "#10": (0.373, 0.357), "#12": (0.425, 0.407), "1/4": (0.492, 0.473)}
    binding = {"#8": (0.344, 0.326), "#10": (0.399, 0.378), "#12": (0.454, 0.430), "1/4": (0.525, 0.498)}
    for style, published in (("fillister", fillister), ("pan", pan), ("binding", binding)):
        assert {h.size: (h.high, h.low) for h in HEADS if h.style == style} == published
    bands = [h for h in HEADS if h.style == "fillister"]
    gaps = [b.low_mm - a.high_mm for a, b in pairwise(bands)]
    assert gaps == pytest.approx([0.56, 0.53, 0.81], abs=0.005)
    # Greatest pan heads again, from bd-warehouse 0.4.0 (only the diameters are the slotted head's there).
    rows = {r["Size"]: r["asme_b_18.6.3:dk"] for r in table("data/pan_head_parameters.csv")}
    for size, thread in (("#8", "#8-32"), ("#10", "#10-24"), ("#12", "#12-24"), ("1/4", "1/4-20")):
        assert float(rows[thread]) == pan[size][0]


@pytest.mark.parametrize(
    ("low", "high", "style", "size"),
    [
        (7.45, 7.90, "fillister", "#10"),  # band 7.417 to 7.950
        (7.30, 7.90, "fillister", None),  # reaches below the band
        (6.80, 7.50, "fillister", None),  # touches #8 and #10
        (7.45, 7.90, "unknown", None),  # #10 fillister and #8 pan overlap
        (7.80, 8.15, "pan", "#8"),
        (7.00, 7.30, "fillister", None),  # between two bands
    ],
)
def test_a_head_is_said_only_inside_one_band_of_a_known_style(low, high, style, size):
    answer = judge_screw_head(low, high, style)
    assert answer.size == size
    assert not units.twinless(answer.text)
    for mm, inch in units.pairs(answer.text):
        assert units.agree(mm, inch)
    if size is None:
        assert "caliper" in answer.text or "measure again" in answer.text


def test_the_off_plane_error_alone_undoes_a_screw_size():
    # OUTSIDE_CHECKS section 8: 10 mm at 300 mm is 3.4 %, 0.25 mm on a 7.4 mm head.
    from updraft_key.model.measure import off_plane_share

    wide = 7.68 * off_plane_share(10, 300)
    assert wide == pytest.approx(0.26, abs=0.01)
    assert judge_screw_head(7.60, 7.76, "fillister").size == "#10"
    assert judge_screw_head(7.60 - wide, 7.76 + wide, "fillister").size is None


@pytest.mark.parametrize("interval", [(10.2, 10.4), (9.7, 9.75), (9.5, 10.5), (10.28, 10.29), (5.0, 6.0)])
def test_a_pipe_thread_is_never_told_from_a_photo(interval):
    answer = judge_pipe_thread(*interval)
    assert answer.size is None
    assert "thread gauge" in answer.text and "cannot tell 1/8 NPT" in answer.text
    assert "27 to the inch" in answer.text and "28 to the inch" in answer.text
    for mm, inch in units.pairs(answer.text):
        assert units.agree(mm, inch)
    # OUTSIDE_CHECKS section 2: 10.287 against 9.728 mm; 0.202 mm over six threads.
    assert "10.29 mm" in answer.text and "9.73 mm" in answer.text and "0.20 mm" in answer.text


def test_the_throat_plug():
    assert units.agree("28.6", "1 1/8") and THROAT_PLUG_MM == 1.125 * 25.4
    assert judge_throat_plug(28.2, 28.9).size == "big_plug"
    assert judge_throat_plug(25.0, 27.9).size is None and "not the big" in judge_throat_plug(25.0, 27.9).text
    assert judge_throat_plug(26.0, 31.0).size is None and "nearer" in judge_throat_plug(26.0, 31.0).text
    for judge in (judge_throat_plug, judge_pipe_thread, judge_screw_head):
        with pytest.raises(ValueError, match="low <= high"):
            judge(3, 2)
    with pytest.raises(ValueError, match="style"):
        judge_screw_head(2, 3, "hexagon")
