"""The one wording: from an ``Answer`` to what every face says. Pure; no colours, no markup.

``blocks`` gives the whole answer as titled lists of lines in reading order; the command line, the page, the
batch overview and the PDF all show these. ``as_text`` sets them as plain text, ``app.reply`` makes a letter.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from updraft_key.model.answer import Answer, FitStep, NextLook, PartLine, PhotoAnswer
from updraft_key.model.cues import CUES, ERAS, OUT_OF_SIGHT, Cue, Era, FusedCue, Outcome, Reason

from .labels import ERA_YEARS, cue_name, cue_place, era_name, finding_name, reading_name, sources_name, view_name
from .language import mark as _
from .language import tongue

NAMED_SENTENCES: Mapping[Era, str] = MappingProxyType(
    {
        Era.IRON: _("This is the carburetor with the iron body."),
        Era.ALLOY4: _("This is the carburetor with the alloy body and four screws."),
        Era.ALLOY5: _("This is the carburetor with the alloy body and five screws."),
    }
)
EFFORTS: Mapping[int, str] = MappingProxyType(
    {
        1: _("a photo from where you stand"),
        2: _("a hand or the phone has to reach in"),
        3: _("needs a mirror or a simple tool"),
        4: _("something has to come off first"),
        5: _("with the carburetor taken off"),
    }
)
ORDERS: Mapping[str, str] = MappingProxyType(
    {"fits": _("Fits"), "wait": _("Wait with these"), "do_not_order": _("Do not order these")}
)
NOTHING_SEEN = (Outcome.NOT_SEEN, Outcome.RETAKE)
OF_A_SEEN_UNIT = ("arrester_unknown", "scavenge_tube_not_seen")
"""Findings that make no sense beside the picture of something else."""
_BETWEEN_SOURCES = re.compile(r"(?<=\)); ")
PARTS_SHOWN, PARTS_GATHERED = 40, 8
"""A seller's catalogue may have thousands of rows; an answer that nobody can read helps nobody."""


@dataclass(frozen=True, slots=True)
class Line:
    """One thing said.

    ``note`` is where it comes from, in words; ``ref`` the id it can be traced to (a rule, a look, a step, a
    finding); ``kind`` what a face may want to show differently (``settles``, ``fits``, ``safety`` ...).
    """

    text: str
    note: str = ""
    ref: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Block:
    """A titled list of lines. ``id`` is stable: ``verdict``, ``why``, ``seen``, ``not_seen`` and so on."""

    id: str
    title: str
    lines: tuple[Line, ...]


def verdict_sentence(answer: Answer, lang: str = "en") -> str:
    """The verdict in one sentence. It never says more than the rule layer's outcome."""
    t, v = tongue(lang), answer.verdict
    count = {"count": len(answer.photos)}
    if v.outcome is Outcome.NAMED and v.era is not None:
        return t.say(NAMED_SENTENCES[v.era])
    if v.outcome is Outcome.CONFLICT:
        return t.say("No kind is named, because what was found does not agree.")
    if v.outcome is Outcome.NOT_SEEN:
        if len(answer.photos) == 1:
            return t.say("No carburetor of this kind was found in the photo.")
        return t.say("No carburetor of this kind was found in any of the {count} photos.", count)
    if v.outcome is Outcome.RETAKE:
        if len(answer.photos) == 1:
            return t.say("The photo cannot be read well enough to answer.")
        return t.say("None of the {count} photos can be read well enough to answer.", count)
    if len(v.candidates) == 2:
        kinds = {"kinds": _kinds(v.candidates, lang)}
        return t.say("Not settled yet, but only two kinds are left: {kinds}.", kinds)
    if v.reasons or answer.photos or any(c.reading != OUT_OF_SIGHT for c in answer.cues.cues.values()):
        return t.say("Not settled yet: all three kinds are still possible.")
    return t.say("Nothing is known yet: add a photo or answer a hand test.")


