"""Labelled pictures: reading a set, its labels as arrays, its pictures as one uint8 block in memory.

A set is a folder with ``labels.jsonl`` (records as in DEVELOPERS.md) and pictures, loose (in the folder itself or
in ``pictures/``) or in tar shards (there or in ``shards/``).
"""

from __future__ import annotations

import hashlib
import json
import math
import tarfile
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from updraft_key.model.cues import CUES, FINISHES, LANDMARKS, OUT_OF_SIGHT, READINGS, VIEWS, Cue

SUBJECT = "updraft_carburetor"
SCREWS = 5
OUTLINE = 16
"""Points kept of a subject's outline."""

_CORNERS = tuple(f"{part}_{i}" for i in range(1, 5) for part in ("joint_screw", "screw_thread"))

PLACES: Mapping[tuple[Cue, str], tuple[str, ...]] = {
    (Cue.METAL, "iron"): ("body_bare",),
    (Cue.METAL, "alloy"): ("body_bare",),
    (Cue.JOINT_SCREWS, "four"): _CORNERS,
    (Cue.JOINT_SCREWS, "five"): (*_CORNERS, "joint_screw_5"),
    (Cue.FRONT_EAR, "none"): ("front_joint",),
    (Cue.FRONT_EAR, "bare"): ("front_ear",),
    (Cue.FRONT_EAR, "screwed"): ("joint_screw_5",),
    (Cue.MAIN_JET, "plug"): ("jet_plug",),
    (Cue.MAIN_JET, "handle_sloping"): ("handle",),
    (Cue.MAIN_JET, "handle_level"): ("handle",),
    (Cue.SCAVENGE_LINE, "external"): ("scavenge_tube",),
    (Cue.SCAVENGE_LINE, "absent"): ("tube_low",),
    (Cue.THROAT_BOTTOM, "big_plug"): ("throat_plug",),
    (Cue.THROAT_BOTTOM, "tube_fitting"): ("tube_fitting",),
    (Cue.THROAT_BOTTOM, "other"): ("throat_bottom",),
}  # fmt: skip
"""Parts or zones that show a reading; the box around them is the reading's evidence in a picture."""

HEAT_OF_CUE: Mapping[Cue, tuple[str, ...]] = {
    Cue.METAL: (),
    Cue.JOINT_SCREWS: ("screw",),
    Cue.FRONT_EAR: ("ear",),
    Cue.MAIN_JET: ("handle_root", "handle_tip", "jet_plug"),
    Cue.SCAVENGE_LINE: ("tube_low", "tube_high"),
    Cue.THROAT_BOTTOM: ("throat_plug", "tube_low"),
}
"""Landmarks that are not trained where the cue is ambiguous."""

MIRROR_VIEW: Mapping[str, str] = {
    "left": "right", "right": "left", "front_left": "front_right", "front_right": "front_left",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Labels:
    """The labels of n pictures. Coordinates are pixels of the photo; NaN and -1 mean unknown, not trained.

    Attributes:
        size: (n, 2) float64 width, height.
        found: (n,) bool, a subject is in the picture.
        era: (n,) int64, 0 to 2, -1 without a subject.
        view: (n,) int64, as it appears (a mirrored left side is a right side).
        finish: (n,) int64.
        cues: (n, 6) int64, index into the cue's readings then ``out_of_sight``.
        glimpsed: (n, 6) int64, reading of which an ambiguous cue shows a bit; -1 elsewhere.
        count: (n,) int64 visible joint screws.
        subject: (n, 4) float64 box.
        outline: (n, 16, 2) float64 points around the subject.
        evidence: (n, 6, 4) float64 box of what shows the reading.
        screws: (n, 5, 2) float64.
        points: (n, 9, 2) float64, ``LANDMARKS[1:]``.
        angle: (n,) float64 degrees below the bowl floor.
        vague: (n, 10) bool, landmark channels that may be partly seen.
    """

    size: NDArray[np.float64]
    found: NDArray[np.bool_]
    era: NDArray[np.int64]
    view: NDArray[np.int64]
    finish: NDArray[np.int64]
    cues: NDArray[np.int64]
    glimpsed: NDArray[np.int64]
    count: NDArray[np.int64]
    subject: NDArray[np.float64]
    outline: NDArray[np.float64]
    evidence: NDArray[np.float64]
    screws: NDArray[np.float64]
    points: NDArray[np.float64]
    angle: NDArray[np.float64]
    vague: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.size)

    def take(self, index: NDArray[np.int64]) -> Labels:
        """Return the rows of ``index``."""
        return Labels(*(getattr(self, f.name)[index] for f in fields(self)))


