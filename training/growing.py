"""A set that is trained on while it is still being rendered.

``fill`` runs in processes of its own: it decodes the pictures of finished blocks and lays them one behind the other
in plain files. ``Growing`` takes up what is new between epochs and keeps all of it in the memory of one device.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from .config import TrainConfig
from .data import Block, Change, Dataset, Labels, Pictures, backdrop_records, labels_from, load_block

PORTION = 32
"""Pictures decoded at a time: what is laid down together becomes visible together."""


def fill(config: TrainConfig, folder: Path, part: int, parts: int, over: Path, change: Change | None = None) -> int:
    """Decode what is finished, again and again, until ``over`` exists and nothing is left; return how many pictures.

    Args:
        config: ``sets`` (folders as ``generate`` fills them), ``backdrops``, ``cache_side``.
        folder: where rows and pixels are laid.
        part: this process's number among ``parts``; it takes every ``parts``-th block.
        parts: how many processes share the work.
        over: a file that says that rendering has ended.
        change: applied to each picture once.
    """
    folder.mkdir(parents=True, exist_ok=True)
    laid, done = 0, set[str]()
    with (folder / f"{part}.rows").open("a") as rows, (folder / f"{part}.pixels").open("ab") as pixels:

        def lay(source: Pictures, records: Sequence[Mapping[str, Any]]) -> None:
            nonlocal laid
            for start in range(0, len(records), PORTION):
                mine = records[start : start + PORTION]
                jobs = [(source, str(r["file"])) for r in mine]
                block = load_block(jobs, config.cache_side, 1, _numbered(change, laid * parts + part, parts))
                square = np.full((len(mine), 3, config.cache_side, config.cache_side), 127, np.uint8)
                square[:, :, : block.pixels.shape[2], : block.pixels.shape[3]] = block.pixels
                pixels.write(square.tobytes())
                pixels.flush()
                for record, matrix, size in zip(mine, block.to_block, block.sizes, strict=True):
                    known = {**record, "width": size[0], "height": size[1]}
                    rows.write(json.dumps({"record": known, "to_block": matrix.tolist()}) + "\n")
                rows.flush()
                laid += len(mine)

        for backdrops in map(Path, config.backdrops):
            lay(Pictures(backdrops), backdrop_records(backdrops)[part::parts])
        while True:
            last = over.exists()
            for set_folder in map(Path, config.sets):
                new = [p for p in (set_folder / "blocks").glob("*.jsonl") if str(p) not in done]
                mine = sorted(p for p in new if sum(p.stem.encode()) % parts == part)
                done.update(map(str, new))
                lay(Pictures(set_folder), [json.loads(x) for p in mine for x in p.read_text("utf-8").splitlines()])
            if last:
                return laid
            time.sleep(0.5)


def _numbered(change: Change | None, first: int, step: int) -> Change | None:
    """The same change with other numbers: each picture of a set draws its own."""
    return (lambda picture, i: change(picture, first + i * step)) if change else None


class Growing:
    """All pictures laid so far, on a device.

    Args:
        folder: where ``fill`` lays them.
        side: of the square pictures, pixels; as ``fill``'s.
        capacity: most pictures that are ever taken.
        device: where they are kept.
    """

    def __init__(self, folder: Path, side: int, capacity: int, device: torch.device) -> None:
        self.folder, self.side, self.capacity = folder, side, capacity
        self._pixels = torch.empty((capacity, 3, side, side), dtype=torch.uint8, device=device)
        self._labels = labels_from([])
        self._to_block: NDArray[np.float64] = np.zeros((0, 3, 3))
        self._files: tuple[str, ...] = ()
        self._read: dict[Path, tuple[int, int]] = {}

    def take(self) -> tuple[Dataset, Tensor]:
        """Take up what is new; return all pictures with their labels, and the pixels (capacity, 3, side, side)."""
        for rows in sorted(self.folder.glob("*.rows")):
            at, count = self._read.get(rows, (0, 0))
            with rows.open("rb") as handle:
                handle.seek(at)
                text = handle.read()
            lines = text[: text.rfind(b"\n") + 1].splitlines(keepends=True)
            lines = lines[: self.capacity - len(self._files)]
            if lines:
                self._add(rows.with_suffix(".pixels"), count, [json.loads(line) for line in lines])
                self._read[rows] = (at + sum(map(len, lines)), count + len(lines))
        block = Block(np.zeros((1, 3, 1, 1), np.uint8), self._to_block, self._labels.size)
        return Dataset(self._labels, block, self._files), self._pixels

    def _add(self, pixels: Path, first: int, new: list[dict[str, Any]]) -> None:
        held, size = len(self._files), 3 * self.side * self.side
        laid = np.memmap(pixels, np.uint8, "r", first * size, (len(new), 3, self.side, self.side))
        for start in range(0, len(new), 256):
            some = torch.from_numpy(np.array(laid[start : start + 256]))
            self._pixels[held + start : held + start + len(some)].copy_(some)
        labels = labels_from([row["record"] for row in new])
        self._labels = Labels(
            *(np.concatenate([getattr(self._labels, f.name), getattr(labels, f.name)]) for f in fields(Labels))
        )
        self._to_block = np.concatenate([self._to_block, np.array([row["to_block"] for row in new], np.float64)])
        self._files += tuple(str(row["record"]["file"]) for row in new)
