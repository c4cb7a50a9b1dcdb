"""From trained weights to the files that ship: ONNX with its description, checked against torch, and int8.

The check runs the same pictures through torch and through onnxruntime, at both sizes and two batch sizes, and
fails when an output differs by more than ``LARGEST_GAP``.
"""

from __future__ import annotations

import hashlib
import logging
import subprocess
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from updraft_key.model.errors import ModelFileError
from updraft_key.model.spec import OUTPUTS, ModelSpec

from .checkpoint import load_network
from .network import CueNet, Shipped, parameters_in

log = logging.getLogger(__name__)

LARGEST_FILE = 25_000_000
"""Bytes a shipped file may have (issue 4)."""
MOST_PARAMETERS = 8_000_000
LARGEST_GAP = 2e-3
"""Largest difference between torch and onnxruntime, relative to the output's own largest value or 1."""
OPSET = 18

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Parity:
    """Largest differences found, output by output."""

    gaps: Mapping[str, float]

    @property
    def worst(self) -> float:
        """The largest of them."""
        return max(self.gaps.values())


def commit_of(folder: Path) -> str:
    """Commit of the code in ``folder``, with ``+`` when files differ from it; empty outside a repository."""
    try:
        head = subprocess.run(["git", "rev-parse", "HEAD"], cwd=folder, capture_output=True, text=True, check=True)
        dirty = subprocess.run(
            ["git", "status", "--porcelain", "--", "training", "model"],
            cwd=folder, capture_output=True, text=True, check=True,
        )  # fmt: skip
    except (OSError, subprocess.CalledProcessError):
        return ""
    return head.stdout.strip() + ("+" if dirty.stdout.strip() else "")


def spec_of(about: Mapping[str, Any], version: str, commit: str) -> ModelSpec:
    """The description of freshly trained weights, not yet calibrated."""
    config = dict(about.get("config", {}))
    return ModelSpec(
        version=version,
        find_size=int(config.get("find_size", 320)),
        read_size=int(config.get("read_size", 448)),
        data_hash=str(about.get("data_hash", "")),
        commit=commit,
        training=config,
    )


def export(weights: Path, out: Path, version: str, commit: str = "") -> ModelSpec:
    """Write ``out`` (ONNX, float32) from a weights file, check it, and return its description.

    Raises:
        ValueError: when the network is larger than what may ship.
        ModelFileError: when onnxruntime answers otherwise than torch.
    """
    net, about = load_network(weights)
    if parameters_in(net) > MOST_PARAMETERS:
        raise ValueError(f"expected at most {MOST_PARAMETERS} parameters, got {parameters_in(net)}")
    spec = spec_of(about, version, commit)
    write_onnx(net, out)
    fold(out)
    stamp(out, spec)
    if out.stat().st_size > LARGEST_FILE:
        raise ValueError(f"{out.name}: expected at most {LARGEST_FILE} bytes, got {out.stat().st_size}")
    parity = check_parity(net, out, (spec.find_size, spec.read_size))
    log.info("%s: %d parameters, worst difference from torch %.2g", out, parameters_in(net), parity.worst)
    return spec


def write_onnx(net: CueNet, out: Path) -> None:
    """Export the network with batch, height and width left open (height and width in steps of 32).

    By tracing, not by torch's newer exporter: the graph holds no branches, the result is the same to the last
    digit, and it takes seconds instead of more than a minute.
    """
    out.parent.mkdir(parents=True, exist_ok=True)
    axes: dict[str, dict[int, str]] = {"image": {0: "n", 2: "h", 3: "w"}}
    axes |= {name: {0: "n"} for name in OUTPUTS}
    axes |= {name: {0: "n", 2: "h4", 3: "w4"} for name in ("heat", "offset", "angle")}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            Shipped(net).eval(),
            (torch.zeros(2, 3, 128, 160),),
            str(out),
            input_names=["image"],
            output_names=list(OUTPUTS),
            opset_version=OPSET,
            dynamic_axes=axes,
            dynamo=False,
        )


def fold(path: Path) -> None:
    """Fold constants and drop idle nodes once, here, instead of whenever the file is opened.

    Only the runtime's basic changes, which keep to the standard's own operators, so that the file stays portable.
    """
    runtime = import_module("onnxruntime")
    with TemporaryDirectory() as spare:
        folded = Path(spare) / "folded.onnx"
        options = runtime.SessionOptions()
        options.graph_optimization_level = runtime.GraphOptimizationLevel.ORT_ENABLE_BASIC
        options.optimized_model_filepath = str(folded)
        options.log_severity_level = 3
        runtime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
        onnx = import_module("onnx")
        model = onnx.load(str(folded))
    used = {node.domain for node in model.graph.node}
    kept = [known for known in model.opset_import if known.domain in used]
    del model.opset_import[:]  # the runtime lists all it knows
    model.opset_import.extend(kept)
    onnx.save(model, str(path))


def stamp(path: Path, spec: ModelSpec) -> None:
    """Write the description into the file's metadata, replacing what is there."""
    onnx = import_module("onnx")
    model = onnx.load(str(path))
    del model.metadata_props[:]
    for key, value in spec.to_metadata().items():
        model.metadata_props.add(key=key, value=value)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def restamp(path: Path, spec: ModelSpec) -> None:
    """Write a new description into a network file and into its int8 sibling, and list their hashes."""
    for file in (path, int8_beside(path)):
        if file.is_file():
            stamp(file, spec)
    write_sums(path.parent)


