"""A toy set of drawn blobs with records like those of renders, to run every part of training in seconds.

Nothing learned from it means anything; it is there so that ``train --smoke`` and the tests need no renders.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np

Record = dict[str, Any]

SIZE = (160, 120)
"""Width and height of a toy picture, pixels."""


def draw_toy_set(folder: Path, count: int, rng: np.random.Generator) -> list[Record]:
    """Draw ``count`` pictures, every fifth without a subject, and write them with ``labels.jsonl``.

    Returns:
        The records.
    """
    folder.mkdir(parents=True, exist_ok=True)
    records = []
    for i in range(count):
        canvas = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)
        canvas[:] = rng.integers(40, 200, 3)
        for _ in range(3):
            at = (int(rng.integers(0, SIZE[0])), int(rng.integers(0, SIZE[1])))
            cv2.circle(canvas, at, int(rng.integers(4, 14)), rng.integers(0, 255, 3).tolist(), -1)
        record: Record = {
            "file": f"{i:04d}.png",
            "seed": i,
            "split": "train",
            "width": SIZE[0],
            "height": SIZE[1],
            "mirrored": False,
            "scene": "bench",
            "ingredients": {"materials": True, "light": True, "distractors": True, "backgrounds": True},
            "kind": "empty",
            "era": None,
            "view": None,
            "finish": None,
            "subject_box": None,
            "cues": None,
            "screw_count": None,
            "all_screws": False,
            "visible": {},
            "boxes": {},
            "zones": {},
            "landmarks": {},
            "handle": None,
            "ambiguous": [],
        }
        if i % 5 != 4:
            _draw_unit(canvas, record, ("iron", "alloy4", "alloy5")[i % 3], rng)
        cv2.imwrite(str(folder / record["file"]), canvas)
        records.append(record)
    (folder / "labels.jsonl").write_text("".join(json.dumps(r) + "\n" for r in records), "utf-8")
    return records


def _around(x: float, y: float, reach: float) -> list[float]:
    return [x - reach, y - reach, x + reach, y + reach]


def _draw_unit(canvas: np.ndarray, record: Record, era: str, rng: np.random.Generator) -> None:
    """Draw a front view: two castings, screws, ear, handle or plug, tube, throat plug or fitting."""
    iron = era == "iron"
    x, y = float(rng.uniform(38, 60)), float(rng.uniform(24, 34))
    w, h = float(rng.uniform(52, 64)), float(rng.uniform(44, 54))
    shade = int(rng.integers(90, 130)) if iron else int(rng.integers(170, 220))

    def p(px: float, py: float) -> tuple[int, int]:
        return round(px), round(py)

    cv2.rectangle(canvas, p(x, y), p(x + w, y + h), (shade, shade, shade), -1)
    joint = y + 0.4 * h
    cv2.line(canvas, p(x, joint), p(x + w, joint), (30, 30, 30), 2)
    screws = [(x + 6 + (w - 12) * k / 3, joint) for k in range(4)]
    ear = (x + w / 2, y + 0.22 * h)
    boxes: dict[str, list[float]] = {"upper": [x, y, x + w, joint], "lower": [x, joint, x + w, y + h]}
    landmarks: dict[str, list[list[float]]] = {}
    if not iron:
        cv2.circle(canvas, p(*ear), 7, (60, 120, 60), -1)
        boxes["front_ear"] = _around(*ear, 7)
        landmarks["ear"] = [list(ear)]
    if era == "alloy5":
        screws.append(ear)
    for k, screw in enumerate(screws):
        cv2.circle(canvas, p(*screw), 4, (20, 20, 160), -1)
        boxes[f"joint_screw_{k + 1}"] = _around(*screw, 4.5)
    landmarks["screw"] = [list(s) for s in screws]
    root = (x + w, y + 0.85 * h)
    handle = None
    jet = "plug"
    if iron or rng.random() < 0.3:
        degrees = float(rng.uniform(25, 50)) if iron else float(rng.uniform(-4, 4))
        jet = "handle_sloping" if iron else "handle_level"
        tip = (root[0] + 26 * math.cos(math.radians(degrees)), root[1] + 26 * math.sin(math.radians(degrees)))
        cv2.line(canvas, p(*root), p(*tip), (200, 160, 20), 4)
        boxes["handle"] = [root[0] - 3, min(root[1], tip[1]) - 3, tip[0] + 3, max(root[1], tip[1]) + 3]
        landmarks |= {"handle_root": [list(root)], "handle_tip": [list(tip)]}
        handle = {"space_deg": degrees, "image_deg": degrees}
    else:
        cv2.circle(canvas, p(*root), 5, (160, 20, 160), -1)
        boxes["jet_plug"] = _around(*root, 5)
        landmarks["jet_plug"] = [list(root)]
    bottom = (x + 0.25 * w, y + h)
    if iron:
        cv2.rectangle(canvas, p(bottom[0] - 7, bottom[1] - 3), p(bottom[0] + 7, bottom[1] + 5), (40, 90, 140), -1)
        boxes["throat_plug"] = [bottom[0] - 7, bottom[1] - 3, bottom[0] + 7, bottom[1] + 5]
        landmarks["throat_plug"] = [list(bottom)]
    else:
        top = (x - 8, y + 4)
        cv2.polylines(
            canvas, [np.array([p(*bottom), p(x - 8, bottom[1]), p(*top)], np.int32)], False, (30, 140, 200), 4
        )
        cv2.circle(canvas, p(*bottom), 6, (20, 60, 120), -1)
        boxes["scavenge_tube"] = [x - 10, y + 2, bottom[0], bottom[1] + 3]
        boxes["tube_fitting"] = _around(*bottom, 6)
        landmarks |= {"tube_low": [list(bottom)], "tube_high": [list(top)]}
    around = np.array(list(boxes.values()))
    record |= {
        "kind": "updraft_carburetor",
        "era": era,
        "view": "front",
        "finish": "bare",
        "subject_box": [*around[:, :2].min(0).tolist(), *around[:, 2:].max(0).tolist()],
        "cues": {
            "metal": "iron" if iron else "alloy",
            "joint_screws": "five" if era == "alloy5" else "four",
            "front_ear": {"iron": "none", "alloy4": "bare", "alloy5": "screwed"}[era],
            "main_jet": jet,
            "scavenge_line": "absent" if iron else "external",
            "throat_bottom": "big_plug" if iron else "tube_fitting",
        },
        "screw_count": len(screws),
        "all_screws": True,
        "visible": dict.fromkeys(boxes, 1.0),
        "boxes": boxes,
        "zones": {"front_joint": _around(*ear, 8), "tube_low": _around(*bottom, 8), "body_bare": boxes["lower"]},
        "landmarks": landmarks,
        "handle": handle,
    }
