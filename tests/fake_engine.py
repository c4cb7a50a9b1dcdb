"""An engine without a network: what a photo shows is painted on it as one flat colour. Rules and parts are real."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from io import BytesIO

import numpy as np
from answers import Shot, photo_answer
from PIL import Image
from updraft_key.app.engine import IdentifierEngine, ReadPhoto, Told
from updraft_key.model.answer import Answer, PhotoAnswer
from updraft_key.model.cues import UNSURE, Angle, Cue
from updraft_key.model.identify import Identifier
from updraft_key.model.photo import Photo
from updraft_key.model.runtime import FakeNetwork

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

    def decide(self, photos: Sequence[ReadPhoto], told: Told) -> Answer:
        return NoNetwork().decide([p.answer for p in photos], told)


class NoNetwork:
    """Everything of the real engine but the network: fusion, rules, next looks, parts, fit and findings are real."""

    def decide(self, photos: Sequence[PhotoAnswer], told: Told) -> Answer:
        identifier = Identifier(FakeNetwork(lambda _image: {}))
        return IdentifierEngine(identifier).decide([ReadPhoto(p) for p in photos], told)
