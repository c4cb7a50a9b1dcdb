"""Calibration of a trained file on pictures it was not trained on; writes the numbers into its description.

In order: temperatures; peak thresholds; the angle's interval (where the root then has a peak); the feature reference;
found thresholds; conformal thresholds by label; and floors. A reading is accepted only when it passes both its
conformal set (a promise about coverage at level alpha) and its floor (found so that the *wrong* statements among the
accepted stay under a bar on each source by itself). Whether accepted statements make a name is not asked here: that
takes all cues together (``model.certainty``), which in folds names more, and more of it rightly, than any floor that
was raised until no wrong name was left among the calibration pictures.

Sources are kept apart: renders of held-out shapes are many and easy, pictures of another hand few and telling.
Whatever is stricter wins. ``validate`` pictures cannot come in here (``second_look.read_second_look``).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, LANDMARKS, Cue
from updraft_key.model.peaks import find_peaks
from updraft_key.model.readings import SHOWN_BY
from updraft_key.model.runtime import Network, OnnxNetwork
from updraft_key.model.spec import (
    SOFTMAX_HEADS,
    Calibration,
    ModelSpec,
    Reference,
    labels_of,
    no_reference,
    reference_from,
)

from .conformal import fit_temperature, least_cases, least_floor, softmax, threshold
from .export import restamp
from .passage import Case, overlap, pass_through, plain_photos, records_of, thinned, truth_of
from .second_look import read_second_look

Floats = NDArray[np.float64]
ANGLE_UNIT = 45.0
PEAKS = np.array([0.03, 0.05, 0.07, 0.1, 0.13, 0.16, 0.2, 0.24, 0.28, 0.32, 0.36, 0.4, 0.45, 0.5, 0.55, 0.6])
"""Thresholds of the heatmap that are tried."""
LEAST_LIMIT = 0.2
"""Smallest conformal threshold that is used. A very sure head's own would ask for 0.9999 and more; a larger
threshold only makes sets larger, so the promised coverage stays, and precision is the floors' work."""


@dataclass(frozen=True, slots=True)
class Bars:
    """What calibration aims at.

    Attributes:
        alpha: error level of the conformal sets.
        statement: largest share of wrong statements among the accepted, by label and source.
        named: largest share of wrong names that the rival may give, by source (``rival``).
        near: largest share of look-alikes that may pass as subjects.
        far: largest share of other photos that may pass.
        keep: least share of subjects that must still pass the found thresholds.
        familiar: share of subjects that the feature reference may turn away.
        angle: coverage of the handle's interval.
        prototypes: features kept as reference.
    """

    alpha: float = 0.02
    statement: float = 0.03
    named: float = 0.004
    near: float = 0.02
    far: float = 0.002
    keep: float = 0.97
    familiar: float = 0.005
    angle: float = 0.90
    prototypes: int = 600

    def __post_init__(self) -> None:
        if not 0 < self.alpha < 1 or not 0 < self.angle < 1:
            raise ValueError("alpha and angle: expected shares between 0 and 1")


def calibrate(
    path: Path,
    sets: Sequence[Path],
    second_look: Path | None,
    bars: Bars,
    limit: int = 0,
    photos: Sequence[Path] = (),
) -> ModelSpec:
    """Calibrate a network file in place (its int8 sibling gets the same description).

    Args:
        path: the float32 ONNX file.
        sets: held-out sets of our own record form.
        second_look: folder of the pictures from another hand; its ``calibrate`` half is used.
        bars: what to aim at.
        limit: most pictures of each own set; 0 for all.
        photos: folders of real photographs of other things, to set what counts as found.

    Raises:
        ValueError: when there is nothing to calibrate on.
    """
    network = OnnxNetwork(path)
    cases: list[Case] = []
    for folder in sets:
        cases += pass_through(network, folder, records_of(folder, limit), folder.name)
    if second_look is not None:
        cases += pass_through(network, second_look, read_second_look(second_look, "calibrate"), "second_look")
    for folder in photos:
        cases += pass_through(network, folder, plain_photos(folder), f"photos:{folder.name}")
    spec = fitted(network, cases, bars)
    restamp(path, spec)
    return spec


