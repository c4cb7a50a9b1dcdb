"""The one wording: from an ``Answer`` to what every face says. Pure; no colours, no markup.

``blocks`` gives the whole answer as titled lists of lines in reading order; the command line, the page, the
batch overview and the PDF all show these. ``as_text`` sets them as plain text, ``app.reply`` makes a letter.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from types import MappingProxyType

from updraft_key.model.answer import Answer, NextLook, PhotoAnswer

from .labels import finding_name, sources_name, view_name
from .language import mark as _
from .language import tongue
from .line import Block, Line, line_text, plain_name, sentence
from .part_words import fit_lines, part_lines, part_name, source_lines
from .verdict_words import (
    NOTHING_SEEN,
    magnet_lines,
    not_seen_lines,
    reason_lines,
    seen_lines,
    verdict_lines,
    verdict_sentence,
)

__all__ = [
    "Block", "Line", "as_text", "blocks", "caution_lines", "finding_lines", "fit_lines", "limit_lines", "line_text",
    "look_lines", "magnet_lines", "not_seen_lines", "part_lines", "part_name", "photo_lines", "plain_name",
    "reason_lines", "reply", "seen_lines", "source_lines", "verdict_lines", "verdict_sentence",
]  # fmt: skip

EFFORTS: Mapping[int, str] = MappingProxyType(
    {
        1: _("a photo from where you stand"),
        2: _("a hand or the phone has to reach in"),
        3: _("needs a mirror or a simple tool"),
        4: _("something has to come off first"),
        5: _("with the carburetor taken off"),
    }
)
OF_A_SEEN_UNIT = ("arrester_unknown", "scavenge_tube_not_seen")
"""Findings that make no sense beside the picture of something else."""


def look_lines(answer: Answer, lang: str = "en") -> tuple[Line, ...]:
    """The next looks, most useful first; ``ref`` is the look's id, ``note`` how much trouble it is."""
    return tuple(_look(n, lang) for n in answer.next_looks)


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
    """What the program is not, which network answered, and what that network has never seen."""
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
    by_network = (
        Line(t.say("Read by network {name} {version} ({sha}).", which), kind="model"),
        Line(
            t.say(
                "It learned from computed pictures alone. How well it reads real photographs has not been measured: "
                "check what it saw in the pictures yourself."
            )
        ),
    )
    read = any(p.readings is not None for p in answer.photos)
    # The cautions say the same already; said twice it is read not at all.
    told = any("can be wrong" in c for c in answer.cautions) and answer.verdict.outcome not in NOTHING_SEEN
    return (*(() if told else limit), *(by_network if read else ()))


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


def _look(look: NextLook, lang: str) -> Line:
    t = tongue(lang)
    note = t.say(EFFORTS[look.effort]) if look.effort in EFFORTS else ""
    return Line(t.again(look.how), note, look.look, "look")


def _photo(index: int, photo: PhotoAnswer, lang: str) -> Line:
    t = tongue(lang)
    head = f"{sources_name((f'photo:{index}',), lang)} \N{EN DASH} {plain_name(photo.file)}"
    if photo.error:
        return Line(
            t.say("{photo}: not used. {why}", {"photo": head, "why": sentence(t.again(photo.error))}), kind="error"
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
