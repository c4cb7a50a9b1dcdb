"""The two looks at a picture in training: where it lands in the network's square, and what its labels become.

A look is drawn as a matrix from photo pixels to network pixels (crop, scale, turn, tilt and mirror in one),
the part of the square that shows the photo (the rest is the letterbox's grey), and patches that cover things.
Labels go through the same matrix; a cue that the look cuts off or covers changes its label:

* wholly cut off or covered: ``out_of_sight``, which is then the truth of what is shown;
* partly, or smaller than 8 network pixels: its reading and ``out_of_sight`` are both right, all others wrong; the
  same where the picture itself shows only a bit of the cue (``perhaps``);
* a picture that does not say where the cue is seen: trained only when the look takes nothing from the subject.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, FINISHES, READINGS, VIEWS, Cue
from updraft_key.model.frame import MARGIN

from .data import MIRROR_VIEW, Labels

LEAST_PX = 8.0
"""Smallest side of a cue's evidence that is trained, network pixels."""
PATCHES = 3

LEAST_SHARE = {
    Cue.METAL: 0.3,
    Cue.JOINT_SCREWS: 0.97,
    Cue.FRONT_EAR: 0.8,
    Cue.MAIN_JET: 0.7,
    Cue.SCAVENGE_LINE: 0.4,
    Cue.THROAT_BOTTOM: 0.7,
}
"""Share of the evidence box that must stay in sight for the reading to stay (judgement, no source)."""
GONE = 0.03
"""Share at or below which the cue counts as out of sight."""
CLOSER = 0.15
"""Share of second looks that go close to what shows one cue, as a photo of that place or a third look would."""
CLOSER_SIDE = (1.6, 5.0)
"""Side of such a cut, in widths of what shows the cue."""
MOST_ENLARGED = 3.0
"""Network pixels a photo pixel up to which a cut is worth taking."""

_MIRRORED_VIEW = np.array([VIEWS.index(MIRROR_VIEW.get(v, v)) for v in VIEWS], np.int64)
_OUT = np.array([len(READINGS[c]) for c in CUES], np.int64)


@dataclass(frozen=True, slots=True)
class Look:
    """Where B pictures land in squares of ``size`` network pixels.

    Attributes:
        size: side of the square.
        matrix: (B, 3, 3) float64, photo pixels -> network pixels.
        window: (B, 4) float64 box of the square that may show the photo; grey outside.
        mirrored: (B,) bool.
        patches: (B, 3, 4) float64 covered boxes, network pixels; empty ones are zero.
        backed: (B,) bool, a foreign picture shows where the photo does not reach.
        close: (B,) bool, cut to one place of the subject: its cues are trained however little of it is left.
    """

    size: int
    matrix: NDArray[np.float64]
    window: NDArray[np.float64]
    mirrored: NDArray[np.bool_]
    patches: NDArray[np.float64]
    backed: NDArray[np.bool_]
    close: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Targets:
    """Labels in network coordinates, ready for the losses. -1 and NaN are not trained.

    Attributes:
        found: (B,) float32 1 or 0, -1 where too little of the subject shows.
        box: (B, 4) float32 fractions of the square, NaN without a subject.
        view: (B,) int64.
        finish: (B,) int64.
        cues: (B, 6) int64.
        perhaps: (B, 6) int64, where ``cues`` is -1: a reading that is as right as ``out_of_sight``; -1 elsewhere.
        count: (B,) int64.
        era: (B,) int64, 0 to 2; 3 when the subject is there but unknown is asked; -1 not trained.
        points: (B, 14, 2) float32 network pixels: five screws, then ``LANDMARKS[1:]``.
        vague: (B, 10) bool.
        outline: (B, 16, 2) float32 network pixels.
        angle: (B,) float32 degrees.
        evidence: (B, 6, 4) float32 network pixels, of readings that stay in sight.
        window: (B, 4) float32.
    """

    found: NDArray[np.float32]
    box: NDArray[np.float32]
    view: NDArray[np.int64]
    finish: NDArray[np.int64]
    cues: NDArray[np.int64]
    perhaps: NDArray[np.int64]
    count: NDArray[np.int64]
    era: NDArray[np.int64]
    points: NDArray[np.float32]
    vague: NDArray[np.bool_]
    outline: NDArray[np.float32]
    angle: NDArray[np.float32]
    evidence: NDArray[np.float32]
    window: NDArray[np.float32]