def fitted(network: Network, cases: Sequence[Case], bars: Bars) -> ModelSpec:
    """Return the network's description with every number found on the cases.

    Raises:
        ValueError: when no case shows a subject.
    """
    units = [c for c in cases if c.unit]
    if not units:
        raise ValueError("expected calibration pictures with subjects, got none")
    placed = [c for c in units if overlap(c.box, c.record["subject_box"]) >= 0.3]
    calibration = Calibration(alpha=bars.alpha, temperatures=temperatures(cases, placed))
    calibration = with_peaks(calibration, placed)
    calibration = with_angle(calibration, placed, bars)
    spec = replace(network.spec, calibration=calibration, reference=reference(units, bars))
    spec = replace(spec, calibration=with_found(spec, cases, bars))
    spec = replace(spec, calibration=with_sets(spec.calibration, placed, bars))
    return replace(spec, calibration=with_floors(spec, placed, bars))


def sources_of(cases: Iterable[Case]) -> list[str]:
    """Names of the sources, in order of their first case."""
    return list(dict.fromkeys(c.source for c in cases))


def known(cases: Sequence[Case], head: str) -> tuple[Floats, NDArray[np.int64]]:
    """Logits (n, k) and true labels (n,) of the cases whose label is known."""
    rows = [(c.logits(head), t) for c in cases if (t := truth_of(c.record, head)) is not None]
    width = len(labels_of(head))
    return (
        np.array([r for r, _ in rows], np.float64).reshape(-1, width),
        np.array([t for _, t in rows], np.int64),
    )


def temperatures(cases: Sequence[Case], placed: Sequence[Case]) -> dict[str, float]:
    """One temperature a head, fitted on the held-out renders (on whatever there is, without them)."""
    own = [c for c in placed if c.source != "second_look"] or list(placed)
    out = {}
    for head in SOFTMAX_HEADS:
        logits, truth = known(own, head)
        out[head] = float(np.clip(fit_temperature(logits, truth), 0.25, 8.0))
    mine = [c for c in cases if c.source != "second_look"] or list(cases)
    scores = np.array([[0.0, logit] for c in mine for logit in (c.first, c.second)])
    truth = np.array([int(c.unit) for c in mine for _ in range(2)])
    both = 0 < truth.sum() < len(truth)
    out["found"] = float(np.clip(fit_temperature(scores, truth), 0.25, 8.0)) if both else 1.0
    return out


def with_angle(calibration: Calibration, placed: Sequence[Case], bars: Bars) -> Calibration:
    """Widen the Laplace scale until the stated share of true angles lies inside, on each source; set the boundary."""
    scores: dict[str, list[float]] = {}
    level, sloping = [0.0], [30.0]
    for case in placed:
        handle = case.record.get("handle")
        if not handle or handle.get("space_deg") is None:
            continue
        true = float(handle["space_deg"])
        (level if (case.record["cues"] or {}).get(Cue.MAIN_JET) == "handle_level" else sloping).append(true)
        said = angle_at_root(case, calibration)
        if said is not None:
            value, scale = said
            scores.setdefault(case.source, []).append(abs(true - value) / scale)
    alpha = round(1.0 - bars.angle, 6)
    factors = [f for s in scores.values() if np.isfinite(f := threshold(s, alpha, float("inf")))]
    # Robust ends: one mislabelled picture must not move the boundary.
    boundary = (float(np.quantile(level, 0.99)) + float(np.quantile(sloping, 0.01))) / 2.0
    return replace(
        calibration,
        angle_factor=max(factors, default=calibration.angle_factor),
        angle_boundary_deg=float(np.clip(boundary, 8.0, 20.0)),
        cases={**calibration.cases, "angle": sum(map(len, scores.values()))},
    )


def angle_at_root(case: Case, calibration: Calibration) -> tuple[float, float] | None:
    """Predicted angle and Laplace scale, degrees, at the strongest root; None without a peak."""
    peaks = find_peaks(_maps(case), case.frame, calibration.peaks)
    root = peaks.get("handle_root")
    if not root:
        return None
    x, y = root[0].cell
    value, log_scale = (float(v) for v in case.outputs["angle"][0, :, y, x])
    return value * ANGLE_UNIT, ANGLE_UNIT * float(np.exp(np.clip(log_scale, -20.0, 2.0)))


