"""The standing pages: what is taken, the photo guide with its drawings, and the example photos."""

from __future__ import annotations

import json
from collections.abc import Mapping
from html import escape
from pathlib import Path
from types import MappingProxyType

from .desk import MAX_PHOTOS
from .labels import CUE_NAMES, cue_name
from .language import mark as _
from .language import tongue
from .sketch import sketch

EXAMPLES = Path(__file__).parent / "assets" / "examples"
GUIDE: Mapping[str, tuple[str, str, tuple[str, ...]]] = MappingProxyType(
    {
        "look_front": (
            _("From the front"),
            _(
                "Hold the phone level with the throat, straight in front of the round opening. The joint just above "
                "it must be sharp: is there an ear, and is there a screw in it? Take an arrester off only if that "
                "is safe; otherwise feel with a finger."
            ),
            ("front_ear", "joint_screws"),
        ),
        "look_below": (
            _("From below"),
            _(
                "Hold the phone under the carburetor, looking up, or use a mirror. Under the throat sits a big plug or "
                "a tube fitting; low on the bowl a plug or a T-handle; from below the screw heads show."
            ),
            ("throat_bottom", "main_jet", "joint_screws", "scavenge_line"),
        ),
        "look_left": (
            _("From the left"),
            _(
                "Level with the joint, so that the floor of the bowl is one line: then it shows whether a T-handle "
                "slopes down from it or lies level with it. Left is left when you look into the throat."
            ),
            ("main_jet", "scavenge_line"),
        ),
        "look_right": (
            _("From the right"),
            _("As from the left, from the other side: one of the two sides shows the T-handle or the tube better."),
            ("main_jet", "scavenge_line"),
        ),
        "look_rear": (
            _("From the rear"),
            _("From behind the bowl, level with the joint. The tube often runs up here, behind the carburetor."),
            ("scavenge_line", "main_jet"),
        ),
        "look_top": (
            _("From above"),
            _("From above along the joint: screw heads show on the alloy bodies, holes or thread ends on iron."),
            ("joint_screws",),
        ),
        "magnet": (
            _("The magnet"),
            _(
                "Touch bare casting of the body, not a screw, shaft, lever or the big plug. It holds on iron; it falls "
                "off aluminium. It says nothing about four or five screws."
            ),
            ("metal",),
        ),
        "look_handle": (
            _("The T-handle"),
            _(
                "At the bottom of the bowl: a handle that slopes down from the floor of the bowl (left) belongs to the "
                "iron body; one level with the floor (right) was added to an alloy body. Judge it by the bowl, not "
                "by the boat."
            ),
            ("main_jet",),
        ),
        "look_tube": (
            _("The scavenge tube"),
            _(
                "A thin tube from under the throat up to the manifold (left), or none (right). Do not take the fuel "
                "pipe for it: that one comes in at the bowl."
            ),
            ("scavenge_line",),
        ),
        "look_plug": (
            _("Under the throat"),
            _("A big plug, 1 1/8 in (28.6 mm) across (left), or a small fitting with the tube in it (right)."),
            ("throat_bottom",),
        ),
        "arrester_off": (
            _("An arrester in the way"),
            _(
                "An arrester can on the throat hides the ear. Take it off only with the engine cold, the battery off "
                "and the fuel valve closed, and put it back before the engine runs."
            ),
            ("front_ear",),
        ),
        "mirror_screws": (
            _("A mirror for the screws"),
            _("A small mirror and a lamp show the screw heads under the joint all the way round."),
            ("joint_screws",),
        ),
        "feel_ear": (
            _("A finger for the ear"),
            _("Where no phone fits, feel the front of the joint above the throat: nothing, a bare ear, or a screw."),
            ("front_ear",),
        ),
        "weigh": (
            _("Weighing"),
            _(
                "On the bench: weigh the bare castings, then see how much water they push aside. Aluminium is far "
                "lighter for its size than iron."
            ),
            ("metal",),
        ),
    }
)


def taken(lang: str) -> str:
    """What may be sent, in one line under the button."""
    t = tongue(lang)
    values = {"most": MAX_PHOTOS}
    text = t.say("Up to {most} photos of one carburetor: JPEG, PNG, WebP or HEIC, 25 MB each.", values)
    return f'<p class="uk-note">{escape(text)}</p>'


def photo_guide(lang: str) -> str:
    """For each way of looking: a drawing, how to do it, and what it can show."""
    t = tongue(lang)
    out = (
        f'<div class="uk-intro"><h2>{escape(t.say("How to photograph it"))}</h2><p>'
        f"{escape(t.say('Good light from the side, the lens wiped, the carburetor filling most of the picture.'))} "
        f"{escape(t.say('Engine cold, no flame: there may be petrol vapour where you put your head and your lamp.'))}"
        "</p></div>"
    )
    for name, (title, how, cues) in GUIDE.items():
        shows = ", ".join(cue_name(c, lang) for c in CUE_NAMES if str(c) in cues)
        said = t.say(how)
        out += (
            f'<section class="uk-card uk-guide"><h3>{escape(t.say(title))}</h3>{sketch(name, t.say(title))}'
            f'<p>{escape(said)}</p><p class="uk-note">{escape(t.say("Shows: {cues}", {"cues": shows}))}</p></section>'
        )
    return f'<div class="uk-list">{out}</div>'


def captions() -> tuple[tuple[str, str], ...]:
    """File name and English caption of each shipped example (``captions.json``), only those that are there."""
    index = EXAMPLES / "captions.json"
    if not index.is_file():
        return ()
    rows = json.loads(index.read_text("utf-8"))
    return tuple((r["file"], r["caption"]) for r in rows if (EXAMPLES / Path(r["file"]).name).is_file())


def examples(lang: str) -> str:
    """The example photos with their captions; they are said to be renders."""
    t = tongue(lang)
    rows = captions()
    said = t.say("Pictures computed from our own models of the three kinds, not photographs.")
    if not rows:
        said = t.say("No example pictures are installed with this copy.")
    cards = "".join(
        f'<figure class="uk-card uk-example"><img src="example/{escape(Path(file).name)}" loading="lazy" '
        f'alt="{escape(t.again(text))}"><figcaption>{escape(t.again(text))}</figcaption></figure>'
        for file, text in rows
    )
    return (
        f'<div class="uk-list"><div class="uk-intro"><h2>{escape(t.say("The three kinds"))}</h2>'
        f"<p>{escape(said)}</p></div>{cards}</div>"
    )
