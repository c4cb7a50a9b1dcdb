"""From a question asked at the command line to the PDF that is filed."""

from __future__ import annotations

from datetime import UTC, date, datetime

from updraft_key.model.answer import PhotoAnswer
from updraft_key.model.claims import check_claim
from updraft_key.model.cues import UNSURE, Era
from updraft_key.model.errors import UpdraftKeyError

from .asking import Asked
from .labels import cue_name, era_name, reading_name, source_name
from .language import tongue
from .listing import claim_lines
from .overlay import draw_marks
from .report import ClaimSection, DoneTest, Picture, ReportInput, make_pdf


def report_pdf(asked: Asked, claim: Era | None, by: str, reference: str, day: str | None, lang: str) -> bytes:
    """Make the PDF.

    Raises:
        UpdraftKeyError: a day that is no date.
    """
    t = tongue(lang)
    section = None
    if claim is not None:
        check = check_claim(claim, asked.answer)
        said = t.say("The listing says: {claim}.", {"claim": era_name(claim, lang)})
        section = ClaimSection(said, str(check.result), claim_lines(check, lang))
    pictures = tuple(
        Picture(a.file, a.sha256, draw_marks(p, a, lang), _read(a, lang))
        for p, a in zip(asked.photos, asked.answer.photos, strict=True)
        if p is not None
    )
    tests = tuple(
        DoneTest(f"{source_name(f'hand:{h.test}', lang)}: {reading_name(h.cue, h.reading, lang)}", by)
        for h in asked.tests
    )
    return make_pdf(ReportInput(asked.answer, pictures, _day(day), section, tests, reference, lang))


def _read(photo: PhotoAnswer, lang: str) -> tuple[str, ...]:
    """What was read from one photo: a line for each reading that counts, one for what is in sight but unclear."""
    if photo.readings is None or not photo.readings.subject.found:
        return ()
    cues = photo.readings.cues
    clear = [f"{cue_name(c, lang)}: {reading_name(c, r.reading, lang)}" for c, r in cues.items() if r.accepted]
    unclear = [cue_name(c, lang) for c, r in cues.items() if r.reading == UNSURE]
    if unclear:
        clear.append(tongue(lang).say("In sight, but not clear enough to count: {cues}", {"cues": ", ".join(unclear)}))
    return tuple(clear)


def _day(text: str | None) -> date:
    if text is None:
        return datetime.now(UTC).date()
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UpdraftKeyError(f"--day: expected a date such as 2026-11-25, got {text!r}") from error
