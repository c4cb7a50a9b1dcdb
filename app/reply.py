"""A short reply to a customer: the template is the seller's own, the facts come from ``words``."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from string import Template

from updraft_key.model.answer import Answer
from updraft_key.model.cues import Outcome
from updraft_key.model.errors import UpdraftKeyError

from .labels import era_name
from .language import mark as _
from .language import tongue
from .line import plain_name, sentence
from .words import finding_lines, look_lines, magnet_lines, part_name, photo_lines, reason_lines, verdict_lines

DEFAULT_TEMPLATE = _(
    "Hello,\n\nthank you for your pictures.\n\n$verdict\n\n$reasons\n\n$ask\n\n$order\n\n$safety\n\n"
    "We answer from pictures and can be wrong; if something does not look as described, please write back "
    "before you order.\n\nKind regards\n"
)
PARTS_NAMED = 12
FILES_NAMED = 6
HOLES = ("verdict", "reasons", "ask", "order", "safety")

Said = Mapping[str, str]
"""What goes into the holes of a template: hole to text, empty where there is nothing to say."""


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


def letter(said: Said, lang: str = "en", template: str | None = None) -> str:
    """Set what is to be said into the template. Holes with nothing to say vanish with their blank line.

    Raises:
        UpdraftKeyError: for a template with other holes.
    """
    frame = tongue(lang).say(DEFAULT_TEMPLATE) if template is None else template
    check_template(frame)
    text = Template(frame).substitute({hole: said.get(hole, "") for hole in HOLES})
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"


def reply(answer: Answer, lang: str = "en", template: str | None = None) -> str:
    """Write the reply to one customer.

    Args:
        answer: the whole answer for one customer's unit.
        lang: language of the reply.
        template: text with the holes ``$verdict $reasons $ask $order $safety``; None for the shipped one.

    Raises:
        UpdraftKeyError: for a template with other holes.
    """
    return letter(what_to_say(answer, lang), lang, template)


def what_to_say(answer: Answer, lang: str = "en") -> dict[str, str]:
    """What the reply says, hole by hole."""
    t = tongue(lang)
    safety = [line.text for line in finding_lines(answer, lang) if line.kind == "safety"]
    return {
        "verdict": " ".join(_verdict(answer, lang)),
        "reasons": _reasons(answer, lang),
        "ask": _ask(answer, lang),
        "order": _order(answer, lang),
        "safety": _list(t.say("Please note, for your safety:"), safety),
    }


def nothing_opened(files: Sequence[str], lang: str = "en") -> dict[str, str]:
    """What to say to a customer none of whose pictures could be opened; why is for the counter, not for the letter.

    Args:
        files: their names.
        lang: language of the reply.
    """
    t = tongue(lang)
    lines = [plain_name(name) for name in files[:FILES_NAMED]]
    if len(files) > FILES_NAMED:
        lines.append(t.say("and {count} more", {"count": len(files) - FILES_NAMED}))
    return {
        "verdict": t.say("Unfortunately we could not open what you sent."),
        "reasons": "\n".join(f"- {line}" for line in lines),
        "ask": t.say("Please send the pictures again as JPEG files, straight from the phone or camera."),
    }


def _verdict(answer: Answer, lang: str) -> list[str]:
    """The verdict as one writes it to a customer; it never says more than the rule layer's outcome."""
    t, v = tongue(lang), answer.verdict
    lines = [line.text for line in verdict_lines(answer, lang) if line.kind in (str(v.outcome), "")]
    several = len(answer.photos) > 1
    if v.outcome is Outcome.NAMED:
        return lines[:1]  # what it rests on follows as a list
    if v.outcome is Outcome.SHORTLIST and len(v.candidates) == 2 and answer.photos:
        kinds = {"first": era_name(v.candidates[0], lang), "second": era_name(v.candidates[1], lang)}
        said = t.say(
            "Your carburetor is one of two kinds, but we cannot tell yet which: "
            "\u201c{first}\u201d or \u201c{second}\u201d.",
            kinds,
        )
        return [said]
    if v.outcome is Outcome.SHORTLIST and answer.photos:
        return [t.say("We can see your carburetor, but not yet which of the three kinds it is.")]
    if v.outcome is Outcome.CONFLICT:
        return [
            t.say(
                "What we see does not fit together, so we cannot say yet which kind it is. That happens when pictures "
                "of two carburetors are mixed, when a sign deceives in a picture, or when a carburetor was put "
                "together from parts."
            )
        ]
    if v.outcome is Outcome.NOT_SEEN:
        head = (
            t.say("We cannot find a carburetor of the kind that we know in your pictures.")
            if several
            else t.say("We cannot find a carburetor of the kind that we know in your picture.")
        )
        return [head, *lines[1:], t.say("If yours is of another kind, we cannot tell you what it is.")]
    if v.outcome is Outcome.RETAKE:
        return [
            t.say("Your pictures are not clear enough to tell anything by them.")
            if several
            else t.say("Your picture is not clear enough to tell anything by it.")
        ]
    return lines


def _reasons(answer: Answer, lang: str) -> str:
    t, outcome = tongue(lang), answer.verdict.outcome
    if outcome is Outcome.CONFLICT:
        sides = [line.text for line in verdict_lines(answer, lang) if line.kind == "side"]
        return _list(t.say("What does not agree:"), sides)
    if outcome is Outcome.RETAKE:
        return _list(t.say("What is wrong:"), [line.text for line in photo_lines(answer, lang)][:FILES_NAMED])
    head = t.say("What tells it:") if outcome is Outcome.NAMED else t.say("What we can tell already:")
    return _list(head, [line.text for line in reason_lines(answer, lang) if line.kind == "settles"])


def _order(answer: Answer, lang: str) -> str:
    """What fits, made for this kind alone first; while that is open or in doubt, only that nothing be ordered yet."""
    t = tongue(lang)
    if answer.verdict.outcome is not Outcome.NAMED or answer.reserved:
        if answer.verdict.outcome in (Outcome.SHORTLIST, Outcome.CONFLICT, Outcome.NAMED):
            return t.say("Please do not order a kit or inside parts yet: which ones fit depends on it.")
        return ""
    fits = sorted((p for p in answer.parts if p.order == "fits"), key=lambda p: len(p.fits))
    names = [part_name(p, lang) for p in fits[:PARTS_NAMED]]
    if len(fits) > PARTS_NAMED:
        names.append(t.say("and {count} more", {"count": len(fits) - PARTS_NAMED}))
    return _list(t.say("What fits:"), names)


def _ask(answer: Answer, lang: str) -> str:
    """Ask for one thing only: the look that is worth most; the magnet beside it when it was asked for."""
    t, outcome = tongue(lang), answer.verdict.outcome
    named = outcome is Outcome.NAMED and not answer.reserved
    if outcome is Outcome.NOT_SEEN or (named and not answer.verdict.magnet_test.flagged):
        return ""
    asks = [line.text for line in look_lines(answer, lang)[:1] if not named]
    named_magnet = any(n.look == "magnet" for n in answer.next_looks[:1])
    if answer.verdict.magnet_test.flagged and not named_magnet and outcome is not Outcome.RETAKE:
        asks.append(magnet_lines(answer, lang)[0].text)
    return _list(t.say("To settle it, please send us or try this:"), [sentence(a) for a in asks])


def _list(head: str, lines: Sequence[str]) -> str:
    return "\n".join([head, *(f"- {line}" for line in lines)]) if lines else ""