def read_records(folder: Path) -> list[dict[str, Any]]:
    """Return the records of a set.

    Raises:
        ValueError: when ``labels.jsonl`` is missing or a line is not a record.
    """
    path = folder / "labels.jsonl"
    if not path.is_file():
        raise ValueError(f"expected a set with labels.jsonl, got {folder}")
    records = []
    for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
        if line.strip():
            record = json.loads(line)
            if not isinstance(record, dict) or not {"file", "kind", "width", "height"} <= set(record):
                raise ValueError(f"{path}:{number}: expected a record with file, kind, width and height")
            records.append(record)
    return records


def data_hash(folders: Sequence[Path]) -> str:
    """SHA-256 over the label files of some sets, in order."""
    digest = hashlib.sha256()
    for folder in folders:
        digest.update((folder / "labels.jsonl").read_bytes())
    return digest.hexdigest()


def labels_from(records: Sequence[Mapping[str, Any]]) -> Labels:
    """Turn records into arrays."""
    n = len(records)
    out = Labels(
        size=np.ones((n, 2)),
        found=np.zeros(n, np.bool_),
        era=np.full(n, -1, np.int64),
        view=np.full(n, -1, np.int64),
        finish=np.full(n, -1, np.int64),
        cues=np.full((n, len(CUES)), -1, np.int64),
        glimpsed=np.full((n, len(CUES)), -1, np.int64),
        count=np.full(n, -1, np.int64),
        subject=np.full((n, 4), np.nan),
        outline=np.full((n, OUTLINE, 2), np.nan),
        evidence=np.full((n, len(CUES), 4), np.nan),
        screws=np.full((n, SCREWS, 2), np.nan),
        points=np.full((n, len(LANDMARKS) - 1, 2), np.nan),
        angle=np.full(n, np.nan),
        vague=np.zeros((n, len(LANDMARKS)), np.bool_),
    )
    for i, record in enumerate(records):
        out.size[i] = record["width"], record["height"]
        if record["kind"] == SUBJECT and record.get("subject_box") is not None:
            _fill(out, i, record)
    return out


def _fill(out: Labels, i: int, record: Mapping[str, Any]) -> None:
    out.found[i] = True
    eras = ("iron", "alloy4", "alloy5")
    out.era[i] = eras.index(record["era"]) if record.get("era") in eras else -1
    view = record.get("view")
    if record.get("mirrored"):
        view = MIRROR_VIEW.get(str(view), view)
    out.view[i] = VIEWS.index(view) if view in VIEWS else -1
    out.finish[i] = FINISHES.index(record["finish"]) if record.get("finish") in FINISHES else -1
    out.subject[i] = record["subject_box"]
    out.outline[i] = _outline(record.get("outline"), out.subject[i])
    boxes = {**(record.get("zones") or {}), **(record.get("boxes") or {})}
    ambiguous = set(record.get("ambiguous") or ())
    for k, cue in enumerate(CUES):
        if cue in ambiguous:
            for name in HEAT_OF_CUE[cue]:
                out.vague[i, LANDMARKS.index(name)] = True
            bit = (record.get("glimpsed") or {}).get(cue)
            if bit in READINGS[cue]:
                out.glimpsed[i, k] = READINGS[cue].index(bit)
            continue
        reading = (record.get("cues") or {}).get(cue)
        words = (*READINGS[cue], OUT_OF_SIGHT)
        if reading not in words:
            continue
        out.cues[i, k] = words.index(reading)
        if reading == OUT_OF_SIGHT:
            continue
        places = [boxes[p] for p in PLACES[cue, reading] if p in boxes]
        if places:
            around = np.array(places, np.float64)
            out.evidence[i, k] = [*around[:, :2].min(0), *around[:, 2:].max(0)]
    seen = record.get("screw_count")
    if seen is not None and Cue.JOINT_SCREWS not in ambiguous:
        out.count[i] = min(int(seen), SCREWS)
    landmarks = record.get("landmarks") or {}
    for k, point in enumerate(landmarks.get("screw", [])[:SCREWS]):
        out.screws[i, k] = point
    for k, name in enumerate(LANDMARKS[1:]):
        if landmarks.get(name):
            out.points[i, k] = landmarks[name][0]
    handle = record.get("handle")
    if handle and handle.get("space_deg") is not None:
        out.angle[i] = handle["space_deg"]


