"""The wording of parts and of the fit plan. Reached through ``app.words``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from updraft_key.model.answer import Answer, FitStep, PartLine

from .language import mark as _
from .language import tongue
from .line import Line, sentence

ORDERS: Mapping[str, str] = MappingProxyType(
    {"fits": _("Fits"), "wait": _("Wait with these"), "do_not_order": _("Do not order these")}
)
PARTS_SHOWN, PARTS_GATHERED = 40, 8
"""A seller's catalogue may have thousands of rows; an answer that nobody can read helps nobody."""
_BETWEEN_SOURCES = re.compile(r"(?<=\)); ")


def part_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """Parts that fit, one a line; then what to wait with and what not to order, gathered by the reason why."""
    t = tongue(lang)
    fits = [p for p in answer.parts if p.order == "fits"]
    lines: list[Line] = []
    for part in fits[:PARTS_SHOWN]:
        head = Line(sentence(t.again(part.why)), kind="fits_head") if part.why else None
        if head is not None and head != next((x for x in reversed(lines) if x.kind == "fits_head"), None):
            lines.append(head)
        lines.append(_part(part, lang))
    if len(fits) > PARTS_SHOWN:
        more = {"count": len(fits) - PARTS_SHOWN}
        lines.append(Line(t.say("And {count} more that fit in the catalogue.", more), kind="fits"))
    for order in ("wait", "do_not_order"):
        gathered: dict[str, list[PartLine]] = {}
        for part in answer.parts:
            if part.order == order:
                gathered.setdefault(part.why, []).append(part)
        lines += [_gathered(order, why, parts, lang) for why, parts in gathered.items()]
    return tuple(lines)


def fit_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """The fit plan in order; ``kind`` is ``part``, ``step`` or ``check``, ``note`` the source in short."""
    t = tongue(lang)
    return tuple(
        Line(t.again(f.text), "; ".join(s.partition(", ")[0] for s in _published(f)), f.id, f.kind)
        for f in answer.fit
        if not f.id.startswith("caution_")  # they are a block of their own
    )


def source_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """The published sources that the fit plan leans on, in full, each once, with the edition that was read."""
    t = tongue(lang)
    found = dict.fromkeys(s for f in answer.fit for s in _published(f))
    return tuple(Line(t.again(s), kind="source") for s in found)


def part_name(part: PartLine, lang: str = "en") -> str:
    """A part with its quantity, and the seller's number and price where there are any."""
    name = f"{part.quantity} \N{MULTIPLICATION SIGN} {tongue(lang).again(part.part)}"
    return name + (f" [{part.sku}]" if part.sku else "") + (f", {part.price}" if part.price else "")


def _part(part: PartLine, lang: str) -> Line:
    t = tongue(lang)
    tail = sentence(t.again(part.note)) if part.note else ""
    return Line(f"{sentence(part_name(part, lang))} {tail}".rstrip(), "", part.part, part.order)


def _gathered(order: str, why: str, parts: list[PartLine], lang: str) -> Line:
    t = tongue(lang)
    names = [t.again(p.part) for p in parts[:PARTS_GATHERED]]
    if len(parts) > PARTS_GATHERED:
        names.append(t.say("and {count} more", {"count": len(parts) - PARTS_GATHERED}))
    values = {"why": sentence(t.again(why) or t.say(ORDERS[order])), "parts": "; ".join(names)}
    return Line(t.say("{why} This concerns: {parts}.", values), kind=order)


def _published(step: FitStep) -> tuple[str, ...]:
    """The published sources of a step, in full; common practice has none."""
    if not step.source or step.source.lower().startswith("common practice"):
        return ()
    return tuple(_BETWEEN_SOURCES.split(step.source))
