"""Running the network: one method behind a protocol, the ONNX file behind it, and a fake for tests.

Only the packaged file answers by default. What is hashed is what is loaded: the bytes are read once, compared
with ``weights/SHA256SUMS``, and handed to the runtime from memory. Processor only, one thread unless told
otherwise, no spinning (on a busy machine spinning threads made two threads slower than one).
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from .answer import ModelId
from .cues import CUES, FINISHES, LANDMARKS, READINGS, VIEWS
from .errors import ModelFileError
from .spec import FEATURES, OUTPUTS, ModelSpec

if TYPE_CHECKING:
    from .frame import NetInput

RawOutputs = Mapping[str, NDArray[np.float32]]
"""Output name -> float32 array of batch size 1, finite. Shapes: ``expected_shapes``."""

WEIGHTS = Path(__file__).with_name("weights")
PACKAGED = "cues.onnx"
STRIDE = 4
"""Network pixels per cell of ``heat``, ``offset`` and ``angle``."""
_MOST_BYTES = 200_000_000


class Network(Protocol):
    """Something that reads a network input."""

    @property
    def spec(self) -> ModelSpec:
        """What the network says of itself."""
        ...

    @property
    def model_id(self) -> ModelId:
        """Name, version and SHA-256, for the answer."""
        ...

    def run(self, image: NetInput) -> RawOutputs:
        """Read one square input.

        Args:
            image: float32 (1, 3, S, S), RGB, ``(x - 127) / 128``, S a multiple of 32.

        Raises:
            ModelFileError: when an output is missing, misshapen or not finite.
        """
        ...


def expected_shapes(size: int) -> Mapping[str, tuple[int, ...]]:
    """Shape of every output for an input of ``size`` x ``size`` (the table of DEVELOPERS.md)."""
    cells = size // STRIDE
    shapes: dict[str, tuple[int, ...]] = {
        "found": (1, 1),
        "box": (1, 4),
        "view": (1, len(VIEWS)),
        "finish": (1, len(FINISHES)),
        **{str(cue): (1, len(READINGS[cue]) + 1) for cue in CUES},
        "count": (1, 6),
        "heat": (1, 1 + len(LANDMARKS), cells, cells),
        "offset": (1, 2, cells, cells),
        "angle": (1, 2, cells, cells),
        "feature": (1, FEATURES),
    }
    return MappingProxyType(shapes)


def checked(outputs: Mapping[str, NDArray[np.float32]], size: int) -> RawOutputs:
    """Return the outputs if all are there, of the right shape, float32 and finite.

    Raises:
        ModelFileError: otherwise, naming the output.
    """
    for name, shape in expected_shapes(size).items():
        values = outputs.get(name)
        if values is None:
            raise ModelFileError(f"the network has no output {name!r}; use the file as shipped")
        if values.shape != shape or values.dtype != np.float32:
            raise ModelFileError(
                f"output {name!r}: expected float32 {shape}, got {values.dtype} {values.shape}; use the file as shipped"
            )
        if not np.isfinite(values).all():
            raise ModelFileError(
                f"output {name!r} holds values that are not numbers; nothing was read. Install the program again"
            )
    return outputs


class OnnxNetwork:
    """An ONNX file run by onnxruntime on the processor.

    One session for each process; ``run`` may be called from several threads.

    Args:
        path: the file.
        sha256: what its bytes must hash to; None when nobody vouches for it (a file just trained).
        threads: used inside one operation.

    Raises:
        ModelFileError: the file is missing, altered, foreign, or its outputs are not those of ``ModelSpec``.
    """

    def __init__(self, path: Path, *, sha256: str | None = None, threads: int = 1) -> None:
        data = _read(path)
        found = hashlib.sha256(data).hexdigest()
        if sha256 is not None and found != sha256:
            raise ModelFileError(
                f"{path.name}: expected a file with SHA-256 {sha256[:12]}..., got {found[:12]}...; "
                "it was altered or damaged, install the program again"
            )
        self._session = _session(data, path.name, threads)
        self._spec = ModelSpec.from_metadata(self._session.get_modelmeta().custom_metadata_map)
        self._model_id = ModelId(self._spec.name, self._spec.version, found)
        self._check_signature(path.name)

    @property
    def spec(self) -> ModelSpec:
        """See ``Network``."""
        return self._spec

    @property
    def model_id(self) -> ModelId:
        """See ``Network``."""
        return self._model_id

    def run(self, image: NetInput) -> RawOutputs:
        """See ``Network.run``."""
        size = image.shape[-1]
        if image.dtype != np.float32 or image.shape != (1, 3, size, size) or size % 32:
            raise ValueError(f"expected float32 (1, 3, S, S), S a multiple of 32, got {image.dtype} {image.shape}")
        try:
            values = self._session.run(list(OUTPUTS), {"image": image})
        except Exception as error:  # the runtime raises classes of its own, with no common root
            raise ModelFileError(
                f"the network cannot be run ({_first_line(error)}); use the file as shipped"
            ) from error
        return checked(dict(zip(OUTPUTS, values, strict=True)), size)

    def _check_signature(self, name: str) -> None:
        given = [i.name for i in self._session.get_inputs()]
        if given != ["image"]:
            raise ModelFileError(f"{name}: expected one input 'image', got {', '.join(given)}; use the file as shipped")
        theirs = {o.name: list(o.shape) for o in self._session.get_outputs()}
        for output, shape in expected_shapes(self._spec.read_size).items():
            got = theirs.get(output)
            # Only the head's width is fixed in the file; batch and picture sizes may be free.
            if got is None or len(got) != len(shape) or (isinstance(got[1], int) and got[1] != shape[1]):
                raise ModelFileError(
                    f"{name}: output {output!r}: expected shape {shape}, got {got}; use the file as shipped"
                )


def packaged_network(threads: int = 1, weights: Path = WEIGHTS) -> OnnxNetwork:
    """Open the network that ships with the program, verified against ``SHA256SUMS`` beside it.

    Raises:
        ModelFileError: when it is missing, altered or cannot be used.
    """
    path = weights / PACKAGED
    return OnnxNetwork(path, sha256=expected_sha256(weights / "SHA256SUMS", PACKAGED), threads=threads)


def expected_sha256(sums: Path, name: str) -> str:
    """Read one hash from a file in the form of the ``sha256sum`` command.

    Raises:
        ModelFileError: no such file, or it does not list ``name``.
    """
    try:
        lines = sums.read_text(encoding="ascii").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ModelFileError(f"expected {sums.name} beside the network, it cannot be read; install again") from error
    for line in lines:
        digest, _, listed = line.partition(" ")
        if listed.strip().lstrip("*") == name and len(digest) == 64:
            return digest.lower()
    raise ModelFileError(f"{sums.name} does not list {name}; install the program again")


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ModelFileError(
                f"{path.name}: expected at most {_MOST_BYTES // 1_000_000} MB; use the file as shipped"
            )
        return path.read_bytes()
    except OSError as error:
        raise ModelFileError(
            f"expected the network file {path.name}, it cannot be read ({error.strerror}); install the program again"
        ) from error


def _session(data: bytes, name: str, threads: int):  # type: ignore[no-untyped-def]  # onnxruntime has no types
    # Since 1.29 the runtime writes an identifier of this machine and calls its makers as soon as it is imported; its
    # own call comes too late for that. What is set here is read once, at that import.
    os.environ["ORT_DISABLE_TELEMETRY"] = "1"
    import onnxruntime

    onnxruntime.disable_telemetry_events()
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = max(1, threads)
    options.inter_op_num_threads = 1
    options.use_deterministic_compute = True
    options.log_severity_level = 4
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    try:
        return onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    except Exception as error:  # the runtime raises a class of its own for each way a file can be wrong
        raise ModelFileError(
            f"{name}: expected an ONNX network, it cannot be opened ({_first_line(error)}); use the file as shipped"
        ) from error


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:160]


class FakeNetwork:
    """A network whose outputs are made by a function: for tests, which then need no weights.

    Args:
        answer: from the input to the outputs; they pass the same checks as a real network's.
        spec: what it says of itself.
    """

    def __init__(self, answer: Callable[[NetInput], RawOutputs], spec: ModelSpec | None = None) -> None:
        self._answer = answer
        self._spec = ModelSpec(name="fake") if spec is None else spec

    @property
    def spec(self) -> ModelSpec:
        """See ``Network``."""
        return self._spec

    @property
    def model_id(self) -> ModelId:
        """See ``Network``."""
        return ModelId(self._spec.name, self._spec.version, "0" * 64)

    def run(self, image: NetInput) -> RawOutputs:
        """See ``Network.run``."""
        return checked(self._answer(image), image.shape[-1])


def blank_outputs(size: int) -> dict[str, NDArray[np.float32]]:
    """Outputs that say nothing at all: no subject, every cue out of sight, no peak anywhere."""
    out = {name: np.zeros(shape, np.float32) for name, shape in expected_shapes(size).items()}
    out["found"] -= 8.0
    out["box"][:] = (0.25, 0.25, 0.75, 0.75)
    out["heat"] -= 8.0
    for cue in CUES:
        out[str(cue)][0, -1] = 8.0
    out["count"][0, 0] = 8.0
    return out
