"""The training of a campaign, run by torchrun beside the renderer: warm up, wait for the pictures, train to the clock.

The first convolution, exchange and optimizer step of a process cost ten to twenty seconds; they pass while pictures
are still being made. See .ci/campaign.
"""

from __future__ import annotations

import json
import logging
import os
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
from updraft_key.training import loop
from updraft_key.training.checkpoint import network_of
from updraft_key.training.config import TrainConfig
from updraft_key.training.data import Block, Dataset, labels_from, load_dataset
from updraft_key.training.feed import Source
from updraft_key.training.step import Gradients, Place

LAST = 14.0
"""Seconds kept for the epoch that is running when the clock is up, and for writing the weights."""


def records(least: int) -> list[dict[str, object]]:
    """Wait for the first labels, and return ``least`` of them."""
    blocks = Path("/tmp/sets/train/blocks")
    while True:
        found = [json.loads(line) for p in blocks.glob("*.jsonl") for line in p.read_text().splitlines()]
        if len(found) >= least:
            return found[:least]
        time.sleep(1.0)


def warm_up(config: TrainConfig, place: Place) -> None:
    """Take one step on noise, with the labels of real pictures and the sizes of the real training."""
    labels = labels_from(records(200))
    n, side = len(labels), config.cache_side
    pixels = torch.randint(0, 255, (n, 3, side, side), dtype=torch.uint8, device=place.device)
    block = Block(np.zeros((1, 3, 1, 1), np.uint8), np.tile(np.eye(3), (n, 1, 1)), labels.size)
    net = network_of(config).to(place.device, memory_format=torch.channels_last)
    loop.set_modes(net, heads_only=False, frozen_stages=config.frozen_stages)
    optimizer = loop.make_optimizer(net, config, heads_only=False)
    rng, noise = np.random.default_rng(0), torch.Generator(place.device).manual_seed(0)
    batch = Source(config, Dataset(labels, block, ()), pixels, rng, noise).draw(rng.integers(0, n, 256), 128)[0]
    gradients = Gradients(config, place, net)
    gradients._work(batch)
    gradients._work(batch)
    optimizer.step()
    torch.distributed.all_reduce(torch.ones(4, device=place.device))
    torch.cuda.synchronize()


def main() -> None:
    """See the module."""
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    config = TrainConfig.read(Path(os.environ["CONFIG"]))
    end = float(os.environ["TRAINED"])
    place = loop.here()
    try:
        warm_up(config, place)
    except Exception:  # only time is lost without it
        logging.exception("not warmed up")
    torch.cuda.empty_cache()
    logging.info("warm, %.0f s left", end - time.time())
    while not Path("/tmp/rendered").exists():
        time.sleep(0.2)
    data = load_dataset(
        [Path(s) for s in config.sets],
        [Path(s) for s in config.backdrops],
        side=config.cache_side,
        workers=config.workers,
        leave_out=None,
        shard=(place.rank, place.world),
        change=loop.phone_camera(config, place.rank),
    )
    loop.load_dataset = lambda *_, **__: data
    if place.world > 1:
        torch.distributed.barrier()
    seconds = max(20.0, end - time.time() - LAST)
    logging.info("loaded %d, %.0f s to train", len(data.labels), seconds)
    loop.train(replace(config, seconds=seconds), place)
    torch.distributed.destroy_process_group()


if __name__ == "__main__":
    main()
