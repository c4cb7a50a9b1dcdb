"""The comparisons of a campaign: the recipe with one ingredient left out at a time, and the rival; side by side.

They take the GPUs that rendered, while the network itself is still trained on the others: the rival the first, the
nine small runs the others, equally many on each where three or nine are left. The rival begins with the product's own
trunk as trained so far and one trainer's share of the pictures (without a trainer: as it starts, and its own), and is
trained to name the generation: more than an equal start.
See .ci/campaign, training/ablate.py and training/rival.py.
"""

from __future__ import annotations

import json
import logging
import os
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import torch
from safetensors.torch import save_file
from updraft_key.training import loop
from updraft_key.training.ablate import FULL
from updraft_key.training.checkpoint import read_weights
from updraft_key.training.config import INGREDIENTS, TrainConfig
from updraft_key.training.growing import Growing
from updraft_key.training.rival import rival_config

HOME = Path("/tmp/compare")
BACK = HOME / "out"
CACHE = Path(os.environ.get("CACHE", "/tmp/cache")) / "0" / "0"
RIVAL = 22_000
"""Pictures that the rival takes at most."""
PICTURES = int(os.environ.get("COMPARED_ON", "1000"))
"""Of each small run. Of 100 training pictures seven lack any one ingredient and no other; with ABLATION=1 twenty."""
LAST = 12.0
CREW = int(os.environ.get("CREW", "1"))
"""GPUs that rendered."""


def plan(config: TrainConfig) -> dict[str, TrainConfig]:
    """Name -> configuration of every run."""
    small = replace(
        config, start_from="", find_size=min(config.find_size, 256), read_size=min(config.read_size, 320),
        batch=min(config.batch, 64), epochs_heads=2, epochs_all=110, average=0.998, matched=True, limit=PICTURES,
        workers=8, keep_every=1000, compiled=False,
    )  # fmt: skip
    runs = {"rival": replace(rival_config(config, ""), start_from="/tmp/so_far.safetensors", epochs_all=12, limit=RIVAL,
                             workers=10, keep_every=1000, compiled=False)}  # fmt: skip
    runs[FULL] = small
    runs |= {f"render-{name}": replace(small, leave_out=(name,)) for name in INGREDIENTS}
    runs["full-again"] = replace(small, seed=config.seed + 1)  # how far two runs of one recipe lie apart
    runs["augment-camera"] = replace(small, no_augment=("camera",))
    runs["recipe-average"] = replace(small, average=0.0)
    runs["recipe-attention"] = replace(small, weights=replace(small.weights, attention=0.0))
    return {name: replace(run, out=str(HOME / name)) for name, run in runs.items()}


def one(path: Path) -> None:
    """Load, train to the clock, and bring the weights back as float16."""
    config = TrainConfig.read(path)
    place = loop.here()
    small = config.target == "cues"
    if small and CREW == 1 and place.device.type == "cuda":
        torch.cuda.set_per_process_memory_fraction(0.1)  # they keep what they once took, and the rival needs most
    grown = not small and CACHE.exists()
    take = Growing(CACHE, config.cache_side, RIVAL, place.device).take if grown else loop.whole(config, place)
    seconds = float(os.environ["COMPARED"]) - time.time() - LAST
    logging.info("%s: loaded %d, %.0f s", path.parent.name, len(take()[0].labels), seconds)
    loop.train(replace(config, seconds=seconds), place, take)
    tensors, about = read_weights(Path(config.out) / "weights.safetensors")
    half = {k: v.half() if v.is_floating_point() else v for k, v in tensors.items()}
    for name in half:
        if ".classifier." in name:  # of ImageNet's thousand classes; answers nothing here
            half[name].zero_()
    file = BACK / f"{path.parent.name}.safetensors"
    save_file(half, file, {"about": json.dumps(about)})
    subprocess.run(["xz", "-4", str(file)], check=True)


def main() -> None:
    """With a configuration: that run; else start all."""
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    if len(sys.argv) > 1:
        return one(Path(sys.argv[1]))
    so_far = Path("/tmp/runs/0/weights.safetensors")
    shutil.copy(so_far if so_far.exists() else "/tmp/start.safetensors", "/tmp/so_far.safetensors")
    BACK.mkdir(parents=True, exist_ok=True)
    running = []
    for i, (name, run) in enumerate(plan(TrainConfig.read(Path(os.environ["CONFIG"]))).items()):
        gpu = 0 if CREW == 1 or not i else 1 + (i - 1) % min(9, CREW - 1)
        path = HOME / name / "config.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        run.save(path)
        with (HOME / f"{name}.log").open("w") as log:
            given = {**os.environ, "CUDA_VISIBLE_DEVICES": str(gpu)}
            running.append(subprocess.Popen([sys.executable, __file__, str(path)], stderr=log, env=given))
    for process in running:
        process.wait()
    for log in HOME.glob("*.log"):
        sys.stderr.write(f"{log.stem}: {log.read_text()[-1500:]}\n")


if __name__ == "__main__":
    main()
