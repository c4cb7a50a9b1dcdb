"""What a scene is, as plain frozen data: no geometry, no renderer, only draws and seeds.

A ``SceneSpec`` says everything that decides a picture. Geometry and textures are named by a seed and a range
set, so the same text gives the same scene wherever it is built. Lengths are millimetres, angles degrees.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from typing import Any

from updraft_key.model.cues import ERAS, VIEWS
from updraft_key.model.errors import UpdraftKeyError

SPLITS: tuple[str, ...] = ("train", "held")
PLACES: tuple[str, ...] = ("bench", "engine", "hand", "mirror")
INGREDIENTS: tuple[str, ...] = ("materials", "light", "distractors", "backgrounds")
SUBJECTS: tuple[str, ...] = ("carburetor", "lookalike", "empty")
WHOLES: tuple[str, ...] = ("whole", "upper", "lower")
AIMS: tuple[str, ...] = ("", "front_joint", "jet", "throat_bottom", "tube_low")
"""What a shot may have in its middle: the whole subject, or one of its zones."""


class SceneError(UpdraftKeyError):
    """A scene description that cannot be: the message says which field, what it must be, and what came."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What stands in the middle.

    Attributes:
        kind: one of ``SUBJECTS``.
        era: generation of a carburetor, None otherwise.
        seed: every draw of its shape and finish.
        casting: ``whole``, or one casting alone.
        up: world direction "up" in the unit's frame, unit length (how the unit lies on the table).
    """

    kind: str
    era: str | None
    seed: int
    casting: str
    up: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Light:
    """Where the light comes from.

    Attributes:
        kind: ``daylight``, ``indoor``, ``dim``, ``flash``, ``lamp`` or ``mixed``.
        environment: fraction in [0, 1) that picks the surrounding light among those of the split.
        turn: rotation of the surroundings about the vertical.
        strength: factor on the surroundings (1 = as photographed).
        flash: radiant intensity of the flash beside the lens, relative to the surroundings; 0 = off.
        lamp: the same for a lamp over the scene.
        lamp_at: direction from the subject to the lamp (world frame), unit length.
        lamp_distance: from the subject.
        lamp_colour: linear RGB, mean 1.
        tint: linear RGB factor on the surroundings.
    """

    kind: str
    environment: float
    turn: float
    strength: float
    flash: float
    lamp: float
    lamp_at: tuple[float, float, float]
    lamp_distance: float
    lamp_colour: tuple[float, float, float]
    tint: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Shot:
    """One camera position on a built scene.

    Attributes:
        view: side of the unit that faces the camera, one of ``model.cues.VIEWS``.
        azimuth, elevation: of the camera in the unit's frame (0/0 = in front of the throat mouth; azimuth
            positive toward +x, elevation toward +y).
        roll: of the camera about its axis.
        fraction: longer side of the subject's box over the side of the frame, before any crop.
        distance: wished lens-to-subject distance (kept where the phone's focal lengths allow it).
        shift: offset of the subject from the middle, in units of the free room (-1..1; beyond = cropped).
        aperture: radius of the entrance pupil.
        focus: focus distance over the true distance.
        exposure: stops from what the meter says.
        mirrored: the picture is flipped left to right.
        occluder: fraction in [0, 1) of the frame that something near the lens may cover; 0 = nothing.
        aim: zone of the unit in the middle of a close view, ``""`` for the whole subject. Every generation has
            every zone, so that a close view does not tell one.
        seed: samples of the render and the camera's own noise.
    """

    view: str
    azimuth: float
    elevation: float
    roll: float
    fraction: float
    distance: float
    shift: tuple[float, float]
    aperture: float
    focus: float
    exposure: float
    mirrored: bool
    occluder: float
    aim: str
    seed: int


@dataclass(frozen=True, slots=True)
class SceneSpec:
    """A whole scene and its shots.

    Attributes:
        index: scene number within its split.
        split: ``train`` or ``held`` (other ranges, surroundings and backdrops).
        place: one of ``PLACES``.
        backdrop: ``surroundings`` (what the light shows) or ``photograph`` behind the subject.
        dressing: seed of props, table texture, backdrop choice.
        materials, light_on, distractors, backgrounds: whether each ingredient is in.
    """

    index: int
    split: str
    place: str
    subject: Subject
    light: Light
    backdrop: str
    dressing: int
    materials: bool
    light_on: bool
    distractors: bool
    backgrounds: bool
    shots: tuple[Shot, ...]

    def __post_init__(self) -> None:
        checks = (
            ("split", self.split, SPLITS),
            ("place", self.place, PLACES),
            ("subject.kind", self.subject.kind, SUBJECTS),
            ("subject.casting", self.subject.casting, WHOLES),
            ("backdrop", self.backdrop, ("surroundings", "photograph")),
        )
        for name, value, allowed in checks:
            if value not in allowed:
                raise SceneError(f"{name}: expected one of {', '.join(allowed)}, got {value!r}")
        if (self.subject.era is None) == (self.subject.kind == "carburetor"):
            raise SceneError("subject.era: a carburetor has one, nothing else does")
        if self.subject.era is not None and self.subject.era not in [str(e) for e in ERAS]:
            raise SceneError(f"subject.era: expected one of {', '.join(ERAS)}, got {self.subject.era!r}")
        for shot in self.shots:
            if shot.view not in VIEWS:
                raise SceneError(f"view: expected one of {', '.join(VIEWS)}, got {shot.view!r}")
            if shot.aim not in AIMS:
                raise SceneError(f"aim: expected one of {', '.join(filter(None, AIMS))} or nothing, got {shot.aim!r}")

    @property
    def ingredients(self) -> dict[str, bool]:
        """Which ingredients are in, in the words of a label record."""
        return {
            "materials": self.materials,
            "light": self.light_on,
            "distractors": self.distractors,
            "backgrounds": self.backgrounds,
        }

    def to_json(self) -> str:
        """Return one line of JSON, keys in a fixed order: the same scene gives the same bytes."""
        return json.dumps(asdict(self), separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> SceneSpec:
        """Read what ``to_json`` wrote.

        Raises:
            SceneError: if the text is not such a scene.
        """
        try:
            data: dict[str, Any] = json.loads(text)
            return cls(
                **{
                    **{f.name: data[f.name] for f in fields(cls)},
                    "subject": Subject(**{**data["subject"], "up": tuple(data["subject"]["up"])}),
                    "light": Light(**{k: _tupled(v) for k, v in data["light"].items()}),
                    "shots": tuple(Shot(**{k: _tupled(v) for k, v in shot.items()}) for shot in data["shots"]),
                }
            )
        except (KeyError, TypeError, ValueError) as error:
            raise SceneError(f"not a scene description: {error}") from error


def _tupled(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value
