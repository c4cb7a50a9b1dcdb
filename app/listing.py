"""A listing checked, in words: does what the photos show bear out what is claimed?"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from types import MappingProxyType

from updraft_key.model.answer import Answer
from updraft_key.model.claims import ClaimCheck, ClaimResult
from updraft_key.model.cues import Reason

from .labels import bearers_name, cue_name, era_name, reading_name, sources_name
from .language import mark as _
from .language import tongue
from .words import Line, as_text, line_text

RESULTS: Mapping[ClaimResult, str] = MappingProxyType(
    {
        ClaimResult.SUPPORTED: _("The claim \u201c{claim}\u201d is borne out."),
        ClaimResult.CONTRADICTED: _("The claim \u201c{claim}\u201d is contradicted."),
        ClaimResult.OPEN: _("The claim \u201c{claim}\u201d stays open."),
    }
)


def claim_lines(check: ClaimCheck, lang: str = "en") -> tuple[Line, ...]:
    """The result first, then why, what it rests on, what speaks against, what would close it, and odd signs."""
    t = tongue(lang)
    claim = {"claim": era_name(check.claim, lang)}
    lines = [Line(t.say(RESULTS[check.result], claim), kind=str(check.result)), Line(t.again(check.text))]
    lines += [_reason(r, lang, "by") for r in check.by]
    lines += [_reason(r, lang, "hint") for r in check.hints]
    if check.look is not None:
        lines.append(Line(t.say("What would close it: {look}", {"look": t.again(check.look.how)}), ref=check.look.look))
    lines += [
        Line(t.again(f.text), "" if f.photo is None else sources_name((f"photo:{f.photo}",), lang), f.id, f.severity)
        for f in check.signs
    ]
    return tuple(lines)


def listing_text(check: ClaimCheck, answer: Answer, lang: str = "en", width: int = 88) -> str:
    """The checked claim, then the whole answer, as plain text."""
    first, *rest = claim_lines(check, lang)
    head = [textwrap.fill(line_text(first), width)]
    head += [textwrap.fill(line_text(r), width, initial_indent="  - ", subsequent_indent="    ") for r in rest]
    return "\n".join(head) + "\n\n" + as_text(answer, lang, width)


def kept_note(check: ClaimCheck, reference: str = "") -> str:
    """What is written to a kept case, so that it can be found: the claim, how it fared, the filer's reference."""
    return "\n".join(filter(None, (f"listing: {check.claim} claimed, {check.result}", reference)))


def _reason(reason: Reason, lang: str, kind: str) -> Line:
    text = f"{cue_name(reason.cue, lang)}: {reading_name(reason.cue, reason.reading, lang)}."
    return Line(text, bearers_name(reason, lang), reason.rule, kind)
