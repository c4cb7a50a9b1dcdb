"""Pictures through the shipped path, keeping what the network said, so that calibration can look again.

The photo is opened, letterboxed, read twice and judged by the very functions of ``updraft_key.model``; nothing
of that path is rewritten here. With a description whose thresholds are open every picture gets its second look.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.certainty import conclude
from updraft_key.model.cues import (
    CUES,
    FINISHES,
    OUT_OF_SIGHT,
    READINGS,
    VIEWS,
    Cue,
    CueVector,
    Evidence,
    Readings,
    Subject,
    Verdict,
)
from updraft_key.model.errors import PhotoError
from updraft_key.model.frame import Frame, letterbox_pixels
from updraft_key.model.fuse import fuse
from updraft_key.model.key import decide
from updraft_key.model.photo import Photo, open_photo
from updraft_key.model.readings import first_look, nothing, read
from updraft_key.model.runtime import Network
from updraft_key.model.spec import Calibration, ModelSpec, labels_of, no_reference

from .data import MIRROR_VIEW, SUBJECT, Pictures
from .harm import Harm, harmed
from .real_photos import any_records

log = logging.getLogger(__name__)

Outputs = Mapping[str, NDArray[np.float32]]
R = TypeVar("R")
_DENSE = ("heat", "offset", "angle")


@dataclass(frozen=True, slots=True)
class Case:
    """One picture, what is true of it, and what the network said.

    Attributes:
        source: name of the set.
        record: label record.
        first: found logit of the first look.
        box: the first look's box in photo pixels.
        outputs: of the second look; the dense maps as float16.
        frame: of the second look.
    """

    source: str
    record: Mapping[str, Any]
    first: float
    box: tuple[float, float, float, float]
    outputs: Mapping[str, NDArray[Any]]
    frame: Frame

    @property
    def unit(self) -> bool:
        """A carburetor of this kind is in the picture."""
        return bool(self.record["kind"] == SUBJECT and self.record.get("subject_box") is not None)

    @property
    def second(self) -> float:
        """Found logit of the second look."""
        return float(self.outputs["found"][0, 0])

    def logits(self, head: str) -> NDArray[np.float64]:
        """Logits of a head of the second look."""
        return np.asarray(self.outputs[head][0], np.float64)

    def readings(self, spec: ModelSpec) -> Readings:
        """What the product reads under a description."""
        p = first_from(self.first, spec.calibration)
        subject = Subject(p >= spec.calibration.found_first, p, self.box)
        if not subject.found:
            return nothing(subject)
        full = {k: v.astype(np.float32) for k, v in self.outputs.items()}
        return read(full, self.frame, spec, subject)

    def verdict(self, spec: ModelSpec) -> Verdict:
        """What the product answers to this picture alone."""
        alone = fuse([self.readings(spec)])
        return conclude(alone, [alone])[1]


def first_from(logit: float, calibration: Calibration) -> float:
    """Probability of the first look."""
    return float(1.0 / (1.0 + np.exp(-np.clip(logit / calibration.temperature("found"), -60.0, 60.0))))


def opened(spec: ModelSpec) -> ModelSpec:
    """The description with every gate open, so that each picture gets its second look."""
    calibration = replace(spec.calibration, found_first=0.0, found_second=0.0)
    return replace(spec, calibration=calibration, reference=no_reference())


def pictures_of(folder: Path, records: Sequence[Mapping[str, Any]]) -> Iterator[tuple[Mapping[str, Any], Photo]]:
    """Open the pictures of records through the product's own door; one that cannot be opened is left out."""
    source = Pictures(folder)
    for record in records:
        try:
            yield record, open_photo(source.read(str(record["file"])))
        except PhotoError as error:
            log.warning("%s: %s", record["file"], error)


