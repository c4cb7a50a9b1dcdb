"""Pieces of the page as HTML: an ``Answer`` in, one line of markup out. Everything that is shown is escaped here.

The pieces hold no blank line, so that a Markdown component passes them through untouched.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from types import MappingProxyType

from updraft_key.model.answer import Answer, PhotoAnswer
from updraft_key.model.cues import CUES, OUT_OF_SIGHT, Box, Mark, Outcome, Point

from .desk import Desk
from .guide import taken
from .labels import cue_name, mark_name, reading_name
from .language import mark as _
from .language import tongue
from .sketch import sketch
from .words import (
    Line,
    caution_lines,
    finding_lines,
    fit_lines,
    limit_lines,
    look_lines,
    magnet_lines,
    not_seen_lines,
    part_lines,
    photo_lines,
    reason_lines,
    seen_lines,
    source_lines,
    verdict_lines,
)

BADGES: Mapping[Outcome, tuple[str, str]] = MappingProxyType(
    {
        Outcome.NAMED: ("\u2713", _("Settled")),
        Outcome.SHORTLIST: ("?", _("Still open")),
        Outcome.CONFLICT: ("\u2260", _("Does not agree")),
        Outcome.NOT_SEEN: ("\u25cb", _("Not found")),
        Outcome.RETAKE: ("\u21bb", _("Take it again")),
    }
)
LIKELY = ("\u2248", _("Likely"))
"""The badge of a name with a reserve."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A numbered mark of one photo: where, and what the legend says."""

    number: int
    mark: Mark
    text: str


MESSAGES: Mapping[str, str] = MappingProxyType(
    {
        "title": _("Please note"),
        "busy": _("Many photos are being read just now. Wait a moment, then choose yours once more."),
        "lost": _(
            "The connection to the server was lost. Check the network; the page goes on by itself. If it is empty "
            "then, the server was started again: send the photos once more."
        ),
        "large": _("A file is larger than 25 MB. Send it at a smaller size."),
        "many": _("These are too many photos for one go, or too large together. Send fewer at a time."),
        "failed": _("That did not work. Try it once more; if it fails again, reload the page."),
        "close": _("Close"),
    }
)
"""What the framework says by itself, in our words; ``page.js`` puts them in its place."""


def page_words(lang: str) -> str:
    """The words that ``page.js`` needs, in an element that shows nothing."""
    words = json.dumps({name: tongue(lang).say(text) for name, text in MESSAGES.items()}, ensure_ascii=False)
    return f'<div hidden data-page-words="{escape(words)}"></div>'


def intro(lang: str) -> str:
    """What the page does, before the first photo."""
    t = tongue(lang)
    steps = (
        t.say("Take one photo from the front, one from below, or whatever you have."),
        t.say("Read what it is, and what it rests on."),
        t.say("If it is not settled, the page asks for the one look or test that settles it."),
    )
    items = "".join(f"<li>{escape(s)}</li>" for s in steps)
    return (
        f'<div class="uk-intro uk-hero"><h2>{escape(t.say("Which updraft carburetor is this?"))}</h2>'
        f"<p>{escape(t.say('Iron body, alloy with four screws, or alloy with five: the parts differ.'))}</p>"
        f'<ol class="uk-steps">{items}</ol>{taken(lang)}</div>'
    )


def verdict(answer: Answer, lang: str) -> str:
    """The verdict: a badge and one sentence; right under it what can hurt."""
    t = tongue(lang)
    outcome = answer.verdict.outcome
    sign, word = LIKELY if answer.reserved else BADGES[outcome]
    tone = Outcome.SHORTLIST if answer.reserved else outcome
    lines = [line for line in verdict_lines(answer, lang) if line.kind != "ask"]
    return (
        f'<section class="uk-card uk-verdict uk-{tone}" data-say="{escape(lines[0].text)}">'
        f'<p class="uk-badge"><span aria-hidden="true">{sign}</span> {escape(t.say(word))}</p>'
        f"<h2>{escape(lines[0].text)}</h2></section>{_alerts(answer, lang)}"
    )


def more(answer: Answer, lang: str) -> str:
    """What else the verdict says; on a phone it stands under the picture. Empty if one sentence says it all."""
    rest = [line for line in verdict_lines(answer, lang) if line.kind != "ask"][1:]
    said = "".join(f"<p>{escape(line.text)}</p>" for line in rest)
    return f'<section class="uk-card uk-more">{said}</section>' if said else ""


