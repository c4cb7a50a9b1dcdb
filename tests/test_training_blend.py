"""The mean of two runs' weights."""

from __future__ import annotations

from pathlib import Path

import pytest

torch = pytest.importorskip("torch")

from updraft_key.training.blend import main  # noqa: E402
from updraft_key.training.checkpoint import read_weights, save_weights  # noqa: E402

pytestmark = pytest.mark.train


def test_floats_are_averaged_counters_and_description_are_the_last_runs(tmp_path: Path) -> None:
    one = {"w": torch.tensor([[1.0, 2.0]]), "n": torch.tensor(3)}
    two = {"w": torch.tensor([[3.0, -2.0]]), "n": torch.tensor(9)}
    save_weights(tmp_path / "one", one, {"data_hash": "a"})
    save_weights(tmp_path / "two", two, {"data_hash": "b"})
    assert main([str(tmp_path / "one"), str(tmp_path / "two"), "--out", str(tmp_path / "new" / "both")]) == 0
    mean, about = read_weights(tmp_path / "new" / "both")
    assert mean["w"].tolist() == [[2.0, 0.0]] and int(mean["n"]) == 9
    assert about["data_hash"] == "b" and len(about["blend_of"]) == 2


def test_other_architectures_and_single_runs_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    save_weights(tmp_path / "one", {"w": torch.zeros(2)}, {})
    save_weights(tmp_path / "two", {"w": torch.zeros(3)}, {})
    assert main([str(tmp_path / "one"), str(tmp_path / "two"), "--out", str(tmp_path / "x")]) == 1
    assert "architecture" in capsys.readouterr().err
    assert main([str(tmp_path / "one"), "--out", str(tmp_path / "x")]) == 1
    assert "two" in capsys.readouterr().err and not (tmp_path / "x").exists()
