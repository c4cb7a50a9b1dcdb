"""Batches made ready ahead of the step that uses them: on a GPU in a thread with a stream of its own.

A step's looks, labels and camera faults are several hundred small calls; made one after the other with the step itself
they took half of its time on an H100. The draws are the same either way: one thread makes all batches, in order.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from .augment import compose, develop, normalise
from .config import TrainConfig
from .data import Dataset
from .fused import compiling
from .looks import Look, Targets, field_names, find_look, read_look, targets_of

AHEAD = 2
"""Drawn portions that may wait for their step."""
PORTION = 2
"""Batches drawn at once on a GPU: the calls cost the same for two as for one."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What one step takes: network input and targets of the first look, and of the second."""

    images: tuple[Tensor, Tensor]
    targets: tuple[dict[str, Tensor], dict[str, Tensor]]

    def tensors(self) -> list[Tensor]:
        """Every tensor, in a fixed order."""
        return [*self.images, *(t[k] for t in self.targets for k in sorted(t))]


def on_device(targets: Targets, device: torch.device) -> dict[str, Tensor]:
    """Bring targets to a device."""
    return {
        name: torch.from_numpy(np.ascontiguousarray(getattr(targets, name))).to(device, non_blocking=True)
        for name in field_names()
    }


def look_at(
    data: Dataset, pixels: Tensor, rows: NDArray[np.int64], look: Look, rng: np.random.Generator
) -> tuple[Tensor, dict[str, Tensor]]:
    """Return pictures (B, 3, S, S) in 0..255 and targets of rows under a look."""
    block = data.block
    image = compose(pixels, rows, block.to_block, block.sizes, look, data.backdrops, rng)
    return image, on_device(targets_of(data.labels.take(rows), look), pixels.device)


@dataclass(frozen=True, slots=True)
class Source:
    """Where batches come from: the pictures, and every draw of an epoch."""

    config: TrainConfig
    data: Dataset
    pixels: Tensor
    rng: np.random.Generator
    noise: torch.Generator

    def draw(self, rows: NDArray[np.int64], batch: int) -> list[Batch]:
        """Draw both looks at ``rows``, and cut them into batches of ``batch`` (the first look: its share of each)."""
        with compiling(self.config.compiled):
            return self._draw(rows, batch)

    def _draw(self, rows: NDArray[np.int64], batch: int) -> list[Batch]:
        c = self.config
        parts = len(rows) // batch
        share = max(1, round(batch * c.find_share))
        finders = rows.reshape(parts, batch)[:, :share].reshape(-1)
        drawn = []
        for draw, size, mine, each in (
            (find_look, c.find_size, finders, share),
            (read_look, c.read_size, rows, batch),
        ):
            look = draw(self.data.labels.take(mine), size, self.rng, skip=c.no_augment)
            image, targets = look_at(self.data, self.pixels, mine, look, self.rng)
            image = normalise(develop(image, self.rng, self.noise, c.no_augment, c.strength))
            image = image.contiguous(memory_format=torch.channels_last)
            drawn.append([(image[i : i + each], {k: v[i : i + each] for k, v in targets.items()})
                          for i in range(0, parts * each, each)])  # fmt: skip
        return [Batch((f[0], r[0]), (f[1], r[1])) for f, r in zip(*drawn, strict=True)]


def feed(source: Source, rows: list[NDArray[np.int64]]) -> Iterator[Batch]:
    """Yield a batch for each array of ``rows``, all equally long; ahead of time on a GPU.

    Raises:
        Exception: whatever drawing a batch raised, in the caller's thread.
    """
    device = source.pixels.device
    if device.type != "cuda":
        for mine in rows:
            yield from source.draw(mine, len(mine))
        return
    ready: queue.Queue[tuple[list[Batch], torch.cuda.Event] | BaseException | None] = queue.Queue(AHEAD)
    over = threading.Event()

    def give(item: tuple[list[Batch], torch.cuda.Event] | BaseException | None) -> None:
        while not over.is_set():
            try:
                return ready.put(item, timeout=0.5)
            except queue.Full:
                continue

    def work() -> None:
        try:
            with torch.cuda.device(device), torch.cuda.stream(torch.cuda.Stream(device)):
                for i in range(0, len(rows), PORTION):
                    portion = rows[i : i + PORTION]
                    batches = source.draw(np.concatenate(portion), len(portion[0]))
                    drawn = torch.cuda.Event()
                    drawn.record()
                    give((batches, drawn))
                    if over.is_set():
                        return
            give(None)
        except BaseException as error:  # handed to the training's own thread, which raises it
            give(error)

    thread = threading.Thread(target=work, name="feed", daemon=True)
    thread.start()
    try:
        while (item := ready.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            batches, drawn = item
            here = torch.cuda.current_stream(device)
            here.wait_event(drawn)
            for batch in batches:
                for value in batch.tensors():
                    value.record_stream(here)
                yield batch
    finally:
        over.set()
        thread.join()
