"""The answer of a desk as a PDF: what stands on the page, to keep or to send."""

from __future__ import annotations

from datetime import UTC, datetime

from updraft_key.model.hands import HandTest

from .desk import Desk
from .engine import hand_tests
from .filing import photo_lines
from .labels import reading_name, source_name
from .language import tongue
from .overlay import draw_marks
from .report import DoneTest, Picture, ReportInput, make_pdf


def desk_pdf(desk: Desk, lang: str = "en") -> bytes:
    """Make the PDF.

    Raises:
        ValueError: if the desk has no answer yet.
    """
    if desk.answer is None:
        raise ValueError("expected a desk with an answer, got one without")
    answer = desk.answer
    pictures = tuple(
        Picture(s.name, s.read.sha256, draw_marks(s.photo(), s.read, lang), photo_lines(answer, i, None, lang))
        for i, s in enumerate(desk.shots)
        if s.full
    )
    tests = tuple(_done(test, lang) for test in hand_tests(desk.told.hand))
    return make_pdf(ReportInput(desk.answer, pictures, datetime.now(UTC).date(), None, tests, "", lang))


def _done(test: HandTest, lang: str) -> DoneTest:
    t = tongue(lang)
    what = f"{source_name(f'hand:{test.test}', lang)}: {reading_name(test.cue, test.reading, lang)}"
    return DoneTest(what, t.say("the person at the page"))
