"""Thirty questions as people bring them; ``tests/golden/answers`` holds what the program says to each.

Write them anew with ``python tests/golden_cases.py`` after a change of wording, and read every one before committing.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from answers import Shot, photo_answer
from fake_engine import NoNetwork
from updraft_key.app.engine import Told
from updraft_key.app.words import as_text
from updraft_key.model.answer import Answer
from updraft_key.model.cues import UNSURE, Angle, Cue

FOLDER = Path(__file__).parent / "golden" / "answers"
METAL, SCREWS, EAR = Cue.METAL, Cue.JOINT_SCREWS, Cue.FRONT_EAR
JET, TUBE, BOTTOM = Cue.MAIN_JET, Cue.SCAVENGE_LINE, Cue.THROAT_BOTTOM
SLOPE = Angle(33.0, 28.0, 38.0)
LEVEL = Angle(1.0, -5.0, 7.0)


def ask(*shots: Shot, lang: str = "en", told: Told | None = None, **hand: str) -> tuple[Answer, str]:
    told = told or Told(hand)
    read = [photo_answer(s, i) for i, s in enumerate(shots)]
    return NoNetwork().decide(read, told), lang


CASES: Mapping[str, tuple[Answer, str]] = {
    "01_nothing_yet": ask(),
    "02_front_shows_screwed_ear": ask(Shot({EAR: "screwed", SCREWS: "five", METAL: "alloy"}, file="front.jpg")),
    "03_front_shows_bare_ear": ask(Shot({EAR: "bare", SCREWS: "four", TUBE: "external"}, file="front.jpg")),
    "04_front_shows_no_ear": ask(Shot({EAR: "none", SCREWS: "four", METAL: "iron"}, file="front.jpg")),
    "05_sloping_handle_from_the_left": ask(Shot({JET: "handle_sloping", TUBE: "absent"}, "left", angle=SLOPE)),
    "06_level_handle_added_later": ask(Shot({JET: "handle_level", TUBE: "external"}, "right", angle=LEVEL)),
    "07_plug_only_painted": ask(Shot({JET: "plug", METAL: UNSURE, SCREWS: "four"}, "right")),
    "08_magnet_holds_after_a_vague_photo": ask(Shot({JET: "plug", SCREWS: "four"}, "right"), magnet="holds"),
    "09_magnet_falls_after_a_vague_photo": ask(Shot({JET: "plug", SCREWS: "four"}, "right"), magnet="falls"),
    "10_magnet_weak_through_paint": ask(Shot({JET: "plug", METAL: UNSURE}, "right"), magnet="weak"),
    "11_magnet_alone": ask(magnet="falls"),
    "12_ear_felt_without_photo": ask(ear="bare"),
    "13_no_tube_on_alloy_five": ask(
        Shot({EAR: "screwed", SCREWS: "five"}), Shot({TUBE: "absent", BOTTOM: "tube_fitting"}, "below", "below.jpg")
    ),
    "14_no_tube_nothing_else": ask(Shot({TUBE: "absent"}, "left")),
    "15_big_plug_from_below": ask(Shot({BOTTOM: "big_plug", JET: "handle_sloping"}, "below", angle=SLOPE)),
    "16_iron_with_lost_handle": ask(Shot({EAR: "none", JET: "plug"}), magnet="holds"),
    "17_two_photos_of_different_units": ask(
        Shot({EAR: "none", JET: "handle_sloping"}, file="a.jpg", angle=SLOPE), Shot({EAR: "screwed"}, file="b.jpg")
    ),
    "18_magnet_against_the_ear": ask(Shot({EAR: "bare"}), magnet="holds"),
    "19_four_against_five": ask(Shot({EAR: "bare"}, file="a.jpg"), Shot({SCREWS: "five"}, "top", "b.jpg")),
    "20_shape_says_alloy_metal_looks_iron": ask(Shot({EAR: "bare", METAL: "iron"})),
    "21_a_cat": ask(Shot(found=False, file="cat.jpg")),
    "22_blurred_and_dark": ask(Shot(usable=False, found=False, findings=("blurred", "dark"), file="bay.jpg")),
    "23_broken_file_beside_a_good_one": ask(
        Shot(error="expected a whole JPEG picture, got one that is broken or cut short; copy it again from the camera "
             "or phone", file="IMG_0001.jpg"),
        Shot({EAR: "none"}, file="IMG_0002.jpg"),
    ),
    "24_in_sight_but_unclear": ask(Shot({EAR: UNSURE, SCREWS: UNSURE, JET: UNSURE, METAL: UNSURE})),
    "25_weighed_light": ask(weigh="980/350"),
    "26_weighed_heavy": ask(weigh="2300/330"),
    "27_fit_alloy_five_on_plain_manifold": ask(
        Shot({EAR: "screwed", SCREWS: "five", TUBE: "external", BOTTOM: "tube_fitting"}),
        told=Told({}, "plain", "iron"),
    ),
    "28_fit_iron_on_ported_manifold": ask(
        Shot({EAR: "none", BOTTOM: "big_plug"}), told=Told({"magnet": "holds"}, "ported", "iron")
    ),
    "29_screenshot_with_hostile_name": ask(
        Shot({EAR: "screwed"}, findings=("screenshot",), file="\x1b[31m\u202egpj.exe" + "very_long_name_" * 8 + ".png")
    ),
    "30_german_open_question": ask(Shot({JET: "plug", SCREWS: "four", METAL: UNSURE}, "right"), lang="de"),
}  # fmt: skip


def text_of(name: str) -> str:
    """What the program says to one case."""
    answer, lang = CASES[name]
    return as_text(answer, lang)


if __name__ == "__main__":
    for case in CASES:
        (FOLDER / f"{case}.txt").write_text(text_of(case), "utf-8")
