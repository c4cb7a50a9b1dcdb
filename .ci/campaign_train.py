"""The training of a campaign, beside the renderers: warm up, begin with the first pictures, train to the clock.

Run by torchrun, one process a GPU; each trains on its own share of the pictures and all take their steps together.
The first convolution and optimizer step of a process cost ten to twenty seconds; they pass while the first pictures
are being made. What is rendered later is taken up between epochs. See .ci/campaign and training/growing.py.
"""

from __future__ import annotations

import json
import logging
import multiprocessing
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import torch
from updraft_key.training import loop
from updraft_key.training.checkpoint import network_of
from updraft_key.training.config import TrainConfig
from updraft_key.training.data import Block, Dataset, backdrop_records, labels_from
from updraft_key.training.feed import PORTION, Source
from updraft_key.training.growing import Growing, fill
from updraft_key.training.step import Gradients, Place

LAST = 16.0
"""Seconds kept for the epoch that is running when the clock is up, and for writing the weights."""
FEWEST = int(os.environ.get("FEWEST", "1800"))
"""Pictures to begin with, a GPU."""
CAPACITY = int(os.environ.get("CAPACITY", "30000"))
"""Pictures that one GPU keeps at most."""
LOADERS = 8
"""Processes that decode, a GPU."""
RUN = os.environ.get("RUN", "0")
"""Number of this run among those that train side by side; each has loaders, and camera faults, of its own."""
CACHE, OVER = Path(os.environ.get("CACHE", "/tmp/cache")) / RUN, Path("/tmp/rendered")


def configured() -> TrainConfig:
    """The campaign's configuration with this run's changes."""
    config = TrainConfig.read(Path(os.environ["CONFIG"]))
    return replace(config, out=f"{config.out}/{RUN}", **json.loads(os.environ.get("CHANGES", "{}")))


def load(folder: Path, part: int, parts: int) -> None:
    """Decode one share of the pictures, in a process of its own."""
    cv2.setNumThreads(1)  # the renderers need the other cores
    config = configured()
    fill(config, folder, part, parts, OVER, loop.phone_camera(config, part))


def warm_up(config: TrainConfig, place: Place) -> None:
    """Draw batches and take a step on noise, in the sizes of the real training: kernels are chosen and compiled."""
    records = [r for folder in config.backdrops for r in backdrop_records(Path(folder))]
    side = config.cache_side
    labels = labels_from([{**r, "width": side, "height": side} for r in records])
    n = len(labels)
    pixels = torch.randint(0, 255, (n, 3, side, side), dtype=torch.uint8, device=place.device)
    block = Block(np.zeros((1, 3, 1, 1), np.uint8), np.tile(np.eye(3), (n, 1, 1)), labels.size)
    net = network_of(config).to(place.device, memory_format=torch.channels_last)
    loop.set_modes(net, heads_only=False, frozen_stages=config.frozen_stages)
    optimizer = loop.make_optimizer(net, config, heads_only=False)
    rng, noise = np.random.default_rng(0), torch.Generator(place.device).manual_seed(0)
    source = Source(config, Dataset(labels, block, ()), pixels, rng, noise)
    for _ in range(3):
        batch = source.draw(rng.integers(0, n, PORTION * config.batch), config.batch)[0]
    logging.info("drawn, %.0f s left", float(os.environ["TRAINED"]) - time.time())
    gradients = Gradients(config, place, net)
    gradients._work(batch)
    optimizer.step()
    if place.device.type == "cuda":
        torch.cuda.synchronize()


def main() -> None:
    """See the module."""
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    config = configured()
    end = float(os.environ["TRAINED"])
    place = loop.here()
    mine = CACHE / str(place.rank)
    context = multiprocessing.get_context("spawn")
    for part in range(place.rank * LOADERS, (place.rank + 1) * LOADERS):
        context.Process(target=load, args=(mine, part, place.world * LOADERS), daemon=True).start()
    try:
        warm_up(config, place)
    except Exception:  # slower is better than lost
        logging.exception("not warmed up; on without compiling")
        config = replace(config, compiled=False)
    torch.cuda.empty_cache()
    logging.info("warm, %.0f s left", end - time.time())
    growing = Growing(mine, config.cache_side, CAPACITY, place.device)
    while len(growing.take()[0].labels) < FEWEST and not OVER.exists():
        time.sleep(1.0)
    seconds = max(20.0, end - time.time() - LAST)
    logging.info("begin with %d, %.0f s to train", len(growing.take()[0].labels), seconds)
    loop.train(replace(config, seconds=seconds), place, growing.take)
    logging.info("ended with %d", len(growing.take()[0].labels))
    if place.world > 1:
        torch.distributed.destroy_process_group()


if __name__ == "__main__":
    main()
