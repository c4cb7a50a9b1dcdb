"""Draw a scene. Every draw but the generation's own shape is independent of the generation.

``sample_scene(rng, split, index)`` is a pure function of its generator; ``scene_of`` gives the scene that belongs to a
number, so that a picture's seed decides the picture, whichever process draws it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import ERAS, VIEWS

from .spec import INGREDIENTS, SPLITS, Light, SceneSpec, Shot, Subject

LOOKALIKE_SHARE = 0.14
EMPTY_SHARE = 0.03
SINGLE_CASTING_SHARE = 0.08
"""Of the scenes on a bench or in a hand: nobody bolts one casting alone to an engine."""
INGREDIENT_OFF = 0.1
VIEWS_PER_SCENE = 4

_AZIMUTH = {"front": 0.0, "front_left": -45.0, "front_right": 45.0, "left": -90.0, "right": 90.0, "rear": 180.0}
_HALF_WIDTH = {"front": 22.5, "front_left": 22.5, "front_right": 22.5, "left": 28.0, "right": 28.0, "rear": 55.0}
_TOP, _BELOW = 52.0, -48.0
_BEFORE_ENGINE = 84.0
"""Greatest azimuth, either way, of a camera in an engine bay: the engine itself is behind the carburetor."""
_WEIGHTS = {
    "bench": {"front": 2.4, "rear": 0.7, "top": 0.8},
    "engine": {"front": 2.4, "rear": 0.0, "top": 0.4, "below": 1.2},
    "hand": {"front": 2.4, "rear": 0.7},
    "mirror": {"front": 2.0, "rear": 0.0, "top": 0.4, "below": 1.5},
}
SCREWS_SHARE = {"train": 0.14, "held": 0.08}
"""Share of shots from steeply above or below the joint's front, where its screws can be counted."""
_LARGE = {"train": (0.6, 1.0), "held": (0.45, 0.95)}
"""Share of the frame that most subjects take up. Training shows them larger, so that no light path is spent on a
background that the second look cuts off; its first look pushes the picture back again (``looks.find_look``)."""
CLOSE_SHARE = {"train": 0.24, "held": 0.18}
"""Share of shots that are close views of one place, as the tool asks for them."""
_CLOSE = {
    "front": ("front_joint", "front_joint", "throat_bottom"),
    "front_left": ("front_joint", "jet", "throat_bottom"),
    "front_right": ("front_joint", "jet", "throat_bottom"),
    "left": ("jet", "tube_low"),
    "right": ("jet", "tube_low"),
    "below": ("throat_bottom", "jet", "front_joint"),
    "top": ("front_joint",),
    "rear": ("tube_low",),
}


def scene_rng(split: str, index: int) -> np.random.Generator:
    """Return the generator of scene ``index`` of ``split``."""
    return np.random.default_rng([SPLITS.index(split), index])


def view_of(azimuth: float, elevation: float) -> str:
    """Name the side of the unit that faces a camera at these angles (degrees, unit frame)."""
    if elevation > _TOP:
        return "top"
    if elevation < _BELOW:
        return "below"
    a = (azimuth + 180.0) % 360.0 - 180.0
    for view, centre in _AZIMUTH.items():
        if view != "rear" and abs((a - centre + 180.0) % 360.0 - 180.0) <= _HALF_WIDTH[view]:
            return view
    return "rear"


def direction(azimuth: float, elevation: float) -> NDArray[np.float64]:
    """Unit vector from the subject to the camera, unit frame: azimuth -90 is at -x (the ``left`` view)."""
    a, e = np.radians([azimuth, elevation])
    return np.array([np.sin(a) * np.cos(e), np.sin(e), np.cos(a) * np.cos(e)])


def scene_of(split: str, index: int, views: int = VIEWS_PER_SCENE) -> SceneSpec:
    """Return scene ``index`` of ``split``.

    Training scenes with a carburetor come in threes, from each number that three divides: one and the same unit,
    place, light and cameras, once as each generation. What does not tell the generations apart is then the same in all
    three, so that nothing else can be learnt for them.
    """
    own = sample_scene(scene_rng(split, index), split, index, views)
    first = index - index % len(ERAS)
    if split != "train":
        return own
    eldest = sample_scene(scene_rng(split, first), split, first, views)
    if eldest.subject.kind != "carburetor":
        return own
    return replace(eldest, index=index, subject=replace(eldest.subject, era=str(ERAS[index - first])))