def _alerts(answer: Answer, lang: str) -> str:
    """What can hurt, right under the verdict."""
    found = [f for f in finding_lines(answer, lang) if f.kind == "safety"]
    if not found:
        return ""
    t = tongue(lang)
    items = "".join(f"<li><strong>{escape(t.say('Safety'))}:</strong> {escape(_full(f))}</li>" for f in found)
    return f'<section class="uk-card uk-alerts"><h3>{escape(t.say("Take note"))}</h3><ul>{items}</ul></section>'


def ask(answer: Answer, lang: str) -> str:
    """The look that is worth most, with its drawing; the others folded away. Empty if nothing is left to ask."""
    t = tongue(lang)
    looks = [(n, line) for n, line in zip(answer.next_looks, look_lines(answer, lang), strict=True)]
    if answer.verdict.magnet_test.flagged:
        looks = [(n, line) for n, line in looks if n.look != "magnet"]  # it has its own card
    if not looks:
        return ""
    first, line = looks[0]
    settled = answer.verdict.outcome is Outcome.NAMED
    title = t.say("To be surer still") if settled else t.say("What would settle it")
    if answer.reserved:
        title = t.say("Before you order anything")
    more = ""
    if len(looks) > 1:
        items = "".join(f"<li>{escape(_full(other))}</li>" for _n, other in looks[1:6])
        more = f"<details><summary>{escape(t.say('Other looks that help'))}</summary><ul>{items}</ul></details>"
    note = f'<p class="uk-note">{escape(line.note)}</p>' if line.note else ""
    return (
        f'<section class="uk-card uk-ask"><h3>{escape(title)}</h3>{sketch(first.drawing, line.text)}'
        f"<p>{escape(line.text)}</p>{note}{more}</section>"
    )


def magnet_question(lang: str) -> str:
    """The magnet question; its buttons stand right below."""
    return f'<h3 class="uk-question">{escape(tongue(lang).say("Does a magnet hold on the bare casting?"))}</h3>'


def magnet(answer: Answer, lang: str, said: bool = False) -> str:
    """How to try the magnet, and what it would settle. ``said``: it was answered already."""
    t = tongue(lang)
    if said and not answer.verdict.magnet_test.flagged:
        return f"<p>{escape(t.say('Your magnet test counts. Tap the same answer again to take it back.'))}</p>"
    why, *how = [f"<p>{escape(line.text)}</p>" for line in magnet_lines(answer, lang)] or [""]
    drawing = sketch("magnet", t.say("A magnet held to bare casting of the body, away from screws and levers."))
    return f'<div class="uk-magnet">{why}{drawing}{"".join(how)}</div>'


def photo(desk: Desk, index: int, lang: str) -> str:
    """One photo with numbered marks and their legend, or why it could not be used."""
    t, shot = tongue(lang), desk.shots[index]
    label = t.say("Photo {number}", {"number": index + 1})
    read, line = shot.read, label
    if desk.answer is not None and index < len(desk.answer.photos):
        read, line = desk.answer.photos[index], photo_lines(desk.answer, lang)[index].text
    if not shot.preview:
        return f'<div class="uk-photo uk-broken" role="group" aria-label="{label}"><p>{escape(line)}</p></div>'
    found = spots(read, lang)
    legend = "".join(f'<li value="{s.number}">{escape(s.text)}</li>' for s in found)
    unmarked = "".join(f"<li>{escape(text)}</li>" for text in _unmarked(read, lang))
    legend_end = f"<ul>{unmarked}</ul>" if unmarked else ""
    hidden = (
        "" if found or unmarked else f"<p>{escape(t.say('Nothing that counts could be marked in this photo.'))}</p>"
    )
    src = f"desk/{desk.token}/{index}-{shot.turns}.jpg"
    return (
        f'<figure class="uk-photo" aria-label="{label}"><div class="uk-frame" '
        f'style="aspect-ratio:{read.width}/{read.height}">'
        f'<img src="{src}" alt="{escape(line)}">{_overlay(read, found)}</div>'
        f'<figcaption><p class="uk-name">{escape(line)}</p><ol class="uk-legend">{legend}</ol>{legend_end}{hidden}'
        "</figcaption></figure>"
    )