def with_peaks(calibration: Calibration, placed: Sequence[Case]) -> Calibration:
    """Choose the screw threshold that counts right most often, and each other landmark's by missed and false.

    A landmark is there where it is marked, and where a reading is seen that it shows (``SHOWN_BY``); missed and false
    count as shares, because most landmarks are seldom there. Ties go to the middle of those that tie.
    """
    own = [c for c in placed if c.source != "second_look"]
    right = {name: np.zeros(len(PEAKS)) for name in LANDMARKS}
    for name in LANDMARKS[1:]:
        best = [_strongest(c, name) for c in own]
        there = np.array([_there(c, name) for c in own], bool)
        said = np.array(best)[:, None] >= PEAKS if best else np.zeros((0, len(PEAKS)), bool)
        if there.any() and not there.all():
            right[name] = said[there].mean(0) - said[~there].mean(0)
    for case in placed:
        truth = truth_of(case.record, "count")
        if truth is not None:
            screws = find_peaks(_maps(case), case.frame, {"screw": float(PEAKS[0])}).get("screw", ())
            right["screw"] += [sum(p.score >= least for p in screws) == truth for least in PEAKS]
    chosen = {name: np.flatnonzero(v == v.max()) for name, v in right.items() if v.any()}
    return replace(calibration, peaks={name: float(PEAKS[k[len(k) // 2]]) for name, k in chosen.items()})


def _maps(case: Case) -> dict[str, NDArray[np.float32]]:
    return {k: case.outputs[k].astype(np.float32) for k in ("heat", "offset")}


def _strongest(case: Case, name: str) -> float:
    """Probability of a landmark's strongest peak; 0 without any."""
    peaks = find_peaks(_maps(case), case.frame, {**dict.fromkeys(LANDMARKS, 2.0), name: float(PEAKS[0])})
    return peaks[name][0].score if name in peaks else 0.0


def _there(case: Case, name: str) -> bool:
    cues = case.record.get("cues") or {}
    shown = any(name in names and cues.get(str(cue)) == reading for (cue, reading), names in SHOWN_BY.items())
    return shown or name in (case.record.get("landmarks") or {})


def features_of(cases: Sequence[Case]) -> NDArray[np.float32]:
    """Features of the second look, (n, 128)."""
    return np.array([c.outputs["feature"][0] for c in cases], np.float32).reshape(-1, 128)


def reference(units: Sequence[Case], bars: Bars) -> Reference:
    """Keep features of every other subject; set the similarity on the rest, so that it is not flattered."""
    kept, rest = list(units[::2]), list(units[1::2])
    if len(kept) < 10 or not rest:
        return no_reference()
    open_reference = reference_from(features_of(thinned(kept, bars.prototypes)), 5, -1.0)
    limits = []
    for source in sources_of(rest):
        scores = open_reference.score(features_of([c for c in rest if c.source == source]))
        # Few cases: the least of them, less some room.
        limits.append(float(np.quantile(scores, bars.familiar)) - (0.02 if len(scores) < 200 else 0.0))
    return replace(open_reference, similarity=min(limits))


def with_found(spec: ModelSpec, cases: Sequence[Case], bars: Bars) -> Calibration:
    """Set what counts as found: one bar for the weaker of the two looks, as high as keeping the subjects allows."""
    t = spec.calibration.temperature("found")

    def p(logits: Iterable[float]) -> Floats:
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(np.fromiter(logits, float) / t, -60.0, 60.0))))

    units = [c for c in cases if c.unit]
    others = [c for c in cases if not c.unit]
    near = p(min(c.first, c.second) for c in others if c.record["kind"] not in ("photo", "empty"))
    far = p(min(c.first, c.second) for c in others if c.record["kind"] in ("photo", "empty"))
    asked = [0.5]
    for scores, share in ((near, bars.near), (far, bars.far)):
        if len(scores):
            asked.append(float(np.quantile(scores, 1.0 - share, method="higher")) + 1e-4)
    most = min(
        float(np.quantile(p(min(c.first, c.second) for c in units if c.source == s), 1.0 - bars.keep))
        for s in sources_of(units)
    )
    bar = float(np.clip(max(asked), 0.5, max(0.5, most)))
    return replace(spec.calibration, found_first=bar, found_second=bar)


def with_sets(calibration: Calibration, placed: Sequence[Case], bars: Bars) -> Calibration:
    """Conformal thresholds by label and source; the larger set wins among the sources with cases enough.

    A label with too few cases on every source takes the threshold of its cue as a whole, which then promises
    coverage on average over the cue's labels only; ``cases`` tells how many there were.
    """
    out: dict[str, dict[str, float]] = {}
    cases = dict(calibration.cases)
    for cue in CUES:
        labels = labels_of(cue)
        t = calibration.temperature(cue)
        limits: dict[str, list[float]] = {label: [] for label in labels}
        every: dict[str, float] = {}
        for source in sources_of(placed):
            logits, truth = known([c for c in placed if c.source == source], cue)
            if len(truth) == 0:
                continue
            p = softmax(logits, t)
            missed = 1.0 - p[np.arange(len(truth)), truth]
            if len(missed) >= least_cases(bars.alpha):
                every[source] = threshold(missed, bars.alpha)
            for y, label in enumerate(labels):
                mine = missed[truth == y]
                cases[f"{cue}.{label}"] = cases.get(f"{cue}.{label}", 0) + len(mine)
                if len(mine) >= least_cases(bars.alpha):
                    limits[label].append(threshold(mine, bars.alpha))
        own = [q for source, q in every.items() if source != "second_look"]
        whole = max(own or every.values(), default=1.0)
        out[cue] = {label: max(LEAST_LIMIT, max(limits[label], default=whole)) for label in labels}
    return replace(calibration, conformal=out, cases=cases)


def with_floors(spec: ModelSpec, placed: Sequence[Case], bars: Bars) -> Calibration:
    """Raise each reading's floor until its accepted statements are right often enough on every source."""
    open_floors = {c: dict.fromkeys(labels_of(c), 0.0) for c in map(str, CUES)}
    bare = replace(spec, calibration=replace(spec.calibration, floors=open_floors, found_first=0.0, found_second=0.0),
                   reference=no_reference())  # fmt: skip
    said: dict[tuple[str, str, str], list[tuple[float, bool]]] = {}
    for case in placed:
        for cue, reading in case.readings(bare).cues.items():
            truth = truth_of(case.record, cue)
            if reading.accepted and truth is not None:
                right = labels_of(cue)[truth] == reading.reading
                p = reading.probabilities[reading.reading]
                said.setdefault((str(cue), reading.reading, case.source), []).append((p, right))
    floors: dict[str, dict[str, float]] = {c: dict.fromkeys(labels_of(c)[:-1], 0.5) for c in map(str, CUES)}
    for (name, reading_word, _), rows in said.items():
        p_all = np.array([p for p, _ in rows])
        right_all = np.array([r for _, r in rows])
        floor = least_floor(p_all, right_all, bars.statement)
        floors[name][reading_word] = max(floors[name][reading_word], floor)
    return replace(spec.calibration, floors=floors)


def summary(spec: ModelSpec) -> Mapping[str, object]:
    """The numbers in short, for the log."""
    c = spec.calibration
    return {
        "temperatures": {k: round(v, 3) for k, v in c.temperatures.items()},
        "found": [round(c.found_first, 3), round(c.found_second, 3)],
        "similarity": round(spec.reference.similarity, 3),
        "peaks": {k: round(v, 2) for k, v in c.peaks.items()},
        "angle": [round(c.angle_factor, 2), round(c.angle_boundary_deg, 1)],
        "conformal": {k: {a: round(b, 4) for a, b in v.items()} for k, v in c.conformal.items()},
        "floors": {k: {a: round(b, 4) for a, b in v.items()} for k, v in c.floors.items()},
    }


def main(arguments: Sequence[str]) -> int:
    """The command ``calibrate``; returns the exit code."""
    from .cli import run

    return run("calibrate", arguments)
