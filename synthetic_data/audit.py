"""What a set holds, and proof that its labels are sound: counts, confounds, and the rule layer fed with them.

The rule layer is handed in as a function (renders may know only the vocabulary of ``model``). On true labels it
must name the true generation or keep it among the candidates, every time; a single miss is a wrong label.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, ERAS, OUT_OF_SIGHT, READINGS, Cue, CueVector, Evidence, Outcome, Verdict

from .sample import VIEWS_PER_SCENE

Record = Mapping[str, Any]
Decide = Callable[[CueVector], Verdict]
NUISANCES: tuple[str, ...] = ("view", "finish", "scene", "mirrored", "size", "light", "casting", "split")
LIMIT = 0.1
"""Cramer's V from which a nuisance counts as confounded with the generation."""


@dataclass(frozen=True, slots=True)
class Audit:
    """The result.

    Attributes:
        pictures, subjects: how many.
        kinds: pictures by kind.
        named: subjects whose visible labels let the rule layer name them.
        lost: seeds for which the rule layer ruled out or misnamed the true generation; must be empty.
        confounds: Cramer's V of each nuisance against the generation.
        noise: for each nuisance, the V that mere chance would give with so many scenes (its bias).
        cues: cue -> reading -> generation -> pictures that show it.
        by: nuisance -> value -> generation -> pictures.
        off: ingredient -> pictures in which it was left out.
        ambiguous: cue -> pictures in which it is neither seen nor unseen.
    """

    pictures: int
    subjects: int
    kinds: Mapping[str, int]
    named: int
    lost: tuple[int, ...]
    confounds: Mapping[str, float]
    noise: Mapping[str, float]
    cues: Mapping[str, Mapping[str, Mapping[str, int]]]
    by: Mapping[str, Mapping[str, Mapping[str, int]]]
    off: Mapping[str, int]
    ambiguous: Mapping[str, int]

    @property
    def sound(self) -> bool:
        """No generation lost, and no nuisance confounded with it."""
        return not self.lost and not self.confounded

    @property
    def confounded(self) -> tuple[str, ...]:
        """Nuisances above the limit, and half as much again above what chance gives so few scenes."""
        return tuple(k for k, v in self.confounds.items() if v >= max(LIMIT, 1.5 * self.noise[k]))

    def to_json(self) -> dict[str, Any]:
        """Return plain dicts, lists and numbers."""
        return {
            "pictures": self.pictures,
            "subjects": self.subjects,
            "kinds": dict(self.kinds),
            "named_by_true_labels": self.named,
            "lost": list(self.lost),
            "cramers_v": {k: round(v, 4) for k, v in self.confounds.items()},
            "cramers_v_of_chance": {k: round(v, 4) for k, v in self.noise.items()},
            "cues": _plain(self.cues),
            "by": _plain(self.by),
            "ingredient_off": dict(self.off),
            "ambiguous": dict(self.ambiguous),
        }

    def lines(self) -> list[str]:
        """Return the result as text, a table a nuisance and a cue."""
        eras = [str(e) for e in ERAS]
        share = self.named / self.subjects if self.subjects else 0.0
        out = [
            f"{self.pictures} pictures, {self.subjects} of the subject",
            f"true labels let the rules name {self.named} ({share:.1%}); "
            f"true generation lost: {len(self.lost)}{' seeds ' + str(list(self.lost[:20])) if self.lost else ''}",
            "kinds: " + ", ".join(f"{k} {n}" for k, n in self.kinds.items()),
            "left out: " + (", ".join(f"{k} {n}" for k, n in self.off.items()) or "nothing"),
            "ambiguous: " + (", ".join(f"{k} {n}" for k, n in self.ambiguous.items()) or "none"),
            "",
            f"Cramer's V against the generation (limit {LIMIT}; chance alone gives about the second figure)",
        ]
        for k, v in self.confounds.items():
            out.append(f"  {k:<10} {v:.3f}  ({self.noise[k]:.3f}){'  confounded' if k in self.confounded else ''}")
        for title, table in (*self.cues.items(), *self.by.items()):
            out += ["", f"{title:<22}" + "".join(f"{e:>9}" for e in eras)]
            for value, counts in table.items():
                out.append(f"  {value:<20}" + "".join(f"{counts.get(e, 0):>9}" for e in eras))
        return out


def vector(record: Record) -> CueVector:
    """Return what a record's labels say as the rule layer takes it; ambiguous and unseen cues say nothing."""
    cues = record["cues"] or {}
    ambiguous = set(record["ambiguous"])
    return CueVector.from_evidence(
        *(
            Evidence(Cue(cue), reading, "photo:0")
            for cue, reading in cues.items()
            if reading != OUT_OF_SIGHT and cue not in ambiguous
        )
    )


