"""From what the product said of labelled pictures to figures: pure counting, no network.

A ``Row`` is one picture. Statements on cues that are labelled ambiguous are not scored; nor are cues that the
labels do not know. Every share comes with its counts and its Wilson interval.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, OUT_OF_SIGHT, READINGS, Cue
from updraft_key.model.spec import labels_of

from .measures import auroc, bootstrap_ece, brier, chance_ece, false_alarms_at, reliability, share

LEAST_SCREW_PX = 12.0
"""Screws are scored for counting where each visible one is at least this large in the photo (issue 4)."""
ERAS = ("iron", "alloy4", "alloy5")


@dataclass(frozen=True, slots=True)
class CueRow:
    """One cue of one picture: probabilities, the most likely label, whether it was accepted, the truth."""

    p: tuple[float, ...]
    top: str
    accepted: bool
    truth: str | None


@dataclass(frozen=True, slots=True)
class Row:
    """One picture.

    Attributes:
        file: its name.
        kind: what it shows.
        era: true generation; None without a subject.
        ceiling: outcome, generation and candidates of the rule layer fed the true visible cues; None without a subject.
        outcome: the product's.
        said: generation named, or None.
        candidates: generations that the product leaves possible.
        found: subject found.
        score: probability that a subject is there (the lower of both looks).
        similarity: to the feature reference.
        box_overlap: of the first look's box with the true one.
        view: true and read view.
        finish: true finish.
        scene: of the picture.
        extent: longest side of the subject over the longest side of the photo.
        cues: by cue; empty where no subject was found.
        count_true: visible joint screws, None if unknown.
        count_all: every screw place is in view and each screw at least 12 px.
        count_peaks: screws counted by peaks.
        count_head: screws counted by the head.
        angle_true: degrees.
        angle: value, low and high read, or None.
        reserved: the name stands with a reserve.
    """

    file: str
    kind: str
    era: str | None
    ceiling: tuple[str, str | None, tuple[str, ...]] | None
    outcome: str
    said: str | None
    candidates: tuple[str, ...]
    found: bool
    score: float
    similarity: float
    box_overlap: float | None
    view: tuple[str | None, str]
    finish: str | None
    scene: str | None
    extent: float | None
    cues: Mapping[str, CueRow]
    count_true: int | None
    count_all: bool
    count_peaks: int | None
    count_head: int | None
    angle_true: float | None
    angle: tuple[float, float, float] | None
    reserved: bool = False

    @property
    def unit(self) -> bool:
        """A carburetor of this kind is in the picture."""
        return self.era is not None

    @property
    def named(self) -> bool:
        """The product named a generation."""
        return self.outcome == "named"

    @property
    def ruled_out(self) -> bool:
        """The true generation is not among what the product leaves possible."""
        return self.outcome == "conflict" or (bool(self.candidates) and self.era not in self.candidates)

    @property
    def right(self) -> bool:
        """It named the true one."""
        return self.named and self.said == self.era


def tally(rows: Sequence[Row], rng: np.random.Generator) -> dict[str, Any]:
    """All figures of one set of pictures.

    Args:
        rows: of the set.
        rng: resamples the calibration errors.
    """
    units = [r for r in rows if r.unit]
    return {
        "pictures": len(rows),
        "units": len(units),
        "outcomes": _count(r.outcome for r in rows),
        "verdict": verdicts(rows),
        "confusion": confusion(rows),
        "found": {
            "units_found": share([r.found for r in units]).to_json(),
            "box_overlap_median": _median([r.box_overlap for r in units if r.box_overlap is not None]),
            "box_overlap_over_half": share(
                [r.box_overlap >= 0.5 for r in units if r.box_overlap is not None]
            ).to_json(),
        },
        "cues": {str(cue): cue_figures(units, cue, rng) for cue in CUES},
        "view": share([r.view[0] == r.view[1] for r in units if r.found and r.view[0] is not None]).to_json(),
        "count": counting(units),
        "angle": angles(units),
        "others": others(rows),
        "by": {
            name: by_group(units, key)
            for name, key in (("view", _view), ("finish", _finish), ("scene", _scene), ("size", _size))
        },
    }


def _view(row: Row) -> str:
    return str(row.view[0])


def _finish(row: Row) -> str:
    return str(row.finish)


def _scene(row: Row) -> str:
    return str(row.scene)


def _size(row: Row) -> str:
    e = row.extent or 0.0
    return "below 25 %" if e < 0.25 else "25 to 50 %" if e < 0.5 else "50 to 75 %" if e < 0.75 else "75 % and more"


def _count(words: Any) -> dict[str, int]:
    out: dict[str, int] = {}
    for word in words:
        out[str(word)] = out.get(str(word), 0) + 1
    return dict(sorted(out.items()))


def _median(values: Sequence[float]) -> float | None:
    return None if not values else round(float(np.median(values)), 4)


def _metal(candidates: Sequence[str]) -> str:
    """``iron`` or ``alloy`` where the candidates leave one of them; else nothing."""
    metals = {"iron" if c == "iron" else "alloy" for c in candidates}
    return metals.pop() if len(metals) == 1 else ""


def verdicts(rows: Sequence[Row]) -> dict[str, Any]:
    """Named-precision, and how often it answers against the ceiling.

    ``answer_rate`` is the share of pictures that the rule layer names when fed the truth which the product names too;
    ``without_reserve`` holds both for the names that stand without one. ``named_over_ceiling`` is all names of units
    over all names of the ceiling. ``metal_settled`` is the share of units whose true visible cues say iron or alloy (a
    name says it too) of which the product says the same.
    """
    named = [r for r in rows if r.named]
    units = [r for r in rows if r.unit]
    can = [r.ceiling is not None and r.ceiling[0] == "named" for r in units]
    could = [r for r, yes in zip(units, can, strict=True) if yes]
    named_units = sum(r.named for r in units)
    return {
        "named_precision": share([r.right for r in named]).to_json(),
        "ceiling_named": share(can).to_json(),
        "answer_rate": share([r.named for r in could]).to_json(),
        "without_reserve": {
            "named_precision": share([r.right for r in named if not r.reserved]).to_json(),
            "answer_rate": share([r.named and not r.reserved for r in could]).to_json(),
        },
        "named_over_ceiling": None if not could else round(named_units / len(could), 5),
        "wrong": [{"file": r.file, "era": r.era, "kind": r.kind, "said": r.said} for r in named if not r.right][:50],
        "true_one_ruled_out": share([r.ruled_out for r in units]).to_json(),
        "metal_settled": share(
            [_metal(r.candidates) == _metal((str(r.era),)) for r in units if r.ceiling and _metal(r.ceiling[2])]
        ).to_json(),
    }


def confusion(rows: Sequence[Row]) -> dict[str, dict[str, int]]:
    """True generation (``none`` without a subject) -> what was said -> pictures."""
    out: dict[str, dict[str, int]] = {}
    for row in rows:
        line = out.setdefault(row.era or "none", {})
        said = str(row.said) if row.named else row.outcome
        line[said] = line.get(said, 0) + 1
    return {k: dict(sorted(out[k].items())) for k in (*ERAS, "none") if k in out}


def cue_figures(units: Sequence[Row], cue: Cue, rng: np.random.Generator) -> dict[str, Any]:
    """Precision and recall of a cue's readings, silence about unseen parts, and calibration."""
    rows = [r.cues[cue] for r in units if cue in r.cues and r.cues[cue].truth is not None]
    if not rows:
        return {"n": 0}
    labels = labels_of(cue)
    p = np.array([r.p for r in rows])
    truth = np.array([labels.index(str(r.truth)) for r in rows])
    top = p.argmax(axis=1)
    confidence, right = p.max(axis=1), top == truth
    seen = [r for r in rows if r.truth != OUT_OF_SIGHT]
    unseen = [r for r in rows if r.truth == OUT_OF_SIGHT]
    accepted = [r for r in rows if r.accepted]
    spread, noise = bootstrap_ece(confidence, right, rng, 300), chance_ece(confidence, rng, 300)
    return {
        "n": len(rows),
        "right_most_likely": share(right).to_json(),
        "accepted_right": share([r.top == r.truth for r in accepted]).to_json(),
        "accepted_when_seen": share([r.accepted for r in seen]).to_json(),
        "claims_about_unseen": share([r.accepted for r in unseen]).to_json(),
        "out_of_sight_right": share(
            [r.truth == OUT_OF_SIGHT for r in rows if labels[int(np.argmax(r.p))] == OUT_OF_SIGHT]
        ).to_json(),
        "readings": {
            reading: {
                "precision": share([r.truth == reading for r in accepted if r.top == reading]).to_json(),
                "recall": share([r.accepted and r.top == reading for r in seen if r.truth == reading]).to_json(),
            }
            for reading in READINGS[cue]
        },
        "reliability": reliability(confidence, right).to_json(),
        "ece_bootstrap95": None if spread is None else [round(v, 5) for v in spread],
        "ece_by_chance": None if noise is None else round(noise, 5),
        "brier": round(brier(p, truth), 5),
    }


