"""Adapt the heads to labelled real photos, on a processor, in minutes; never make held-out photos worse.

Works on the shipped file itself. What each cue's head makes of a photo just before its last layer is read out
(``n`` photos, 80 numbers); the last layers alone are fitted to the photos' labels, held to the old ones by a
penalty, so that ten photos move them a little and hundreds more. Cases are split by case, never by photo. The
new file replaces the old one only when the held-out photos' readings get no worse: not less likely on average,
and not more often wrong. The old file stays beside it as ``cues.previous.onnx``.
"""

from __future__ import annotations

import logging
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, READINGS
from updraft_key.model.readings import first_look
from updraft_key.model.runtime import OnnxNetwork
from updraft_key.model.spec import labels_of

from .conformal import negative_log_likelihood, softmax
from .export import int8_beside, write_sums
from .passage import opened, pictures_of
from .real_photos import any_records

log = logging.getLogger(__name__)

Floats = NDArray[np.float64]
PENALTY = 4.0
"""Strength that holds a layer to the old one, in photos: about this many photos balance it (judgement)."""
LEAST_CASES = 6
"""Fewest cases that are split into some to learn from and some to check on."""


@dataclass(frozen=True, slots=True)
class Layer:
    """The last layer of a cue's head: (labels, inputs) weights and (labels,) bias."""

    weight: Floats
    bias: Floats

    def logits(self, inputs: Floats) -> Floats:
        """Return (n, labels) for (n, inputs)."""
        return inputs @ self.weight.T + self.bias


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an adaptation.

    Attributes:
        replaced: the new file is in place.
        why: in plain words.
        learned_from: photos.
        checked_on: photos of other cases.
        before: mean negative log-likelihood and share right on the checked photos, old file.
        after: the same, new file.
    """

    replaced: bool
    why: str
    learned_from: int
    checked_on: int
    before: tuple[float, float]
    after: tuple[float, float]

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def last_layers(model: Any) -> dict[str, tuple[str, str, str]]:
    """For each cue: the tensor that its last layer reads, and the names of its weight and bias.

    Raises:
        ValueError: when the file was not exported by this project's ``export``.
    """
    made_by = {name: node for node in model.graph.node for name in node.output}
    out = {}
    for cue in CUES:
        node = made_by.get(str(cue))
        if node is None or node.op_type != "Gemm" or len(node.input) != 3:
            raise ValueError(f"expected a linear layer behind output {cue}; adapt the file that export wrote")
        out[str(cue)] = (node.input[0], node.input[1], node.input[2])
    return out


def layer_of(model: Any, names: tuple[str, str, str]) -> Layer:
    """Read a layer's numbers from the file (stored as (labels, inputs))."""
    numpy_helper = import_module("onnx.numpy_helper")
    given = {i.name: i for i in model.graph.initializer}
    weight, bias = (np.asarray(numpy_helper.to_array(given[n]), np.float64) for n in names[1:])
    return Layer(weight, bias)


def put_layer(model: Any, names: tuple[str, str, str], layer: Layer) -> None:
    """Write a layer's numbers into the file."""
    numpy_helper = import_module("onnx.numpy_helper")
    for tensor in model.graph.initializer:
        if tensor.name == names[1]:
            tensor.CopyFrom(numpy_helper.from_array(layer.weight.astype(np.float32), names[1]))
        elif tensor.name == names[2]:
            tensor.CopyFrom(numpy_helper.from_array(layer.bias.astype(np.float32), names[2]))


def fit_layer(
    old: Layer, inputs: Floats, labels: NDArray[np.int64], penalty: float = PENALTY, steps: int = 400
) -> Layer:
    """Minimise the labels' summed negative log-likelihood plus the penalty on leaving the old layer.

    Plain gradient steps of a safe length: the problem is convex and small.
    """
    scale = np.maximum(inputs.std(axis=0) + np.abs(inputs.mean(axis=0)), 1e-6)
    x = np.concatenate([inputs / scale, np.ones((len(inputs), 1))], axis=1)
    start = np.concatenate([old.weight * scale, old.bias[:, None]], axis=1)
    theta = start.copy()
    truth = np.eye(len(old.bias))[labels]
    length = 1.0 / (0.5 * float(np.linalg.norm(x, 2)) ** 2 + penalty)
    for _ in range(steps):
        slope = (softmax(x @ theta.T) - truth).T @ x + penalty * (theta - start)
        theta = theta - length * slope
    return Layer(theta[:, :-1] / scale, theta[:, -1])


@dataclass(frozen=True, slots=True)
class _Seen:
    record: Mapping[str, Any]
    inputs: Mapping[str, Floats]