def _outline(points: Sequence[Sequence[float]] | None, box: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sixteen points of the outline; of the ellipse inside the box where there is no outline."""
    if points is not None and len(points) >= 3:
        hull = cv2.convexHull(np.array(points, np.float32)).reshape(-1, 2).astype(np.float64)
        pick = np.linspace(0, len(hull), OUTLINE, endpoint=False).astype(int)
        extreme = [hull[:, 0].argmin(), hull[:, 0].argmax(), hull[:, 1].argmin(), hull[:, 1].argmax()]
        pick[:: OUTLINE // 4] = extreme if len(hull) > OUTLINE else pick[:: OUTLINE // 4]
        out: NDArray[np.float64] = hull[np.sort(pick)]
        return out
    turn = np.linspace(0, 2 * math.pi, OUTLINE, endpoint=False)
    centre, half = (box[:2] + box[2:]) / 2, (box[2:] - box[:2]) / 2
    around: NDArray[np.float64] = centre + half * np.stack([np.cos(turn), np.sin(turn)], 1)
    return around


@dataclass(frozen=True, slots=True)
class Block:
    """Pictures in one uint8 block, portraits turned to landscape.

    Attributes:
        pixels: (n, 3, h, w) uint8 RGB; a picture lies in the upper left, the rest is grey.
        to_block: (n, 3, 3) float64, photo pixels -> block pixels (continuous coordinates).
        sizes: (n, 2) float64 width, height of the photos.
    """

    pixels: NDArray[np.uint8]
    to_block: NDArray[np.float64]
    sizes: NDArray[np.float64]


Change = Callable[[NDArray[np.uint8], int], NDArray[np.uint8]]
"""From an RGB picture (h, w, 3) and its number to a picture of the same size."""


class Pictures:
    """The picture bytes of a set by name, loose or in tar shards."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._shards: dict[str, tuple[Path, int, int]] = {}
        for shard in sorted((*folder.glob("*.tar"), *folder.glob("shards/*.tar"))):
            with tarfile.open(shard) as tar:
                for member in tar:
                    if member.isfile():
                        self._shards[member.name.removeprefix("./")] = (shard, member.offset_data, member.size)

    def read(self, name: str) -> bytes:
        """Return a picture's bytes.

        Raises:
            FileNotFoundError: when it is neither in the folder nor in a shard.
        """
        place = self._shards.get(name) or self._shards.get(Path(name).name)
        if place is None:
            loose = self.folder / name
            return (loose if loose.is_file() else self.folder / "pictures" / name).read_bytes()
        shard, offset, size = place
        with shard.open("rb") as handle:
            handle.seek(offset)
            return handle.read(size)


def load_block(jobs: Sequence[tuple[Pictures, str]], side: int, workers: int, change: Change | None = None) -> Block:
    """Decode pictures, shrink them to ``side`` at the longest, and lay them in one block.

    Args:
        jobs: where each picture comes from.
        side: longest side, pixels.
        workers: threads.
        change: applied to each shrunk picture.

    Raises:
        ValueError: when a picture cannot be decoded.
    """

    def decode(
        job: tuple[Pictures, str], number: int
    ) -> tuple[NDArray[np.uint8], NDArray[np.float64], tuple[int, int]]:
        source, name = job
        bgr = cv2.imdecode(np.frombuffer(source.read(name), np.uint8), cv2.IMREAD_COLOR)
        if bgr is None:
            raise ValueError(f"{source.folder / name}: expected a picture that can be decoded")
        h, w = bgr.shape[:2]
        scale = min(1.0, side / max(h, w))
        if scale < 1.0:
            new = (max(1, round(w * scale)), max(1, round(h * scale)))
            bgr = cv2.resize(bgr, new, interpolation=cv2.INTER_AREA)
        if change is not None:
            bgr = change(np.ascontiguousarray(bgr[:, :, ::-1]), number)[:, :, ::-1]
        sx, sy = bgr.shape[1] / w, bgr.shape[0] / h
        matrix = np.diag([sx, sy, 1.0])
        if h > w:
            matrix = np.array([[0.0, -1.0, bgr.shape[0]], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]) @ matrix
            bgr = cv2.rotate(np.ascontiguousarray(bgr), cv2.ROTATE_90_CLOCKWISE)
        return np.ascontiguousarray(bgr[:, :, ::-1].transpose(2, 0, 1)), matrix, (w, h)

    matrices = np.zeros((len(jobs), 3, 3))
    with ThreadPoolExecutor(workers) as pool:
        done = list(pool.map(decode, jobs, range(len(jobs))))
    h = max((p.shape[1] for p, _, _ in done), default=1)
    w = max((p.shape[2] for p, _, _ in done), default=1)
    pixels = np.full((len(jobs), 3, h, w), 127, np.uint8)
    sizes = np.ones((len(jobs), 2))
    for i, (picture, matrix, size) in enumerate(done):
        pixels[i, :, : picture.shape[1], : picture.shape[2]] = picture
        matrices[i], sizes[i] = matrix, size
    return Block(pixels, matrices, sizes)


@dataclass(frozen=True, slots=True)
class Dataset:
    """Labels and pictures of the same rows. ``backdrops`` are the rows without a subject."""

    labels: Labels
    block: Block
    files: tuple[str, ...]

    @property
    def backdrops(self) -> NDArray[np.int64]:
        """Rows that can stand behind a subject."""
        rows: NDArray[np.int64] = np.flatnonzero(~self.labels.found)
        return rows


def kept(record: Mapping[str, Any], leave_out: Sequence[str]) -> bool:
    """Say whether a record's left-out ingredients are those that are asked for.

    Look-alikes, empty scenes and photos without a word on ingredients are always kept.
    """
    said = record.get("ingredients")
    if not said:
        return True
    return {name for name, there in said.items() if not there} == set(leave_out)


def backdrop_records(folder: Path) -> list[dict[str, Any]]:
    """Records of plain pictures without a subject, any depth; sizes are known when they are read."""
    found = sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".jpeg", ".png"))
    return [{"file": str(p.relative_to(folder)), "kind": "photo", "width": 0, "height": 0} for p in found]


