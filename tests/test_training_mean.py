"""The mean of weights: by hand on tiny files, and that a wrong question is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

torch = pytest.importorskip("torch")

from updraft_key.training.checkpoint import read_weights, save_weights  # noqa: E402
from updraft_key.training.mean import write_mean  # noqa: E402


def test_each_tensor_is_the_weighted_mean_and_the_file_says_of_what(tmp_path: Path) -> None:
    a, b, out = tmp_path / "a.safetensors", tmp_path / "b.safetensors", tmp_path / "new" / "m.safetensors"
    save_weights(a, {"w": torch.tensor([1.0, 3.0]), "seen": torch.tensor(7)}, {"config": {"seed": 1}})
    save_weights(b, {"w": torch.tensor([5.0, -1.0]), "seen": torch.tensor(9)}, {"config": {"seed": 2}})
    write_mean([a, b], [0.75, 0.25], out)
    tensors, about = read_weights(out)
    assert tensors["w"].tolist() == [2.0, 2.0] and int(tensors["seen"]) == 7
    assert about["config"] == {"seed": 1} and [m["share"] for m in about["mean_of"]] == [0.75, 0.25]
    assert len({m["sha256"] for m in about["mean_of"]}) == 2


def test_a_part_that_an_older_file_lacks_is_the_mean_of_the_others(tmp_path: Path) -> None:
    new, newer, old = (tmp_path / f"{n}.safetensors" for n in ("new", "newer", "old"))
    save_weights(new, {"w": torch.tensor([1.0]), "part": torch.tensor([2.0])}, {})
    save_weights(newer, {"w": torch.tensor([2.0]), "part": torch.tensor([6.0])}, {})
    save_weights(old, {"w": torch.tensor([5.0])}, {})
    write_mean([new, newer, old], [0.25, 0.25, 0.5], tmp_path / "m.safetensors")
    tensors, _ = read_weights(tmp_path / "m.safetensors")
    assert tensors["w"].tolist() == [3.25] and tensors["part"].tolist() == [4.0]
    with pytest.raises(ValueError, match="others"):
        write_mean([old, new], [0.5, 0.5], tmp_path / "n.safetensors")


@pytest.mark.parametrize("shares", [[1.0], [0.5, 0.6], [1.5, -0.5], [0.5, 0.3, 0.2]])
def test_shares_that_do_not_fit_are_refused(tmp_path: Path, shares: list[float]) -> None:
    file = tmp_path / "a.safetensors"
    save_weights(file, {"w": torch.zeros(2)}, {})
    with pytest.raises(ValueError, match="share"):
        write_mean([file, file], shares, tmp_path / "m.safetensors")


def test_another_architecture_is_refused(tmp_path: Path) -> None:
    a, b = tmp_path / "a.safetensors", tmp_path / "b.safetensors"
    save_weights(a, {"w": torch.zeros(2)}, {})
    save_weights(b, {"w": torch.zeros(3)}, {})
    with pytest.raises(ValueError, match="others"):
        write_mean([a, b], [0.5, 0.5], tmp_path / "m.safetensors")
