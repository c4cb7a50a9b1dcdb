"""The answers that the page offers to its questions: the word that is kept, and the text that is shown."""

from __future__ import annotations

from collections.abc import Mapping

from .language import mark as _
from .language import tongue

UNKNOWN = "unknown"
MAGNET_WORDS = {"holds": _("It holds"), "falls": _("It falls off"), "weak": _("Weak, or not sure")}
HAND_CHOICES: Mapping[str, tuple[tuple[str, str], ...]] = {
    "ear": (
        ("none", _("no ear there")),
        ("bare", _("an ear with no screw in it")),
        ("screwed", _("an ear with a screw in it")),
    ),
    "handle": (
        ("sloping", _("a T-handle that slopes down")),
        ("level", _("a T-handle level with the floor of the bowl")),
        ("none", _("a plug, no T-handle")),
    ),
    "tube": (("seen", _("yes, a tube")), ("absent", _("no tube"))),
    "plug": (
        ("big", _("the big steel plug, 1 1/8 in (28.6 mm)")),
        ("fitting", _("a tube fitting")),
        ("other", _("neither the big plug nor a tube fitting")),
    ),
    "screws": (("4", _("four screws")), ("5", _("five screws"))),
}
MANIFOLDS = {"plain": _("plain, no small threaded hole"), "ported": _("has a small threaded hole or tube")}
ARRESTERS = {
    "iron": _("made for the iron body"),
    "alloy": _("made for an alloy body"),
    "none": _("there is none"),
}


def choices_of(table: Mapping[str, str], none: str, lang: str) -> list[tuple[str, str]]:
    """Text and word of each answer, and last the one for no answer."""
    t = tongue(lang)
    return [*((t.say(text), word) for word, text in table.items()), (t.say(none), UNKNOWN)]
