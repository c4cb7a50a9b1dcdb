"""What a network file says of itself: ``ModelSpec``, kept in the ONNX file's own metadata.

The file is refused without it, so a foreign network can never answer. Everything between raw outputs and an
accepted reading that was *measured* (temperatures, thresholds, the feature reference) is here, nothing of it
is in code.

How the calibration is used (``readings.py`` does it, ``training/calibrate.py`` finds the numbers):

* probabilities of a head are ``softmax(logits / temperatures[head])``; ``found`` is a sigmoid of that kind;
* a reading belongs to the conformal set of a cue when ``1 - p(reading) <= conformal[cue][reading]``;
* a reading is accepted when it is the only member of the set, is not ``out_of_sight``, and
  ``p(reading) >= floors[cue][reading]``, the least probability that kept the promised precision;
* the handle's interval is ``value +- max(angle_factor * 45 * exp(log_scale), angle_least_deg)`` degrees;
* a picture holds a subject when the first look's probability reaches ``found_first``, the second look's
  ``found_second``, and its features are near enough to the reference (``Reference.similarity``).
"""

from __future__ import annotations

import base64
import binascii
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .cues import CUES, FINISHES, LANDMARKS, OUT_OF_SIGHT, READINGS, VIEWS
from .errors import ModelFileError

FORMAT = "updraft-key/model/1"
FEATURES = 128
"""Length of the network's ``feature`` output."""
LARGEST_REFERENCE = 300_000
"""Most bytes of the encoded feature reference, so that the file stays small."""

OUTPUTS: tuple[str, ...] = (
    "found", "box", "view", "finish", *(str(c) for c in CUES), "count", "heat", "offset", "angle", "feature",
)  # fmt: skip
"""Names of the network's outputs, in order. Shapes: see the table in DEVELOPERS.md."""

SOFTMAX_HEADS: tuple[str, ...] = ("view", "finish", *(str(c) for c in CUES), "count")
"""Heads whose logits become probabilities by a softmax."""


def labels_of(head: str) -> tuple[str, ...]:
    """Return the labels of a softmax head, or of the channels of ``heat``, in the order of its outputs.

    Raises:
        ModelFileError: for a head that has no labels.
    """
    if head == "view":
        return VIEWS
    if head == "finish":
        return FINISHES
    if head == "count":
        return tuple(str(n) for n in range(6))
    if head == "heat":
        return ("mask", *LANDMARKS)
    for cue in CUES:
        if head == str(cue):
            return (*READINGS[cue], OUT_OF_SIGHT)
    raise ModelFileError(f"expected one of the labelled outputs, got {head!r}")


@dataclass(frozen=True, slots=True)
class Calibration:
    """Numbers found on calibration pictures. See the module for how each is used.

    Attributes:
        temperatures: head (``found``, ``view``, ``finish``, each cue, ``count``) -> softmax temperature, > 0.
        conformal: cue -> label -> largest ``1 - p`` at which the label is still in the set, in [0, 1]
            (1: always in the set, as when too few calibration cases were there).
        floors: cue -> label -> least probability at which the label may be accepted; above 1: never.
        alpha: stated error level of the conformal sets.
        found_first: least probability of the first (whole picture) look.
        found_second: least probability of the second (crop) look.
        peaks: landmark -> least heatmap probability of a peak, see ``peaks.find_peaks``.
        angle_factor: multiplies the predicted Laplace scale to the half-width of the 90 % interval.
        angle_least_deg: least half-width of the interval, degrees.
        angle_boundary_deg: interval wholly below it reads level, wholly above it sloping, else unsure.
        cases: head -> number of calibration cases behind its numbers.
    """

    temperatures: Mapping[str, float] = field(default_factory=dict)
    conformal: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    floors: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    alpha: float = 0.05
    found_first: float = 0.5
    found_second: float = 0.5
    peaks: Mapping[str, float] = field(default_factory=dict)
    angle_factor: float = 2.302585
    angle_least_deg: float = 3.0
    angle_boundary_deg: float = 15.0
    cases: Mapping[str, int] = field(default_factory=dict)

    def temperature(self, head: str) -> float:
        """Temperature of a head; 1 before calibration."""
        return float(self.temperatures.get(head, 1.0))

    def largest_miss(self, head: str, label: str) -> float:
        """Largest ``1 - p`` of a member of the set; 0.5 before calibration (the set is then one reading)."""
        return float(self.conformal.get(head, {}).get(label, 0.5))

    def floor(self, head: str, label: str) -> float:
        """Least probability at which the label may be accepted; 0.5 before calibration."""
        return float(self.floors.get(head, {}).get(label, 0.5))


