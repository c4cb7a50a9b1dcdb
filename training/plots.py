"""Plots of measured figures: reliability of each cue, and the confusion of generations."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from updraft_key.model.cues import CUES

_INK, _BLUE, _RUST = "#24303a", "#2c6e8f", "#a8502a"


def draw_plots(figures: Mapping[str, Any], out: Path) -> list[Path]:
    """Draw ``reliability_<set>.png`` and ``confusion_<set>.png`` for every set of a metrics.json.

    Returns:
        The files written.
    """
    import_module("matplotlib").use("Agg")
    pyplot = import_module("matplotlib.pyplot")
    made = []
    for name, figure in figures["sets"].items():
        safe = name.replace(":", "_").replace("/", "_")
        if any(figure["cues"][str(c)]["n"] for c in CUES):
            made.append(out / f"reliability_{safe}.png")
            _reliability(pyplot, figure, name, made[-1])
        if figure["confusion"]:
            made.append(out / f"confusion_{safe}.png")
            _confusion(pyplot, figure["confusion"], name, made[-1])
    return made


def _reliability(pyplot: Any, figure: Mapping[str, Any], name: str, path: Path) -> None:
    canvas, axes = pyplot.subplots(2, 3, figsize=(10.5, 7.2), sharex=True, sharey=True, layout="constrained")
    for cue, axis in zip(CUES, axes.flat, strict=True):
        axis.plot([0, 1], [0, 1], color="#9aa5ad", linewidth=1)
        axis.set_title(str(cue).replace("_", " "), color=_INK, fontsize=11)
        shown = figure["cues"][str(cue)]
        if not shown["n"]:
            axis.text(0.5, 0.5, "no labelled pictures", ha="center", color=_INK)
            continue
        bins = shown["reliability"]
        counts = np.array(bins["counts"])
        filled = counts > 0
        x, y = np.array(bins["confidence"])[filled], np.array(bins["right"])[filled]
        axis.scatter(x, y, s=12 + 160 * np.sqrt(counts[filled] / counts.sum()), color=_BLUE, alpha=0.75, linewidths=0)
        axis.text(0.03, 0.93, f"ECE {bins['ece']:.3f}, n {bins['n']}", color=_INK, fontsize=9)
    axes[1, 1].set_xlabel("probability of the most likely label")
    axes[0, 0].set_ylabel("share right")
    axes[1, 0].set_ylabel("share right")
    canvas.suptitle(f"How far probabilities can be believed: {name}", color=_INK)
    canvas.savefig(path, dpi=110)
    pyplot.close(canvas)


def _confusion(pyplot: Any, confusion: Mapping[str, Mapping[str, int]], name: str, path: Path) -> None:
    rows = list(confusion)
    order = ("iron", "alloy4", "alloy5", "shortlist", "conflict", "not_seen", "retake")
    columns = [c for c in order if any(c in line for line in confusion.values())]
    values = np.array([[confusion[r].get(c, 0) for c in columns] for r in rows], float)
    part = values / np.maximum(values.sum(axis=1, keepdims=True), 1)
    canvas, axis = pyplot.subplots(figsize=(1.6 + 1.05 * len(columns), 1.6 + 0.75 * len(rows)), layout="constrained")
    axis.imshow(part, cmap="Blues", vmin=0, vmax=1.15, aspect="auto")
    for i, j in np.ndindex(*values.shape):
        wrong = columns[j] in ("iron", "alloy4", "alloy5") and columns[j] != rows[i] and values[i, j] > 0
        axis.text(j, i, f"{int(values[i, j])}", ha="center", va="center", fontsize=11,
                  color=_RUST if wrong else "white" if part[i, j] > 0.6 else _INK,
                  fontweight="bold" if wrong else "normal")  # fmt: skip
    axis.set_xticks(range(len(columns)), [c.replace("_", " ") for c in columns], rotation=20, ha="right")
    axis.set_yticks(range(len(rows)), rows)
    axis.set_xlabel("answer")
    axis.set_ylabel("truth")
    axis.set_title(f"{name}: pictures", color=_INK, fontsize=11)
    canvas.savefig(path, dpi=110)
    pyplot.close(canvas)