def counting(units: Sequence[Row]) -> dict[str, Any]:
    """How often screws are counted exactly."""
    rows = [r for r in units if r.count_true is not None and r.count_peaks is not None]
    full = [r for r in rows if r.count_all]
    return {
        "exact_all_visible": share([r.count_peaks == r.count_true for r in full]).to_json(),
        "exact_any": share([r.count_peaks == r.count_true for r in rows]).to_json(),
        "exact_head": share([r.count_head == r.count_true for r in rows]).to_json(),
        "peaks_and_head_agree": share([r.count_head == r.count_peaks for r in rows]).to_json(),
        "mean_error": None
        if not rows
        else round(float(np.mean([abs((r.count_peaks or 0) - (r.count_true or 0)) for r in rows])), 4),
    }


def angles(units: Sequence[Row]) -> dict[str, Any]:
    """Error of the handle's angle in degrees, and how often the truth is inside the interval."""
    pairs = [(r.angle_true, r.angle) for r in units if r.angle_true is not None and r.angle is not None]
    asked = [r for r in units if r.angle_true is not None]
    miss = np.array([abs(t - a[0]) for t, a in pairs])
    return {
        "measured": share([r.angle is not None for r in asked]).to_json(),
        "median_error_deg": None if not len(miss) else round(float(np.median(miss)), 3),
        "p90_error_deg": None if not len(miss) else round(float(np.quantile(miss, 0.9)), 3),
        "inside_interval": share([a[1] <= t <= a[2] for t, a in pairs]).to_json(),
        "median_width_deg": None if not pairs else round(float(np.median([a[2] - a[1] for _, a in pairs])), 2),
    }