@dataclass(frozen=True, slots=True)
class Reference:
    """Features of known subjects: what the network has seen.

    Attributes:
        prototypes: (n, 128) float32, rows of unit length, read-only.
        neighbours: the similarity is the mean over this many nearest prototypes.
        similarity: least such cosine similarity of a familiar picture; -1 lets everything pass.
    """

    prototypes: NDArray[np.float32]
    neighbours: int = 5
    similarity: float = -1.0

    def score(self, features: NDArray[np.float32]) -> NDArray[np.float32]:
        """Mean cosine similarity to the nearest prototypes.

        Args:
            features: (n, 128) float32, the network's ``feature`` output, any length.

        Returns:
            (n,) float32 in [-1, 1]; 1 for all when there is no reference.
        """
        if len(self.prototypes) == 0:
            return np.ones(len(features), np.float32)
        length = np.linalg.norm(features, axis=1, keepdims=True)
        near = np.sort(features / np.maximum(length, 1e-9) @ self.prototypes.T, axis=1)
        return np.asarray(near[:, -min(self.neighbours, len(self.prototypes)) :].mean(axis=1), np.float32)

    def encode(self) -> str:
        """Return the prototypes as base64 of zlib of little-endian float16."""
        return base64.b64encode(zlib.compress(self.prototypes.astype("<f2").tobytes(), 9)).decode("ascii")

    @classmethod
    def decode(cls, text: str, neighbours: int, similarity: float) -> Reference:
        """Read what ``encode`` wrote.

        Raises:
            ModelFileError: when the text is damaged or too long.
        """
        if len(text) > LARGEST_REFERENCE:
            raise ModelFileError(f"feature reference: more than {LARGEST_REFERENCE} characters")
        try:
            decoder = zlib.decompressobj()
            raw = decoder.decompress(base64.b64decode(text, validate=True), 4 * LARGEST_REFERENCE)
            rows = np.frombuffer(raw, "<f2").reshape(-1, FEATURES).astype(np.float32)
        except (binascii.Error, zlib.error, ValueError) as error:
            raise ModelFileError(f"feature reference: damaged ({error}); use the file as shipped") from error
        if not np.isfinite(rows).all():
            raise ModelFileError("feature reference: holds values that are no numbers; use the shipped file")
        return cls(_unit_rows(rows), neighbours, similarity)


def _unit_rows(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    out: NDArray[np.float32] = (rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9)).astype(np.float32)
    out.flags.writeable = False
    return out


def no_reference() -> Reference:
    """A reference without prototypes: every picture is familiar."""
    return Reference(_unit_rows(np.zeros((0, FEATURES), np.float32)))


def reference_from(features: NDArray[np.float32], neighbours: int, similarity: float) -> Reference:
    """Build a reference from (n, 128) features of any length."""
    return Reference(_unit_rows(np.asarray(features, np.float32)), neighbours, similarity)