def field_names() -> tuple[str, ...]:
    """Names of the arrays of ``Targets``."""
    return tuple(f.name for f in fields(Targets))


def _compose(
    centre: NDArray[np.float64],
    target: NDArray[np.float64],
    scale: NDArray[np.float64],
    stretch: NDArray[np.float64],
    turn: NDArray[np.float64],
    tilt: NDArray[np.float64],
    mirrored: NDArray[np.bool_],
    size: int,
) -> NDArray[np.float64]:
    """Matrices that bring ``centre`` (photo) to ``target`` (network), scaled, mirrored, turned and tilted."""
    n = len(centre)
    eye = np.tile(np.eye(3), (n, 1, 1))
    move, zoom, spin, lean, place = (eye.copy() for _ in range(5))
    move[:, :2, 2] = -centre
    zoom[:, 0, 0] = scale * stretch * np.where(mirrored, -1.0, 1.0)
    zoom[:, 1, 1] = scale / stretch
    c, s = np.cos(turn), np.sin(turn)
    spin[:, 0, 0], spin[:, 0, 1], spin[:, 1, 0], spin[:, 1, 1] = c, -s, s, c
    lean[:, 2, :2] = tilt / size
    place[:, :2, 2] = target
    out: NDArray[np.float64] = place @ lean @ spin @ zoom @ move
    return out


