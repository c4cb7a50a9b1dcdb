"""A fair rival: the same trunk, data and budget, trained to name the generation directly.

It has the same two looks and the same rule for keeping silent: a temperature, conformal sets by label at the same
level, and a floor that keeps wrong names under the same bar on each calibration source. What it lacks is cues and
rules. Compared at its own silence and at the product's number of names, over all pictures, look-alikes, and
combinations that the training scarcely shows.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from updraft_key.model.frame import MARGIN

from .calibrate import Bars
from .checkpoint import load_network
from .config import LossWeights, TrainConfig
from .conformal import fit_temperature, least_cases, least_floor, sets, softmax, threshold
from .data import SUBJECT
from .evaluate import Target
from .measures import share
from .network import CueNet
from .passage import pictures_of

ERAS = ("iron", "alloy4", "alloy5")
NONE = 3


@dataclass(frozen=True, slots=True)
class Said:
    """What the rival says of one picture: logits of three generations and "none", and whether it found a subject."""

    record: Mapping[str, Any]
    logits: NDArray[np.float64]
    found: bool

    @property
    def truth(self) -> int:
        """Index of the true generation; 3 where there is none."""
        return ERAS.index(self.record["era"]) if self.record["kind"] == SUBJECT and self.record["era"] else NONE


@dataclass(frozen=True, slots=True)
class Silence:
    """When the rival keeps silent: temperature, conformal limits by label, floor."""

    temperature: float
    limits: NDArray[np.float64]
    floor: float


def rival_config(config: TrainConfig, out: str) -> TrainConfig:
    """The rival's configuration: everything the same but what is asked for."""
    only = LossWeights(cue=0, view=0, finish=0, count=0, heat=0, mask=0, offset=0, angle=0, attention=0)
    return replace(config, out=out, target="generation", weights=only)


def ask(net: CueNet, config: TrainConfig, target: Target) -> list[Said]:
    """Take every picture through both looks."""
    out = []
    for record, photo in pictures_of(target.folder, target.records):
        first, frame = photo.look(None, config.find_size)
        with torch.no_grad():
            answer = net(torch.from_numpy(first))
            x0, y0, x1, y1 = (float(v) * frame.size for v in answer["box"][0])
            box = frame.box_to_photo((min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)))
            second, _ = photo.look(box, config.read_size, margin=MARGIN)
            close = net(torch.from_numpy(second))
        found = float(answer["found"][0, 0]) > 0 and float(close["found"][0, 0]) > 0
        out.append(Said(record, close["generation"][0].double().numpy(), found))
    return out


def fit_silence(calibration: Mapping[str, Sequence[Said]], bars: Bars) -> Silence:
    """Find when to keep silent, by the same rules as the product's calibration."""
    every = [s for said in calibration.values() for s in said]
    logits, truth = np.array([s.logits for s in every]), np.array([s.truth for s in every])
    t = float(np.clip(fit_temperature(logits, truth), 0.25, 8.0))
    limits = np.ones(4)
    floor = 0.5
    for label in range(4):
        found = []
        for said in calibration.values():
            missed = [1.0 - softmax(s.logits, t)[label] for s in said if s.truth == label]
            if len(missed) >= least_cases(bars.alpha):
                found.append(threshold(missed, bars.alpha))
        limits[label] = max(found, default=0.5)
    for said in calibration.values():
        names = [(p.max(), int(p.argmax()) == s.truth) for s in said if (p := _named(s, t, limits, 0.0)) is not None]
        sure, right = np.array([n[0] for n in names]), np.array([n[1] for n in names], bool)
        floor = max(floor, least_floor(sure, right, bars.named))
    return Silence(t, limits, floor)


def _named(said: Said, temperature: float, limits: NDArray[np.float64], floor: float) -> NDArray[np.float64] | None:
    """Probabilities where the rival names a generation, None where it keeps silent."""
    p = softmax(said.logits, temperature)
    inside = sets(p, limits)
    best = int(p.argmax())
    alone = bool(inside.sum() == 1 and inside[best])
    return p if said.found and alone and best != NONE and p[best] >= floor else None


def compare(
    said: Sequence[Said],
    silence: Silence,
    product: Mapping[str, Mapping[str, Any]],
    wanted: Callable[[Mapping[str, Any]], bool],
) -> dict[str, Any]:
    """Figures of rival and product on the pictures that are wanted.

    Args:
        said: of the rival.
        silence: when it keeps silent.
        product: file -> row of the product's ``rows.jsonl``.
        wanted: which records.
    """
    chosen = [s for s in said if wanted(s.record) and s.record["file"] in product]
    rows = [product[str(s.record["file"])] for s in chosen]
    names = [_named(s, silence.temperature, silence.limits, silence.floor) for s in chosen]
    right = [int(p.argmax()) == s.truth for s, p in zip(chosen, names, strict=True) if p is not None]
    ours = [r["era"] is not None and r["said"] == r["era"] for r in rows if r["outcome"] == "named"]
    # The rival's surest pictures, as many as the product names.
    p_all = [softmax(s.logits, silence.temperature) for s in chosen]
    sure = [float(p[:NONE].max()) if s.found else 0.0 for s, p in zip(chosen, p_all, strict=True)]
    order = np.argsort(-np.array(sure), kind="stable")[: len(ours)]
    equal = [int(p_all[i][:NONE].argmax()) == chosen[i].truth for i in order]
    return {
        "pictures": len(chosen),
        "product": {"named": share([r["outcome"] == "named" for r in rows]).to_json(), "right": share(ours).to_json()},
        "rival": {"named": share([p is not None for p in names]).to_json(), "right": share(right).to_json()},
        "rival_at_equal_rate": {"right": share(equal).to_json()},
    }


def odd_combination(record: Mapping[str, Any]) -> bool:
    """A level handle on an alloy body, or an alloy body without its tube: retrofits and losses."""
    cues = record.get("cues") or {}
    alloy = str(record.get("era") or "").startswith("alloy")
    return alloy and (cues.get("main_jet") == "handle_level" or cues.get("scavenge_line") == "absent")


def contest(
    weights: Path, calibration: Sequence[Target], targets: Sequence[Target], rows: Path, bars: Bars, out: Path
) -> dict[str, Any]:
    """Measure a trained rival against the product's rows and write ``rival.json``.

    Args:
        weights: of the rival.
        calibration: the product's calibration pictures.
        targets: pictures to compare on.
        rows: the product's ``rows.jsonl`` on them.
        bars: the product's calibration bars.
        out: file to write.
    """
    net, about = load_network(weights)
    config = TrainConfig.from_json(about["config"])
    silence = fit_silence({t.name: ask(net, config, t) for t in calibration}, bars)
    lines = [json.loads(line) for line in rows.read_text("utf-8").splitlines()]
    result: dict[str, Any] = {
        "temperature": silence.temperature, "limits": silence.limits.tolist(), "floor": silence.floor, "sets": {},
    }  # fmt: skip
    for target in targets:
        product = {r["file"]: r for r in lines if r["set"] == target.name}
        said = ask(net, config, target)
        result["sets"][target.name] = {
            "all": compare(said, silence, product, lambda r: True),
            "units": compare(said, silence, product, lambda r: r["kind"] == SUBJECT),
            "others": compare(said, silence, product, lambda r: r["kind"] != SUBJECT),
            "odd_combinations": compare(said, silence, product, odd_combination),
        }
    out.write_text(json.dumps(result, indent=1) + "\n", "utf-8")
    return result


def main(arguments: Sequence[str]) -> int:
    """The command ``rival``; returns the exit code."""
    from .cli import run

    return run("rival", arguments)