@dataclass(frozen=True, slots=True)
class ModelSpec:
    """Everything a network file says of itself.

    Attributes:
        name: of the network.
        version: of the network.
        find_size: side of the first look's square input, pixels, a multiple of 32.
        read_size: side of the second look's square input, pixels, a multiple of 32.
        margin: share of the found box's width and height added on each side before the second look.
        mean: subtracted from each RGB value (0 to 255).
        std: divides the difference.
        outputs: names of the outputs.
        labels: labelled output -> its labels.
        calibration: measured numbers.
        reference: features of known subjects.
        data_hash: of the training sets' label files.
        commit: of the code that trained it.
        training: the training configuration, plain JSON values.
    """

    name: str = "cues"
    version: str = "0"
    find_size: int = 320
    read_size: int = 448
    margin: float = 0.15
    mean: float = 127.0
    std: float = 128.0
    outputs: tuple[str, ...] = OUTPUTS
    labels: Mapping[str, tuple[str, ...]] = field(
        default_factory=lambda: MappingProxyType({h: labels_of(h) for h in (*SOFTMAX_HEADS, "heat")})
    )
    calibration: Calibration = field(default_factory=Calibration)
    reference: Reference = field(default_factory=no_reference)
    data_hash: str = ""
    commit: str = ""
    training: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for what, size in (("find_size", self.find_size), ("read_size", self.read_size)):
            if size < 32 or size > 4096 or size % 32:
                raise ModelFileError(f"{what}: expected a multiple of 32 from 32 to 4096, got {size}")
        if not 0 <= self.margin <= 1 or self.std <= 0:
            raise ModelFileError("expected a margin from 0 to 1 and a positive std")
        if self.outputs != OUTPUTS:
            raise ModelFileError(f"expected the outputs {', '.join(OUTPUTS)}, got {', '.join(self.outputs)}")
        for head in (*SOFTMAX_HEADS, "heat"):
            if tuple(self.labels.get(head, ())) != labels_of(head):
                raise ModelFileError(f"labels of {head}: expected {', '.join(labels_of(head))}; this file differs")
        if any(not t > 0 for t in self.calibration.temperatures.values()):
            raise ModelFileError("temperatures: expected numbers above 0")

    def to_metadata(self) -> dict[str, str]:
        """Return the spec as text for the ONNX file's metadata.

        Raises:
            ModelFileError: when the feature reference is too large to ship.
        """
        body = {
            "find_size": self.find_size,
            "read_size": self.read_size,
            "margin": self.margin,
            "mean": self.mean,
            "std": self.std,
            "outputs": list(self.outputs),
            "labels": {k: list(v) for k, v in self.labels.items()},
            "calibration": {f.name: _plain(getattr(self.calibration, f.name)) for f in fields(Calibration)},
            "reference": {
                "neighbours": self.reference.neighbours,
                "similarity": self.reference.similarity,
            },
            "data_hash": self.data_hash,
            "commit": self.commit,
            "training": _plain(self.training),
        }
        encoded = self.reference.encode()
        if len(encoded) > LARGEST_REFERENCE:
            raise ModelFileError(f"feature reference: more than {LARGEST_REFERENCE} characters")
        return {
            "format": FORMAT,
            "name": self.name,
            "version": self.version,
            "spec": json.dumps(body, sort_keys=True, allow_nan=False),
            "reference": encoded,
        }

    @classmethod
    def from_metadata(cls, metadata: Mapping[str, str]) -> ModelSpec:
        """Read a spec back from an ONNX file's metadata.

        Raises:
            ModelFileError: when it is missing, damaged, or of another format.
        """
        found = metadata.get("format")
        if found != FORMAT:
            raise ModelFileError(
                f"expected a network file of format {FORMAT}, got {found or 'one without a description'}; "
                "use the file that is shipped with this program"
            )
        try:
            body = json.loads(metadata["spec"])
            near = body["reference"]
            return cls(
                name=metadata["name"],
                version=metadata["version"],
                find_size=int(body["find_size"]),
                read_size=int(body["read_size"]),
                margin=float(body["margin"]),
                mean=float(body["mean"]),
                std=float(body["std"]),
                outputs=tuple(body["outputs"]),
                labels=MappingProxyType({k: tuple(v) for k, v in body["labels"].items()}),
                calibration=_calibration(body["calibration"]),
                reference=Reference.decode(
                    metadata.get("reference", ""), int(near["neighbours"]), float(near["similarity"])
                ),
                data_hash=str(body["data_hash"]),
                commit=str(body["commit"]),
                training=MappingProxyType(dict(body["training"])),
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise ModelFileError(
                f"the description inside the network file is damaged ({error}); use the file as shipped"
            ) from error


def _plain(value: object) -> object:
    return {k: _plain(v) for k, v in value.items()} if isinstance(value, Mapping) else value


def _numbers(values: Mapping[str, Any]) -> Mapping[str, float]:
    return MappingProxyType({str(k): float(v) for k, v in values.items()})


def _calibration(values: Mapping[str, Any]) -> Calibration:
    """Read plain JSON values; unknown keys are left out, missing ones keep their default."""
    default = Calibration()

    def number(key: str) -> float:
        return float(values.get(key, getattr(default, key)))

    return Calibration(
        temperatures=_numbers(values.get("temperatures", {})),
        conformal=MappingProxyType({c: _numbers(v) for c, v in values.get("conformal", {}).items()}),
        floors=MappingProxyType({c: _numbers(v) for c, v in values.get("floors", {}).items()}),
        alpha=number("alpha"),
        found_first=number("found_first"),
        found_second=number("found_second"),
        peaks=_numbers(values.get("peaks", {})),
        angle_factor=number("angle_factor"),
        angle_least_deg=number("angle_least_deg"),
        angle_boundary_deg=number("angle_boundary_deg"),
        cases=MappingProxyType({str(k): int(v) for k, v in values.get("cases", {}).items()}),
    )
