"""From a question asked at the command line to the PDF that is filed."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime

from updraft_key.model.answer import Answer
from updraft_key.model.claims import ClaimCheck, check_claim
from updraft_key.model.cues import ERAS, OUT_OF_SIGHT, UNSURE, Era, Reason
from updraft_key.model.errors import UpdraftKeyError

from .asking import Asked
from .labels import bearers_name, cue_name, era_name, reading_name, source_name, sources_name, view_name
from .language import tongue
from .line import Block, Line
from .listing import RESULTS
from .overlay import draw_marks
from .report import ClaimSection, DoneTest, Picture, ReportInput, make_pdf
from .verdict_words import NOTHING_SEEN, not_seen_lines


def report_pdf(asked: Asked, claim: Era | None, by: str, reference: str, day: str | None, lang: str) -> bytes:
    """Make the PDF.

    Raises:
        UpdraftKeyError: a day that is no date.
    """
    section = None if claim is None else claim_section(check_claim(claim, asked.answer), asked.answer, lang)
    pictures = tuple(
        Picture(a.file, a.sha256, draw_marks(p, a, lang), photo_lines(asked.answer, i, claim, lang))
        for i, (p, a) in enumerate(zip(asked.photos, asked.answer.photos, strict=True))
        if p is not None
    )
    tests = tuple(
        DoneTest(f"{source_name(f'hand:{h.test}', lang)}: {reading_name(h.cue, h.reading, lang)}", by)
        for h in asked.tests
    )
    return make_pdf(ReportInput(asked.answer, pictures, _day(day), section, tests, reference, lang))


def claim_section(check: ClaimCheck, answer: Answer, lang: str) -> ClaimSection:
    """The claim's panel: how it fared, then what supports, what contradicts and what could not be seen, apart."""
    t = tongue(lang)
    said = t.say("The listing says: {claim}.", {"claim": era_name(check.claim, lang)})
    fared = t.say(RESULTS[check.result], {"claim": era_name(check.claim, lang)})
    reasons = list(dict.fromkeys((*answer.verdict.reasons, *answer.verdict.conflict)))
    supports = [_row(r, lang) for r in reasons if check.claim in r.keeps and len(r.keeps) < len(ERAS)]
    against = [_row(r, lang) for r in reasons if check.claim not in r.keeps]
    close = () if check.look is None else (Line(t.again(check.look.how)),)
    signs = tuple(
        Line(t.again(f.text), "" if f.photo is None else sources_name((f"photo:{f.photo}",), lang)) for f in check.signs
    )
    nothing = (Line(t.say("Nothing.")),)
    if answer.verdict.outcome in NOTHING_SEEN:
        unseen: tuple[Line, ...] = (Line(t.say("Everything: no photo shows such a carburetor, or none can be read.")),)
    else:
        unseen = _unseen(answer, lang) or nothing
    groups = (
        Block("supports", t.say("What supports the claim"), tuple(supports) or nothing),
        Block("contradicts", t.say("What contradicts the claim"), tuple(against) or nothing),
        Block("unseen", t.say("What could not be seen"), unseen),
        Block("close", t.say("What would close it"), close),
        Block("signs", t.say("Signs that a photo may show something else"), signs),
    )
    lines = (Line(fared), Line(t.again(check.text)))
    return ClaimSection(said, str(check.result), lines, tuple(g for g in groups if g.lines))


def photo_lines(answer: Answer, index: int, claim: Era | None, lang: str) -> tuple[str, ...]:
    """What one photo shows: its side, each reading that counts (and on which side of a claim), what is unclear, absent.

    Args:
        answer: the whole answer.
        index: of the photo in it.
        claim: of a listing; None where nothing is claimed.
        lang: of the words.
    """
    t, photo = tongue(lang), answer.photos[index]
    if photo.readings is None or not photo.readings.subject.found:
        return (t.say("No carburetor of this kind was found in the photo."),)
    cues = photo.readings.cues
    sides = {} if claim is None else _sides(answer, index, claim, lang)
    out = [t.say("Seen {view}", {"view": view_name(photo.readings.view, lang)})] if photo.readings.view else []
    for cue, read in cues.items():
        if read.accepted and read.reading != OUT_OF_SIGHT:
            side = sides.get((str(cue), read.reading))
            out.append(f"{cue_name(cue, lang)}: {reading_name(cue, read.reading, lang)}{f' ({side})' if side else ''}")
    unclear = ", ".join(cue_name(c, lang) for c, r in cues.items() if r.reading == UNSURE)
    if unclear:
        out.append(t.say("In sight, but not clear enough to rely on: {cues}", {"cues": unclear}))
    hidden = ", ".join(cue_name(c, lang) for c, r in cues.items() if r.reading == OUT_OF_SIGHT)
    if hidden:
        out.append(t.say("Not in sight here: {cues}", {"cues": hidden}))
    return tuple(out)


def _sides(answer: Answer, index: int, claim: Era, lang: str) -> Mapping[tuple[str, str], str]:
    """On which side of the claim each reading of a photo stands; those that leave it open are not in it."""
    t, out = tongue(lang), dict[tuple[str, str], str]()
    for r in (*answer.verdict.reasons, *answer.verdict.conflict):
        if f"photo:{index}" in r.sources and len(r.keeps) < len(ERAS):
            key = (str(r.cue), r.reading)
            out[key] = t.say("supports the claim") if claim in r.keeps else t.say("contradicts the claim")
    return out


def _row(reason: Reason, lang: str) -> Line:
    hint = "" if reason.settles else ", " + tongue(lang).say("a hint")
    text = f"{cue_name(reason.cue, lang)}: {reading_name(reason.cue, reason.reading, lang)}"
    return Line(text, bearers_name(reason, lang) + hint, reason.rule, "rule")


def _unseen(answer: Answer, lang: str) -> tuple[Line, ...]:
    """Out of sight everywhere, or in sight but never clear enough."""
    said = tongue(lang).say("in sight, but not clear enough to rely on")
    spoke = {r.cue for r in (*answer.verdict.reasons, *answer.verdict.conflict)}  # unsure by disagreeing, not unseen
    unclear = [c for c, fused in answer.cues.cues.items() if fused.reading == UNSURE and c not in spoke]
    return (*not_seen_lines(answer, lang), *(Line(f"{cue_name(c, lang)}: {said}") for c in unclear))


def _day(text: str | None) -> date:
    if text is None:
        return datetime.now(UTC).date()
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise UpdraftKeyError(f"--day: expected a date such as 2026-11-25, got {text!r}") from error