def verdict_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """The verdict sentence and what makes it useful: what it rests on, or what would settle it."""
    t, v = tongue(lang), answer.verdict
    lines = [Line(verdict_sentence(answer, lang), kind=str(v.outcome))]
    if v.outcome is Outcome.NAMED:
        settling = [r for r in v.reasons if r.settles]
        if settling:
            signs = "; ".join(f"{cue_name(r.cue, lang)} ({sources_name(r.sources, lang)})" for r in settling)
            lines.append(Line(t.say("Settled by: {signs}.", {"signs": signs})))
        if v.era is not None:
            years = {"years": t.say(ERA_YEARS[v.era])}
            lines.append(Line(t.say("This kind was {years}; the engine may be older or younger.", years)))
    elif v.outcome is Outcome.CONFLICT:
        lines += _sides(v.conflict, lang)
        lines.append(
            Line(
                t.say(
                    "That happens when a photo is misread, when photos of two carburetors are mixed, or when "
                    "a carburetor was put together from parts. Order nothing until it is cleared up."
                )
            )
        )
    elif v.outcome is Outcome.SHORTLIST and len(v.candidates) < len(ERAS):
        gone = tuple(e for e in ERAS if e not in v.candidates)
        lines.append(Line(t.say("Ruled out: {kinds}.", {"kinds": _kinds(gone, lang)})))
    elif v.outcome is Outcome.NOT_SEEN:
        lines.append(
            Line(
                t.say(
                    "If there should be one, take a photo from the front at arm's length, with the round "
                    "throat opening and the joint above it in the middle of the picture."
                )
            )
        )
    elif v.outcome is Outcome.RETAKE:
        lines.append(Line(t.say("Under Photos it says what is wrong with each and how to take it again.")))
    if v.outcome in (Outcome.SHORTLIST, Outcome.CONFLICT) and answer.next_looks:
        how = {"how": t.again(answer.next_looks[0].how)}
        lines.append(Line(t.say("Best next step: {how}", how), ref=answer.next_looks[0].look, kind="ask"))
    return tuple(lines)


def reason_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """Every rule that fired, settling ones first; ``ref`` is the rule's id."""
    t = tongue(lang)
    ordered = sorted(answer.verdict.reasons, key=lambda r: not r.settles)
    return tuple(
        Line(t.again(r.text), sources_name(r.sources, lang), r.rule, "settles" if r.settles else "hint")
        for r in ordered
    )


def seen_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """What was seen or felt, cue by cue, with where; cues in sight but unclear included."""
    lines = []
    for cue in CUES:
        fused = answer.cues.cues.get(cue)
        if fused is None or fused.reading == OUT_OF_SIGHT:
            continue
        if fused.accepted:
            what = reading_name(cue, fused.reading, lang)
            if cue is Cue.METAL and not any(e.by_hand for e in fused.evidence):
                what = tongue(lang).say("looks like {metal}", {"metal": what})
            text = f"{cue_name(cue, lang)}: {what}{_angle(answer, fused, lang)}"
            lines.append(Line(text, sources_name(fused.sources, lang), str(cue), "seen"))
        elif len({e.reading for e in fused.evidence}) > 1:
            said = "; ".join(
                f"{reading_name(cue, e.reading, lang)} ({sources_name((e.source,), lang)})" for e in fused.evidence
            )
            lines.append(Line(f"{cue_name(cue, lang)}: {said}", "", str(cue), "disagree"))
        else:
            why = reading_name(cue, "unsure", lang) if answer.photos else tongue(lang).say("tried, but not settled")
            lines.append(Line(f"{cue_name(cue, lang)}: {why}", "", str(cue), "unsure"))
    return tuple(lines)


def not_seen_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """What no photo shows and no hand test told, with where it would be."""
    out: list[Line] = []
    if answer.verdict.outcome in NOTHING_SEEN:
        return ()  # the photo shows no such carburetor, so a list of its places would mislead
    for cue in CUES:
        fused = answer.cues.cues.get(cue)
        if fused is None or fused.reading == OUT_OF_SIGHT:
            out.append(Line(f"{cue_name(cue, lang)}: {cue_place(cue, lang)}", "", str(cue), "not_seen"))
    return tuple(out)


def magnet_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """Whether to try the magnet, what it would settle, and how to try it so that it does not mislead."""
    t, magnet = tongue(lang), answer.verdict.magnet_test
    lines = [Line(t.again(magnet.why), kind="asked" if magnet.flagged else "not_asked")]
    if magnet.flagged:
        lines.append(
            Line(
                t.say(
                    "Touch bare casting, away from screws, shafts and levers: steel parts attract on any "
                    "body. Paint weakens the pull. Try the magnet on known iron first."
                )
            )
        )
    return tuple(lines)


def look_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """The next looks, most useful first; ``ref`` is the look's id, ``note`` how much trouble it is."""
    return tuple(_look(n, lang) for n in answer.next_looks)


def part_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """Parts that fit, one a line; then what to wait with and what not to order, gathered by the reason why."""
    t = tongue(lang)
    fits = [p for p in answer.parts if p.order == "fits"]
    lines: list[Line] = []
    for part in fits[:PARTS_SHOWN]:
        head = Line(_sentence(t.again(part.why)), kind="fits_head") if part.why else None
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


def finding_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """Findings that matter whatever was asked, safety first."""
    t = tongue(lang)
    empty = answer.verdict.outcome in NOTHING_SEEN
    told = [f for f in answer.findings if not (empty and f.id in OF_A_SEEN_UNIT)]
    ordered = sorted(told, key=lambda f: f.severity != "safety")
    return tuple(
        Line(
            t.again(f.text),
            "" if f.photo is None else sources_name((f"photo:{f.photo}",), lang),
            f.id,
            f.severity,
        )
        for f in ordered
    )


