"""The report that can be filed: claim and finding on page one, the evidence photo by photo, the limits.

Same input, same bytes, apart from the date (one line on the page and the file's own date). PDF/A-2u: fonts are
embedded and the text can be searched. Pictures are drawn from pixels, so nothing of the customer's files but
what they show is in the report.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.answer import Answer
from updraft_key.model.key import load_rules

from .language import tongue
from .words import Block, Line, blocks, line_text, plain_name, verdict_sentence

FONTS = Path(__file__).parent / "assets" / "fonts"
_INK, _MUTED, _DEEP, _RULE, _PALE, _ALERT = (
    (29, 42, 51),
    (84, 97, 105),
    (15, 76, 92),
    (190, 200, 205),
    (241, 245, 246),
    (154, 59, 38),
)
_LISTING_BLOCKS = ("seen", "magnet", "next", "limits", "cautions")
_OWNER_BLOCKS = ("seen", "magnet", "next", "parts", "fit", "sources", "limits", "cautions")
_PICTURE_ROOM = (104.0, 78.0)  # millimetres, width and height; what was read stands beside the picture


@dataclass(frozen=True, slots=True)
class ClaimSection:
    """What a listing claims and how it fared.

    Attributes:
        claim: the claim as a sentence.
        result: ``supported``, ``contradicted`` or ``open``.
        lines: how it fared, in words.
        groups: titled lists under it: what supports, what contradicts, what could not be seen, what would close it.
    """

    claim: str
    result: str
    lines: tuple[Line, ...]
    groups: tuple[Block, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """One photo with its marks drawn: uint8 RGB (H, W, 3), its label and its hash."""

    label: str
    sha256: str
    pixels: NDArray[np.uint8]
    caption: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DoneTest:
    """One hand test as it stands in the report, and who did it."""

    text: str
    by: str


@dataclass(frozen=True, slots=True)
class ReportInput:
    """Everything that a report is made from.

    Attributes:
        answer: the whole answer.
        pictures: marked photos, in the order of the answer.
        day: shown and written into the file; nothing else in it depends on the clock.
        claim: set for a listing.
        tests: hand tests with the person who did each.
        reference: the filer's own reference, free text.
        language: of the fixed texts.
    """

    answer: Answer
    pictures: tuple[Picture, ...]
    day: date
    claim: ClaimSection | None = None
    tests: tuple[DoneTest, ...] = ()
    reference: str = ""
    language: str = "en"


def number_of(report: ReportInput) -> str:
    """A short number that depends on the content alone, so that two prints can be told to be the same."""
    claim = None if report.claim is None else [report.claim.claim, report.claim.result]
    content = [report.answer.to_json(), claim, [[t.text, t.by] for t in report.tests], report.reference]
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:10].upper()


def make_pdf(report: ReportInput) -> bytes:
    """Return the report as PDF bytes."""
    pdf = _Sheet(report)
    pdf.cover()
    pdf.photos()
    pdf.rest()
    return bytes(pdf.output())


def _sheet_class() -> Any:
    from fpdf import FPDF

    return FPDF


class _Sheet:
    """Draws one report; thin layer over fpdf2."""

    def __init__(self, report: ReportInput) -> None:
        self.report = report
        self.t = tongue(report.language)
        self.number = number_of(report)
        self.blocks = {b.id: b for b in blocks(report.answer, report.language)}
        self.pdf = _footed(self._footer)
        self.pdf.add_font("sans", "", FONTS / "DejaVuSans.ttf")
        self.pdf.add_font("sans", "B", FONTS / "DejaVuSans-Bold.ttf")
        self.pdf.set_creation_date(datetime(report.day.year, report.day.month, report.day.day, tzinfo=UTC))
        title = self.t.say("Evidence report: updraft carburetor")
        self.pdf.set_title(title)
        self.pdf.set_creator("Updraft Key")
        self.pdf.set_xmp_metadata(_xmp(title, report.day))
        self.pdf.set_lang(report.language)
        self.pdf.set_margins(18, 18, 18)
        self.pdf.set_auto_page_break(True, 20)
        self.pdf.add_page()

    def output(self) -> bytearray:
        """The finished file."""
        done: bytearray = self.pdf.output()
        return done

    def cover(self) -> None:
        """Page one: title, claim and finding, what supports, what contradicts, what could not be seen."""
        t, pdf = self.t, self.pdf
        self._text(t.say("Evidence report"), 20, bold=True, colour=_DEEP)
        self._text(t.say("Which generation of updraft carburetor do the pictures and hand tests show?"), 10.5)
        pdf.ln(2)
        facts = [
            (t.say("Report number"), self.number),
            (t.say("Date"), self.report.day.isoformat()),
            (t.say("Pictures"), str(len(self.report.answer.photos))),
            (t.say("Hand tests"), str(len(self.report.tests))),
        ]
        if self.report.reference:
            facts.insert(1, (t.say("Your reference"), plain_name(self.report.reference, 80)))
        self._facts(facts)
        claim = self.report.claim
        if claim is not None:
            said = [claim.claim, *(line_text(line) for line in claim.lines)]
            self._panel(t.say("Claim checked"), said, _ALERT if claim.result == "contradicted" else _DEEP, claim.groups)
        # What would close an open claim stands in its panel; once is enough.
        verdict = [line.text for line in self.blocks["verdict"].lines if claim is None or line.kind != "ask"]
        self._panel(t.say("Finding"), verdict or [verdict_sentence(self.report.answer, self.report.language)], _DEEP)
        if "findings" in self.blocks:
            self._block(self.blocks["findings"], colour=_ALERT)
        for name in ("why", "not_seen") if claim is None else ("why",):
            if name in self.blocks:
                self._block(self.blocks[name])

    def photos(self) -> None:
        """One picture after the other with its marks and what was read from it."""
        if not self.report.pictures:
            return
        # A heading alone at the foot of a page helps nobody: it goes with its first picture.
        if self.pdf.get_y() + _PICTURE_ROOM[1] + 25 > self.pdf.h - 20:
            self.pdf.add_page()
        self._heading(self.t.say("Pictures"))
        for index, picture in enumerate(self.report.pictures, start=1):
            self._picture(index, picture)

    def rest(self) -> None:
        """Hand tests, everything else that was said, identification of inputs, limits, cautions."""
        t = self.t
        self._heading(t.say("Hand tests"))
        if self.report.tests:
            for test in self.report.tests:
                by = plain_name(test.by, 60) if test.by else t.say("not stated")
                self._item(f"{test.text} ({t.say('by {name}', {'name': by})})")
        else:
            self._item(t.say("None was reported."))
        # A surveyor files evidence; what to order and how to fit it is for the one who does the work.
        for name in _OWNER_BLOCKS if self.report.claim is None else _LISTING_BLOCKS:
            if name in self.blocks:
                self._block(self.blocks[name])
        self._heading(t.say("What this report was made from"))
        for photo in self.report.answer.photos:
            size = f"{photo.width} x {photo.height} px" if photo.usable else t.say("not usable")
            self._item(f"{plain_name(photo.file)}: {size}")
            self._text(f"SHA-256 {photo.sha256 or '-'}", 7.5, colour=_MUTED, indent=4)
        model = self.report.answer.model
        self._item(t.say("Network {name} {version}", {"name": model.name, "version": model.version}))
        self._text(f"SHA-256 {model.sha256}", 7.5, colour=_MUTED, indent=4)
        self._item(t.say("Rules version {version}", {"version": load_rules().version}))

    def _picture(self, index: int, picture: Picture) -> None:
        from PIL import Image

        pdf = self.pdf
        height, width = picture.pixels.shape[:2]
        scale = min(_PICTURE_ROOM[0] / width, _PICTURE_ROOM[1] / height)
        drawn_w, drawn_h = width * scale, height * scale
        if pdf.get_y() + max(drawn_h, 10.0 * len(picture.caption)) + 12 > pdf.page_break_trigger:
            pdf.add_page()
        self._text(f"{index}. {plain_name(picture.label)}", 10, bold=True)
        jpeg = io.BytesIO()
        Image.fromarray(picture.pixels).save(jpeg, "JPEG", quality=88)
        top, left = pdf.get_y() + 1, pdf.l_margin + pdf.c_margin
        pdf.image(jpeg, x=left, y=top, w=drawn_w, h=drawn_h, alt_text=picture.label)
        pdf.set_y(top)
        for line in picture.caption:
            self._item(line, indent=drawn_w + 4)
        pdf.set_y(max(pdf.get_y(), top + drawn_h) + 5)

    def _block(self, block: Block, colour: tuple[int, int, int] = _DEEP) -> None:
        self._heading(block.title, colour)
        for number, line in enumerate(block.lines, start=1):
            lead = f"{number}." if block.id in ("next", "fit") else ""
            rule = f" [{line.ref}]" if block.id == "why" else ""
            note = f" ({line.note})" if line.note else ""
            self._item(f"{line.text}{note}{rule}", lead or "\N{EN DASH}")

    def _panel(
        self, title: str, lines: Sequence[str], colour: tuple[int, int, int], groups: Sequence[Block] = ()
    ) -> None:
        pdf = self.pdf
        pdf.ln(3)
        top = pdf.get_y()
        pdf.set_x(pdf.l_margin + 4)
        self._text(title, 9, colour=colour, bold=True, indent=4)
        for number, line in enumerate(lines):
            self._text(line, 13 if number == 0 else 10, bold=number == 0, indent=4)
        for group in groups:
            pdf.ln(1.8)
            self._text(group.title, 9.5, bold=True, colour=colour, indent=4)
            for row in group.lines:
                self._item(f"{line_text(row)}{f' [{row.ref}]' if row.kind == 'rule' else ''}", indent=4)
        pdf.set_draw_color(*colour)
        pdf.set_line_width(1.4)
        pdf.line(pdf.l_margin + 0.7, top, pdf.l_margin + 0.7, pdf.get_y())
        pdf.set_line_width(0.2)

    def _facts(self, rows: Sequence[tuple[str, str]]) -> None:
        pdf = self.pdf
        pdf.set_fill_color(*_PALE)
        for name, value in rows:
            pdf.set_font("sans", "", 9)
            pdf.set_text_color(*_MUTED)
            pdf.cell(42, 6, name, fill=True)
            pdf.set_text_color(*_INK)
            pdf.multi_cell(0, 6, value, fill=True, new_x="LMARGIN", new_y="NEXT")

    def _heading(self, text: str, colour: tuple[int, int, int] = _DEEP) -> None:
        pdf = self.pdf
        if pdf.get_y() > pdf.h - 45:
            pdf.add_page()
        pdf.ln(4)
        self._text(text, 12, bold=True, colour=colour)
        pdf.set_draw_color(*_RULE)
        pdf.line(pdf.l_margin + pdf.c_margin, pdf.get_y(), pdf.w - pdf.r_margin, pdf.get_y())
        pdf.ln(1.5)

    def _item(self, text: str, lead: str = "\N{EN DASH}", indent: float = 2.0) -> None:
        """One row of a list; further lines of it stand under the first one's text and not under its dash."""
        pdf, hang = self.pdf, 4.0 if lead == "\N{EN DASH}" else 6.5
        if pdf.get_y() + 4.75 > pdf.page_break_trigger:
            pdf.add_page()
        pdf.set_font("sans", "", 9.5)
        pdf.set_text_color(*_INK)
        pdf.set_x(pdf.l_margin + indent)
        pdf.cell(hang, 4.75, lead)
        self._text(text, 9.5, indent=indent + hang)

    def _text(
        self,
        text: str,
        size: float,
        *,
        bold: bool = False,
        colour: tuple[int, int, int] = _INK,
        indent: float = 0.0,
    ) -> None:
        pdf = self.pdf
        pdf.set_font("sans", "B" if bold else "", size)
        pdf.set_text_color(*colour)
        pdf.set_x(pdf.l_margin + indent)
        pdf.multi_cell(pdf.epw - indent, size * 0.5, text, align="L", new_x="LMARGIN", new_y="NEXT")

    def _footer(self, pdf: Any) -> None:
        pdf.set_y(-14)
        pdf.set_font("sans", "", 7.5)
        pdf.set_text_color(*_MUTED)
        said = self.t.say("Report {number}. It identifies and lists; it certifies nothing.", {"number": self.number})
        pdf.cell(pdf.epw - 20, 5, said)
        page = self.t.say("Page {page} of {pages}", {"page": pdf.page_no(), "pages": "{nb}"})
        pdf.cell(20, 5, page, align="R")


def _xmp(title: str, day: date) -> str:
    """The packet that PDF/A asks for. fpdf2's own would hold the time of writing, and no two files be the same."""
    when = f"{day.isoformat()}T00:00:00+00:00"
    return (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" '
        'xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/" '
        'xmlns:pdf="http://ns.adobe.com/pdf/1.3/" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/">'
        f'<rdf:Description rdf:about="" xmp:CreatorTool="Updraft Key" xmp:CreateDate="{when}" '
        f'xmp:ModifyDate="{when}" xmp:MetadataDate="{when}">'
        "<pdfaid:part>2</pdfaid:part><pdfaid:conformance>U</pdfaid:conformance>"
        f'<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{escape(title)}</rdf:li></rdf:Alt></dc:title>'
        "</rdf:Description></rdf:RDF></x:xmpmeta>"
    )


def _footed(draw: Any) -> Any:
    """An fpdf2 page set whose footer is drawn by ``draw``."""
    base = _sheet_class()

    class Footed(base):  # type: ignore[misc, valid-type]  # fpdf2 is imported only when a report is made
        def footer(self) -> None:
            draw(self)

    return Footed(format="A4", enforce_compliance="PDF/A-2U")
