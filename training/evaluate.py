"""Figures of the product: pictures go through ``updraft_key.model`` as a person's photos do.

    updraft-key evaluate --model model/weights/cues.onnx --set sets/held --second-look ../shared/second_look --out DIR

writes ``metrics.json`` (and ``rows.jsonl``, one line a picture). Figures of the second look are those of its
``validate`` half. Sets of renders, pictures of another hand and real photos are never added together.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from updraft_key.model.answer import ModelId
from updraft_key.model.cues import CUES, Cue, Verdict
from updraft_key.model.frame import NetInput
from updraft_key.model.identify import Identifier
from updraft_key.model.photo import Photo
from updraft_key.model.runtime import Network, OnnxNetwork, RawOutputs
from updraft_key.model.spec import ModelSpec, labels_of

from .data import SUBJECT
from .export import int8_beside
from .harm import KINDS15, KINDS_EXTRA, Harm, harm_of, harmed
from .measures import share
from .passage import ceiling, overlap, pictures_of, plain_photos, records_of, thinned, truth_of
from .second_look import read_second_look
from .several import several
from .tally import LEAST_SCREW_PX, CueRow, Row, tally

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Target:
    """One set to report on: its name, folder and records; ``own`` for our own held-out renders."""

    name: str
    folder: Path
    records: tuple[Mapping[str, Any], ...]
    own: bool = False


class Recorder:
    """A network that remembers its last outputs, so that one passage gives both answers and raw figures."""

    def __init__(self, network: Network) -> None:
        self._network = network
        self.last: RawOutputs = {}

    @property
    def spec(self) -> ModelSpec:
        """See ``Network``."""
        return self._network.spec

    @property
    def model_id(self) -> ModelId:
        """See ``Network``."""
        return self._network.model_id

    def run(self, image: NetInput) -> RawOutputs:
        """See ``Network``."""
        self.last = self._network.run(image)
        return self.last


def _words(verdict: Verdict) -> tuple[str, ...]:
    return tuple(map(str, verdict.candidates))


def row_of(identifier: Identifier, recorder: Recorder, record: Mapping[str, Any], photo: Photo) -> Row:
    """Ask the product about one picture and put the answer beside the truth."""
    answer = identifier.read(str(record["file"]), photo)
    whole = identifier.decide([answer])
    verdict = whole.verdict
    readings = answer.readings
    unit = record["kind"] == SUBJECT and record.get("subject_box") is not None
    top = ceiling(record) if unit else None
    box = record.get("subject_box")
    found = readings is not None and readings.subject.found
    cues: dict[str, CueRow] = {}
    angle = None
    view = ""
    if readings is not None and found:
        view = readings.view
        for cue in CUES:
            said = readings.cues[cue]
            truth = truth_of(record, cue)
            p = tuple(said.probabilities[w] for w in labels_of(cue))
            best = labels_of(cue)[int(np.argmax(p))]
            cues[str(cue)] = CueRow(p, best, said.accepted, None if truth is None else labels_of(cue)[truth])
        measured = readings.cues[Cue.MAIN_JET].angle
        angle = None if measured is None else (measured.value, measured.low, measured.high)
    seen_box = None if readings is None else readings.subject.box
    true_view = truth_of(record, "view")
    sides = [b for k, b in (record.get("boxes") or {}).items() if k.startswith(("joint_screw_", "screw_thread_"))]
    handle = record.get("handle") or {}
    return Row(
        file=str(record["file"]),
        kind=str(record["kind"]),
        era=record["era"] if unit else None,
        ceiling=None if top is None else (str(top.outcome), None if top.era is None else str(top.era), _words(top)),
        outcome=str(verdict.outcome),
        said=None if verdict.era is None else str(verdict.era),
        candidates=_words(verdict),
        found=found,
        score=0.0 if readings is None else readings.subject.probability,
        similarity=float(recorder.spec.reference.score(recorder.last["feature"])[0]) if readings is not None else -1.0,
        box_overlap=None if box is None or seen_box is None else overlap(seen_box, box),
        view=(None if true_view is None else labels_of("view")[true_view], view),
        finish=record.get("finish"),
        scene=record.get("scene"),
        extent=None if box is None else max(box[2] - box[0], box[3] - box[1]) / max(photo.width, photo.height),
        cues=cues,
        count_true=truth_of(record, "count"),
        count_all=bool(record.get("all_screws"))
        and all(min(b[2] - b[0], b[3] - b[1]) >= LEAST_SCREW_PX for b in sides),
        count_peaks=None if readings is None or not found else len(readings.cues[Cue.JOINT_SCREWS].marks),
        count_head=int(np.argmax(recorder.last["count"][0])) if found else None,
        angle_true=handle.get("space_deg"),
        angle=angle,
        reserved=whole.reserved,
    )


def rows_of(network: Network, target: Target, harm: Harm | None = None) -> Iterator[Row]:
    """Ask the product about every picture of a set, each harmed first if asked."""
    recorder = Recorder(network)
    identifier = Identifier(recorder)
    for record, photo in pictures_of(target.folder, target.records):
        yield row_of(identifier, recorder, record, photo if harm is None else harmed(photo, harm))


def agreement(a: Sequence[Row], b: Sequence[Row]) -> dict[str, Any]:
    """How often two networks give the same verdict on the same pictures."""
    same = [x.outcome == y.outcome and x.said == y.said for x, y in zip(a, b, strict=True)]
    return {
        "same_verdict": share(same).to_json(),
        "other_name": share([x.named and y.named and x.said != y.said for x, y in zip(a, b, strict=True)]).to_json(),
    }


def corruptions(network: Network, target: Target, kinds: Sequence[str], seed: int = 0) -> dict[str, Any]:
    """Named-precision and answer rate under each kind and severity of the corruption suite.

    Args:
        network: to ask.
        target: pictures; choose few, the suite multiplies them by five for each kind.
        kinds: names of the suite (``imagecorruptions-imaug`` 1.1.5).
        seed: of the corruptions' noise.
    """
    each: dict[str, Any] = {}
    named_right: list[bool] = []
    firm_right: list[bool] = []
    for kind in kinds:
        lines = []
        for severity in range(1, 6):
            rows = list(rows_of(network, target, harm_of(kind, severity, seed)))
            named_right += [r.right for r in rows if r.named]
            firm = [r.right for r in rows if r.named and not r.reserved]
            firm_right += firm
            could = [r for r in rows if r.ceiling is not None and r.ceiling[0] == "named"]
            lines.append(
                {
                    "severity": severity,
                    "named_precision": share([r.right for r in rows if r.named]).to_json(),
                    "without_reserve": share(firm).to_json(),
                    "answer_rate": share([r.named for r in could]).to_json(),
                }
            )
        each[kind] = lines
        log.info("%s done", kind)
    return {
        "pictures": len(target.records),
        "kinds": each,
        "mean_named_precision": _mean_of(each, "named_precision"),
        "pooled_named_precision": share(named_right).to_json(),
        "mean_without_reserve": _mean_of(each, "without_reserve"),
        "pooled_without_reserve": share(firm_right).to_json(),
    }


def _mean_of(each: Mapping[str, Sequence[Mapping[str, Any]]], key: str) -> float | None:
    """Mean of a share over kinds and severities; where nothing was named there is none."""
    told = [v for lines in each.values() for line in lines if (v := line[key]["value"]) is not None]
    return None if not told else round(float(np.mean(told)), 5)


def targets_from(
    sets: Sequence[Path], second_look: Path | None, cases: Sequence[Path], photos: Sequence[Path], limit: int
) -> list[Target]:
    """Gather what to report on; real photos (``cases``) and plain photos keep names of their own."""
    out = [Target(f.name, f, tuple(records_of(f, limit)), own=True) for f in sets]
    if second_look is not None:
        out.append(Target("second_look", second_look, tuple(read_second_look(second_look, "validate"))))
    out += [Target(f"real:{f.name}", f, tuple(records_of(f))) for f in cases]
    for folder in photos:
        records: tuple[Mapping[str, Any], ...] = tuple(plain_photos(folder))
        out.append(Target(f"photos:{folder.name}", folder, records))
    return out


JOINED = "all own sets"
"""Name under which several sets of our own renders are reported once more, all together: what needs many cases, such as
the calibration error, is told by these."""


def evaluate(
    path: Path,
    targets: Sequence[Target],
    out: Path,
    *,
    corrupted: int = 0,
    by_unit: Sequence[Path] = (),
    eight_bit: bool = True,
    command: str = "",
    seed: int = 0,
) -> dict[str, Any]:
    """Write ``metrics.json`` and ``rows.jsonl`` into ``out`` and return the figures.

    Args:
        path: the float32 network file; figures are of this file.
        targets: sets to report on.
        out: folder to write into.
        corrupted: pictures of the first set for the corruption suite; 0 leaves it out.
        by_unit: sets with several pictures a scene, to report on several photos of one unit.
        eight_bit: compare with the int8 file beside it, if there is one.
        command: how it was called, kept with the figures.
        seed: of resampling and of the corruption suite.
    """
    out.mkdir(parents=True, exist_ok=True)
    network = OnnxNetwork(path)
    small = OnnxNetwork(int8_beside(path)) if eight_bit and int8_beside(path).is_file() else None
    rng = np.random.default_rng(seed)
    figures: dict[str, Any] = {
        "schema": "updraft-key/metrics/1",
        "model": {
            "name": network.spec.name,
            "version": network.spec.version,
            "sha256": network.model_id.sha256,
            "bytes": path.stat().st_size,
            "data_hash": network.spec.data_hash,
            "commit": network.spec.commit,
        },
        "command": command,
        "alpha": network.spec.calibration.alpha,
        "calibration_cases": dict(network.spec.calibration.cases),
        "sets": {},
    }
    if by_unit:
        figures["several_photos"] = several(network, by_unit)
    joined: list[Row] = []
    joined_small: list[Row] = []
    with (out / "rows.jsonl").open("w", encoding="utf-8") as handle:
        for target in targets:
            rows = list(rows_of(network, target))
            figures["sets"][target.name] = tally(rows, rng)
            if small is not None:
                rows_small = list(rows_of(small, target))
                figures["sets"][target.name]["int8"] = agreement(rows, rows_small)
                joined_small += rows_small if target.own else []
            joined += rows if target.own else []
            for row in rows:
                handle.write(json.dumps({"set": target.name, **asdict(row)}) + "\n")
            log.info("%s: %s", target.name, figures["sets"][target.name]["verdict"]["named_precision"])
    if sum(t.own for t in targets) > 1:
        figures["sets"][JOINED] = tally(joined, rng)
        if small is not None:
            figures["sets"][JOINED]["int8"] = agreement(joined, joined_small)
    if corrupted and targets:
        first = targets[0]
        units = [r for r in first.records if r["kind"] == SUBJECT]
        few = Target(first.name, first.folder, tuple(thinned(units, corrupted)))
        figures["corruptions"] = {
            "standard15": corruptions(network, few, KINDS15, seed),
            "extra4": corruptions(network, few, KINDS_EXTRA, seed),
        }
    (out / "metrics.json").write_text(json.dumps(figures, indent=1) + "\n", "utf-8")
    return figures


def main(arguments: Sequence[str]) -> int:
    """The command ``evaluate``; returns the exit code."""
    from .cli import run

    return run("evaluate", arguments)
