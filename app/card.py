"""The scale card on paper: one PDF page, A4 or US Letter, drawn in vectors at true size.

The geometry comes from ``model.scale_card``, the same that reads it. A 100 mm and a 4 in ruler stand on the card, so
that the printer can be checked and the check stays with the card.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

from fpdf import FPDF, ViewerPreferences
from updraft_key.model.scale_card import (
    HEIGHT_MM,
    SQUARE_MM,
    SQUARES_X,
    SQUARES_Y,
    WIDTH_MM,
    black_rectangles,
)
from updraft_key.model.units import both

PAPERS: Mapping[str, tuple[float, float]] = MappingProxyType({"a4": (210.0, 297.0), "letter": (215.9, 279.4)})
"""Width and height, millimetres: ISO 216, and 8 1/2 by 11 in."""

MARGIN_MM = 10.0
"""White round the board; the outermost marker needs it to be found."""
BOARD_TOP_MM = 44.0
RULER_MM = 100
RULER_INCHES = 4
CARD_BELOW_MM = 36.0
"""From the board's lower edge to the cut line: room for both rulers."""

TITLE = "Scale card"
SUBTITLE = "True to size only when printed at 100 %."
STEPS: tuple[str, ...] = (
    "Print this page at 100 % (actual size). Do not let the printer fit it to the page.",
    "Check both rulers with a good rule. Write on the card what its 100 mm (3.94 in) ruler really measures, and give "
    "that number when you measure.",
    "Glue the card to something stiff and flat, and cut along the dashed line.",
    "Lay the card beside what you measure and in the same plane: a thing 10 mm (0.39 in) above the card reads 3 % "
    "too large from 300 mm (11.8 in) away.",
    "Take the photo from about 300 mm (11.8 in), straight from above if you can: the whole card in it, sharp, without "
    "glare.",
    "Engine cold, battery off, no smoking. Paper soaks up petrol: take the card out of the boat afterwards.",
)
"""What the page says, in order; the English text is the key for translation."""


def card_pdf(paper: str = "a4", say: Callable[[str], str] | None = None) -> bytes:
    """Return the page as PDF bytes; the same bytes every time.

    Args:
        paper: ``a4`` or ``letter``.
        say: translates the page's sentences; its letters must be in Latin-1.

    Raises:
        ValueError: for any other paper.
    """
    if paper not in PAPERS:
        raise ValueError(f"expected paper {' or '.join(PAPERS)}, got {paper!r}")
    tell = say if say is not None else str
    width, height = PAPERS[paper]
    pdf = FPDF(unit="mm", format=(width, height))
    pdf.set_creation_date(datetime(2026, 1, 1, tzinfo=UTC))  # a fixed date keeps the bytes the same
    pdf.set_title(tell(TITLE))
    pdf.set_creator("Updraft Key")
    pdf.set_producer("fpdf2")
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")  # asks the print dialog for true size
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.add_page()
    left = (width - WIDTH_MM) / 2
    _heading(pdf, left - MARGIN_MM, tell)
    _board(pdf, left, BOARD_TOP_MM)
    below = BOARD_TOP_MM + HEIGHT_MM
    _ruler_mm(pdf, left, below + 8)
    _ruler_inches(pdf, left, below + 21)
    _cut_line(pdf, left - MARGIN_MM, BOARD_TOP_MM - MARGIN_MM, below + CARD_BELOW_MM)
    _instructions(pdf, left - MARGIN_MM, below + CARD_BELOW_MM + 9, tell)
    return bytes(pdf.output())


def write_card(path: Path | str, paper: str = "a4", say: Callable[[str], str] | None = None) -> Path:
    """Write the page to ``path`` and return it.

    Raises:
        ValueError: as ``card_pdf``.
        OSError: the file cannot be written.
    """
    file = Path(path)
    file.write_bytes(card_pdf(paper, say))
    return file


def _heading(pdf: FPDF, left: float, tell: Callable[[str], str]) -> None:
    pdf.set_text_color(0)
    pdf.set_font("Helvetica", "B", 20)
    pdf.text(left, 20, tell(TITLE))
    pdf.set_font("Helvetica", "", 11)
    pdf.text(left, 27.5, tell(SUBTITLE))