def photo_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """One line a photo: from where it was taken, what ails it, or why it could not be used."""
    return tuple(_photo(i, p, lang) for i, p in enumerate(answer.photos))


def caution_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """The cautions that go with any work on the engine."""
    t = tongue(lang)
    return tuple(Line(t.again(c), kind="caution") for c in answer.cautions)


def limit_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """What the program is not, and which network answered."""
    t, m = tongue(lang), answer.model
    which = {"name": m.name, "version": m.version, "sha": m.sha256[:12]}
    limit = (
        Line(
            t.say(
                "This program identifies and lists; it certifies nothing, and it can be wrong. Local rules "
                "and a qualified marine technician come first."
            )
        ),
    )
    which_network = Line(t.say("Read by network {name} {version} ({sha}).", which), kind="model")
    read = any(p.readings is not None for p in answer.photos)
    # The cautions say the same already; said twice it is read not at all.
    told = answer.cautions and answer.verdict.outcome not in NOTHING_SEEN
    return (*(() if told else limit), *((which_network,) if read else ()))


def blocks(answer: Answer, lang: str = "en") -> tuple[Block, ...]:
    """The whole answer in reading order; blocks with nothing to say are left out.

    What can hurt stands right after the verdict; parts and the fit plan come only after what is still open.
    """
    t = tongue(lang)
    rows = (
        ("verdict", t.say("Answer"), verdict_lines(answer, lang)),
        ("findings", t.say("Take note"), finding_lines(answer, lang)),
        ("why", t.say("Why"), reason_lines(answer, lang)),
        ("seen", t.say("What was seen"), seen_lines(answer, lang)),
        (
            "not_seen",
            t.say("Not visible so far" if answer.photos else "Not looked at yet"),
            not_seen_lines(answer, lang),
        ),
        ("magnet", t.say("Magnet test"), magnet_lines(answer, lang)),
        ("next", t.say("What to look at next"), look_lines(answer, lang)),
        ("photos", t.say("Photos"), photo_lines(answer, lang)),
        ("parts", t.say("Parts"), part_lines(answer, lang)),
        ("fit", t.say("Fit plan"), fit_lines(answer, lang)),
        ("sources", t.say("Sources of the fit plan"), source_lines(answer, lang)),
        ("cautions", t.say("Before you work on it"), caution_lines(answer, lang)),
        ("limits", t.say("Limits"), limit_lines(answer, lang)),
    )
    skipped = ("magnet", "cautions") if answer.verdict.outcome in NOTHING_SEEN else ()
    return tuple(Block(i, title, lines) for i, title, lines in rows if lines and i not in skipped)


def as_text(answer: Answer, lang: str = "en", width: int = 88) -> str:
    """The whole answer as plain text, wrapped at ``width`` columns, ending in a newline.

    Each reason carries its rule id in square brackets, so that it can be traced to ``model/key.toml``.
    """
    out: list[str] = []
    for block in blocks(answer, lang):
        if block.id == "verdict":
            out += [textwrap.fill(line_text(line), width) for line in block.lines]
        else:
            out += ["", block.title]
            numbered = block.id in ("next", "fit")
            for number, line in enumerate(block.lines, start=1):
                lead = f"{number:2}. " if numbered else "  " if line.kind.endswith("_head") else "  - "
                rule = f" [{line.ref}]" if block.id == "why" else ""
                body = line_text(line) + rule
                out.append(
                    textwrap.fill(body, width, initial_indent=lead, subsequent_indent="    ", break_on_hyphens=False)
                )
    return "\n".join(out) + "\n"


def line_text(line: Line) -> str:
    """A line as one string: its text, then its note in round brackets."""
    return f"{line.text} ({line.note})" if line.note else line.text


def plain_name(file: str, limit: int = 60) -> str:
    """A file name that is safe to show: no control or direction marks, shortened in its middle."""
    kept = "".join(c for c in file if unicodedata.category(c)[0] != "C" and c not in "\u2028\u2029").strip()
    if len(kept) > limit:
        head = limit // 2
        kept = f"{kept[:head]}\u2026{kept[-(limit - head - 1) :]}"
    return kept or "?"


def _kinds(eras: Iterable[Era], lang: str) -> str:
    t = tongue(lang)
    quoted = [t.say("\u201c{name}\u201d", {"name": era_name(e, lang)}) for e in eras]
    return (
        t.say("{first} or {second}", {"first": ", ".join(quoted[:-1]), "second": quoted[-1]})
        if (len(quoted) > 1)
        else "".join(quoted)
    )


