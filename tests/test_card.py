import io
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader
from updraft_key.app.card import BOARD_TOP_MM, PAPERS, STEPS, card_pdf, write_card
from updraft_key.model import units
from updraft_key.model.scale_card import (
    CORNER_COUNT,
    HEIGHT_MM,
    SQUARE_MM,
    WIDTH_MM,
    black_rectangles,
    corners_mm,
    find_card,
)

DPI = 300
PX_PER_MM = DPI / 25.4
needs_poppler = pytest.mark.skipif(shutil.which("pdftocairo") is None, reason="pdftocairo is not installed")


@pytest.fixture(scope="module", params=list(PAPERS))
def page(request, tmp_path_factory):
    """(paper, darkness 0..1 of the page at 300 dpi)."""
    folder = tmp_path_factory.mktemp("card")
    pdf = write_card(folder / "card.pdf", request.param)
    # pdftocairo shades an edge pixel by the share that is covered; pdftoppm rounds edges to quarter pixels.
    command = ["pdftocairo", "-r", str(DPI), "-gray", "-png", "-singlefile", str(pdf), "-"]
    png = subprocess.run(command, check=True, capture_output=True).stdout
    image = np.asarray(Image.open(io.BytesIO(png)).convert("L"), np.float64)
    return request.param, 1 - image / 255


def run_centres(line: np.ndarray, least: float = 0.3) -> np.ndarray:
    """Centres of dark runs of a profile, millimetres, weighted by darkness."""
    dark = line > 0.02
    starts = np.flatnonzero(dark & ~np.roll(dark, 1))
    ends = np.flatnonzero(dark & ~np.roll(dark, -1))
    return np.array(
        [
            (np.arange(a, b + 1) + 0.5) @ line[a : b + 1] / line[a : b + 1].sum()
            for a, b in zip(starts, ends, strict=True)
            if line[a : b + 1].sum() > least
        ]
    ) / PX_PER_MM  # fmt: skip


@needs_poppler
def test_the_paper_is_what_its_standard_says(page):
    # ISO 216: A4 is 210 x 297 mm. US Letter is 8.5 x 11 in.
    paper, dark = page
    width, height = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11 * 25.4)}[paper]
    assert dark.shape[1] == pytest.approx(width * PX_PER_MM, abs=1)
    assert dark.shape[0] == pytest.approx(height * PX_PER_MM, abs=1)
    box = PdfReader(io.BytesIO(card_pdf(paper))).pages[0].mediabox
    assert float(box.width) / 72 * 25.4 == pytest.approx(width, abs=0.01)
    assert float(box.height) / 72 * 25.4 == pytest.approx(height, abs=0.01)


@needs_poppler
def test_squares_are_true_to_a_twentieth_of_a_millimetre(page):
    paper, dark = page
    left = (PAPERS[paper][0] - WIDTH_MM) / 2
    row = dark[round((BOARD_TOP_MM + 1.0) * PX_PER_MM)]  # through the black squares of the first row, above markers
    column = dark[:, round((left + 1.0) * PX_PER_MM)][: round((BOARD_TOP_MM + HEIGHT_MM + 1) * PX_PER_MM)]
    for line, start, count in ((row, left, 4), (column, BOARD_TOP_MM, 3)):
        lengths = [seg.sum() / PX_PER_MM for seg in np.split(line, np.flatnonzero(np.diff(line > 0.02)) + 1)]
        squares = [length for length in lengths if length > 5]
        assert len(squares) == count
        assert np.abs(np.array(squares) - SQUARE_MM).max() < 0.05
        centres = run_centres(line, least=5 * PX_PER_MM)
        assert np.abs(centres - (start + SQUARE_MM * (np.arange(count) * 2 + 0.5))).max() < 0.05


@needs_poppler
def test_both_rulers_are_true_to_a_twentieth_of_a_millimetre(page):
    paper, dark = page
    left = (PAPERS[paper][0] - WIDTH_MM) / 2
    below = BOARD_TOP_MM + HEIGHT_MM
    inside = slice(round((left - 3) * PX_PER_MM), round((left + WIDTH_MM + 3) * PX_PER_MM))
    offset = inside.start / PX_PER_MM
    mm = run_centres(dark[round((below + 9) * PX_PER_MM), inside]) + offset - left
    assert len(mm) == 101 and np.abs(mm - np.arange(101)).max() < 0.05
    inch = run_centres(dark[round((below + 22) * PX_PER_MM), inside]) + offset - left
    assert len(inch) == 65 and np.abs(inch - np.arange(65) * 25.4 / 16).max() < 0.05
    assert mm[-1] - mm[0] == pytest.approx(100, abs=0.05) and inch[-1] - inch[0] == pytest.approx(101.6, abs=0.05)


@needs_poppler
def test_the_reader_finds_the_printed_card_where_it_was_drawn(page):
    paper, dark = page
    sight = find_card(((1 - dark) * 255).astype(np.uint8))
    assert len(sight.ids) == CORNER_COUNT
    origin = np.array([(PAPERS[paper][0] - WIDTH_MM) / 2, BOARD_TOP_MM])
    assert np.abs(sight.points / PX_PER_MM - origin - corners_mm()[sight.ids]).max() < 0.05


@needs_poppler
def test_no_pale_seams_inside_the_black(page):
    paper, dark = page
    left = (PAPERS[paper][0] - WIDTH_MM) / 2
    inner = np.zeros_like(dark, bool)
    black = np.zeros_like(dark)
    for r in black_rectangles():
        x0, x1 = (round((left + x) * PX_PER_MM) for x in (r.x, r.x + r.width))
        y0, y1 = (round((BOARD_TOP_MM + y) * PX_PER_MM) for y in (r.y, r.y + r.height))
        black[y0:y1, x0:x1] = 1
    inner[2:-2, 2:-2] = np.min(
        [black[2 + i : black.shape[0] - 2 + i, 2 + j : black.shape[1] - 2 + j] for i in (-2, 0, 2) for j in (-2, 0, 2)],
        axis=0,
    ).astype(bool)
    assert dark[inner].min() > 0.97


def test_the_same_bytes_every_time_true_size_asked_for_and_only_vectors():
    pdf = card_pdf("a4")
    assert pdf == card_pdf("a4") and b"/PrintScaling /None" in pdf
    page_ = PdfReader(io.BytesIO(pdf)).pages[0]
    assert len(page_.images) == 0
    text = " ".join(page_.extract_text().replace("\xa0", " ").split())
    assert "Scale card" in text and "100 %" in text and "4 in" in text and "100 mm" in text


def test_words_carry_twins_and_can_be_translated():
    for step in STEPS:
        for mm, inch in units.pairs(step):
            assert units.agree(mm, inch), step
        assert not units.twinless(step), step
    text = PdfReader(io.BytesIO(card_pdf("a4", lambda s: "Größe" if s == "Scale card" else s))).pages[0].extract_text()
    assert "Größe" in text
    with pytest.raises(ValueError, match="a4 or letter"):
        card_pdf("a3")