def _board(pdf: FPDF, left: float, top: float) -> None:
    pdf.set_fill_color(0)
    rectangles = black_rectangles()
    for r in rectangles:
        pdf.rect(left + r.x, top + r.y, r.width, r.height, style="F")
    # Viewers draw a pale seam where two black rectangles touch. A thin bar over each shared edge closes it.
    cells = [r for r in rectangles if r.height < SQUARE_MM]
    for upper in cells:
        for lower in cells:
            x0, x1 = max(upper.x, lower.x), min(upper.x + upper.width, lower.x + lower.width)
            if abs(upper.y + upper.height - lower.y) < 1e-6 and x1 > x0:
                pdf.rect(left + x0, top + lower.y - 0.1, x1 - x0, 0.2, style="F")


def _ruler_mm(pdf: FPDF, left: float, top: float) -> None:
    for i in range(RULER_MM + 1):
        _tick(pdf, left + i, top, 5.0 if i % 10 == 0 else 3.6 if i % 5 == 0 else 2.4)
    for i in range(0, RULER_MM + 1, 10):
        _label(pdf, left + i, top + 8.2, f"{i} mm" if i == RULER_MM else str(i))
    _base(pdf, left, top, RULER_MM)


def _ruler_inches(pdf: FPDF, left: float, top: float) -> None:
    for i in range(RULER_INCHES * 16 + 1):
        length = next(long for step, long in ((16, 5.0), (8, 4.2), (4, 3.4), (2, 2.7), (1, 2.0)) if i % step == 0)
        _tick(pdf, left + i * 25.4 / 16, top, length)
    for i in range(RULER_INCHES + 1):
        _label(pdf, left + i * 25.4, top + 8.2, f"{i} in" if i == RULER_INCHES else str(i))
    _base(pdf, left, top, RULER_INCHES * 25.4)


def _tick(pdf: FPDF, x: float, top: float, length: float) -> None:
    pdf.rect(x - 0.075, top, 0.15, length, style="F")


def _base(pdf: FPDF, left: float, top: float, length: float) -> None:
    pdf.rect(left - 0.075, top - 0.15, length + 0.15, 0.15, style="F")


def _label(pdf: FPDF, x: float, y: float, text: str) -> None:
    pdf.set_font("Helvetica", "", 7.5)
    # The unit hangs to the right of the last figure, so that the figure itself stays over its tick.
    pdf.text(x - pdf.get_string_width(text.split(" ")[0]) / 2, y, text)


def _cut_line(pdf: FPDF, left: float, top: float, bottom: float) -> None:
    pdf.set_draw_color(110)
    pdf.set_line_width(0.2)
    pdf.set_dash_pattern(dash=2, gap=1.5)
    pdf.rect(left, top, WIDTH_MM + 2 * MARGIN_MM, bottom - top)
    pdf.set_dash_pattern()
    pdf.set_text_color(90)
    pdf.set_font("Helvetica", "", 6.5)
    squares = f"{SQUARES_X} x {SQUARES_Y} x {both(SQUARE_MM)}"
    pdf.text(left + MARGIN_MM, bottom - 2.2, squares)
    pdf.set_text_color(0)
    pdf.set_font("Helvetica", "", 8)
    measured = f"{RULER_MM} mm = ____________ mm"
    pdf.text(left + MARGIN_MM + WIDTH_MM - pdf.get_string_width(measured), bottom - 2.2, measured)


def _instructions(pdf: FPDF, left: float, top: float, tell: Callable[[str], str]) -> None:
    y = top
    for number, step in enumerate(STEPS, start=1):
        pdf.set_font("Helvetica", "B", 11)
        pdf.text(left, y + 3.9, f"{number}.")
        pdf.set_font("Helvetica", "", 11)
        pdf.set_xy(left + 7, y)
        together = re.sub(r"(?<=\d) (?=mm|in|%)", "\xa0", tell(step))  # a figure stays beside its unit
        pdf.multi_cell(WIDTH_MM + 2 * MARGIN_MM - 7, 5.2, together, align="L")
        y = pdf.get_y() + 2.0