def with_and_without(spec: SceneSpec) -> tuple[SceneSpec, ...]:
    """The same scene once with every ingredient, then once without each of ``INGREDIENTS``, in that order."""
    whole = replace(spec, materials=True, light_on=True, distractors=True, backgrounds=True)
    return (
        whole,
        replace(whole, materials=False),
        replace(whole, light_on=False),
        replace(whole, distractors=False),
        replace(whole, backgrounds=False),
    )


def sample_scene(rng: np.random.Generator, split: str, index: int, views: int = VIEWS_PER_SCENE) -> SceneSpec:
    """Draw scene ``index`` of ``split`` with ``views`` shots.

    In ``held`` no ingredient is ever left out: that switch is for ablations of training sets.
    """
    place = str(rng.choice(["bench", "engine", "hand", "mirror"], p=[0.52, 0.27, 0.11, 0.10]))
    share = rng.random()
    kind = "lookalike" if share < LOOKALIKE_SHARE else "carburetor"
    if LOOKALIKE_SHARE <= share < LOOKALIKE_SHARE + EMPTY_SHARE:
        kind = "empty"
    era = str(ERAS[int(rng.integers(len(ERAS)))])
    casting = "whole"
    if rng.random() < SINGLE_CASTING_SHARE and place in ("bench", "hand"):
        casting = str(rng.choice(["upper", "lower"]))
    up = _lie(rng) if place == "bench" else (0.0, 1.0, 0.0)
    if place == "hand":
        up = _lie(rng, upright=0.5)
    subject = Subject(
        kind=kind,
        era=era if kind == "carburetor" else None,
        seed=int(rng.integers(2**31)),
        casting=casting if kind == "carburetor" else "whole",
        up=up,
    )
    on = [bool(rng.random() >= INGREDIENT_OFF) or split == "held" for _ in INGREDIENTS]
    light = _light(rng, place)
    backdrop = "photograph" if rng.random() < (0.2 if place == "bench" else 0.5) else "surroundings"
    dressing = int(rng.integers(2**31))
    shots = tuple(_shot(rng, place, np.array(up), light, split) for _ in range(views))
    return SceneSpec(
        index=index,
        split=split,
        place=place,
        subject=subject,
        light=light,
        backdrop=backdrop,
        dressing=dressing,
        materials=on[0],
        light_on=on[1],
        distractors=on[2],
        backgrounds=on[3],
        shots=shots,
    )


def _round(values: NDArray[np.float64]) -> tuple[float, float, float]:
    a, b, c = (round(float(v), 6) for v in values)
    return a, b, c


def _lie(rng: np.random.Generator, upright: float = 0.42) -> tuple[float, float, float]:
    """How a unit lies: upright, upside down, or on one of its sides; a few degrees off."""
    sides = np.array([[0, 1, 0], [0, -1, 0], [1, 0, 0], [-1, 0, 0], [0, 0, 1], [0, 0, -1]], dtype=np.float64)
    rest = 1.0 - upright
    p = np.array([upright, *(np.array([0.22, 0.22, 0.22, 0.2, 0.14]) * rest)])
    up = sides[rng.choice(6, p=p / p.sum())] + rng.normal(0.0, 0.08, 3)
    return _round(up / np.linalg.norm(up))


def _light(rng: np.random.Generator, place: str) -> Light:
    kinds = ["daylight", "indoor", "dim", "flash", "lamp", "mixed"]
    p = [0.28, 0.22, 0.12, 0.13, 0.15, 0.10]
    if place in ("engine", "mirror"):
        p = [0.16, 0.14, 0.22, 0.26, 0.14, 0.08]
    kind = str(rng.choice(kinds, p=p))
    strength = {"daylight": 1.0, "indoor": 1.0, "dim": 0.15, "flash": 0.12, "lamp": 0.3, "mixed": 0.6}[kind]
    lamp = rng.normal(0.0, 1.0, 3)
    lamp[1] = abs(lamp[1]) + 0.5
    warm = rng.uniform(-0.35, 0.45)
    colour = np.array([1.0 + warm, 1.0, 1.0 - warm])
    tint = np.exp(rng.normal(0.0, 0.10, 3))
    return Light(
        kind=kind,
        environment=round(float(rng.random()), 9),
        turn=round(float(rng.uniform(0.0, 360.0)), 3),
        strength=round(float(strength * np.exp(rng.normal(0.0, 0.3))), 5),
        flash=round(float(np.exp(rng.normal(0.0, 0.5))), 4) if kind == "flash" else 0.0,
        lamp=round(float(np.exp(rng.normal(0.0, 0.6))), 4) if kind in ("lamp", "mixed", "dim") else 0.0,
        lamp_at=_round(lamp / np.linalg.norm(lamp)),
        lamp_distance=round(float(rng.uniform(350.0, 1200.0)), 2),
        lamp_colour=_round(colour / colour.mean()),
        tint=_round(tint / tint.mean()),
    )


