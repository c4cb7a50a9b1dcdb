"""Kept cases as the page shows them: one line for the list, a head for the opened one, hints for the drawing board."""

from __future__ import annotations

import json
from html import escape

from updraft_key.model.cues import Outcome

from .labels import era_name
from .language import mark as _
from .language import tongue
from .panels import BADGES
from .store import KeptCase

WORDS = {
    "Create box": _("Draw a box"),
    "Drag boxes": _("Move boxes"),
    "Remove box": _("Remove the box"),
    "Click to upload or drop files": _("Photo"),
}
"""What the drawing board calls its buttons, and what they are called here (set by ``page.js``)."""


def intro(lang: str) -> str:
    """What the tab is for."""
    t = tongue(lang)
    return (
        f'<div class="uk-intro"><h2>{escape(t.say("Kept cases"))}</h2><p>'
        f"{escape(t.say('Record what a carburetor proved to be, and show where its parts are in the photos.'))} "
        f"{escape(t.say('Both make the next network better. Nothing leaves this machine.'))}</p></div>"
    )


def row(case: KeptCase, lang: str) -> str:
    """One case as plain text; a component escapes it."""
    what = era_name(case.era, lang) if case.era else tongue(lang).say(BADGES[Outcome(case.outcome)][1])
    done = "\u2713 " if case.truth else ""
    title = f" \u00b7 {case.title}" if case.title else ""
    return f"{done}{case.id} \u00b7 {case.kept_at[:10]} \u00b7 {what}{title}"


def head(case: KeptCase, lang: str) -> str:
    """The opened case."""
    t = tongue(lang)
    what = era_name(case.era, lang) if case.era else t.say(BADGES[Outcome(case.outcome)][1])
    said = t.say("Answered on {day}: {what}", {"day": case.kept_at[:10], "what": what})
    proved = t.say("Not confirmed yet.")
    if case.truth:
        proved = t.say("Proved to be: {what}", {"what": era_name(case.truth, lang)})
        proved += f" ({case.truth_how})" if case.truth_how else ""
    title = t.say("Case {number}", {"number": case.id}) + (f" \u00b7 {case.title}" if case.title else "")
    return (
        f'<section class="uk-card uk-case"><h3>{escape(title)}</h3><p>{escape(said)}</p>'
        f"<p><strong>{escape(proved)}</strong></p></section>"
    )


def none_found(lang: str) -> str:
    """Said when the list is empty."""
    said = tongue(lang).say("No case is found here. Keep an answer first, or search for other words.")
    return f"<p>{escape(said)}</p>"


def board_hint(lang: str) -> str:
    """How to draw, and the words for the board's buttons."""
    t = tongue(lang)
    words = json.dumps({name: t.say(text) for name, text in WORDS.items()}, ensure_ascii=False)
    steps = (
        t.say("Choose what you want to show, then draw a box round each one in the photo."),
        t.say("Two fingers make the photo larger. To change a box, tap \u201cMove boxes\u201d and pull its corners."),
    )
    said = "".join(f"<p>{escape(s)}</p>" for s in steps)
    return f'<div data-board-words="{escape(words)}"><h3>{escape(t.say("Where the parts are"))}</h3>{said}</div>'