def spots(read: PhotoAnswer, lang: str) -> tuple[Spot, ...]:
    """What is marked in a photo, numbered in the order of the cues; unsure readings are said to be unsure."""
    if read.readings is None or not read.readings.subject.found:
        return ()
    out: list[Spot] = []
    for cue in CUES:
        c = read.readings.cues.get(cue)
        if c is None or c.reading == OUT_OF_SIGHT:
            continue
        what = reading_name(cue, c.reading if c.accepted else "unsure", lang)
        for n, m in enumerate(c.marks):
            place = mark_name(m.part, lang)
            text = f"{cue_name(cue, lang)}: {what}" if n == 0 else place
            out.append(Spot(len(out) + 1, m, text))
    return tuple(out)


def _unmarked(read: PhotoAnswer, lang: str) -> Iterable[str]:
    """What counts though no place of the photo can be pointed at: an absent ear, the look of the metal."""
    if read.readings is not None and read.readings.subject.found:
        for cue, c in read.readings.cues.items():
            if c.accepted and not c.marks and c.reading != OUT_OF_SIGHT:
                yield f"{cue_name(cue, lang)}: {reading_name(cue, c.reading, lang)}"


def _overlay(read: PhotoAnswer, found: Sequence[Spot]) -> str:
    """The marks as SVG in photo pixels. Told apart by number and not by colour; dark line on a light one."""
    w, h = read.width, read.height
    unit = max(w, h) / 100.0
    out = []
    box = read.readings.subject.box if read.readings is not None else None
    if box is not None:
        out.append(_shape(box, None, unit * 0.35, "uk-subject"))
    for s, (x, y) in zip(found, number_places([s.mark for s in found], w, h), strict=True):
        out.append(_shape(s.mark.box, s.mark.points, unit * 0.5, "uk-mark"))
        out.append(
            f'<circle class="uk-dot" cx="{x:.0f}" cy="{y:.0f}" r="{unit * 2.6:.1f}" stroke-width="{unit * 0.4:.1f}"/>'
            f'<text class="uk-num" x="{x:.0f}" y="{y:.0f}" font-size="{unit * 3.6:.1f}">{s.number}</text>'
        )
    return f'<svg class="uk-marks" viewBox="0 0 {w} {h}" aria-hidden="true">{"".join(out)}</svg>'


def number_places(marks: Sequence[Mark], width: int, height: int) -> list[Point]:
    """Where the numbers of marks stand, photo pixels: beside the mark, in the photo, none on another.

    A line has its number at its middle, for its ends are often marks of their own.
    """
    unit = max(width, height) / 100.0
    ways = [(0, -1), (1, 0), (-1, 0), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1)]
    beside = [(0.0, -3.0), *((5.6 * ring * a, 5.6 * ring * b) for ring in (1, 2, 3) for a, b in ways)]
    places: list[Point] = []
    for mark in marks:
        x, y = _anchor(mark)
        near = [
            (min(max(x + a * unit, unit * 3), width - unit * 3), min(max(y + b * unit, unit * 3), height - unit * 3))
            for a, b in beside
        ]
        free = [p for p in near if all(math.dist(p, q) >= unit * 5.5 for q in places)]
        places.append((free or near)[0])
    return places


def _anchor(m: Mark) -> Point:
    if m.box is not None:
        return m.box[0], m.box[1]
    if not m.points:
        return 0.0, 0.0
    return sum(x for x, _y in m.points) / len(m.points), sum(y for _x, y in m.points) / len(m.points)


def _shape(box: Box | None, points: Sequence[Point] | None, stroke: float, css: str) -> str:
    if box is not None:
        x0, y0, x1, y1 = box
        geometry = f'rect x="{x0:.0f}" y="{y0:.0f}" width="{x1 - x0:.0f}" height="{y1 - y0:.0f}" rx="{stroke:.1f}"'
    elif points and len(points) > 1:
        geometry = f'polyline points="{" ".join(f"{x:.0f},{y:.0f}" for x, y in points)}"'
    elif points:
        geometry = f'circle cx="{points[0][0]:.0f}" cy="{points[0][1]:.0f}" r="{stroke * 4:.1f}"'
    else:
        return ""
    return (
        f'<{geometry} class="{css} uk-halo" stroke-width="{stroke * 2.4:.1f}"/>'
        f'<{geometry} class="{css} uk-line" stroke-width="{stroke:.1f}"/>'
    )


