"""Quick measures on held pictures after each epoch: to see a run go wrong, never to be quoted as accuracy."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from torch import Tensor
from updraft_key.model.cues import CUES, READINGS

from .looks import Targets

Values = NDArray[np.generic]


def quick_measures(name: str, out: Mapping[str, Tensor], targets: Targets) -> dict[str, Values]:
    """Return rights and wrongs of one batch by measure; means over all batches are what is reported.

    Args:
        name: ``find`` or ``read``.
        out: of the network.
        targets: of the same look.
    """
    plain = {k: v.float().cpu().numpy() for k, v in out.items() if k not in ("heat", "attention")}
    known = targets.found >= 0
    right: dict[str, Values] = {
        f"held/{name}/found": ((plain["found"][:, 0] > 0) == (targets.found == 1))[known],
        f"held/{name}/box_overlap": _overlap(plain["box"], targets.box),
    }
    if name == "read":
        for k, cue in enumerate(CUES):
            truth = targets.cues[:, k]
            said = plain[str(cue)].argmax(1)
            right[f"held/{cue}"] = (said == truth)[truth >= 0]
            seen = (truth >= 0) & (truth < len(READINGS[cue]))
            right[f"held/{cue}/seen"] = (said == truth)[seen]
        right["held/view"] = (plain["view"].argmax(1) == targets.view)[targets.view >= 0]
        right["held/count"] = (plain["count"].argmax(1) == targets.count)[targets.count >= 0]
    if "generation" in plain:
        truth = targets.era
        right[f"held/{name}/generation"] = (plain["generation"].argmax(1) == truth)[truth >= 0]
    return right


def _overlap(box: NDArray[np.float32], true: NDArray[np.float32]) -> Values:
    rows = np.isfinite(true).all(axis=1)
    a, b = box[rows], true[rows]
    common = np.prod(np.clip(np.minimum(a[:, 2:], b[:, 2:]) - np.maximum(a[:, :2], b[:, :2]), 0, None), axis=1)
    area = np.prod(a[:, 2:] - a[:, :2], axis=1) + np.prod(b[:, 2:] - b[:, :2], axis=1) - common
    return np.asarray(common / np.maximum(area, 1e-9))
