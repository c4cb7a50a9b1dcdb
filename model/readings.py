"""From the network's raw outputs to what one photo says: calibrated, cross-checked, with marks in the photo.

How a cue's reading is accepted, in this order; the first rule that speaks wins:

1. ``softmax(logits / temperature)``. The conformal set holds every label with ``1 - p <= largest_miss``.
2. ``out_of_sight`` is most probable -> ``out_of_sight``.
3. the set is not exactly the most probable label, or its probability is below its floor -> ``unsure``.
4. a reading that says something *is there* must be seen at a place: the landmark of ``SHOWN_BY`` must have a
   peak, else -> ``unsure``.
5. ``joint_screws``: as many screw peaks as the counting head counts, and as many as the reading says, else ->
   ``unsure``.
6. ``main_jet`` with a handle: not from above or below (``STEEP_VIEWS``), and the 90 % interval of the
   handle's angle must lie wholly below the boundary for ``handle_level``, wholly above it for ``handle_sloping``; and
   the line drawn through the handle's two ends must not say the opposite where a side view shows it
   (``IMAGE_LEVEL_DEG``, ``IMAGE_SLOPING_DEG``), else -> ``unsure``.
7. from above, the ear's screw and a fifth screw (``FIFTH_SCREW``) stand only beside an accepted external tube, else ->
   ``unsure``: a stud or its hole in a lobe of an iron body's flange passes for them.

The numbers of rule 3, the least peaks and the interval are measured (they travel with the network); rules 4 to 7
can only turn an accepted reading into an unsure one. A wrong name costs a wrong kit, an unsure answer one more photo.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .cues import CUES, OUT_OF_SIGHT, READINGS, UNSURE, Angle, Box, Cue, CueReading, Mark, Readings, Subject
from .frame import Frame
from .peaks import Peak, find_peaks
from .runtime import RawOutputs
from .spec import Calibration, ModelSpec, labels_of

SHOWN_BY: Mapping[tuple[Cue, str], tuple[str, ...]] = MappingProxyType(
    {
        (Cue.FRONT_EAR, "bare"): ("ear",),
        (Cue.FRONT_EAR, "screwed"): ("ear",),
        (Cue.MAIN_JET, "plug"): ("jet_plug",),
        (Cue.MAIN_JET, "handle_sloping"): ("handle_root",),
        (Cue.MAIN_JET, "handle_level"): ("handle_root",),
        (Cue.SCAVENGE_LINE, "external"): ("tube_low", "tube_high"),
        (Cue.THROAT_BOTTOM, "big_plug"): ("throat_plug",),
    }
)
"""Reading that something is there -> landmarks, one of which must have a peak."""

SCREWS: Mapping[str, int] = MappingProxyType({"four": 4, "five": 5})
SIDE_VIEWS = ("left", "right")
STEEP_VIEWS = ("top", "below")
"""Sides from which no slope is read: seen so steeply, a handle that hangs and a level one point much the same way."""
FIFTH_SCREW = frozenset({(Cue.FRONT_EAR, "screwed"), (Cue.JOINT_SCREWS, "five")})
IMAGE_LEVEL_DEG = 5.0
"""In a side view, a handle drawn below this cannot be accepted as sloping (common practice, no source)."""
IMAGE_SLOPING_DEG = 20.0
"""In a side view, a handle drawn above this cannot be accepted as level (common practice, no source)."""
_SMALL_SHARE = 0.12
"""Finding ``small``: the subject's box is narrower than this share of the photo."""


def sigmoid(logit: float) -> float:
    """The logistic function, safe for any finite number."""
    return 1.0 / (1.0 + math.exp(-max(-60.0, min(60.0, logit))))


def softmax(logits: NDArray[np.floating], temperature: float) -> NDArray[np.float64]:
    """Probabilities of (n,) logits divided by a temperature; they sum to one."""
    scaled = np.asarray(logits, np.float64) / temperature
    powers = np.exp(scaled - scaled.max())
    return np.asarray(powers / powers.sum(), np.float64)


def first_look(outputs: RawOutputs, frame: Frame, spec: ModelSpec) -> Subject:
    """Whether the whole photo seems to hold a subject, and its box (photo pixels, clipped to the photo).

    Args:
        outputs: for the letterboxed whole photo.
        frame: of that letterbox.
        spec: of the network.
    """
    calibration = spec.calibration
    p = sigmoid(float(outputs["found"][0, 0]) / calibration.temperature("found"))
    found = p >= calibration.found_first
    return Subject(found, p, _box_of(outputs, frame) if found else None)


