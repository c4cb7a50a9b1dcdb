"""How much several photos of one unit settle together: the first picture of each scene, the first two, and so on.

The pictures go through the product's fusion and rules as one person's photos of one carburetor; nothing else is told.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from updraft_key.model.certainty import RESERVE, conclude
from updraft_key.model.cues import CueVector, Outcome
from updraft_key.model.fuse import each_alone, fuse
from updraft_key.model.key import decide
from updraft_key.model.runtime import Network

from .measures import share
from .passage import Case, pass_through, records_of, true_vector


def several(network: Network, folders: Sequence[Path]) -> dict[str, Any]:
    """Named-precision and answer rate with one photo of a unit, with two, and so on.

    Args:
        network: to ask.
        folders: sets of renders with several pictures a scene (``views`` in ``set.json``).

    Returns:
        ``units`` and, by number of photos as text, ``named_precision``, the same of the names ``without_reserve``, and
        ``answer_rate`` (named right, of those that a perfect reader of the same photos can name).

    Raises:
        ValueError: a set has one picture a scene.
    """
    units: dict[tuple[str, int], list[Case]] = {}
    most = 0
    for folder in folders:
        views = int(json.loads((folder / "set.json").read_text("utf-8"))["views"])
        if views < 2:
            raise ValueError(f"{folder}: expected several pictures a scene, got one")
        most = max(most, views)
        for case in pass_through(network, folder, records_of(folder), folder.name):
            units.setdefault((folder.name, int(case.record["seed"]) // views), []).append(case)
    known = [sorted(u, key=lambda c: int(c.record["seed"])) for u in units.values() if any(c.unit for c in u)]
    return {"units": len(known), "photos": {str(k): _with(network, known, k) for k in range(1, most + 1)}}


def _with(network: Network, units: Sequence[Sequence[Case]], photos: int) -> dict[str, Any]:
    right: list[bool] = []
    firm: list[bool] = []
    answered: list[bool] = []
    for unit in units:
        era = next(c.record["era"] for c in unit if c.unit)
        seen = unit[:photos]
        readings = [c.readings(network.spec) for c in seen]
        vector, verdict = conclude(fuse(readings), each_alone(readings))
        named = verdict.outcome is Outcome.NAMED
        if named:
            right.append(verdict.era == era)
            firm += [verdict.era == era] if RESERVE not in vector.findings else []
        true = CueVector.from_evidence(*(e for c in seen if c.unit for e in true_vector(c.record).evidence))
        if decide(true).outcome is Outcome.NAMED:
            answered.append(named and verdict.era == era)
    return {
        "named_precision": share(right).to_json(),
        "without_reserve": share(firm).to_json(),
        "answer_rate": share(answered).to_json(),
    }