def _look(path: Path, records: Sequence[Mapping[str, Any]], folder: Path) -> list[_Seen]:
    """Take photos through the product's two looks, and read out what the last layers read."""
    onnx = import_module("onnx")
    network = OnnxNetwork(path)
    spec = opened(network.spec)
    model = onnx.load(str(path))
    layers = last_layers(model)
    for name, _, _ in layers.values():
        model.graph.output.append(onnx.helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, None))
    session = import_module("onnxruntime").InferenceSession(
        model.SerializeToString(), providers=["CPUExecutionProvider"]
    )
    out = []
    for record, photo in pictures_of(folder, records):
        net, frame = photo.look(None, spec.find_size)
        told = record.get("subject_box")
        box = tuple(told) if told else first_look(network.run(net), frame, spec).box
        net, _ = photo.look(box, spec.read_size, margin=spec.margin)
        values = session.run([layers[str(c)][0] for c in CUES], {"image": net})
        out.append(_Seen(record, {str(c): np.asarray(v[0], np.float64) for c, v in zip(CUES, values, strict=True)}))
    return out


def _known(seen: Sequence[_Seen], cue: str) -> tuple[Floats, NDArray[np.int64]]:
    labels = labels_of(cue)
    rows = [(s.inputs[cue], labels.index(r)) for s in seen if (r := s.record["cues"].get(cue)) in labels]
    width = len(seen[0].inputs[cue]) if seen else 0
    return np.array([r for r, _ in rows], np.float64).reshape(-1, width), np.array([t for _, t in rows], np.int64)


def _judge(layers: Mapping[str, Layer], seen: Sequence[_Seen]) -> tuple[float, float, int]:
    """Mean negative log-likelihood, share right, and number of readings over all cues."""
    cost, right, n = 0.0, 0, 0
    for cue, layer in layers.items():
        inputs, labels = _known(seen, cue)
        if len(labels):
            logits = layer.logits(inputs)
            cost += negative_log_likelihood(logits, labels, 1.0) * len(labels)
            right += int((logits.argmax(axis=1) == labels).sum())
            n += len(labels)
    return (cost / n, right / n, n) if n else (0.0, 0.0, 0)


def split_cases(records: Sequence[Mapping[str, Any]], share_held: float = 0.34) -> tuple[list[int], list[int]]:
    """Split record indices by case: every third case is held out (at least two)."""
    cases = list(dict.fromkeys(str(r.get("case", r["file"])) for r in records))
    step = max(2, round(1.0 / share_held))
    held = {c for k, c in enumerate(cases) if k % step == step - 1}
    return (
        [i for i, r in enumerate(records) if str(r.get("case", r["file"])) not in held],
        [i for i, r in enumerate(records) if str(r.get("case", r["file"])) in held],
    )


def adapt(path: Path, folder: Path) -> Outcome:
    """Adapt a network file in place to the labelled photos of ``folder``, unless that makes held-out ones worse.

    Raises:
        ValueError: when there are too few cases with readings.
    """
    records = [r for r in any_records(folder) if any(v in READINGS[c] for c in CUES if (v := r["cues"].get(c)))]
    cases = {str(r.get("case", r["file"])) for r in records}
    if len(cases) < LEAST_CASES:
        raise ValueError(f"{folder}: expected at least {LEAST_CASES} cases with cue readings, got {len(cases)}")
    onnx = import_module("onnx")
    model = onnx.load(str(path))
    names = last_layers(model)
    old = {cue: layer_of(model, n) for cue, n in names.items()}
    seen = _look(path, records, folder)
    learn, check = split_cases([s.record for s in seen])
    new: dict[str, Layer] = {}
    for cue, layer in old.items():
        inputs, labels = _known([seen[i] for i in learn], cue)
        new[cue] = fit_layer(layer, inputs, labels) if len(labels) else layer
    held = [seen[i] for i in check]
    before, after = _judge(old, held), _judge(new, held)
    figures = (len(learn), len(check), before[:2], after[:2])
    if before[2] == 0:
        return Outcome(False, "no held-out photo has readings to check on; nothing was changed", *figures)
    if after[0] > before[0] or after[1] < before[1]:
        return Outcome(False, "held-out photos would be read worse; nothing was changed", *figures)
    for file in (path, int8_beside(path)):
        if file.is_file():
            shutil.copyfile(file, file.with_name(file.name.replace("cues", "cues.previous", 1)))
            changed = onnx.load(str(file))
            theirs = last_layers(changed)
            for cue, layer in new.items():
                put_layer(changed, theirs[cue], layer)
            onnx.save(changed, str(file))
    write_sums(path.parent)
    return Outcome(True, "held-out photos are read no worse; the old file is kept as cues.previous.onnx", *figures)
