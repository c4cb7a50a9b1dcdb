"""Names of things, as every face says them: generations, cues, readings, marks, views, hand tests, findings.

All texts are English msgids; ``app.language`` says them in another tongue. What they state is common practice
of the trade, no published source.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from updraft_key.model.cues import Cue, Era, Reason

from .language import mark as _
from .language import tongue

ERA_NAMES: Mapping[Era, str] = MappingProxyType(
    {
        Era.IRON: _("iron body"),
        Era.ALLOY4: _("alloy body, four screws"),
        Era.ALLOY5: _("alloy body, five screws"),
    }
)
ERA_YEARS: Mapping[Era, str] = MappingProxyType(
    {
        Era.IRON: _("made until the late 1960s"),
        Era.ALLOY4: _("made until the late 1970s"),
        Era.ALLOY5: _("made from the late 1970s onward"),
    }
)
CUE_NAMES: Mapping[Cue, str] = MappingProxyType(
    {
        Cue.METAL: _("Metal of the castings"),
        Cue.JOINT_SCREWS: _("Screws of the joint"),
        Cue.FRONT_EAR: _("Front ear of the joint"),
        Cue.MAIN_JET: _("Main jet"),
        Cue.SCAVENGE_LINE: _("Scavenge tube"),
        Cue.THROAT_BOTTOM: _("Underside of the throat"),
    }
)
CUE_PLACES: Mapping[Cue, str] = MappingProxyType(
    {
        Cue.METAL: _("bare casting, free of paint and grime"),
        Cue.JOINT_SCREWS: _("around the joint between the upper and the lower casting"),
        Cue.FRONT_EAR: _("at the front of the joint, just above the round throat opening"),
        Cue.MAIN_JET: _("low on the bowl, where the jet or its T-handle leaves it"),
        Cue.SCAVENGE_LINE: _("from under the throat up to the manifold"),
        Cue.THROAT_BOTTOM: _("seen only from below"),
    }
)
READING_NAMES: Mapping[Cue, Mapping[str, str]] = MappingProxyType(
    {
        Cue.METAL: {"iron": _("cast iron"), "alloy": _("an alloy, not iron")},
        Cue.JOINT_SCREWS: {"four": _("four screws"), "five": _("five screws")},
        Cue.FRONT_EAR: {
            "none": _("no ear there"),
            "bare": _("an ear with no screw in it"),
            "screwed": _("an ear with a screw in it"),
        },
        Cue.MAIN_JET: {
            "plug": _("a plug, no T-handle"),
            "handle_sloping": _("a T-handle that slopes down"),
            "handle_level": _("a T-handle level with the floor of the bowl"),
        },
        Cue.SCAVENGE_LINE: {
            "external": _("an outside tube up to the manifold"),
            "absent": _("no outside tube where its lower end would be"),
        },
        Cue.THROAT_BOTTOM: {
            "big_plug": _("the big steel plug, 1 1/8 in (28.6 mm)"),
            "tube_fitting": _("a tube fitting"),
            "other": _("neither the big plug nor a tube fitting"),
        },
    }
)
MARK_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "subject": _("carburetor"),
        "screw": _("joint screw"),
        "ear": _("front ear"),
        "front_ear": _("front ear"),
        "front_joint": _("front of the joint"),
        "handle": _("T-handle"),
        "handle_root": _("root of the T-handle"),
        "handle_tip": _("tip of the T-handle"),
        "jet": _("main jet"),
        "jet_plug": _("jet plug"),
        "throat_plug": _("plug under the throat"),
        "throat_bottom": _("underside of the throat"),
        "tube_fitting": _("tube fitting"),
        "tube": _("scavenge tube"),
        "scavenge_tube": _("scavenge tube"),
        "tube_low": _("lower end of the tube"),
        "tube_high": _("upper end of the tube"),
        "floor": _("floor of the bowl"),
        "bowl_floor": _("floor of the bowl"),
        "floor_a": _("floor of the bowl"),
        "floor_b": _("floor of the bowl"),
        "metal": _("bare metal"),
        "body_bare": _("bare metal"),
    }
)
VIEW_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "front": _("from the front"),
        "front_left": _("from the front left"),
        "front_right": _("from the front right"),
        "left": _("from the left"),
        "right": _("from the right"),
        "rear": _("from the rear"),
        "top": _("from above"),
        "below": _("from below"),
    }
)
HAND_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "magnet": _("magnet test"),
        "screws": _("screws felt or seen with a mirror"),
        "ear": _("front ear felt by hand"),
        "handle": _("T-handle seen by eye"),
        "tube": _("tube seen by eye"),
        "throat": _("throat measured"),
        "plug": _("plug under the throat seen by eye"),
        "weight": _("weighed"),
        "density": _("weighed in air and in water"),
        "weigh": _("weighed in air and in water"),
        "metal": _("metal judged by hand"),
        "joint_screws": _("screws counted by hand"),
        "front_ear": _("front ear felt by hand"),
        "main_jet": _("main jet seen by eye"),
        "scavenge_line": _("tube seen by eye"),
        "throat_bottom": _("underside of the throat seen by eye"),
    }
)
FINDING_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "blurred": _("blurred (hold the phone still and tap on the carburetor to focus)"),
        "dark": _("too dark (use the phone's light or a lamp from the side)"),
        "bright": _("too bright (step out of the glare or turn the light aside)"),
        "overexposed": _("too bright (step out of the glare or turn the light aside)"),
        "glare": _("glare on the metal (turn the light aside)"),
        "low_contrast": _("hazy, little contrast (wipe the lens)"),
        "small": _("the carburetor is small in the picture (go nearer)"),
        "far": _("the carburetor is small in the picture (go nearer)"),
        "low_resolution": _("few pixels (send the original photo, not a reduced one)"),
        "cut_off": _("part of the carburetor is outside the picture"),
        "screenshot": _("looks like a screenshot (send the original photo)"),
        "mirrored": _("looks mirrored, as in a selfie or a mirror"),
        "duplicate": _("the same picture as another one (counted once)"),
        "near_duplicate": _("nearly the same picture as another one (counted once)"),
        "unlike_training": _("unlike the pictures the program knows (read with care)"),
    }
)


def era_name(era: Era | str, lang: str = "en") -> str:
    """Name of a generation, such as ``alloy body, four screws``."""
    return tongue(lang).say(ERA_NAMES[Era(era)])


def cue_name(cue: Cue | str, lang: str = "en") -> str:
    """Name of a cue, such as ``Front ear of the joint``."""
    return tongue(lang).say(CUE_NAMES[Cue(cue)])


def cue_place(cue: Cue | str, lang: str = "en") -> str:
    """Where on the carburetor a cue sits, as a phrase."""
    return tongue(lang).say(CUE_PLACES[Cue(cue)])


def reading_name(cue: Cue | str, reading: str, lang: str = "en") -> str:
    """What was seen, as a phrase; ``unsure`` and ``out_of_sight`` included."""
    t = tongue(lang)
    if reading == "unsure":
        return t.say("in sight, but not clear enough to rely on")
    if reading == "out_of_sight":
        return t.say("not visible")
    return t.say(READING_NAMES[Cue(cue)][reading])


def _named(table: Mapping[str, str], key: str, lang: str) -> str:
    """Look ``key`` up in a table of msgids; an unknown key is shown with spaces, never hidden."""
    return tongue(lang).say(table[key]) if key in table else key.replace("_", " ")


def mark_name(part: str, lang: str = "en") -> str:
    """Label of a mark in a picture. A trailing number (``screw_2``) is kept: ``joint screw 2``."""
    stem, _sep, number = part.rpartition("_")
    if number.isdigit() and stem:
        return f"{_named(MARK_NAMES, stem, lang)} {number}"
    return _named(MARK_NAMES, part, lang)


def view_name(view: str, lang: str = "en") -> str:
    """From which side a photo was taken."""
    return _named(VIEW_NAMES, view, lang)


def finding_name(finding: str, lang: str = "en") -> str:
    """What is wrong with a photo, and what to do about it."""
    return _named(FINDING_NAMES, finding, lang)


def source_name(source: str, lang: str = "en") -> str:
    """Say where a statement comes from: ``photo:0`` is ``photo 1``, ``hand:magnet`` is ``magnet test``."""
    kind, _sep, what = source.partition(":")
    if kind == "photo" and what.isdigit():
        return tongue(lang).say("photo {number}", {"number": int(what) + 1})
    if kind == "hand":
        return _named(HAND_NAMES, what, lang)
    return source.replace("_", " ")


def sources_name(sources: tuple[str, ...], lang: str = "en") -> str:
    """Say a list of sources, each once, in their order."""
    return ", ".join(dict.fromkeys(source_name(s, lang) for s in sources))


def bearers_name(reason: Reason, lang: str = "en") -> str:
    """Where a reason comes from, and whether what was said there is not sure by itself."""
    where = sources_name(reason.sources, lang)
    return where if reason.accepted else f"{where}, {tongue(lang).say('not sure by itself')}"
