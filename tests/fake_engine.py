"""An engine without a network: what a photo shows is painted on it as one flat colour. Rules and parts are real."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from io import BytesIO

import numpy as np
from answers import MODEL, Shot, photo_answer, vector
from PIL import Image
from updraft_key.app.engine import IdentifierEngine, ReadPhoto, Told, hand_tests
from updraft_key.model.answer import Answer, Finding, NextLook, PhotoAnswer
from updraft_key.model.cues import UNSURE, Angle, Cue, Era, Evidence, Outcome
from updraft_key.model.fit import plan
from updraft_key.model.identify import Identifier
from updraft_key.model.key import decide
from updraft_key.model.parts import load_catalogue, match
from updraft_key.model.photo import Photo
from updraft_key.model.runtime import FakeNetwork
from updraft_key.model.safety import CAUTIONS

COLOURS: Mapping[str, tuple[int, int, int]] = {
    "iron": (180, 60, 40),
    "alloy4": (60, 160, 80),
    "alloy5": (60, 90, 190),
    "alloy_side": (200, 190, 60),
    "unclear": (120, 120, 120),
    "empty": (10, 10, 10),
}
SHOTS: Mapping[str, Shot] = {
    "iron": Shot(
        {Cue.METAL: "iron", Cue.MAIN_JET: "handle_sloping", Cue.FRONT_EAR: "none", Cue.THROAT_BOTTOM: "big_plug"},
        angle=Angle(33, 28, 38),
    ),
    "alloy4": Shot({Cue.METAL: "alloy", Cue.FRONT_EAR: "bare", Cue.SCAVENGE_LINE: "external"}),
    "alloy5": Shot({Cue.JOINT_SCREWS: "five", Cue.FRONT_EAR: "screwed", Cue.MAIN_JET: "plug"}),
    "alloy_side": Shot({Cue.SCAVENGE_LINE: "external", Cue.MAIN_JET: "plug", Cue.JOINT_SCREWS: "four"}, "left"),
    "unclear": Shot({Cue.METAL: UNSURE, Cue.JOINT_SCREWS: "four", Cue.MAIN_JET: "plug"}, "right"),
    "empty": Shot(found=False),
}
LOOKS = (
    NextLook("look_front", 0.92, ("front_ear", "joint_screws"), "Take a photo straight into the round throat "
             "opening, so that the front of the joint above it is sharp and in the middle.", 1, "look_front"),
    NextLook("magnet", 0.81, ("metal",), "Hold a magnet to bare casting.", 2, "magnet"),
    NextLook("look_below", 0.64, ("throat_bottom", "main_jet"), "Take a photo from below, of the underside of the "
             "throat and of the bowl.", 2, "look_below"),
)  # fmt: skip


def painted(kind: str, size: tuple[int, int] = (800, 600), name: str = "JPEG") -> bytes:
    """A picture file of one flat colour, with a brighter block so that turning it can be seen."""
    pixels = np.full((size[1], size[0], 3), COLOURS[kind], np.uint8)
    pixels[: size[1] // 8, : size[0] // 8] = 240
    out = BytesIO()
    Image.fromarray(pixels).save(out, name, quality=92)
    return out.getvalue()


class FakeEngine:
    """Reads the colour of a photo's middle; ``reads`` counts how often the slow half was called."""

    def __init__(self) -> None:
        self.reads = 0

    def read(self, label: str, photo: Photo) -> ReadPhoto:
        self.reads += 1
        h, w, _ = photo.pixels.shape
        middle = photo.pixels[h // 2, w // 2].astype(int)
        kind = min(COLOURS, key=lambda k: int(np.abs(middle - np.array(COLOURS[k])).sum()))
        made = photo_answer(replace(SHOTS[kind], file=label))
        return ReadPhoto(replace(made, sha256=photo.sha256, width=photo.width, height=photo.height))

    def decide(self, read: Sequence[ReadPhoto], told: Told) -> Answer:
        tests = hand_tests(told.hand)
        hand: list[Evidence] = [e for t in tests if (e := t.evidence) is not None]
        photos = [r.answer for r in read]
        cues = vector(photos, hand)
        verdict = decide(cues)
        looks = () if verdict.outcome is Outcome.NAMED else LOOKS
        if verdict.candidates and Era.IRON not in verdict.candidates:
            looks = tuple(n for n in looks if n.look != "magnet")
        wanted = Era(told.wanted) if told.wanted else verdict.era
        asked = told.manifold or told.arrester or told.wanted
        fit = plan(verdict.era, wanted, told.manifold or "unknown", told.arrester or "unknown") if asked else ()
        note: tuple[Finding, ...] = ()
        if cues.cues[Cue.SCAVENGE_LINE].reading == "absent" and verdict.era in (Era.ALLOY4, Era.ALLOY5):
            note = (Finding("scavenge_tube_missing", "safety", "The external scavenge tube is missing.", None),)
        return Answer(
            MODEL, tuple(photos), cues, verdict, looks, match(load_catalogue(), verdict), fit, note,
            tuple(CAUTIONS.values()),
        )  # fmt: skip


class NoNetwork:
    """Everything of the real engine but the network: fusion, rules, next looks, parts, fit and findings are real."""

    def decide(self, photos: Sequence[PhotoAnswer], told: Told) -> Answer:
        identifier = Identifier(FakeNetwork(lambda _image: {}))
        return IdentifierEngine(identifier).decide([ReadPhoto(p) for p in photos], told)
