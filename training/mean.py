"""The mean of networks that began from the same weights: often reads better than each of them, and costs nothing.

Known in print as a soup of models (Wortsman and others, 2022; cited from memory): runs from one start lie in one basin,
and its middle generalises better than its rim. What it did here is measured in EXPERIMENTS.md.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from pathlib import Path

import torch

from .checkpoint import read_weights, save_weights


def write_mean(files: Sequence[Path], shares: Sequence[float], out: Path) -> None:
    """Write the weighted mean of weights files; counters and the description are those of the first.

    Args:
        files: two or more ``weights.safetensors`` of one architecture. Older ones may lack tensors that the first has,
            from before a part was added: those are the mean of the others, in proportion to their shares.
        shares: of each, positive, together 1.
        out: file to write.

    Raises:
        ValueError: fewer than two files, shares that do not fit, or tensors of other names or shapes.
    """
    if len(files) < 2 or len(files) != len(shares):
        raise ValueError(f"expected a share for each of two or more files, got {len(files)} and {len(shares)} shares")
    if min(shares) <= 0.0 or not math.isclose(sum(shares), 1.0, abs_tol=1e-6):
        raise ValueError(f"expected positive shares that sum to 1, got {', '.join(map(str, shares))}")
    first, about = read_weights(files[0])
    total = {k: t.double() * shares[0] for k, t in first.items() if t.is_floating_point()}
    given = dict.fromkeys(total, shares[0])
    for file, share in zip(files[1:], shares[1:], strict=True):
        tensors, _ = read_weights(file)
        if any(k not in first or t.shape != first[k].shape for k, t in tensors.items()):
            raise ValueError(f"{file}: expected the tensors of {files[0]}, got others")
        for name in total.keys() & tensors.keys():
            total[name].add_(tensors[name].double(), alpha=share)
            given[name] += share
    members = [
        {"sha256": hashlib.sha256(file.read_bytes()).hexdigest(), "share": share}
        for file, share in zip(files, shares, strict=True)
    ]
    mean = {k: (total[k] / given[k]).to(torch.float32) if k in total else t for k, t in first.items()}
    out.parent.mkdir(parents=True, exist_ok=True)
    save_weights(out, mean, {**about, "mean_of": members})


def main(arguments: Sequence[str]) -> int:
    """The command ``mean``; returns the exit code."""
    from .cli import run

    return run("mean", arguments)
