"""Labelled real photos: exported cases (COCO with cue readings) as records of our own form."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from .data import SUBJECT, read_records


def read_cases(folder: Path) -> list[dict[str, Any]]:
    """Read exported cases (COCO with cue readings) as records of our own form.

    Raises:
        ValueError: when there is no ``coco.json``, or it is not such an export.
    """
    path = folder / "coco.json"
    if not path.is_file():
        raise ValueError(f"expected coco.json in {folder}, as the cases export writes it")
    coco = json.loads(path.read_text("utf-8"))
    try:
        names = {c["id"]: c["name"] for c in coco["categories"]}
        boxes: dict[int, dict[str, list[float]]] = {}
        for mark in coco["annotations"]:
            x, y, w, h = mark["bbox"]
            boxes.setdefault(mark["image_id"], {})[names[mark["category_id"]]] = [x, y, x + w, y + h]
        return [_record(image, boxes.get(image["id"], {})) for image in coco["images"]]
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"{path}: expected COCO with cue readings, as the cases export writes it ({error})") from error


def _record(image: Mapping[str, Any], boxes: Mapping[str, list[float]]) -> dict[str, Any]:
    around = image.get("subject")
    if around is None and boxes:
        corners = np.array(list(boxes.values()))
        around = [*corners[:, :2].min(0).tolist(), *corners[:, 2:].max(0).tolist()]
    truth = image.get("truth")
    return {
        "file": image["file_name"],
        "case": image.get("case"),
        "kind": SUBJECT if truth is not None else "photo",
        "era": truth,
        "view": image.get("view") or None,
        "mirrored": False,
        "finish": None,
        "scene": "real",
        "width": image["width"],
        "height": image["height"],
        "subject_box": around if truth is not None else None,
        "cues": dict(image.get("cues") or {}),
        "boxes": dict(boxes),
        "zones": {},
        "landmarks": {},
        "screw_count": None,
        "all_screws": False,
        "handle": None,
        "ambiguous": [],
    }


def any_records(folder: Path) -> list[dict[str, Any]]:
    """Records of exported cases, or of a set with ``labels.jsonl``."""
    return read_cases(folder) if (folder / "coco.json").is_file() else read_records(folder)