def evidence(answer: Answer, lang: str) -> str:
    """What was seen, what is not visible, and the reasons with their rule ids."""
    t = tongue(lang)
    seen = _items(seen_lines(answer, lang)) or f"<li>{escape(t.say('Nothing that counts yet.'))}</li>"
    out = f'<h3>{escape(t.say("What was seen"))}</h3><ul class="uk-seen">{seen}</ul>'
    missing = not_seen_lines(answer, lang)
    if missing:
        title = t.say("Not visible so far" if answer.photos else "Not looked at yet")
        out += f'<h3>{escape(title)}</h3><ul class="uk-missing">{_items(missing)}</ul>'
    why = reason_lines(answer, lang)
    if why:
        rows = "".join(
            f"<li>{escape(_full(r))} <code>{escape(r.ref)}</code>"
            f"{'' if r.kind == 'settles' else ' <em>' + escape(t.say('a hint')) + '</em>'}</li>"
            for r in why
        )
        out += f'<h3>{escape(t.say("Why"))}</h3><ul class="uk-why">{rows}</ul>'
    notes = [f for f in finding_lines(answer, lang) if f.kind != "safety"]
    if notes:
        out += f"<h3>{escape(t.say('Take note'))}</h3><ul>{_items(notes)}</ul>"
    return f'<section class="uk-card">{out}</section>'


def parts(answer: Answer, lang: str) -> str:
    """What fits, what to wait with, what not to order."""
    lines = part_lines(answer, lang)
    t = tongue(lang)
    if not lines:
        return f"<p>{escape(t.say('No part is listed while nothing is known of the kind. Order nothing yet.'))}</p>"
    out = ""
    for kind, title in (
        ("fits", t.say("Fits")), ("wait", t.say("Wait with these")), ("do_not_order", t.say("Do not order these")),
    ):  # fmt: skip
        mine = [line for line in lines if line.kind in (kind, f"{kind}_head")]
        if mine:
            out += f'<h3 class="uk-{kind}">{escape(title)}</h3><ul>{_items(mine)}</ul>'
    return out


def fit(answer: Answer, lang: str) -> str:
    """The fit plan as parts, steps and checks in their order."""
    t = tongue(lang)
    lines = fit_lines(answer, lang)
    if not lines:
        return f"<p>{escape(t.say('Answer the questions above, and the plan stands here.'))}</p>"
    words = {"part": t.say("Part"), "step": t.say("Step"), "check": t.say("Check")}
    rows = "".join(
        f'<li class="uk-{escape(line.kind)}"><strong>{escape(words.get(line.kind, line.kind))}</strong> '
        f"{escape(line.text)}{_small(line.note)}</li>"
        for line in lines
    )
    sources = "".join(f"<li><small>{escape(line.text)}</small></li>" for line in source_lines(answer, lang))
    title = escape(t.say("Sources of the fit plan"))
    folded = f"<details><summary>{title}</summary><ul>{sources}</ul></details>" if sources else ""
    return f'<ol class="uk-plan">{rows}</ol>{folded}'


def cautions(answer: Answer, lang: str) -> str:
    """What to heed before any work, and the limits of the program."""
    t = tongue(lang)
    rows = _items(caution_lines(answer, lang))
    limits = "".join(f"<p>{escape(line.text)}</p>" for line in limit_lines(answer, lang))
    return (
        f'<section class="uk-card uk-cautions"><h3>{escape(t.say("Before you work on it"))}</h3><ul>{rows}</ul>'
        f'<div class="uk-limits">{limits}</div></section>'
    )


def progress(text: str, done: int, total: int) -> str:
    """How far a longer work is."""
    share = round(100 * done / total) if total else 0
    return (
        f'<div class="uk-progress" role="status"><p>{escape(text)}</p>'
        f'<progress max="100" value="{share}" aria-label="{escape(text)}">{share} %</progress></div>'
    )


def notice(text: str) -> str:
    """A short message above the verdict: busy, too many photos, and the like."""
    return f'<p class="uk-notice" role="alert">{escape(text)}</p>' if text else ""


def _items(lines: Iterable[Line]) -> str:
    return "".join(f'<li class="uk-{escape(line.kind)}">{escape(line.text)}{_small(line.note)}</li>' for line in lines)


def _small(note: str) -> str:
    return f" <small>{escape(note)}</small>" if note else ""


def _full(line: Line) -> str:
    return f"{line.text} ({line.note})" if line.note else line.text


def save(desk: Desk, lang: str) -> str:
    """The link to the answer as a PDF, made when it is asked for."""
    t = tongue(lang)
    return (
        f'<p class="uk-save"><a class="uk-button" href="desk/{desk.token}/report-{escape(lang)}.pdf" '
        f'download="updraft-key.pdf">{escape(t.say("Save as PDF"))}</a></p>'
        f'<p class="uk-note">{escape(t.say("Photos are kept in memory for an hour at most, without their metadata."))}'
        "</p>"
    )