def _sides(conflict: Iterable[Reason], lang: str) -> list[Line]:
    """What disagrees, gathered by the kinds that it speaks for."""
    sides: dict[tuple[Era, ...], list[Reason]] = {}
    for r in conflict:
        sides.setdefault(r.keeps, []).append(r)
    out = []
    for keeps, reasons in sides.items():
        said = "; ".join(
            f"{cue_name(r.cue, lang)} \N{EN DASH} {reading_name(r.cue, r.reading, lang)} "
            f"({sources_name(r.sources, lang)})"
            for r in reasons
        )
        text = tongue(lang).say("Speaks for {kinds}: {signs}.", {"kinds": _kinds(keeps, lang), "signs": said})
        out.append(Line(text, kind="side", ref=" ".join(r.rule for r in reasons)))
    return out


def _angle(answer: Answer, fused: FusedCue, lang: str) -> str:
    """The handle's slope and its 90 % interval, from the photos that the reading rests on."""
    if fused.cue is not Cue.MAIN_JET or not fused.reading.startswith("handle"):
        return ""
    for source in fused.sources:
        kind, _sep, number = source.partition(":")
        if kind == "photo" and number.isdigit() and int(number) < len(answer.photos):
            readings = answer.photos[int(number)].readings
            angle = readings.cues[Cue.MAIN_JET].angle if readings and Cue.MAIN_JET in readings.cues else None
            if angle is not None:
                values = {n: f"{v:.0f}".replace("-", "\N{MINUS SIGN}") for n, v in (
                    ("value", angle.value), ("low", angle.low), ("high", angle.high)
                )}  # fmt: skip
                if fused.reading == "handle_level":
                    return tongue(lang).say(", about {value}° from level ({low}° to {high}°)", values)
                return tongue(lang).say(", about {value}° down ({low}° to {high}°)", values)
    return ""


def _look(look: NextLook, lang: str) -> Line:
    t = tongue(lang)
    note = t.say(EFFORTS[look.effort]) if look.effort in EFFORTS else ""
    return Line(t.again(look.how), note, look.look, "look")


def part_name(part: PartLine, lang: str = "en") -> str:
    """A part with its quantity, and the seller's number and price where there are any."""
    name = f"{part.quantity} \N{MULTIPLICATION SIGN} {tongue(lang).again(part.part)}"
    return name + (f" [{part.sku}]" if part.sku else "") + (f", {part.price}" if part.price else "")


def _part(part: PartLine, lang: str) -> Line:
    t = tongue(lang)
    tail = _sentence(t.again(part.note)) if part.note else ""
    return Line(f"{_sentence(part_name(part, lang))} {tail}".rstrip(), "", part.part, part.order)


def _gathered(order: str, why: str, parts: list[PartLine], lang: str) -> Line:
    t = tongue(lang)
    names = [t.again(p.part) for p in parts[:PARTS_GATHERED]]
    if len(parts) > PARTS_GATHERED:
        names.append(t.say("and {count} more", {"count": len(parts) - PARTS_GATHERED}))
    values = {"why": _sentence(t.again(why) or t.say(ORDERS[order])), "parts": "; ".join(names)}
    return Line(t.say("{why} This concerns: {parts}.", values), kind=order)


def _sentence(text: str) -> str:
    first = text[:1].upper() + text[1:]
    return first if first.endswith((".", "!", "?")) else first + "."


def _published(step: FitStep) -> tuple[str, ...]:
    """The published sources of a step, in full; common practice has none."""
    if not step.source or step.source.lower().startswith("common practice"):
        return ()
    return tuple(_BETWEEN_SOURCES.split(step.source))


def _photo(index: int, photo: PhotoAnswer, lang: str) -> Line:
    t = tongue(lang)
    head = f"{sources_name((f'photo:{index}',), lang)} \N{EN DASH} {plain_name(photo.file)}"
    if photo.error:
        return Line(
            t.say("{photo}: not used. {why}", {"photo": head, "why": _sentence(t.again(photo.error))}), kind="error"
        )
    bits = []
    if photo.readings is not None and photo.readings.subject.found:
        bits.append(view_name(photo.readings.view, lang))
    elif photo.readings is not None:
        bits.append(t.say("no such carburetor found in it"))
    bits += [finding_name(f, lang) for f in photo.findings]
    if not photo.usable:
        bits.insert(0, t.say("not good enough to read"))
    return Line(f"{head}: {'; '.join(bits) or t.say('read')}", kind="photo" if photo.usable else "error")


def reply(answer: Answer, lang: str = "en", template: str | None = None) -> str:
    """A short reply to a customer; see ``app.reply``."""
    from .reply import reply as write

    return write(answer, lang, template)