def _shot(rng: np.random.Generator, place: str, up: NDArray[np.float64], light: Light, split: str) -> Shot:
    weights = np.array([_WEIGHTS[place].get(v, 1.0) for v in VIEWS])
    lowest = {"bench": 0.12, "hand": -0.6}.get(place, -2.0)
    for_screws = rng.random() < SCREWS_SHARE[split]
    for attempt in range(200):
        for_screws &= attempt < 60  # of a unit that lies on its front they cannot be seen
        view = str(VIEWS[rng.choice(len(VIEWS), p=weights / weights.sum())])
        azimuth, elevation = _over_the_joint(rng) if for_screws else _angles(rng, view, place)
        if float(direction(azimuth, elevation) @ up) > lowest:
            break
    big = rng.random() < 0.88
    fraction = rng.uniform(*_LARGE[split]) if big else np.exp(rng.uniform(np.log(0.15), np.log(0.5)))
    if rng.random() < 0.08:
        fraction = rng.uniform(0.95, 1.35)
    cropped = rng.random() < 0.12
    shift = rng.uniform(-1.0, 1.0, 2) * (1.6 if cropped else 0.9)
    sharp = rng.random() < 0.85
    view = view_of(azimuth, elevation)
    aim = ""
    if rng.random() < CLOSE_SHARE[split] and not for_screws:
        aim = str(rng.choice(_CLOSE[view]))
        fraction = np.exp(rng.uniform(np.log(1.2), np.log(2.6)))
    return Shot(
        view=view,
        azimuth=round(azimuth, 4),
        elevation=round(elevation, 4),
        roll=round(float(np.clip(rng.normal(0.0, 9.0), -25.0, 25.0)), 4),
        fraction=round(float(fraction), 5),
        distance=round(float(np.exp(rng.uniform(np.log(150.0), np.log(1200.0)))), 3),
        shift=(round(float(shift[0]), 5), round(float(shift[1]), 5)),
        aperture=round(float(rng.uniform(0.2, 1.8)), 4),
        focus=round(float(rng.normal(0.97, 0.02) if sharp else rng.normal(1.0, 0.15)), 4),
        exposure=round(float(rng.normal(-0.6 if light.kind == "dim" else 0.0, 0.45)), 4),
        mirrored=place == "mirror",
        occluder=round(float(rng.random()), 5) if rng.random() < 0.12 else 0.0,
        aim=aim,
        seed=int(rng.integers(2**31)),
    )


def _over_the_joint(rng: np.random.Generator) -> tuple[float, float]:
    """Azimuth and elevation of a camera that looks down on the joint's screws, or up at their ends."""
    azimuth = float(np.clip(rng.normal(0.0, 35.0), -_BEFORE_ENGINE, _BEFORE_ENGINE))
    return azimuth, float(rng.choice([-1.0, 1.0]) * rng.uniform(30.0, 85.0))


def _angles(rng: np.random.Generator, view: str, place: str) -> tuple[float, float]:
    """Azimuth and elevation within the cell of a view; in an engine bay from its open side, more from below."""
    azimuth, elevation = _anywhere(rng, view, place)
    if place in ("engine", "mirror"):
        azimuth = float(np.clip(azimuth, -_BEFORE_ENGINE, _BEFORE_ENGINE))
    return azimuth, elevation


def _anywhere(rng: np.random.Generator, view: str, place: str) -> tuple[float, float]:
    if view in ("top", "below"):
        azimuth = float(rng.uniform(-180.0, 180.0))
        if rng.random() < 0.5:
            azimuth = float(rng.normal(0.0, 50.0))
        steep = abs(rng.normal(0.0, 14.0))
        elevation = _TOP + 2.0 + steep if view == "top" else _BELOW - 2.0 - steep
        return azimuth, float(np.clip(elevation, -88.0, 88.0))
    half = _HALF_WIDTH[view] - 0.5
    if view == "rear":
        azimuth = 180.0 + float(np.clip(rng.normal(0.0, 28.0), -half, half))
    else:
        azimuth = _AZIMUTH[view] + float(rng.uniform(-half, half))
    centre, spread = (-6.0, 22.0) if place in ("engine", "mirror") else (12.0, 20.0)
    elevation = float(np.clip(rng.normal(centre, spread), _BELOW + 0.5, _TOP - 0.5))
    return (azimuth + 180.0) % 360.0 - 180.0, elevation
