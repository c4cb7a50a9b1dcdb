"""The answer: what every face shows, and its JSON form (schema ``updraft-key/answer/1``).

Keys never change meaning inside a schema number. ``answer.schema.json`` beside this file describes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .certainty import RESERVE
from .cues import Angle, CueVector, Mark, Readings, Reason, Verdict

SCHEMA = "updraft-key/answer/1"


@dataclass(frozen=True, slots=True)
class PhotoAnswer:
    """One photo of the question. ``readings`` is None when the photo could not be used; ``error`` says why."""

    file: str
    sha256: str
    width: int
    height: int
    usable: bool
    findings: tuple[str, ...] = ()
    readings: Readings | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True)
class NextLook:
    """A further look or hand test, with its expected information in bits.

    ``settles`` lists the cues it can settle, ``how`` is one sentence for the person, ``effort`` 1 (a photo
    from where one stands) to 5 (taking the carburetor off), ``drawing`` the name of a shipped drawing.
    """

    look: str
    bits: float
    settles: tuple[str, ...]
    how: str
    effort: int = 1
    drawing: str | None = None


@dataclass(frozen=True, slots=True)
class PartLine:
    """One catalogue row as it bears on this question. ``order`` is ``fits``, ``do_not_order`` or ``wait``."""

    part: str
    order: str
    fits: tuple[str, ...]
    quantity: int = 1
    note: str = ""
    sku: str | None = None
    price: str | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class FitStep:
    """One step, part or check of the fit plan. ``kind`` is ``part``, ``step`` or ``check``."""

    id: str
    kind: str
    text: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the person must know whatever was asked. ``severity`` is ``safety`` or ``note``."""

    id: str
    severity: str
    text: str
    photo: int | None = None


@dataclass(frozen=True, slots=True)
class ModelId:
    """Which network answered."""

    name: str
    version: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Answer:
    """The whole answer to one question about one unit."""

    model: ModelId
    photos: tuple[PhotoAnswer, ...]
    cues: CueVector
    verdict: Verdict
    next_looks: tuple[NextLook, ...] = ()
    parts: tuple[PartLine, ...] = ()
    fit: tuple[FitStep, ...] = ()
    findings: tuple[Finding, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def reserved(self) -> bool:
        """A name is given, and nothing is to be ordered by it before one look more says the same."""
        return any(f.id == RESERVE for f in self.findings)

    def to_json(self) -> dict[str, Any]:
        """Return plain dicts, lists, strings and numbers, ready for ``json.dumps``."""
        return {
            "schema": SCHEMA,
            "model": {"name": self.model.name, "version": self.model.version, "sha256": self.model.sha256},
            "photos": [_photo(p) for p in self.photos],
            "cues": {
                str(cue): {
                    "reading": f.reading,
                    "accepted": f.accepted,
                    "probabilities": _numbers(f.probabilities),
                    "from": list(f.sources),
                }
                for cue, f in self.cues.cues.items()
            },
            "verdict": {
                "outcome": str(self.verdict.outcome),
                "era": None if self.verdict.era is None else str(self.verdict.era),
                "candidates": [str(e) for e in self.verdict.candidates],
                "reasons": [_reason(r) for r in self.verdict.reasons],
                "magnet_test": {
                    "flagged": self.verdict.magnet_test.flagged,
                    "settles": self.verdict.magnet_test.settles,
                    "why": self.verdict.magnet_test.why,
                },
            },
            "next_looks": [
                {
                    "look": n.look,
                    "bits": round(n.bits, 4),
                    "settles": list(n.settles),
                    "how": n.how,
                    "effort": n.effort,
                    "drawing": n.drawing,
                }
                for n in self.next_looks
            ],
            "parts": [
                {
                    "part": p.part,
                    "order": p.order,
                    "fits": list(p.fits),
                    "quantity": p.quantity,
                    "note": p.note,
                    "sku": p.sku,
                    "price": p.price,
                    "why": p.why,
                }
                for p in self.parts
            ],
            "fit": [{"id": f.id, "kind": f.kind, "text": f.text, "source": f.source} for f in self.fit],
            "findings": [{"id": f.id, "severity": f.severity, "text": f.text, "photo": f.photo} for f in self.findings],
            "cautions": list(self.cautions),
        }


def _numbers(values: Mapping[str, float]) -> dict[str, float]:
    return {k: round(float(v), 6) for k, v in values.items()}


def _pixels(values: tuple[float, ...]) -> list[float]:
    return [round(float(v), 2) for v in values]


def _mark(mark: Mark) -> dict[str, Any]:
    out: dict[str, Any] = {"part": mark.part, "score": round(float(mark.score), 4)}
    if mark.box is not None:
        out["box"] = _pixels(mark.box)
    if mark.points is not None:
        out["points"] = [_pixels(p) for p in mark.points]
    return out


def _angle(angle: Angle | None) -> dict[str, float] | None:
    if angle is None:
        return None
    return {"value": round(angle.value, 2), "low": round(angle.low, 2), "high": round(angle.high, 2)}


def _photo(photo: PhotoAnswer) -> dict[str, Any]:
    out: dict[str, Any] = {
        "file": photo.file,
        "sha256": photo.sha256,
        "width": photo.width,
        "height": photo.height,
        "usable": photo.usable,
        "findings": list(photo.findings),
        "error": photo.error,
        "subject": None,
        "view": None,
        "cues": {},
    }
    if photo.readings is not None:
        r = photo.readings
        out["subject"] = {
            "found": r.subject.found,
            "probability": round(r.subject.probability, 6),
            "box": None if r.subject.box is None else _pixels(r.subject.box),
        }
        out["view"] = r.view
        out["finish"] = r.finish
        for cue, c in r.cues.items():
            out["cues"][str(cue)] = {
                "reading": c.reading,
                "accepted": c.accepted,
                "probabilities": _numbers(c.probabilities),
                "marks": [_mark(m) for m in c.marks],
                "angle_deg": _angle(c.angle),
            }
    return out


def _reason(r: Reason) -> dict[str, Any]:
    return {
        "rule": r.rule,
        "cue": str(r.cue),
        "reading": r.reading,
        "keeps": [str(e) for e in r.keeps],
        "rules_out": [str(e) for e in r.rules_out],
        "text": r.text,
        "settles": r.settles,
        "accepted": r.accepted,
        "from": list(r.sources),
    }
