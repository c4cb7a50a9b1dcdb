"""Running the network: only the right file answers, and only with numbers."""

from __future__ import annotations

import hashlib
import math
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hostile.networks import network
from updraft_key.model.errors import ModelFileError
from updraft_key.model.runtime import (
    FakeNetwork,
    OnnxNetwork,
    blank_outputs,
    expected_sha256,
    expected_shapes,
    packaged_network,
)
from updraft_key.model.spec import OUTPUTS, ModelSpec

IMAGE = np.zeros((1, 3, 64, 64), np.float32)


def write(folder: Path, data: bytes) -> Path:
    path = folder / "cues.onnx"
    path.write_bytes(data)
    (folder / "SHA256SUMS").write_text(f"{hashlib.sha256(data).hexdigest()}  cues.onnx\n")
    return path


def test_a_right_file_runs(tmp_path: Path) -> None:
    data = network(values={"found": 3.0})
    net = OnnxNetwork(write(tmp_path, data))
    out = net.run(IMAGE)
    assert set(out) == set(OUTPUTS)
    assert {k: v.shape for k, v in out.items()} == dict(expected_shapes(64))
    assert float(out["found"][0, 0]) == 3.0
    assert net.model_id.sha256 == hashlib.sha256(data).hexdigest() and net.spec.name == "made"


def test_it_is_on_the_processor_without_spinning_threads(tmp_path: Path) -> None:
    net = OnnxNetwork(write(tmp_path, network()), threads=2)
    options = net._session.get_session_options()
    assert net._session.get_providers() == ["CPUExecutionProvider"]
    assert (options.intra_op_num_threads, options.inter_op_num_threads) == (2, 1)
    assert options.get_session_config_entry("session.intra_op.allow_spinning") == "0"
    assert options.use_deterministic_compute


def test_one_session_answers_many_threads_alike(tmp_path: Path) -> None:
    net = OnnxNetwork(write(tmp_path, network(values={"box": 0.5})))
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _i: net.run(IMAGE)["box"].tolist(), range(16)))
    assert all(f == [[0.5] * 4] for f in found)


WRONG = {
    "no description": (network(metadata={}), "without a description"),
    "another format": (network(metadata={"format": "something/1"}), "something/1"),
    "broken description": (
        network(metadata={"format": "updraft-key/model/1", "name": "x", "version": "1", "spec": "{"}), "damaged"
    ),
    "wrong head": (network(shapes={"front_ear": (1, 9)}), "front_ear"),
    "flat heat": (network(shapes={"heat": (1, 11)}), "heat"),
    "missing output": (network(leave_out=("angle",)), "angle"),
    "another input": (network(input_name="pixels"), "'image'"),
    "no network": (b"not a network at all", "cannot be opened"),
    "nothing": (b"", "cannot be opened"),
    "cut short": (network()[:900], "cannot be opened"),
    "a picture": (b"\xff\xd8\xff\xe0" * 100, "cannot be opened"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_foreign_files_are_refused(tmp_path: Path, what: str) -> None:
    data, words = WRONG[what]
    with pytest.raises(ModelFileError, match=words) as caught:
        OnnxNetwork(write(tmp_path, data))
    assert "\n" not in str(caught.value)


def test_a_changed_byte_is_noticed(tmp_path: Path) -> None:
    path = write(tmp_path, network())
    assert packaged_network(weights=tmp_path).spec.name == "made"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(ModelFileError, match="altered or damaged"):
        packaged_network(weights=tmp_path)


def test_missing_file_and_missing_sums(tmp_path: Path) -> None:
    with pytest.raises(ModelFileError, match="SHA256SUMS"):
        packaged_network(weights=tmp_path)
    write(tmp_path, network()).unlink()
    with pytest.raises(ModelFileError, match="cannot be read"):
        packaged_network(weights=tmp_path)
    (tmp_path / "SHA256SUMS").write_text("nonsense\n")
    with pytest.raises(ModelFileError, match="does not list"):
        expected_sha256(tmp_path / "SHA256SUMS", "cues.onnx")


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("output", OUTPUTS)
def test_numbers_that_are_none_never_get_through(tmp_path: Path, output: str, value: float) -> None:
    net = OnnxNetwork(write(tmp_path, network(values={output: value})))
    with pytest.raises(ModelFileError, match=f"'{output}' holds values that are not numbers"):
        net.run(IMAGE)


@pytest.mark.parametrize("image", [IMAGE.astype(np.float64), IMAGE[0], IMAGE[:, :, :32], IMAGE[:, :, :33, :33]])
def test_wrong_inputs_are_refused(tmp_path: Path, image: np.ndarray) -> None:
    with pytest.raises(ValueError, match="expected float32"):
        OnnxNetwork(write(tmp_path, network())).run(image)


def test_the_fake_is_held_to_the_same(tmp_path: Path) -> None:
    assert FakeNetwork(lambda image: blank_outputs(image.shape[-1])).run(IMAGE)["found"][0, 0] < 0
    with pytest.raises(ModelFileError, match="no output"):
        FakeNetwork(lambda _image: {}).run(IMAGE)
    assert FakeNetwork(lambda _image: {}, ModelSpec(name="other")).model_id.name == "other"


def test_nothing_is_written_to_the_terminal(tmp_path: Path) -> None:
    """The runtime likes to warn on stderr; a face's output must stay its own."""
    path = write(tmp_path, network())
    code = (
        "import sys, numpy\nfrom pathlib import Path\nfrom updraft_key.model.runtime import OnnxNetwork\n"
        "OnnxNetwork(Path(sys.argv[1])).run(numpy.zeros((1, 3, 64, 64), numpy.float32))"
    )
    run = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, check=True)
    assert (run.stdout, run.stderr) == (b"", b"")


def test_the_runtime_s_own_reports_to_its_makers_never_start(tmp_path: Path) -> None:
    """It would leave a session file in TMPDIR and an identifier of the machine in the home's cache, and call out."""
    path = write(tmp_path, network())
    home, temporary = tmp_path / "home", tmp_path / "temporary"
    home.mkdir()
    temporary.mkdir()
    code = (
        "import sys, time, numpy\nfrom pathlib import Path\nfrom updraft_key.model.runtime import OnnxNetwork\n"
        "OnnxNetwork(Path(sys.argv[1])).run(numpy.zeros((1, 3, 64, 64), numpy.float32))\ntime.sleep(1)"
    )
    own = {k: v for k, v in os.environ.items() if k not in ("CI", "ORT_DISABLE_TELEMETRY", "PYTEST_CURRENT_TEST")}
    own |= {"HOME": str(home), "TMPDIR": str(temporary)}
    own.pop("XDG_CACHE_HOME", None)
    subprocess.run([sys.executable, "-c", code, str(path)], env=own, check=True)
    assert [str(p) for folder in (home, temporary) for p in folder.rglob("*")] == []
