"""The pictures from another hand as records of our own form.

They are read from their folder and never copied. ``validate`` is for evaluation alone; asking for it to
calibrate is an error, so that no slip can use it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from updraft_key.model.cues import VIEWS

from .data import SUBJECT

GLIMPSED, SEEN = 0.05, 0.25
USES = ("calibrate", "validate")

PARTS_OF: Mapping[str, tuple[str, ...]] = {
    "front_ear": ("front_ear", "front_ear_top", "joint_screw_5"),
    "main_jet": ("handle", "jet_plug"),
    "scavenge_line": ("scavenge_tube", "scavenge_low", "scavenge_fitting_place"),
    "throat_bottom": ("throat_plug", "scavenge_low", "scavenge_fitting_place"),
}
"""Parts that leave a cue ambiguous when 5 to 25 % of one shows though the cue is labelled out of sight."""

POINT_OF: Mapping[str, str] = {
    "ear": "front_ear",
    "jet_plug": "jet_plug",
    "throat_plug": "throat_plug",
}


def read_second_look(folder: Path, use: str) -> list[dict[str, Any]]:
    """Return the records of one half, in our form; ``file`` stays relative to ``folder``.

    Raises:
        ValueError: for another use, or a folder without labels.
    """
    if use not in USES:
        raise ValueError(f"use: expected one of {', '.join(USES)}, got {use!r}")
    path = folder / "labels.jsonl"
    if not path.is_file():
        raise ValueError(f"expected labels.jsonl in {folder}")
    rows = (json.loads(line) for line in path.read_text("utf-8").splitlines() if line.strip())
    return [converted(row) for row in rows if row["use"] == use]


def converted(row: Mapping[str, Any]) -> dict[str, Any]:
    """Turn one of their records into one of ours."""
    unit = row["kind"] == SUBJECT
    boxes: dict[str, list[float]] = {
        name.replace("screw_end_", "screw_thread_"): box
        for name, box in (row.get("boxes") or {}).items()
        if name != "drain_plug"
    }
    around = [
        min(b[0] for b in boxes.values()), min(b[1] for b in boxes.values()),
        max(b[2] for b in boxes.values()), max(b[3] for b in boxes.values()),
    ] if boxes else None  # fmt: skip
    out: dict[str, Any] = {
        "file": row["file"],
        "kind": row["kind"],
        "era": row["era"],
        "view": None,
        "mirrored": bool(row["mirrored"]),
        "finish": row["finish"],
        "scene": row["scene"],
        "split": "second_look",
        "width": row["width"],
        "height": row["height"],
        "subject_box": around,
        "cues": None,
        "screw_count": None,
        "all_screws": False,
        "boxes": {name: box for name, box in boxes.items() if name != "body"},
        "zones": {},
        "landmarks": {},
        "handle": None,
        "ambiguous": [],
    }
    if not unit:
        return out
    view = str(row["view"]).replace("-", "_")
    out["view"] = view if view in VIEWS else None
    fractions: Mapping[str, float] = row["visible_fraction"]
    cues = dict(row["cues"])
    out["cues"] = cues
    out["ambiguous"] = sorted(
        cue
        for cue, parts in PARTS_OF.items()
        if cues.get(cue) == "out_of_sight" and any(GLIMPSED <= fractions.get(p, 0.0) < SEEN for p in parts)
    )
    seen = row["joint_screws_visible"]
    # Their count is of heads alone; where thread ends show as well it is not ours. Four heads in view with the
    # front hidden is "out of sight" there: a count, but no statement to score.
    ends = [name for name in boxes if name.startswith("screw_thread_")]
    out["screw_count"] = None if ends else seen
    if cues.get("joint_screws") == "out_of_sight" and seen is not None and seen + len(ends) >= 4:
        out["ambiguous"] = sorted({*out["ambiguous"], "joint_screws"})
    out["all_screws"] = cues.get("joint_screws") in ("four", "five")
    out["landmarks"] = {point: [_middle(boxes[part])] for point, part in POINT_OF.items() if part in boxes}
    screws = [_middle(box) for name, box in boxes.items() if name.startswith(("joint_screw_", "screw_thread_"))]
    if screws:
        out["landmarks"]["screw"] = screws[:5]
    if row["handle_angle_deg"] is not None and "handle" in boxes:
        out["handle"] = {"space_deg": float(row["handle_angle_deg"]), "image_deg": None}
    return out


def _middle(box: list[float]) -> list[float]:
    return [(box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0]