def read(outputs: RawOutputs, frame: Frame, spec: ModelSpec, first: Subject) -> Readings:
    """Everything that one photo says.

    Args:
        outputs: of the second look, at the box that the first look found.
        frame: of the second look.
        spec: of the network.
        first: what the first look found.

    Returns:
        Readings with boxes and points in pixels of the full upright photo. Without a subject every cue is out
        of sight.
    """
    calibration = spec.calibration
    second = sigmoid(float(outputs["found"][0, 0]) / calibration.temperature("found"))
    alike = float(spec.reference.score(outputs["feature"])[0])
    familiar = alike >= spec.reference.similarity
    found = first.found and second >= calibration.found_second and familiar
    subject = Subject(found, min(first.probability, second), first.box if found else None)
    findings = () if familiar or not first.found else ("unlike_training",)
    if not found:
        return Readings(subject, "", "", _nothing_in_sight(), findings)
    view = _likeliest(outputs, "view", calibration)
    peaks = find_peaks(outputs, frame, calibration.peaks)
    cues = _from_above(view, {cue: _read_cue(cue, outputs, peaks, view, calibration) for cue in CUES})
    return Readings(subject, view, _likeliest(outputs, "finish", calibration), MappingProxyType(cues), findings)


def nothing(first: Subject) -> Readings:
    """Readings of a photo in which the first look found no subject; no second look is taken."""
    return Readings(Subject(False, first.probability), "", "", _nothing_in_sight())


def is_small(box: Box | None, width: int, height: int) -> bool:
    """True when the subject takes up so little of the photo that going nearer would help."""
    if box is None:
        return False
    return max((box[2] - box[0]) / width, (box[3] - box[1]) / height) < _SMALL_SHARE


def _box_of(outputs: RawOutputs, frame: Frame) -> Box:
    x0, y0, x1, y1 = (float(v) * frame.size for v in outputs["box"][0])
    a, b, c, d = frame.box_to_photo((min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)))
    right, low = frame.x + frame.width, frame.y + frame.height
    return (
        min(max(a, frame.x), right),
        min(max(b, frame.y), low),
        min(max(c, frame.x), right),
        min(max(d, frame.y), low),
    )


def _likeliest(outputs: RawOutputs, head: str, calibration: Calibration) -> str:
    return labels_of(head)[int(np.argmax(softmax(outputs[head][0], calibration.temperature(head))))]


def _nothing_in_sight() -> Mapping[Cue, CueReading]:
    return MappingProxyType({cue: CueReading(cue, OUT_OF_SIGHT, _all_out_of_sight(cue), False) for cue in CUES})


def _all_out_of_sight(cue: Cue) -> Mapping[str, float]:
    return MappingProxyType({**dict.fromkeys(READINGS[cue], 0.0), OUT_OF_SIGHT: 1.0})


def _read_cue(
    cue: Cue, outputs: RawOutputs, peaks: Mapping[str, tuple[Peak, ...]], view: str, calibration: Calibration
) -> CueReading:
    labels = labels_of(str(cue))
    p = softmax(outputs[str(cue)][0], calibration.temperature(str(cue)))
    probabilities = MappingProxyType(dict(zip(labels, p.tolist(), strict=True)))
    top = labels[int(np.argmax(p))]
    marks = marks_of(cue, top, peaks)
    angle = handle_angle(outputs, peaks, calibration) if cue is Cue.MAIN_JET and top.startswith("handle") else None
    if top == OUT_OF_SIGHT:
        return CueReading(cue, OUT_OF_SIGHT, probabilities, False)
    accepted = (
        conformal_set(cue, probabilities, calibration) == {top}
        and probabilities[top] >= calibration.floor(str(cue), top)
        and _shown(cue, top, peaks)
        and (cue is not Cue.JOINT_SCREWS or _counts_agree(top, outputs, peaks, calibration))
        and (angle is None or _slope_agrees(top, angle, image_angle(peaks), view, calibration))
    )
    return CueReading(cue, top if accepted else UNSURE, probabilities, accepted, marks, angle)


def _from_above(view: str, cues: Mapping[Cue, CueReading]) -> dict[Cue, CueReading]:
    """Take back a fifth screw seen from above where nothing else in the photo shows an alloy body."""
    tube = cues[Cue.SCAVENGE_LINE]
    if view != "top" or (tube.accepted and tube.reading == "external"):
        return dict(cues)
    return {
        cue: replace(said, reading=UNSURE, accepted=False) if (cue, said.reading) in FIFTH_SCREW else said
        for cue, said in cues.items()
    }