def cramers_v(table: NDArray[np.float64], independent: int | None = None) -> tuple[float, float]:
    """Return (Cramer's V of a table of counts, the V that independence is expected to give at this size).

    V = sqrt(chi2 / n / (min(rows, columns) - 1)); under independence chi2 is (rows - 1)(columns - 1) on average.
    Empty rows and columns are left out; a table with one row or column has V 0.

    Args:
        table: (rows, columns) counts.
        independent: how many of the counted things are independent draws (scenes, where pictures come in fours);
            all if None.
    """
    t = np.asarray(table, np.float64)
    t = t[t.sum(1) > 0][:, t.sum(0) > 0]
    rows, columns = t.shape
    if min(rows, columns) < 2:
        return 0.0, 0.0
    n = t.sum()
    expected = t.sum(1, keepdims=True) * t.sum(0, keepdims=True) / n
    k = min(rows, columns) - 1
    chi2 = float(((t - expected) ** 2 / expected).sum())
    draws = n if independent is None else max(independent, 1)
    return float(np.sqrt(chi2 / n / k)), float(min(np.sqrt((rows - 1) * (columns - 1) / draws / k), 1.0))


def size_bin(record: Record) -> str:
    """Name how much of the frame's side the subject takes."""
    box = record["subject_box"]
    if box is None:
        return "none"
    share = max(box[2] - box[0], box[3] - box[1]) / max(record["width"], record["height"])
    return "tiny" if share < 0.25 else "small" if share < 0.5 else "large" if share < 0.8 else "full"


def nuisance(record: Record, name: str) -> str:
    """Return the value of one nuisance as a word."""
    return size_bin(record) if name == "size" else str(record.get(name))


def audit(records: Sequence[Record], decide: Decide, views: int = VIEWS_PER_SCENE) -> Audit:
    """Count a set and check it.

    Args:
        records: of ``labels.jsonl``.
        decide: the rule layer, ``updraft_key.model.key.decide``.
        views: pictures a scene: those of one scene are no independent draws.
    """
    subjects = [r for r in records if r["era"] is not None]
    named, lost = 0, []
    for r in subjects:
        verdict = decide(vector(r))
        if verdict.outcome is Outcome.NAMED and verdict.era == r["era"]:
            named += 1
        elif verdict.outcome is Outcome.NAMED or r["era"] not in [str(c) for c in verdict.candidates]:
            lost.append(int(r["seed"]))
    confounds, noise, by = {}, {}, {}
    for name in NUISANCES:
        usable = [r for r in subjects if name != "finish" or r["finish"] is not None]
        counted = _count(usable, lambda r, n=name: [nuisance(r, n)])  # type: ignore[misc]
        by[name] = counted
        table = np.array([[row.get(str(e), 0) for e in ERAS] for row in counted.values()], np.float64)
        scenes = len({(r["split"], r["seed"] // views) for r in usable})
        confounds[name], noise[name] = cramers_v(table, scenes) if len(table) else (0.0, 0.0)
    cues = {}
    for cue in CUES:
        words = {*READINGS[cue], OUT_OF_SIGHT}
        shown = _count(
            subjects,
            lambda r, c=str(cue): [r["cues"].get(c, OUT_OF_SIGHT)] if c not in r["ambiguous"] else [],  # type: ignore[misc]
        )
        cues[str(cue)] = {w: shown[w] for w in (*READINGS[cue], OUT_OF_SIGHT) if w in shown and w in words}
    return Audit(
        pictures=len(records),
        subjects=len(subjects),
        kinds=dict(Counter(str(r["kind"]) for r in records).most_common()),
        named=named,
        lost=tuple(lost),
        confounds=confounds,
        noise=noise,
        cues=cues,
        by=by,
        off=dict(Counter(k for r in records for k, on in r["ingredients"].items() if not on)),
        ambiguous=dict(Counter(c for r in subjects for c in r["ambiguous"])),
    )


def _count(records: Iterable[Record], values: Callable[[Record], Sequence[str]]) -> dict[str, dict[str, int]]:
    out: dict[str, Counter[str]] = {}
    for r in records:
        for value in values(r):
            out.setdefault(value, Counter())[str(r["era"])] += 1
    return {k: dict(out[k]) for k in sorted(out)}


def _plain(table: Mapping[str, Mapping[str, Mapping[str, int]]]) -> dict[str, Any]:
    return {k: {v: dict(c) for v, c in rows.items()} for k, rows in table.items()}
