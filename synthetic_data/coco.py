"""A set's labels as COCO JSON: boxes of the subject, its parts and landmarks, for tools that read that form.

One annotation for the subject (category ``carburetor``, with keypoints) and one for each visible part. ``scene``,
``seed`` and the readings ride along as extra keys; readers of COCO pass over them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from updraft_key.model.cues import LANDMARKS

SCREWS = 5
KEYPOINTS: tuple[str, ...] = (*(f"screw_{i + 1}" for i in range(SCREWS)), *LANDMARKS[1:])
SUBJECT = "carburetor"
PARTS: tuple[str, ...] = (
    "joint_screw", "screw_thread", "front_ear", "handle", "jet_plug", "throat_plug", "tube_fitting", "scavenge_tube",
)  # fmt: skip


def to_coco(records: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return a COCO object: images, annotations, categories.

    Args:
        records: of ``labels.jsonl``. Image ids are their places in this sequence, from 1.

    Returns:
        Plain dicts and lists. Boxes are (x, y, width, height); keypoints (x, y, 2) for visible and (0, 0, 0) for
        missing ones; joint screws are numbered as they come, since a picture does not tell which is which.
    """
    categories: list[dict[str, Any]] = [
        {"id": 1, "name": SUBJECT, "supercategory": "unit", "keypoints": list(KEYPOINTS), "skeleton": []}
    ]
    categories += [{"id": i + 2, "name": part, "supercategory": "part"} for i, part in enumerate(PARTS)]
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for number, r in enumerate(records, 1):
        images.append(
            {
                "id": number,
                "file_name": r["file"],
                "width": r["width"],
                "height": r["height"],
                "seed": r["seed"],
                "scene": r["scene"],
                "split": r["split"],
            }
        )
        if r["subject_box"] is None:
            continue
        points = _keypoints(r["landmarks"])
        annotations.append(
            {
                **_box(len(annotations) + 1, number, 1, r["subject_box"]),
                "keypoints": points,
                "num_keypoints": sum(v > 0 for v in points[2::3]),
                "cues": r["cues"],
                "view": r["view"],
            }
        )
        for name, box in r["boxes"].items():
            part = next((p for p in PARTS if name == p or name.startswith(f"{p}_")), None)
            if part is not None:
                annotations.append(_box(len(annotations) + 1, number, PARTS.index(part) + 2, box))
    return {
        "info": {"description": "rendered set", "version": "1"},
        "images": images,
        "annotations": annotations,
        "categories": categories,
    }


def _box(number: int, image: int, category: int, box: Sequence[float]) -> dict[str, Any]:
    x0, y0, x1, y1 = box
    return {
        "id": number,
        "image_id": image,
        "category_id": category,
        "bbox": [x0, y0, x1 - x0, y1 - y0],
        "area": (x1 - x0) * (y1 - y0),
        "iscrowd": 0,
    }


def _keypoints(landmarks: Mapping[str, Sequence[Sequence[float]]]) -> list[float]:
    out: list[float] = []
    screws = list(landmarks.get("screw", ()))[:SCREWS]
    for name in KEYPOINTS:
        if name.startswith("screw_"):
            place = int(name.removeprefix("screw_")) - 1
            found = screws[place] if place < len(screws) else None
        else:
            found = next(iter(landmarks.get(name, ())), None)
        out += [0.0, 0.0, 0.0] if found is None else [found[0], found[1], 2.0]
    return out