def conformal_set(cue: Cue, probabilities: Mapping[str, float], calibration: Calibration) -> set[str]:
    """Labels that cannot be excluded at the calibration's error level."""
    return {label for label, p in probabilities.items() if 1.0 - p <= calibration.largest_miss(str(cue), label)}


def _shown(cue: Cue, reading: str, peaks: Mapping[str, tuple[Peak, ...]]) -> bool:
    wanted = SHOWN_BY.get((cue, reading))
    return wanted is None or any(name in peaks for name in wanted)


def _counts_agree(
    reading: str, outputs: RawOutputs, peaks: Mapping[str, tuple[Peak, ...]], calibration: Calibration
) -> bool:
    counted = int(_likeliest(outputs, "count", calibration))
    return len(peaks.get("screw", ())) == counted == SCREWS[reading]


def _slope_agrees(reading: str, angle: Angle, drawn: float | None, view: str, calibration: Calibration) -> bool:
    if view in STEEP_VIEWS:
        return False
    beside = drawn if view in SIDE_VIEWS else None
    if reading == "handle_level":
        return angle.high < calibration.angle_boundary_deg and (beside is None or beside <= IMAGE_SLOPING_DEG)
    return angle.low > calibration.angle_boundary_deg and (beside is None or beside >= IMAGE_LEVEL_DEG)


def handle_angle(outputs: RawOutputs, peaks: Mapping[str, tuple[Peak, ...]], calibration: Calibration) -> Angle | None:
    """The handle's angle below the bowl floor (degrees, in space) and its 90 % interval, read at its root.

    None when the handle's root has no peak.
    """
    root = peaks.get("handle_root")
    if not root:
        return None
    x, y = root[0].cell
    value, log_scale = (float(v) for v in outputs["angle"][0, :, y, x])
    half = max(calibration.angle_factor * 45.0 * math.exp(max(-20.0, min(2.0, log_scale))), calibration.angle_least_deg)
    value = max(-90.0, min(90.0, 45.0 * value))
    return Angle(value, max(-180.0, value - half), min(180.0, value + half))


def image_angle(peaks: Mapping[str, tuple[Peak, ...]]) -> float | None:
    """The angle in the picture between the bowl-floor line and the handle (root to tip), degrees.

    Positive when the handle points below the floor line, in [-90, 90]; the photo is taken to be held upright
    within 90 degrees. None when one of the four points is missing or two of them coincide.
    """
    if not all(name in peaks for name in ("handle_root", "handle_tip", "floor_a", "floor_b")):
        return None
    root, tip, a, b = (np.array(peaks[n][0].point) for n in ("handle_root", "handle_tip", "floor_a", "floor_b"))
    floor, handle = b - a, tip - root
    if np.hypot(*floor) < 1e-6 or np.hypot(*handle) < 1e-6:
        return None
    along = floor / np.hypot(*floor)
    below = np.array([-along[1], along[0]])
    if below[1] < 0:
        below = -below
    return math.degrees(math.atan2(float(handle @ below), abs(float(handle @ along))))


def marks_of(cue: Cue, reading: str, peaks: Mapping[str, tuple[Peak, ...]]) -> tuple[Mark, ...]:
    """What to draw for a cue: points, or lines between two points."""
    if cue is Cue.JOINT_SCREWS:
        return tuple(Mark("screw", p.score, points=(p.point,)) for p in peaks.get("screw", ()))
    if cue is Cue.FRONT_EAR and reading != "none":
        return _line("ear", "ear", None, peaks)
    if cue is Cue.MAIN_JET and reading == "plug":
        return _line("jet_plug", "jet_plug", None, peaks)
    if cue is Cue.MAIN_JET and reading.startswith("handle"):
        return _line("handle", "handle_root", "handle_tip", peaks) + _line("bowl_floor", "floor_a", "floor_b", peaks)
    if cue is Cue.SCAVENGE_LINE and reading == "external":
        return _line("scavenge_tube", "tube_low", "tube_high", peaks)
    if cue is Cue.THROAT_BOTTOM and reading == "big_plug":
        return _line("throat_plug", "throat_plug", None, peaks)
    if cue is Cue.THROAT_BOTTOM and reading == "tube_fitting":
        return _line("tube_fitting", "tube_low", None, peaks)
    return ()


def _line(part: str, one: str, other: str | None, peaks: Mapping[str, tuple[Peak, ...]]) -> tuple[Mark, ...]:
    ends = [peaks[name][0] for name in (one, other) if name is not None and name in peaks]
    if not ends or (part == "bowl_floor" and len(ends) < 2):
        return ()
    return (Mark(part, min(p.score for p in ends), points=tuple(p.point for p in ends)),)