def int8_beside(path: Path) -> Path:
    """Name of the int8 file that belongs to a float32 file."""
    return path.with_name(path.stem + ".int8.onnx")


def write_sums(folder: Path) -> None:
    """Write ``SHA256SUMS`` over the ONNX files of a folder, in the form of the ``sha256sum`` command."""
    lines = [f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.name}\n" for p in sorted(folder.glob("*.onnx"))]
    (folder / "SHA256SUMS").write_text("".join(lines), "ascii")


def session_of(path: Path, threads: int = 1) -> Any:
    """Open a network file in onnxruntime, on the processor."""
    runtime = import_module("onnxruntime")
    options = runtime.SessionOptions()
    options.intra_op_num_threads = threads
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    options.log_severity_level = 3
    return runtime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


def check_parity(net: CueNet, path: Path, sizes: tuple[int, ...]) -> Parity:
    """Compare torch and onnxruntime on random pictures.

    Raises:
        ModelFileError: when they differ by more than ``LARGEST_GAP``.
    """
    session = session_of(path)
    shipped = Shipped(net).eval()
    rng = np.random.default_rng(7)
    gaps = dict.fromkeys(OUTPUTS, 0.0)
    for size, batch in ((s, b) for s in sizes for b in (1, 2)):
        image = rng.uniform(-1, 1, (batch, 3, size, size)).astype(np.float32)
        with torch.no_grad():
            ours = shipped(torch.from_numpy(image))
        theirs = session.run(list(OUTPUTS), {"image": image})
        for name, a, b in zip(OUTPUTS, ours, theirs, strict=True):
            gap = float(np.abs(a.numpy() - b).max() / max(1.0, float(np.abs(b).max())))
            gaps[name] = max(gaps[name], gap)
    parity = Parity(gaps)
    if parity.worst > LARGEST_GAP:
        name = max(gaps, key=lambda k: gaps[k])
        raise ModelFileError(f"output {name}: torch and onnxruntime differ by {parity.worst:.3g}; not shipped")
    return parity


class _Feed:
    """What onnxruntime's quantizer asks for: pictures one by one."""

    def __init__(self, images: Iterator[Floats]) -> None:
        self._images = images

    def get_next(self) -> dict[str, Floats] | None:
        """Return the next picture, or None at the end."""
        image = next(self._images, None)
        return None if image is None else {"image": image}

    def rewind(self) -> None:
        """Asked for by some calibration methods; pictures are read once here."""


def quantize(path: Path, images: Iterator[Floats]) -> Path:
    """Write the int8 file beside a float32 one: static, per channel, ranges from real pictures.

    Args:
        path: the float32 file, with its description.
        images: network inputs, float32 (1, 3, S, S), about a hundred of both looks.

    Returns:
        The int8 file, with the same description.
    """
    quantization = import_module("onnxruntime.quantization")
    prepare = import_module("onnxruntime.quantization.shape_inference").quant_pre_process
    onnx = import_module("onnx")
    spec = read_spec(path)
    out = int8_beside(path)
    with TemporaryDirectory() as spare:
        ready = Path(spare) / "ready.onnx"
        prepare(str(path), str(ready), skip_symbolic_shape=True)
        graph = onnx.load(str(ready)).graph
        # Only convolutions gain from int8; boxes, poolings and the small heads stay exact.
        dense = _last_convolutions(graph)
        quantization.quantize_static(
            str(ready),
            str(out),
            _reader(images),
            quant_format=quantization.QuantFormat.QDQ,
            op_types_to_quantize=["Conv", "Add", "Clip", "Relu"],
            nodes_to_exclude=dense,
            per_channel=True,
            activation_type=quantization.QuantType.QUInt8,
            weight_type=quantization.QuantType.QInt8,
            extra_options={"ActivationSymmetric": False},
        )
    stamp(out, spec)
    return out


def _reader(images: Iterator[Floats]) -> Any:
    """Make ``_Feed`` one of the quantizer's own readers, which it checks by class."""
    base = import_module("onnxruntime.quantization").CalibrationDataReader
    return type("Feed", (_Feed, base), {})(images)


def _last_convolutions(graph: Any) -> list[str]:
    """Names of the convolutions whose results leave the network unpooled, directly or through slices."""
    outputs = {"heat", "offset", "angle", "box"}
    made_by = {name: node for node in graph.node for name in node.output}
    found: set[str] = set()
    seen: set[str] = set()
    queue = [name for name in outputs if name in made_by]
    while queue:
        name = queue.pop()
        node = made_by.get(name)
        if node is None or name in seen:
            continue
        seen.add(name)
        if node.op_type == "Conv":
            found.add(node.name)
        else:
            queue.extend(node.input)
    return sorted(found)


def read_spec(path: Path) -> ModelSpec:
    """Read a file's description.

    Raises:
        ModelFileError: when it has none.
    """
    onnx = import_module("onnx")
    model = onnx.load(str(path), load_external_data=False)
    return ModelSpec.from_metadata({p.key: p.value for p in model.metadata_props})


def with_version(spec: ModelSpec, version: str) -> ModelSpec:
    """Return the description under another version."""
    if not version.strip():
        raise ModelFileError("version: expected a word, got nothing")
    return replace(spec, version=version)


def main(arguments: Sequence[str]) -> int:
    """The command ``export``; returns the exit code."""
    from .cli import run

    return run("export", arguments)
