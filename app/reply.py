"""A short reply to a customer: the template is the seller's own, the facts come from ``words``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from string import Template

from updraft_key.model.answer import Answer
from updraft_key.model.cues import Outcome
from updraft_key.model.errors import UpdraftKeyError

from .language import mark as _
from .language import tongue
from .words import finding_lines, look_lines, magnet_lines, part_name, reason_lines, verdict_lines

DEFAULT_TEMPLATE = _(
    "Hello,\n\nthank you for your message. $verdict\n\n$reasons\n\n$ask\n\n$order\n\n$safety\n\n"
    "We answer from pictures and can be wrong; if something does not look as described, please write back "
    "before you order.\n\nKind regards\n"
)
PARTS_NAMED = 12
HOLES = ("verdict", "reasons", "ask", "order", "safety")


def check_template(template: str) -> None:
    """Check a seller's template before a thousand replies are made from it.

    Raises:
        UpdraftKeyError: for a hole that is not one of ``HOLES``, or a stray ``$``.
    """
    frame = Template(template)
    if not frame.is_valid():
        raise UpdraftKeyError("reply template: a stray $; write $$ for a dollar sign")
    unknown = [f"${name}" for name in frame.get_identifiers() if name not in HOLES]
    if unknown:
        known = ", ".join(f"${h}" for h in HOLES)
        raise UpdraftKeyError(f"reply template: expected only {known}; got {', '.join(unknown)}")


def reply(answer: Answer, lang: str = "en", template: str | None = None) -> str:
    """Write the reply. Holes with nothing to say vanish with their blank line.

    Args:
        answer: the whole answer for one customer's unit.
        lang: language of the reply.
        template: text with the holes ``$verdict $reasons $ask $order $safety``; None for the shipped one.

    Raises:
        UpdraftKeyError: for a template with other holes.
    """
    frame = tongue(lang).say(DEFAULT_TEMPLATE) if template is None else template
    check_template(frame)
    text = Template(frame).substitute(_parts(answer, lang))
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


def _parts(answer: Answer, lang: str) -> Mapping[str, str]:
    t, outcome = tongue(lang), answer.verdict.outcome
    verdict = [line.text for line in verdict_lines(answer, lang) if line.kind in (str(outcome), "")]
    if outcome is Outcome.NAMED:
        verdict = verdict[:1]  # what it rests on follows as a list
    told = _list(t.say("What tells it:"), [line.text for line in reason_lines(answer, lang) if line.kind == "settles"])
    if outcome is Outcome.CONFLICT:
        sides = [line.text for line in verdict_lines(answer, lang) if line.kind == "side"]
        told = _list(t.say("What does not agree:"), sides)
    safety = [line.text for line in finding_lines(answer, lang) if line.kind == "safety"]
    return {
        "verdict": " ".join(verdict),
        "reasons": told,
        "ask": _ask(answer, lang),
        "order": _order(answer, lang),
        "safety": _list(t.say("Please note, for your safety:"), safety),
    }


def _order(answer: Answer, lang: str) -> str:
    """What fits, made for this kind alone first; while the kind is open, only that nothing be ordered yet."""
    t = tongue(lang)
    if answer.verdict.outcome is not Outcome.NAMED:
        if any(p.order == "wait" for p in answer.parts):
            return t.say("Please do not order a kit or inside parts yet: which ones fit depends on it.")
        return ""
    fits = sorted((p for p in answer.parts if p.order == "fits"), key=lambda p: len(p.fits))
    return _list(t.say("What fits:"), [part_name(p, lang) for p in fits[:PARTS_NAMED]])


def _ask(answer: Answer, lang: str) -> str:
    """Ask for one thing only: the look that is worth most; the magnet beside it when it was asked for."""
    t, outcome = tongue(lang), answer.verdict.outcome
    if outcome is Outcome.NAMED and not answer.verdict.magnet_test.flagged:
        return ""
    asks = [line.text for line in look_lines(answer, lang)[:1] if outcome is not Outcome.NAMED]
    named_magnet = any(n.look == "magnet" for n in answer.next_looks[:1])
    if answer.verdict.magnet_test.flagged and not named_magnet:
        asks.append(magnet_lines(answer, lang)[0].text)
    return _list(t.say("To settle it, please send us or try this:"), asks)


def _list(head: str, lines: list[str]) -> str:
    return "\n".join([head, *(f"- {line}" for line in lines)]) if lines else ""