def _window(extent: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Letterbox windows for shapes of (B, 2) width, height."""
    half = size / 2 * extent / extent.max(axis=1, keepdims=True)
    return np.concatenate([size / 2 - half, size / 2 + half], axis=1)


def _warps(
    rng: np.random.Generator, n: int, on: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Draw stretch, turn (radians) and tilt: mostly mild, sometimes up to 30 degrees."""
    if not on:
        return np.ones(n), np.zeros(n), np.zeros((n, 2))
    stretch = np.exp(rng.normal(0.0, 0.04, n))
    strong = rng.random(n) < 0.2
    turn = np.where(strong, rng.uniform(-30, 30, n), rng.normal(0.0, 5.0, n)).clip(-30, 30)
    tilt = rng.normal(0.0, 0.08, (n, 2)).clip(-0.2, 0.2) * (rng.random((n, 1)) < 0.5)
    return stretch, np.radians(turn), tilt


def find_look(
    labels: Labels, size: int, rng: np.random.Generator, *, plain: bool = False, skip: Collection[str] = ()
) -> Look:
    """Draw the first look: the whole photo, often pushed back so that the subject is small.

    Args:
        labels: of the B pictures.
        size: side of the network's square.
        rng: draws everything.
        plain: no augmentation: the photo letterboxed, as the product does it.
        skip: augmentations to do without (``warp``, ``cutout``, ``backdrop``).
    """
    n = len(labels)
    photo = labels.size
    base = size / photo.max(axis=1)
    window = _window(photo, size)
    if plain:
        still = np.zeros((n, 2))
        matrix = _compose(
            photo / 2, np.full((n, 2), size / 2), base, np.ones(n), np.zeros(n), still, np.zeros(n, bool), size
        )
        return Look(
            size, matrix, window, np.zeros(n, bool), np.zeros((n, PATCHES, 4)), np.zeros(n, bool), np.zeros(n, bool)
        )
    kind = rng.random(n)
    back = np.exp(rng.uniform(math.log(0.3), 0.0, n))
    near = np.exp(rng.uniform(0.0, math.log(1.6), n))
    zoom = np.where(kind < 0.45, rng.uniform(0.92, 1.05, n), np.where(kind < 0.85, back, near))
    shapes = np.array([[4.0, 3.0], [3.0, 4.0], [1.0, 1.0], [16.0, 9.0], [9.0, 16.0]])
    fresh = _window(shapes[rng.integers(0, len(shapes), n)], size)
    window = np.where((kind >= 0.45)[:, None], fresh, window)
    middle = np.where(
        labels.found[:, None], np.nan_to_num(labels.subject[:, :2] + labels.subject[:, 2:]) / 2, photo / 2
    )
    centre = np.where((zoom > 1.05)[:, None], middle, photo / 2)
    slack = np.maximum((window[:, 2:] - window[:, :2]) / 2 - photo * (base * zoom)[:, None] / 2, size * 0.02)
    target = size / 2 + rng.uniform(-1, 1, (n, 2)) * slack
    mirrored = rng.random(n) < 0.5
    matrix = _compose(centre, target, base * zoom, *_warps(rng, n, "warp" not in skip), mirrored, size)
    backed = (rng.random(n) < 0.6) & ("backdrop" not in skip)
    patches = _patches(labels, matrix, size, rng, 0.25 if "cutout" not in skip else 0.0)
    return Look(size, matrix, window, mirrored, patches, backed, np.zeros(n, bool))


def read_look(
    labels: Labels, size: int, rng: np.random.Generator, *, plain: bool = False, skip: Collection[str] = ()
) -> Look:
    """Draw the second look: the subject's box with a margin; a random cut of pictures without a subject.

    Arguments as in ``find_look``. A plain look takes the product's margin, or the middle of the photo.
    """
    n = len(labels)
    photo = labels.size
    sides = photo * rng.uniform(0.3, 1.0, (n, 2))
    corner = rng.uniform(0.0, 1.0, (n, 2)) * (photo - sides)
    if plain:
        sides, corner = photo, np.zeros((n, 2))
    box = np.where(labels.found[:, None], np.nan_to_num(labels.subject), np.concatenate([corner, corner + sides], 1))
    extent = box[:, 2:] - box[:, :2]
    margin = rng.uniform(-0.02, 0.32, (n, 4))
    cut = (rng.random((n, 4)) < 0.04) & labels.found[:, None]
    margin = np.where(cut, rng.uniform(-0.5, -0.1, (n, 4)), margin)
    margin = np.where((~labels.found)[:, None], 0.0, margin)
    if plain:
        margin = np.where(labels.found[:, None], MARGIN, 0.0) * np.ones((n, 4))
    whole = (rng.random(n) < 0.05) & (not plain)
    box = box + margin * np.concatenate([-extent, extent], axis=1)
    box = np.where(whole[:, None], np.concatenate([np.zeros((n, 2)), photo], 1), box)
    close = np.zeros(n, bool)
    if not plain:
        box, close = _closer(labels, box, size, rng)
    box = np.concatenate([np.maximum(box[:, :2], 0.0), np.minimum(box[:, 2:], photo)], axis=1)
    extent = np.maximum(box[:, 2:] - box[:, :2], 2.0)
    base = size / extent.max(axis=1)
    middle = (box[:, :2] + box[:, 2:]) / 2
    target = np.full((n, 2), size / 2)
    window = _window(extent, size)
    if plain:
        still = np.zeros((n, 2))
        matrix = _compose(middle, target, base, np.ones(n), np.zeros(n), still, np.zeros(n, bool), size)
        return Look(
            size, matrix, window, np.zeros(n, bool), np.zeros((n, PATCHES, 4)), np.zeros(n, bool), np.zeros(n, bool)
        )
    mirrored = rng.random(n) < 0.5
    open_window = np.array([0.0, 0.0, size, size])
    window = np.where((rng.random(n) < 0.35)[:, None], open_window, window)
    scale = base * np.exp(rng.normal(0.0, 0.05, n))
    matrix = _compose(middle, target, scale, *_warps(rng, n, "warp" not in skip), mirrored, size)
    backed = (rng.random(n) < 0.5) & ("backdrop" not in skip)
    patches = _patches(labels, matrix, size, rng, 0.4 if "cutout" not in skip else 0.0)
    return Look(size, matrix, window, mirrored, patches, backed, close)


def _closer(
    labels: Labels, box: NDArray[np.float64], size: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Exchange some (B, 4) cuts, photo pixels, for squares round what shows one cue; say for which, (B,)."""
    n = len(labels)
    which = rng.integers(1, len(CUES), n)  # not the metal: it shows all over
    aim = labels.evidence[np.arange(n), which]
    wide = np.nan_to_num((aim[:, 2:] - aim[:, :2]).max(axis=1))
    least, most = np.log(CLOSER_SIDE).tolist()
    side = np.maximum(wide * np.exp(rng.uniform(least, most, n)), size / MOST_ENLARGED)
    middle = (aim[:, :2] + aim[:, 2:]) / 2 + rng.uniform(-0.25, 0.25, (n, 2)) * np.maximum(side - wide, 0.0)[:, None]
    smaller = side < 0.75 * np.nan_to_num((labels.subject[:, 2:] - labels.subject[:, :2]).max(axis=1))
    close = (rng.random(n) < CLOSER) & np.isfinite(aim).all(axis=1) & smaller
    square = np.concatenate([middle - side[:, None] / 2, middle + side[:, None] / 2], axis=1)
    return np.where(close[:, None], square, box), close


def _patches(
    labels: Labels, matrix: NDArray[np.float64], size: int, rng: np.random.Generator, chance: float
) -> NDArray[np.float64]:
    """Draw covered boxes: the first over some cue's evidence half of the time, others anywhere."""
    n = len(labels)
    centre = rng.uniform(0, size, (n, PATCHES, 2))
    half = size * np.exp(rng.uniform(math.log(0.02), math.log(0.11), (n, PATCHES, 2)))
    which = rng.integers(0, len(CUES), n)
    aimed = map_boxes(matrix, labels.evidence[np.arange(n), which])
    take = np.isfinite(aimed).all(axis=1) & (rng.random(n) < 0.6) & (which != 0)
    sides = np.nan_to_num(aimed[:, 2:] - aimed[:, :2])
    take &= sides.max(axis=1) < 0.45 * size
    centre[:, 0] = np.where(take[:, None], np.nan_to_num(aimed[:, :2] + aimed[:, 2:]) / 2, centre[:, 0])
    half[:, 0] = np.where(take[:, None], sides / 2 * rng.uniform(1.05, 1.6, (n, 2)) + 2.0, half[:, 0])
    boxes = np.concatenate([centre - half, centre + half], axis=2)
    on = rng.random((n, PATCHES)) < chance * np.array([1.0, 0.5, 0.3])
    return np.where(on[..., None], boxes, 0.0)


def map_points(matrix: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map (B, k, 2) points by (B, 3, 3) matrices; NaN stays NaN."""
    flat = points @ matrix[:, :2, :2].transpose(0, 2, 1) + matrix[:, None, :2, 2]
    deep = points @ matrix[:, 2, :2, None] + matrix[:, None, 2:, 2]
    out: NDArray[np.float64] = flat / deep
    return out


def map_boxes(matrix: NDArray[np.float64], boxes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Map (B, 4) boxes as the ellipses inside them, which turning does not swell; NaN stays NaN."""
    turn = np.linspace(0, 2 * math.pi, 16, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    centre, half = (boxes[:, :2] + boxes[:, 2:]) / 2, (boxes[:, 2:] - boxes[:, :2]) / 2
    points = map_points(matrix, centre[:, None] + half[:, None] * ring)
    return np.concatenate([points.min(axis=1), points.max(axis=1)], axis=1)


def _overlap(boxes: NDArray[np.float64], window: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of each (B, 4) box that lies in the (B, 4) window; NaN for unknown boxes."""
    inside = np.minimum(boxes[:, 2:], window[:, 2:]) - np.maximum(boxes[:, :2], window[:, :2])
    area = np.maximum(np.prod(boxes[:, 2:] - boxes[:, :2], axis=1), 1e-9)
    out: NDArray[np.float64] = np.prod(np.maximum(inside, 0.0), axis=1) / area
    return np.where(np.isfinite(boxes).all(axis=1), out, np.nan)


def targets_of(labels: Labels, look: Look) -> Targets:
    """Take the labels through a look."""
    n, size = len(labels), look.size
    frame = np.tile([0.0, 0.0, size, size], (n, 1))
    window = np.concatenate(
        [np.maximum(look.window[:, :2], frame[:, :2]), np.minimum(look.window[:, 2:], frame[:, 2:])], axis=1
    )
    outline = map_points(look.matrix, labels.outline)
    hull = np.concatenate([outline.min(axis=1), outline.max(axis=1)], axis=1)
    shown = np.nan_to_num(_overlap(hull, window))
    box = np.concatenate([np.maximum(hull[:, :2], window[:, :2]), np.minimum(hull[:, 2:], window[:, 2:])], axis=1)
    large = np.nan_to_num((hull[:, 2:] - hull[:, :2]).min(axis=1)) >= 16.0
    found = np.where(labels.found, np.where((shown >= 0.35) & large, 1.0, -1.0), 0.0)
    box = np.where((found == 1.0)[:, None], box / size, np.nan)
    well = (found == 1.0) & (shown >= 0.6)
    view = np.where(look.mirrored, _MIRRORED_VIEW[labels.view], labels.view)
    view = np.where((labels.view >= 0) & well, view, -1)
    untouched = (shown >= 0.97) & ~_touched(hull, look.patches)
    there = (found == 1.0) | (labels.found & look.close)
    cues, evidence = _cues(labels, look, window, untouched, there)
    bit = np.where(labels.cues >= 0, np.where(labels.cues < _OUT, labels.cues, -1), labels.glimpsed)
    points = map_points(look.matrix, np.concatenate([labels.screws, labels.points], axis=1))
    seen = _visible(points, window, look.patches)
    count = _count(labels, points[:, :5], window, look.patches, size)
    count = np.where(found == 1.0, count, -1)
    points = np.where(seen[..., None], points, np.nan)
    era = np.where(untouched & (found == 1.0), labels.era, -1)
    return Targets(
        found=found.astype(np.float32),
        box=box.astype(np.float32),
        view=view,
        finish=np.where(well & (labels.finish < len(FINISHES)), labels.finish, -1),
        cues=cues,
        perhaps=np.where(there[:, None] & (cues < 0), bit, -1),
        count=count,
        era=era,
        points=points.astype(np.float32),
        vague=labels.vague,
        outline=np.where((found == 1.0)[:, None, None], outline, np.nan).astype(np.float32),
        angle=np.where(np.isfinite(points[:, 6, 0]), labels.angle, np.nan).astype(np.float32),
        evidence=evidence.astype(np.float32),
        window=window.astype(np.float32),
    )


def _touched(hull: NDArray[np.float64], patches: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say whether a patch covers any of the subject."""
    out = np.zeros(len(hull), np.bool_)
    for k in range(patches.shape[1]):
        out |= np.nan_to_num(_overlap(hull, patches[:, k])) > 0.0
    return out


def _cues(
    labels: Labels,
    look: Look,
    window: NDArray[np.float64],
    untouched: NDArray[np.bool_],
    shown: NDArray[np.bool_],
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    cues = np.where(shown[:, None], labels.cues, -1)
    evidence = np.full((len(labels), len(CUES), 4), np.nan)
    for k, cue in enumerate(CUES):
        place = map_boxes(look.matrix, labels.evidence[:, k])
        known = np.isfinite(place).all(axis=1)
        share = np.nan_to_num(_overlap(place, window))
        left = share.copy()
        for j in range(look.patches.shape[1]):
            left = left - np.nan_to_num(_overlap(place, look.patches[:, j]))
        small = np.nan_to_num((place[:, 2:] - place[:, :2]).min(axis=1)) < LEAST_PX
        small &= cue is not Cue.METAL
        stays = np.where(known, (left >= LEAST_SHARE[cue]) & ~small, untouched)
        gone = known & (left <= GONE) & (cue is not Cue.JOINT_SCREWS)
        out = labels.cues[:, k] == _OUT[k]
        value = np.where(out | stays, cues[:, k], np.where(gone, _OUT[k], -1))
        cues[:, k] = np.where(cues[:, k] < 0, -1, value)
        evidence[:, k] = np.where((known & stays & (cues[:, k] >= 0) & ~out)[:, None], place, np.nan)
    return cues, evidence


def _visible(
    points: NDArray[np.float64], window: NDArray[np.float64], patches: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Points inside the window and under no patch; NaN points are not."""
    with np.errstate(invalid="ignore"):
        inside = np.asarray(((points >= window[:, None, :2]) & (points <= window[:, None, 2:])).all(axis=2))
        for k in range(patches.shape[1]):
            box = patches[:, k, None]
            inside &= ~((points > box[..., :2]) & (points < box[..., 2:])).all(axis=2)
    return inside


def _count(
    labels: Labels,
    screws: NDArray[np.float64],
    window: NDArray[np.float64],
    patches: NDArray[np.float64],
    size: int,
) -> NDArray[np.int64]:
    """Screws that stay visible; -1 where one lies at an edge, or the landmarks are not all there."""
    there = np.isfinite(screws).all(axis=2)
    near = size * 0.015
    grow = np.array([-near, -near, near, near])
    surely = _visible(screws, window - grow, np.where(patches.any(axis=2, keepdims=True), patches + grow, 0.0))
    maybe = _visible(screws, window + grow, np.where(patches.any(axis=2, keepdims=True), patches - grow, 0.0))
    known = (labels.count >= 0) & (there.sum(axis=1) == labels.count)
    return np.where(known & (surely == maybe).all(axis=1), surely.sum(axis=1), -1).astype(np.int64)
