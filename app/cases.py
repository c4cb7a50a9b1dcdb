"""What the kept cases teach: how often the named answers proved right, and a set to train and evaluate on.

The export is COCO: ``coco.json`` and ``photos/``. Each image carries the extra keys ``case``, ``truth`` (the
confirmed generation), ``truth_how``, and ``cues`` (cue -> reading that the photo shows, from the corrected marks
and the readings accepted at the time). Annotations are boxes of parts, in pixels of the exported picture.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from updraft_key.model.cues import Cue, Era, Evidence
from updraft_key.model.key import load_rules

from .store import KeptCase, KeptPhoto, Store

Z95 = 1.959963984540054
"""97.5 % point of the standard normal distribution (scipy.stats.norm.ppf(0.975))."""


@dataclass(frozen=True, slots=True)
class Score:
    """How named answers fared against confirmed truth; ``low`` and ``high`` are the 95 % Wilson interval."""

    confirmed: int
    named: int
    right: int
    low: float
    high: float


def wilson(successes: int, trials: int, z: float = Z95) -> tuple[float, float]:
    """Wilson score interval of a proportion (Statistics in Medicine 17 (1998) 857-872, method 3).

    >>> [round(x, 4) for x in wilson(81, 263)]
    [0.2553, 0.3662]
    """
    if trials == 0:
        return 0.0, 1.0
    p, zz = successes / trials, z * z
    centre = (p + zz / (2 * trials)) / (1 + zz / trials)
    half = z * math.sqrt(p * (1 - p) / trials + zz / (4 * trials * trials)) / (1 + zz / trials)
    return max(0.0, centre - half), min(1.0, centre + half)


def score(store: Store) -> Score:
    """Compare the named answers with what was confirmed later."""
    confirmed = named = right = 0
    for case in store.cases():
        if case.truth is not None:
            confirmed += 1
            if case.outcome == "named":
                named += 1
                right += case.era == case.truth
    return Score(confirmed, named, right, *wilson(right, named))


def export(store: Store, out: Path, *, confirmed_only: bool = True) -> int:
    """Write the set; returns the number of photos. Existing files of the same names are replaced."""
    (out / "photos").mkdir(parents=True, exist_ok=True)
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    parts: dict[str, int] = {}
    for case, position, photo in _photos(store, confirmed_only):
        name = f"photos/{case.id:06d}_{position:02d}.jpg"
        (out / name).write_bytes(photo.jpeg)
        image = {
            "id": len(images) + 1,
            "file_name": name,
            "width": photo.width,
            "height": photo.height,
            "case": case.id,
            "truth": case.truth,
            "truth_how": case.truth_how,
            **_read(case, position, photo),
        }
        images.append(image)
        for mark in photo.marks or ():
            x0, y0, x1, y1 = mark["box"]
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": image["id"],
                    "category_id": parts.setdefault(mark["part"], len(parts) + 1),
                    "bbox": [x0, y0, x1 - x0, y1 - y0],
                    "area": (x1 - x0) * (y1 - y0),
                    "iscrowd": 0,
                }
            )
    categories = [{"id": number, "name": part} for part, number in parts.items()]
    text = json.dumps({"images": images, "annotations": annotations, "categories": categories}, indent=1)
    (out / "coco.json").write_text(text, encoding="utf-8")
    return len(images)


def _photos(store: Store, confirmed_only: bool) -> Iterator[tuple[KeptCase, int, KeptPhoto]]:
    for short in store.cases():
        if confirmed_only and short.truth is None:
            continue
        case = store.get(short.id)
        for position, photo in enumerate(case.photos):
            yield case, position, photo


def _read(case: KeptCase, position: int, photo: KeptPhoto) -> dict[str, Any]:
    """Cue readings of one photo: those that the answer accepted, minus what the confirmed generation refutes."""
    usable = [p for p in case.answer["photos"] if p["sha256"] == photo.sha256]
    seen = usable[0] if usable else {"cues": {}, "view": None, "subject": None}
    cues = {cue: c["reading"] for cue, c in seen["cues"].items() if c["accepted"]}
    cues.update({m["cue"]: m["reading"] for m in photo.marks or () if m.get("cue") and m.get("reading")})
    box = (seen["subject"] or {}).get("box")
    # The answer's boxes are in pixels of the whole photo; the kept picture may be smaller.
    shrink = photo.width / usable[0]["width"] if usable else 1.0
    subject = None if box is None else [round(v * shrink, 2) for v in box]
    drawn = [m["box"] for m in photo.marks or () if m["part"] == "carburetor"]  # a person's box, in the kept picture
    return {
        "cues": {cue: r for cue, r in cues.items() if _possible(case.truth, cue, r)},
        "view": seen["view"],
        "subject": drawn[0] if drawn else subject,
    }


def _possible(truth: str | None, cue: str, reading: str) -> bool:
    """A reading that the confirmed generation rules out was a misreading and must not be taught."""
    rule = load_rules().match(Evidence(Cue(cue), reading, "photo:0"))
    return truth is None or rule is None or Era(truth) not in rule.rules_out
