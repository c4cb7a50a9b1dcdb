"""Leave one ingredient out at a time: what each part of the recipe is worth, on equally many pictures.

Two kinds of runs beside the full one: ``render-<ingredient>`` trains on the pictures of the sets that were
rendered without it, ``augment-<name>`` on the full pictures without one augmentation. All see ``pictures``
pictures for the same number of epochs. Runs that are finished are not repeated, so that the training may be done
elsewhere (``python -m updraft_key.training.loop --config OUT/<run>/config.json``) and only measured here.

Figures are of most likely labels, before any calibration, so that no threshold hides or makes a difference: names too
are compared at equal answer rates, those of which a run is surest. The recipe may be guided by the totals of the second
look's half for calibration only; the other half is reported.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from updraft_key.model.certainty import together
from updraft_key.model.cues import CUES, OUT_OF_SIGHT, Outcome
from updraft_key.model.fuse import fuse
from updraft_key.model.runtime import OnnxNetwork
from updraft_key.model.spec import ModelSpec, labels_of

from .checkpoint import WEIGHTS, read_weights
from .config import AUGMENTS, INGREDIENTS, TrainConfig
from .data import kept, read_records
from .export import export
from .measures import auroc, share
from .passage import Case, ceiling, opened, overlap, pass_through, records_of, truth_of
from .second_look import USES, read_second_look

log = logging.getLogger(__name__)
FULL = "full"
RATES = (0.2, 0.4, 0.65)
"""Answer rates at which names are compared, shares of what a perfect reader names."""


def plan(config: TrainConfig, out: Path, pictures: int) -> list[TrainConfig]:
    """Write one configuration a run into ``out`` and return them.

    Ingredients without enough pictures rendered without them are left out of the plan.
    """
    records = [r for s in config.sets for r in read_records(Path(s))]
    config = replace(config, matched=True)
    runs = [replace(config, out=str(out / FULL), limit=pictures)]
    for name in INGREDIENTS:
        if sum(kept(r, (name,)) and bool(r.get("ingredients")) for r in records) >= 0.5 * pictures:
            runs.append(replace(config, out=str(out / f"render-{name}"), limit=pictures, leave_out=(name,)))
        else:
            log.info("too few pictures without %s; not compared", name)
    runs += [replace(config, out=str(out / f"augment-{n}"), limit=pictures, no_augment=(n,)) for n in AUGMENTS]
    for run in runs:
        Path(run.out).mkdir(parents=True, exist_ok=True)
        run.save(Path(run.out) / "config.json")
    return runs


def finished(run: TrainConfig) -> bool:
    """The run's weights are there, of its last epoch; of its second stage where that goes by the clock."""
    path = Path(run.out) / WEIGHTS
    if not path.is_file():
        return False
    done = read_weights(path)[1].get("epoch", 0)
    return done > run.epochs_heads if run.seconds else done == run.epochs


def figures_of(cases: Sequence[Case]) -> dict[str, Any]:
    """Plain figures of one source: cues read right where visible, unseen parts left alone, found, counted."""
    placed = [c for c in cases if c.unit]
    seen: list[bool] = []
    unseen: list[bool] = []
    by_cue: dict[str, Any] = {}
    for cue in CUES:
        mine: list[bool] = []
        for case in placed:
            truth = truth_of(case.record, cue)
            if truth is None:
                continue
            said = int(case.logits(cue).argmax())
            if labels_of(cue)[truth] == OUT_OF_SIGHT:
                unseen.append(said == truth)
            else:
                mine.append(said == truth)
        seen += mine
        by_cue[str(cue)] = share(mine).to_json()
    counted = [int(c.logits("count").argmax()) == t for c in placed if (t := truth_of(c.record, "count")) is not None]
    score = np.array([min(c.first, c.second) for c in placed])
    other = np.array([min(c.first, c.second) for c in cases if not c.unit])
    return {
        "visible_cues_right": share(seen).to_json(),
        "unseen_left_alone": share(unseen).to_json(),
        "by_cue": by_cue,
        "counted_exactly": share(counted).to_json(),
        "box_over_half": share([overlap(c.box, c.record["subject_box"]) >= 0.5 for c in placed]).to_json(),
        "auroc_found": auroc(score, other),
    }


def names_at(cases: Sequence[Case], spec: ModelSpec, rates: Sequence[float] = RATES) -> dict[str, Any]:
    """How many are right of the names of which all cues together are surest.

    Args:
        cases: of one source.
        spec: description of the network that read them; its thresholds play no part.
        rates: shares of the pictures that a perfect reader can name.
    """
    spec = opened(spec)
    told: list[tuple[float, bool]] = []
    for case in cases:
        if case.unit and ceiling(case.record).outcome is Outcome.NAMED:
            odds = together(fuse([case.readings(spec)]))
            era = max(odds, key=lambda e: odds[e])
            told.append((odds[era], era == case.record["era"]))
    told.sort(key=lambda t: -t[0])
    return {f"{rate:g}": share([right for _, right in told[: round(rate * len(told))]]).to_json() for rate in rates}


def measure(run: TrainConfig, held: Sequence[Path], second_look: Path | None) -> dict[str, Any]:
    """Export a finished run and measure it on each source."""
    path = Path(run.out) / "cues.onnx"
    export(Path(run.out) / WEIGHTS, path, Path(run.out).name)
    network = OnnxNetwork(path)
    sources = [(folder.name, folder, records_of(folder)) for folder in held]
    if second_look is not None:
        sources += [(f"second_look_{use}", second_look, read_second_look(second_look, use)) for use in USES]
    out = {}
    for name, folder, records in sources:
        cases = pass_through(network, folder, records, name)
        out[name] = {**figures_of(cases), "names_at": names_at(cases, network.spec)}
    return out


def ablate(
    config: TrainConfig, out: Path, held: Sequence[Path], second_look: Path | None, pictures: int
) -> Mapping[str, Any]:
    """Train what is not trained yet, measure every run, and write ``ablation.json`` into ``out``."""
    from .loop import here, train

    results: dict[str, Any] = {"pictures": pictures, "epochs": config.epochs, "runs": {}}
    for run in plan(config, out, pictures):
        if not finished(run):
            train(run, here())
        name = Path(run.out).name
        results["runs"][name] = measure(run, held, second_look)
        log.info("%s: %s", name, {k: v["visible_cues_right"]["value"] for k, v in results["runs"][name].items()})
        (out / "ablation.json").write_text(json.dumps(results, indent=1) + "\n", "utf-8")
    return results


def main(arguments: Sequence[str]) -> int:
    """The command ``ablate``; returns the exit code."""
    from .cli import run

    return run("ablate", arguments)