def pass_through(
    network: Network, folder: Path, records: Sequence[Mapping[str, Any]], source: str, harm: Harm | None = None
) -> list[Case]:
    """Read pictures with both looks.

    Args:
        network: the shipped file, opened.
        folder: of the pictures.
        records: of the pictures.
        source: name kept with each case.
        harm: done to each picture first.
    """
    spec = opened(network.spec)
    cases = []
    for record, whole in pictures_of(folder, records):
        photo = whole if harm is None else harmed(whole, harm)
        net, frame = photo.look(None, spec.find_size)
        outputs = network.run(net)
        first = first_look(outputs, frame, spec)
        if first.box is None:
            continue
        net, frame = photo.look(first.box, spec.read_size, margin=spec.margin)
        second = {k: v.astype(np.float16) if k in _DENSE else v for k, v in network.run(net).items()}
        cases.append(Case(source, record, float(outputs["found"][0, 0]), first.box, second, frame))
    return cases


def both_looks(spec: ModelSpec, folder: Path, records: Sequence[Mapping[str, Any]]) -> Iterator[NDArray[np.float32]]:
    """Network inputs of both looks at labelled pictures, (1, 3, S, S): what int8 ranges are taken from."""
    for record, photo in pictures_of(folder, records):
        yield photo.look(None, spec.find_size)[0]
        box = record.get("subject_box")
        yield photo.look(None if box is None else tuple(box), spec.read_size, margin=spec.margin)[0]


def records_of(folder: Path, limit: int = 0) -> list[dict[str, Any]]:
    """Records of a set, thinned evenly to ``limit`` (0: all)."""
    records = any_records(folder)
    return thinned(records, limit) if limit else records


def thinned(records: Sequence[R], limit: int) -> list[R]:
    """At most ``limit`` of the records, evenly spaced."""
    few = min(limit, len(records))
    return [records[i] for i in np.linspace(0, len(records), few, endpoint=False).astype(int)]


def truth_of(record: Mapping[str, Any], head: str) -> int | None:
    """Index of the true label of a head; None where it is unknown or ambiguous."""
    if record["kind"] != SUBJECT or record.get("subject_box") is None:
        return None
    if head == "count":
        seen = record.get("screw_count")
        return None if seen is None or Cue.JOINT_SCREWS in record["ambiguous"] else min(int(seen), 5)
    if head == "view":
        view = record.get("view")
        view = MIRROR_VIEW.get(str(view), view) if record.get("mirrored") else view
        return VIEWS.index(view) if view in VIEWS else None
    if head == "finish":
        return FINISHES.index(record["finish"]) if record.get("finish") in FINISHES else None
    reading = (record.get("cues") or {}).get(head)
    if reading is None or head in record["ambiguous"]:
        return None
    return labels_of(head).index(reading)


def true_vector(record: Mapping[str, Any]) -> CueVector:
    """The visible cues of a picture as evidence from one photo: what a perfect reader would hand on."""
    cues = record.get("cues") or {}
    return CueVector.from_evidence(
        *(Evidence(c, cues[c], "photo:0") for c in CUES if cues.get(c, OUT_OF_SIGHT) in READINGS[c])
    )


def ceiling(record: Mapping[str, Any]) -> Verdict:
    """What the rule layer answers when it is fed the truth."""
    return decide(true_vector(record))


def overlap(a: Sequence[float], b: Sequence[float]) -> float:
    """Common area of two boxes over their joint area."""
    w = min(a[2], b[2]) - max(a[0], b[0])
    h = min(a[3], b[3]) - max(a[1], b[1])
    common = max(0.0, w) * max(0.0, h)
    joint = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - common
    return common / joint if joint > 0 else 0.0


def small_picture(photo: Photo, side: int) -> NDArray[np.uint8]:
    """The whole photo letterboxed to ``side``, for contact sheets."""
    return letterbox_pixels(photo.pixels, None, side, scale=photo.scale)[0]


def plain_photos(folder: Path) -> list[dict[str, Any]]:
    """Records of a folder of real photographs that show no such carburetor."""
    files = sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".jpeg", ".png", ".webp"))
    return [
        {"file": str(p.relative_to(folder)), "kind": "photo", "era": None, "subject_box": None, "ambiguous": []}
        for p in files
    ]
