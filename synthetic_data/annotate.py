"""What is said of a picture: its label record, told from what is seen of each part and zone (``visibility``).

The true generation and everything else that ``Model.facts`` knows enters a label only through a part or zone that
is visible by the rule there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, LANDMARKS, OUT_OF_SIGHT, READINGS, Cue

from .mesh import Floats, Model
from .render import Passes
from .sample import view_of
from .scene import Pose, Stage
from .spec import Shot
from .visibility import (
    ABSENCE,
    LEAST_PX,
    SEEN,
    Looker,
    Sight,
    bare_ear,
    best_level,
    mask_box,
    outline,
    sights,
    zone_level,
)

LANDMARK_MM = 4.0
TELLS_DEG = 12.0
"""A handle's slope shows in a picture only if a handle lying level (or sloping by 30 degrees) there would
point at least this far away from it in the image."""
SCALE = {
    Cue.METAL: 0.25,
    Cue.JOINT_SCREWS: 0.9,
    Cue.FRONT_EAR: 0.9,
    Cue.MAIN_JET: 0.6,
    Cue.SCAVENGE_LINE: 0.3,
    Cue.THROAT_BOTTOM: 0.5,
}
"""Pixels a millimetre from which a cue is read at all: that of the smallest thing that any of its readings hangs
on (a screw head of 8.4 mm, a plug of 12.7 mm, a fitting of 16 mm at 8 px). Below it all readings are ambiguous
alike; else only the generations with large parts would have labels in small pictures."""
GONE = 5e-4
"""Share of the picture below which a subject is not in it (hidden behind something): labelled ``empty``."""


def annotate(stage: Stage, shot: Shot, pose: Pose, passes: Passes, file: str, seed: int) -> dict[str, Any]:
    """Return the label record of one picture (see DEVELOPERS.md), mirrored if the shot is.

    Args:
        stage: what was rendered.
        shot: the shot's draws.
        pose: where its camera stood.
        passes: what the camera saw; ``owner`` is -2 where something that is not geometry (a finger on the lens)
            covers the pixel.
        file: name of the picture inside its set.
        seed: the picture's seed.
    """
    size = passes.owner.shape[0]
    looker = Looker(pose, passes.owner, passes.point, stage.turn @ np.array([0.0, -1.0, 0.0]), stage.origin)
    mine = (passes.owner >= 0) & (passes.owner < stage.subject_parts)
    is_unit = stage.kind == "updraft_carburetor" and float(mine.mean()) > GONE
    record: dict[str, Any] = {
        "file": file,
        "seed": seed,
        "split": stage.spec.split,
        "kind": stage.kind if is_unit or stage.kind != "updraft_carburetor" else "empty",
        "era": stage.spec.subject.era if is_unit else None,
        "view": view_of(*pose.seen_from(stage.turn)) if is_unit else None,
        "mirrored": shot.mirrored,
        "finish": None,
        "scene": stage.spec.place,
        "light": stage.spec.light.kind,
        "casting": stage.spec.subject.casting,
        "width": size,
        "height": size,
        "ingredients": stage.spec.ingredients,
        "subject_box": mask_box(mine) if is_unit else None,
        "thing_box": mask_box(mine),
        "subject_area": round(float(mine.mean()), 5),
        "cues": None,
        "screw_count": None,
        "all_screws": False,
        "visible": {},
        "boxes": {},
        "zones": {},
        "outline": outline(mine),
        "landmarks": {},
        "handle": None,
        "ambiguous": [],
        "glimpsed": {},
    }
    if not is_unit or stage.model is None:
        return mirror(record) if shot.mirrored else record
    model = stage.model
    seen = sights(stage, passes, looker)
    if model.facts["front_ear"] == "bare":
        seen["front_ear:head"] = bare_ear(model, looker, size)
    if stage.spec.materials:
        record["finish"] = model.facts.get("finish")
    record["visible"] = {k: round(s.fraction, 4) for k, s in seen.items() if s.fraction > 0.0}
    record["boxes"] = {k: s.box for k, s in seen.items() if s.box is not None and s.level == "seen" and ":" not in k}
    record["zones"] = {
        k.removeprefix("zone:"): s.box
        for k, s in seen.items()
        if k.startswith("zone:") and s.box is not None and s.fraction >= ABSENCE
    }
    record["px_per_mm"] = round(looker.scale(size), 4)
    cues, unsure, glimpsed = read_cues(model, seen, looker, size)
    count, corners = count_screws(seen)
    record["screw_count"] = count
    record["all_screws"] = corners == 4 and cues[str(Cue.FRONT_EAR)] != OUT_OF_SIGHT
    if not stage.spec.materials:
        cues[str(Cue.METAL)] = OUT_OF_SIGHT
        unsure.add(str(Cue.METAL))
    record["cues"] = cues
    record["ambiguous"] = sorted(unsure)
    record["glimpsed"] = glimpsed
    record["landmarks"] = landmarks(model, seen, looker, size)
    if cues[str(Cue.MAIN_JET)].startswith("handle") and model.facts.get("handle_deg") is not None:
        image = handle_image_angle(model, looker, size)
        if image is not None:
            record["handle"] = {
                "space_deg": round(float(model.facts["handle_deg"]), 3),  # type: ignore[arg-type]
                "image_deg": round(image, 3),
            }
    return mirror(record) if shot.mirrored else record


def count_screws(seen: Mapping[str, Sight]) -> tuple[int, int]:
    """Return (visible joint screws by head or thread end, how many of them sit at the four corners)."""
    there = [best_level(seen, f"joint_screw_{i}", f"screw_thread_{i}") == "seen" for i in range(1, 6)]
    return sum(there), sum(there[:4])


def read_cues(
    model: Model, seen: Mapping[str, Sight], looker: Looker, size: int
) -> tuple[dict[str, str], set[str], dict[str, str]]:
    """Return (reading or ``out_of_sight`` for each cue, the cues that are ambiguous, what those show a bit of)."""
    facts = model.facts
    out = {str(c): OUT_OF_SIGHT for c in CUES}
    unsure: set[str] = set()
    glimpsed: dict[str, str] = {}

    scale = looker.scale(size)

    def say(cue: Cue, reading: str, level: str) -> None:
        if level == "seen" and reading in READINGS[cue] and scale >= SCALE[cue]:
            out[str(cue)] = reading
        elif level != "hidden":
            unsure.add(str(cue))
            if reading in READINGS[cue]:
                glimpsed[str(cue)] = reading

    bare = seen.get("zone:body_bare")
    if bare is not None:
        say(Cue.METAL, str(facts["metal"]), "seen" if bare.fraction >= SEEN else bare.level)

    ear = str(facts["front_ear"])
    if ear == "none":
        say(Cue.FRONT_EAR, "none", zone_level(seen, "front_joint"))
    elif ear == "screwed":
        say(Cue.FRONT_EAR, "screwed", best_level(seen, "joint_screw_5"))
    else:
        say(Cue.FRONT_EAR, "bare", seen["front_ear:head"].level)

    count, corners = count_screws(seen)
    front = out[str(Cue.FRONT_EAR)]
    if corners == 4 and front != OUT_OF_SIGHT:
        say(Cue.JOINT_SCREWS, "five" if front == "screwed" else "four", "seen")
    elif count >= 4:
        unsure.add(str(Cue.JOINT_SCREWS))

    jet = str(facts["main_jet"])
    if jet == "plug":
        say(Cue.MAIN_JET, jet, best_level(seen, "jet_plug"))
    elif jet.startswith("handle"):
        level = best_level(seen, "handle")
        if level == "seen" and not slope_shows(model, looker, size):
            level = "glimpsed"
        say(Cue.MAIN_JET, jet, level)
    elif zone_level(seen, "jet") != "hidden":
        unsure.add(str(Cue.MAIN_JET))

    if facts["scavenge_line"] == "external":
        level = best_level(seen, "scavenge_tube")
        if level == "hidden" and zone_level(seen, "tube_low") == "seen":
            level = "glimpsed"  # where it would end shows, and it does not
        say(Cue.SCAVENGE_LINE, "external", level)
    else:
        say(Cue.SCAVENGE_LINE, "absent", zone_level(seen, "tube_low"))

    bottom = str(facts["throat_bottom"])
    part = {"big_plug": "throat_plug", "tube_fitting": "tube_fitting"}.get(bottom)
    say(Cue.THROAT_BOTTOM, bottom, zone_level(seen, "throat_bottom") if part is None else best_level(seen, part))
    return out, unsure, glimpsed


def _image(pose: Pose, size: int, *points: Floats) -> list[NDArray[np.float64]]:
    return [pose.project(np.atleast_2d(p)[:1], size)[0][0] for p in points]


def slope_shows(model: Model, looker: Looker, size: int) -> bool:
    """Whether the picture tells a sloping handle from a level one, by the angle that tells them apart here."""
    try:
        root, tip = model.landmarks["handle_root"][0], model.landmarks["handle_tip"][0]
    except KeyError:
        return False
    stem = (tip - root).astype(np.float64)
    length = float(np.linalg.norm(stem))
    down = looker.down
    flat = stem - down * (stem @ down)
    if np.linalg.norm(flat) < 0.15 * length:
        return True
    flat = flat / np.linalg.norm(flat) * length
    level = str(model.facts["main_jet"]) == "handle_level"
    other = flat * np.cos(np.radians(30.0)) + down * length * np.sin(np.radians(30.0)) if level else flat
    a, b, c = _image(looker.pose, size, root, tip, (root + other).astype(np.float32))
    u, v = b - a, c - a
    if min(np.linalg.norm(u), np.linalg.norm(v)) < LEAST_PX:
        return False
    turn = np.degrees(np.arctan2(abs(u[0] * v[1] - u[1] * v[0]), u @ v))
    return bool(turn >= TELLS_DEG)


def handle_image_angle(model: Model, looker: Looker, size: int) -> float | None:
    """Angle in the picture from the bowl-floor line to the handle, degrees, positive below the floor.

    None when the floor line is seen end on.
    """
    try:
        root, tip, near, far = (model.landmarks[n][0] for n in ("handle_root", "handle_tip", "floor_a", "floor_b"))
    except KeyError:
        return None
    below = (near + 10.0 * looker.down).astype(np.float32)
    r, t, a, b, d = _image(looker.pose, size, root, tip, near, far, below)
    along, stem, down = a - b, t - r, d - a
    if np.linalg.norm(along) < LEAST_PX or np.linalg.norm(stem) < LEAST_PX:
        return None
    along = along / np.linalg.norm(along)
    across = down - along * (down @ along)
    if np.linalg.norm(across) < 1e-6:
        return None
    across /= np.linalg.norm(across)
    return float(np.degrees(np.arctan2(stem @ across, stem @ along)))


_PARTS_OF = {
    "ear": ("front_ear", "joint_screw_5"),
    "handle_root": ("handle",),
    "handle_tip": ("handle",),
    "jet_plug": ("jet_plug",),
    "throat_plug": ("throat_plug",),
    "tube_low": ("scavenge_tube", "tube_fitting"),
    "tube_high": ("scavenge_tube",),
}


_DEEP_MM = {
    "ear": 14.0,
    "throat_plug": 14.0,
    "floor_a": 8.0,
    "floor_b": 8.0,
    "jet_plug": 9.0,
    "handle_root": 9.0,
    "tube_low": 12.0,
    "tube_high": 12.0,
}
"""How far a landmark may lie behind the surface that shows it, where it is not a point of the surface."""


def landmarks(model: Model, seen: Mapping[str, Sight], looker: Looker, size: int) -> dict[str, list[list[float]]]:
    """Return the visible landmarks in pixels, by the names of ``model.cues.LANDMARKS``.

    A joint screw is marked in the middle of its visible pixels (head or thread end); the others where their
    point projects, if the part they belong to is visible and the point itself is not covered.
    """
    out: dict[str, list[list[float]]] = {}
    for i in range(1, 6):
        for name in (f"joint_screw_{i}", f"screw_thread_{i}"):
            sight = seen.get(name)
            if sight is not None and sight.level == "seen" and sight.box is not None:
                x0, y0, x1, y1 = sight.box
                out.setdefault("screw", []).append([round((x0 + x1) / 2.0, 2), round((y0 + y1) / 2.0, 2)])
                break
    for name in LANDMARKS[1:]:
        place = model.landmarks.get(name)
        if place is None:
            continue
        parts = _PARTS_OF.get(name)
        if parts is not None and best_level(seen, *parts) != "seen":
            continue
        at, _ = looker.pose.project(place, size)
        for xy in at[looker.seen(place, None, _DEEP_MM.get(name, LANDMARK_MM))]:
            out.setdefault(name, []).append([round(float(xy[0]), 2), round(float(xy[1]), 2)])
    return out


def mirror(record: dict[str, Any]) -> dict[str, Any]:
    """Flip a record's coordinates left to right; the named side stays the unit's true one."""
    width = float(record["width"])

    def box(b: tuple[float, ...] | None) -> list[float] | None:
        return None if b is None else [width - b[2], b[1], width - b[0], b[3]]

    return {
        **record,
        "subject_box": box(record["subject_box"]),
        "thing_box": box(record["thing_box"]),
        "boxes": {k: box(b) for k, b in record["boxes"].items()},
        "zones": {k: box(b) for k, b in record["zones"].items()},
        "outline": [[round(width - x, 2), y] for x, y in record["outline"]],
        "landmarks": {k: [[round(width - x, 2), y] for x, y in points] for k, points in record["landmarks"].items()},
    }