def load_dataset(
    sets: Sequence[Path],
    backdrops: Sequence[Path],
    *,
    side: int,
    workers: int,
    leave_out: Sequence[str] | None = None,
    limit: int = 0,
    shard: tuple[int, int] = (0, 1),
    change: Change | None = None,
) -> Dataset:
    """Read sets and plain pictures into memory.

    Args:
        sets: folders with ``labels.jsonl``.
        backdrops: folders of plain pictures, any depth, without a subject.
        side: longest side in memory, pixels.
        workers: decoding threads.
        leave_out: take only pictures that lack exactly these ingredients, see ``kept``; None takes all pictures.
        limit: at most this many records of the sets, spread evenly over them; 0 for all.
        shard: (k, n): keep only every n-th picture from the k-th on.
        change: applied to each picture once.

    Raises:
        ValueError: when no picture is left, or one cannot be read.
    """
    records: list[Mapping[str, Any]] = []
    jobs: list[tuple[Pictures, str]] = []
    for folder in sets:
        source = Pictures(folder)
        for record in read_records(folder):
            if leave_out is None or kept(record, leave_out):
                records.append(record)
                jobs.append((source, record["file"]))
    if limit and limit < len(records):
        pick = np.linspace(0, len(records), limit, endpoint=False).astype(int)
        records, jobs = [records[i] for i in pick], [jobs[i] for i in pick]
    for folder in backdrops:
        source = Pictures(folder)
        plain = backdrop_records(folder)
        records += plain
        jobs += [(source, r["file"]) for r in plain]
    first, step = shard
    records, jobs = records[first::step], jobs[first::step]
    if not records:
        raise ValueError(f"expected at least one picture in {', '.join(str(s) for s in sets)}")
    block = load_block(jobs, side, workers, change)
    labels = labels_from(records)
    labels.size[:] = block.sizes
    return Dataset(labels, block, tuple(r["file"] for r in records))
