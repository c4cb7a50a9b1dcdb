"""Raw network outputs drawn by hand, and a fake network that gives them: for tests of everything behind it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from updraft_key.model.cues import LANDMARKS, VIEWS
from updraft_key.model.frame import NetInput
from updraft_key.model.runtime import STRIDE, FakeNetwork, RawOutputs, blank_outputs
from updraft_key.model.spec import ModelSpec, labels_of

SURE = 8.0
Points = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class Sight:
    """What a network is made to see. Points are network pixels of the second look."""

    cues: Mapping[str, str] = field(default_factory=dict)
    peaks: Mapping[str, Points] = field(default_factory=dict)
    count: int | None = None
    angle: tuple[float, float] | None = None
    """Handle angle and its Laplace scale, degrees."""
    found: float = SURE
    found_second: float | None = None
    box: tuple[float, float, float, float] = (0.25, 0.25, 0.75, 0.75)
    view: str = "front"
    logit: float = SURE

    def outputs(self, size: int, *, second: bool) -> RawOutputs:
        """Draw the outputs of one look."""
        out = blank_outputs(size)
        out["found"][0, 0] = self.found if not second or self.found_second is None else self.found_second
        out["box"][0] = self.box
        out["view"][0, VIEWS.index(self.view)] = SURE
        for cue, reading in self.cues.items():
            out[cue][0] = 0.0
            out[cue][0, labels_of(cue).index(reading)] = self.logit
        for name, points in self.peaks.items() if second else ():
            for x, y in points:
                self._dot(out, name, x, y)
        seen = len(self.peaks.get("screw", ())) if self.count is None else self.count
        out["count"][:] = 0.0
        out["count"][0, seen] = SURE
        return out

    def _dot(self, out: dict[str, NDArray[np.float32]], name: str, x: float, y: float) -> None:
        cx, cy = int(x // STRIDE), int(y // STRIDE)
        channel = 1 + LANDMARKS.index(name)
        heat = out["heat"][0, channel]
        heat[max(0, cy - 1) : cy + 2, max(0, cx - 1) : cx + 2] = np.maximum(
            heat[max(0, cy - 1) : cy + 2, max(0, cx - 1) : cx + 2], -0.2
        )
        heat[cy, cx] = 4.0
        out["offset"][0, :, cy, cx] = (x / STRIDE - cx, y / STRIDE - cy)
        if name == "handle_root" and self.angle is not None:
            out["angle"][0, :, cy, cx] = (self.angle[0] / 45.0, math.log(self.angle[1] / 45.0))

    def network(self, spec: ModelSpec | None = None) -> FakeNetwork:
        """A network that sees this in every photo."""
        made = ModelSpec(name="fake") if spec is None else spec

        def answer(image: NetInput) -> RawOutputs:
            return self.outputs(image.shape[-1], second=image.shape[-1] == made.read_size)

        return FakeNetwork(answer, made)


FOUR = ((100.0, 200.0), (140.0, 200.0), (260.0, 200.0), (300.0, 200.0))
FIVE = (*FOUR, (200.0, 230.0))
HANDLE = {"handle_root": ((250.0, 330.0),), "handle_tip": ((330.0, 375.0),)}
FLOOR = {"floor_a": ((250.0, 325.0),), "floor_b": ((120.0, 325.0),)}

IRON = Sight(
    {"metal": "iron", "joint_screws": "four", "front_ear": "none", "main_jet": "handle_sloping",
     "scavenge_line": "absent", "throat_bottom": "big_plug"},
    {"screw": FOUR, "throat_plug": ((200.0, 400.0),), **HANDLE, **FLOOR},
    angle=(28.0, 2.0),
)  # fmt: skip
ALLOY4 = Sight(
    {"metal": "alloy", "joint_screws": "four", "front_ear": "bare", "main_jet": "plug",
     "scavenge_line": "external", "throat_bottom": "tube_fitting"},
    {"screw": FOUR, "ear": ((200.0, 232.0),), "jet_plug": ((250.0, 330.0),),
     "tube_low": ((180.0, 400.0),), "tube_high": ((90.0, 80.0),)},
)  # fmt: skip
ALLOY5 = Sight(
    {**ALLOY4.cues, "joint_screws": "five", "front_ear": "screwed"},
    {**ALLOY4.peaks, "screw": FIVE},
)
NOTHING = Sight(found=-SURE)


def bench(width: int = 1600, height: int = 1200) -> NDArray[np.uint8]:
    """A sharp, well lit picture of nothing in particular."""
    rng = np.random.default_rng(5)
    coarse = rng.integers(20, 235, (height // 40, width // 40, 3), dtype=np.uint8)
    picture = np.asarray(Image.fromarray(coarse).resize((width, height), Image.Resampling.NEAREST)).copy()
    picture[: height // 3, : width // 4] = (250, 240, 30)  # upper left, so that a turned picture differs
    return picture
