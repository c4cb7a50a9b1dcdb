"""Leave one ingredient out at a time: what each part of the recipe is worth, on equally many pictures.

Two kinds of runs beside the full one: ``render-<ingredient>`` trains on the pictures of the sets that were
rendered without it, ``augment-<name>`` on the full pictures without one augmentation. All see ``pictures``
pictures for the same number of epochs. Runs that are finished are not repeated; those trained elsewhere
(``.ci/campaign`` with ``ABLATION=1``) are only measured here (``measured``).

Figures are of most likely labels, before any calibration, so that no threshold hides or makes a difference: names too
are compared at equal answer rates, those of which a run is surest. Beside them stands what each run names when it is
calibrated as the product is. The recipe may be guided by the totals of the second look's half for calibration only;
the other half is reported.
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

from .calibrate import Bars, fitted
from .checkpoint import WEIGHTS, read_weights
from .config import AUGMENTS, INGREDIENTS, TrainConfig
from .data import kept, read_records
from .export import export
from .harm import KINDS15, KINDS_EXTRA, harm_of
from .measures import auroc, share
from .passage import Case, ceiling, opened, overlap, pass_through, records_of, thinned, truth_of
from .second_look import USES, read_second_look

log = logging.getLogger(__name__)
FULL = "full"
RATES = (0.2, 0.4, 0.65)
"""Answer rates at which names are compared, shares of what a perfect reader names."""
SEVERITY = 3
"""Of the corruption suite's kinds, 1 to 5, under which runs are compared."""


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


def named_by_itself(cases: Sequence[Case], spec: ModelSpec) -> dict[str, Any]:
    """What a calibrated run names by its own rules: how often it is right, and how many of those that can be named.

    Args:
        cases: of one source.
        spec: description of the network that read them, calibrated on other pictures.
    """
    named = [(c, v) for c in cases if (v := c.verdict(spec)).outcome is Outcome.NAMED]
    right = [c.unit and v.era == c.record["era"] for c, v in named]
    can = [c for c in cases if c.unit and ceiling(c.record).outcome is Outcome.NAMED]
    told = {id(c) for (c, _), ok in zip(named, right, strict=True) if ok}
    return {"right": share(right).to_json(), "of_ceiling": share([id(c) in told for c in can]).to_json()}


def measure(
    run: Path,
    held: Sequence[Path],
    second_look: Path | None,
    known: Sequence[Path] = (),
    bars: Bars | None = None,
    harmed: int = 0,
) -> dict[str, Any]:
    """Export a finished run and measure it on each source.

    Args:
        run: folder with its weights.
        held: sets to measure on.
        second_look: the pictures of another hand, both halves by themselves.
        known: sets to calibrate on, with the second look's half for it; none leaves out ``named_by_itself``.
        bars: of the calibration.
        harmed: subjects of each of ``held`` to be read under every kind of the corruption suite too.
    """
    path = run / "cues.onnx"
    export(run / WEIGHTS, path, run.name)
    network = OnnxNetwork(path)
    sources = [(folder.name, folder, records_of(folder)) for folder in held]
    if second_look is not None:
        sources += [(f"second_look_{use}", second_look, read_second_look(second_look, use)) for use in USES]
    read = {name: pass_through(network, folder, records, name) for name, folder, records in sources}
    out = {name: {**figures_of(cases), "names_at": names_at(cases, network.spec)} for name, cases in read.items()}
    for folder in held if harmed else ():
        few = thinned([r for r in records_of(folder) if r.get("subject_box")], harmed)
        cases = [c for kind in (*KINDS15, *KINDS_EXTRA)
                 for c in pass_through(network, folder, few, folder.name, harm_of(kind, SEVERITY))]  # fmt: skip
        out[folder.name]["visible_cues_right_harmed"] = figures_of(cases)["visible_cues_right"]
    if known:
        cases = [c for folder in known for c in pass_through(network, folder, records_of(folder), folder.name)]
        cases += [replace(c, source="second_look") for c in read.get("second_look_calibrate", ())]
        spec = fitted(network, cases, bars or Bars())
        for name in read:
            out[name]["named_by_itself"] = named_by_itself(read[name], spec)
    return out


def measured(
    runs: Sequence[Path],
    out: Path,
    held: Sequence[Path],
    second_look: Path | None,
    known: Sequence[Path],
    bars: Bars,
    harmed: int = 0,
) -> Mapping[str, Any]:
    """Measure runs that are trained, and write ``ablation.json`` into ``out``; see ``measure``."""
    out.mkdir(parents=True, exist_ok=True)
    results: dict[str, Any] = {"runs": {}}
    for run in runs:
        results["runs"][run.name] = measure(run, held, second_look, known, bars, harmed)
        (out / "ablation.json").write_text(json.dumps(results, indent=1) + "\n", "utf-8")
        figures = results["runs"][run.name].items()
        log.info("%s: %s", run.name, {name: source["visible_cues_right"]["value"] for name, source in figures})
    return results


def train_all(config: TrainConfig, out: Path, pictures: int) -> list[Path]:
    """Train every run of the plan that is not finished; return their folders."""
    from .loop import here, train

    runs = plan(config, out, pictures)
    for run in runs:
        if not finished(run):
            train(run, here())
    return [Path(run.out) for run in runs]


def main(arguments: Sequence[str]) -> int:
    """The command ``ablate``; returns the exit code."""
    from .cli import run

    return run("ablate", arguments)