def others(rows: Sequence[Row]) -> dict[str, Any]:
    """How well other things are told from subjects: near (look-alikes) and far (empty scenes and photos)."""
    units = [r for r in rows if r.unit]
    out: dict[str, Any] = {}
    for name, chosen in (
        ("near", [r for r in rows if not r.unit and r.kind not in ("photo", "empty")]),
        ("far", [r for r in rows if not r.unit and r.kind in ("photo", "empty")]),
    ):
        entry: dict[str, Any] = {
            "n": len(chosen),
            "named": share([r.named for r in chosen]).to_json(),
            "found": share([r.found for r in chosen]).to_json(),
        }
        for key in ("score", "similarity"):
            inside: NDArray[np.float64] = np.array([getattr(r, key) for r in units])
            outside: NDArray[np.float64] = np.array([getattr(r, key) for r in chosen])
            entry[f"auroc_{key}"] = auroc(inside, outside)
            entry[f"fpr95_{key}"] = false_alarms_at(inside, outside)
        entry["kinds"] = _count(r.kind for r in chosen if r.named or r.found)
        out[name] = entry
    return out


def by_group(units: Sequence[Row], key: Callable[[Row], str]) -> dict[str, Any]:
    """Named-precision and answer rate for each value of a property."""
    out = {}
    for value in sorted({key(r) for r in units}):
        rows = [r for r in units if key(r) == value]
        figures = verdicts(rows)
        out[value] = {
            "pictures": len(rows),
            "named_precision": figures["named_precision"],
            "answer_rate": figures["answer_rate"],
        }
    return out
