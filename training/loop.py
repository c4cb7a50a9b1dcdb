"""Training, in reading order: heads on the frozen trunk, then everything at a low rate.

Run ``python -m updraft_key.training.loop --config X.json``; with several GPUs
``torchrun --nproc-per-node N -m updraft_key.training.loop --config X.json``. A stopped run goes on from its
last checkpoint when it is started again with the same configuration.

Batch norm: the trunk's statistics stay those of ImageNet throughout. The decoder's are learned while the trunk
is frozen and then stay too, because the two looks have different statistics and the shipped network one set.
"""

from __future__ import annotations

import json
import logging
import math
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from updraft_key.model.cues import CUES, READINGS, Cue
from updraft_key.synthetic_data.camera import shoot

from .augment import normalise
from .checkpoint import (
    STATE,
    WEIGHTS,
    State,
    average_into,
    network_of,
    optimizer_tensors,
    read_state,
    read_weights,
    restore_optimizer,
    save_state,
    save_weights,
)
from .config import TrainConfig
from .data import Change, Dataset, Labels, data_hash, load_dataset
from .feed import Source, feed, look_at
from .looks import find_look, read_look, targets_of
from .network import CueNet, load_imagenet
from .photo_lab import lab
from .step import Gradients, Place, cast_to, take_step
from .watch import quick_measures

log = logging.getLogger(__name__)


Take = Callable[[], tuple[Dataset, Tensor]]
"""Gives all pictures there are: their labels, and their pixels (n or more, 3, h, w) uint8 on the device."""


class Board(Protocol):
    """What is asked of TensorBoard's writer."""

    def add_scalar(self, tag: str, scalar_value: float, global_step: int) -> None:
        """Keep a number."""


def phone_camera(config: TrainConfig, rank: int) -> Change | None:
    """Pass a share of the pictures through the synthetic phone camera, each with draws of its own."""
    if config.shoot == 0 or "camera" in config.no_augment:
        return None
    relit = lab()

    def change(picture: NDArray[np.uint8], number: int) -> NDArray[np.uint8]:
        rng = np.random.default_rng((config.seed, rank, number))
        if rng.random() < 0.3 * config.shoot:
            picture = relit(picture, rng)
        if rng.random() >= config.shoot:
            return picture
        return shoot(picture, rng, float(rng.uniform(0.3, 1.4)))

    return change


LOOKS_SPARED = 5.0
"""Looks at a picture before it counts half as much as one that was not looked at yet."""

ALL_SCREWS = 4.0
"""How much more a picture that shows all joint screws is looked at: two in a hundred do."""


def worth(labels: Labels) -> NDArray[np.float64]:
    """How often each picture is looked at, on average once: more where more cues are to be seen.

    Pictures without a subject teach one thing, pictures with five visible cues teach six. Pictures without a
    subject keep at least a fifth of the looks. Where all joint screws show, which is seldom, there are more.
    """
    out = np.array([len(READINGS[c]) for c in CUES])
    shown = (labels.cues >= 0) & (labels.cues < out)
    weight = np.where(labels.found, 0.6 + 0.4 * np.minimum(shown.sum(axis=1), 4), 0.5)
    weight = np.where(shown[:, CUES.index(Cue.JOINT_SCREWS)], ALL_SCREWS * weight, weight)
    none, units = weight[~labels.found].sum(), weight[labels.found].sum()
    if 0 < none < 0.25 * units:
        weight[~labels.found] *= 0.25 * units / none
    return weight / weight.mean()


def sparing(weight: NDArray[np.float64], looks: NDArray[np.int64]) -> NDArray[np.float64]:
    """Weights of pictures by how often each was looked at already, for what it is worth (``worth``; mean 1).

    In a growing set the first pictures are thus not worn out, and in the long run each has the looks it is worth.
    """
    return weight / (LOOKS_SPARED + looks / weight)


def batches(
    weight: NDArray[np.float64], batch: int, steps: int, rng: np.random.Generator
) -> Iterator[NDArray[np.int64]]:
    """Yield exactly ``steps`` batches of rows in random order, each row in proportion to its weight.

    Every process must take as many steps as the others, however its own pictures are weighted.
    """
    # The whole part of the weight for sure, the rest by chance.
    weight = weight * (batch * steps / weight.sum())
    times = np.floor(weight + rng.random(len(weight))).astype(int)
    order = np.resize(rng.permutation(np.repeat(np.arange(len(weight)), times)), batch * steps)
    yield from order.reshape(steps, batch)


def set_modes(net: CueNet, *, heads_only: bool, frozen_stages: int = 0) -> None:
    """Training mode with frozen batch-norm statistics: the trunk's always, the decoder's after the first stage.

    Args:
        net: the network.
        heads_only: freeze the whole trunk.
        frozen_stages: freeze the stem and this many first stages of the trunk, whatever the stage of training.
    """
    early = ("trunk.stem.", *(f"trunk.stages.{i}." for i in range(frozen_stages))) if frozen_stages else ()
    net.train()
    for name, module in net.named_modules():
        if isinstance(module, nn.BatchNorm2d) and (name.startswith("trunk.") or not heads_only):
            module.eval()
    for name, parameter in net.named_parameters():
        trunk = name.startswith("trunk.")
        kept = (trunk and heads_only) or ".classifier." in name or (bool(early) and name.startswith(early))
        parameter.requires_grad_(not kept)


def make_optimizer(net: CueNet, config: TrainConfig, *, heads_only: bool) -> torch.optim.AdamW:
    """AdamW with the trunk at its own rate and no decay on norms and biases."""
    groups: dict[tuple[bool, bool], list[nn.Parameter]] = {}
    for name, parameter in net.named_parameters():
        if parameter.requires_grad:
            groups.setdefault((name.startswith("trunk."), parameter.ndim > 1), []).append(parameter)
    head_rate = config.rate_heads if heads_only else config.rate_all
    return torch.optim.AdamW(
        [
            {
                "params": parameters,
                "lr": config.rate_trunk if trunk else head_rate,
                "peak": config.rate_trunk if trunk else head_rate,
                "weight_decay": config.weight_decay if decays else 0.0,
            }
            for (trunk, decays), parameters in groups.items()
        ],
        betas=(0.9, 0.99),
        fused=next(net.parameters()).is_cuda,
    )


def rate_at(progress: float) -> float:
    """Share of the peak rate after this share of a stage: a short rise, then a cosine to a hundredth."""
    rise = 0.05
    if progress < rise:
        return max(progress, 0.0005) / rise
    return 0.01 + 0.99 * 0.5 * (1.0 + math.cos(math.pi * min(1.0, (progress - rise) / (1.0 - rise))))


@dataclass(slots=True)
class Pace:
    """How far a stage has come, 0 to 1: by steps, or by the clock of the first process where ``seconds`` is given.

    All processes see the same progress, since it is agreed on once an epoch and runs on evenly in between.
    """

    place: Place
    steps: int
    seconds: float
    started: float = 0.0
    done: int = 0
    base: float = 0.0
    per_step: float = 0.0

    def begin(self) -> None:
        """Start the stage's clock."""
        self.started = time.monotonic()
        self.per_step = 1.0 / max(1, self.steps)

    def epoch(self) -> bool:
        """Agree on the progress at the start of an epoch; false when the stage is over."""
        if not self.seconds:
            self.base = self.done * self.per_step
            return True
        share = (time.monotonic() - self.started) / self.seconds
        if self.place.world > 1:
            value = torch.tensor([share], device=self.place.device)
            torch.distributed.broadcast(value, 0)
            share = float(value.item())
        self.base = share
        if self.done:
            self.per_step = share / self.done
        return share < 1.0

    def step(self, k: int) -> float:
        """Progress at the k-th step of this epoch."""
        self.done += 1
        return min(1.0, self.base + k * self.per_step)


def train(config: TrainConfig, place: Place, take: Take | None = None) -> dict[str, Any]:
    """Run or go on with a training, and return its last measures.

    Args:
        config: everything that decides the run.
        place: device and process.
        take: asked at the start of every epoch for all pictures there are by then; reads the sets once if None.

    Writes into ``config.out``: ``config.json``, ``log.jsonl``, TensorBoard events, ``state.safetensors`` (to go
    on from) and ``weights.safetensors`` (averaged, to export).

    Raises:
        ValueError: when the sets cannot be read.
    """
    out = Path(config.out)
    if place.rank == 0:
        out.mkdir(parents=True, exist_ok=True)
        config.save(out / "config.json")
    start = time.monotonic()
    take = take or whole(config, place)
    data, pixels = take()
    held = _load_held(config) if place.rank == 0 else None
    log.info("%d pictures in memory after %.1f s", len(data.labels), time.monotonic() - start)

    net = network_of(config)
    if config.start_from:
        begin_from(net, read_weights(Path(config.start_from))[0])
    else:
        load_imagenet(net.trunk, config.imagenet)
    net = net.to(place.device, memory_format=torch.channels_last)
    average = {k: v.detach().clone() for k, v in net.state_dict().items()}
    per_epoch = _steps(config, data, place)
    looks = np.zeros(0, np.int64)
    done = State(0, 0, {}, {}, {})
    if (out / STATE).is_file():
        done = read_state(out / STATE)
        net.load_state_dict(done.model)
        average = {k: v.to(place.device) for k, v in done.average.items()}
        log.info("going on after epoch %d", done.epoch)
    board = _board(out) if place.rank == 0 else None
    measures: dict[str, Any] = {}
    step = done.step
    for stage, (first, last) in enumerate(((0, config.epochs_heads), (config.epochs_heads, config.epochs))):
        if done.epoch >= last or first == last:
            continue
        heads_only = stage == 0
        set_modes(net, heads_only=heads_only, frozen_stages=config.frozen_stages)
        optimizer = make_optimizer(net, config, heads_only=heads_only)
        if done.epoch > first:
            restore_optimizer(optimizer, done.optimizer)
        if place.world > 1:
            # Every process starts a stage from the weights and norm statistics of the first one.
            for value in (*net.parameters(), *net.buffers()):
                torch.distributed.broadcast(value.data, 0)
        gradients = Gradients(config, place, net)
        timed = not heads_only and config.seconds > 0
        pace = Pace(place, (last - first) * per_epoch, config.seconds if timed else 0.0)
        pace.begin()
        pace.done = max(0, step - first * per_epoch)
        epoch = max(first, done.epoch) - 1
        while pace.epoch() and (timed or epoch + 1 < last):
            epoch += 1
            rng = np.random.default_rng((config.seed, epoch, place.rank))
            noise = torch.Generator(place.device).manual_seed(config.seed * 1_000_003 + epoch * 997 + place.rank)
            sums = torch.zeros(0)
            clock = time.monotonic()
            data, pixels = take()
            per_epoch = _steps(config, data, place)
            looks = np.concatenate([looks, np.zeros(len(data.labels) - len(looks), np.int64)])
            order = list(batches(sparing(worth(data.labels), looks), config.batch, per_epoch, rng))
            looks += np.bincount(np.concatenate(order), minlength=len(looks))
            for k, batch in enumerate(feed(Source(config, data, pixels, rng, noise), order)):
                share = rate_at(pace.step(k))
                for group in optimizer.param_groups:
                    group["lr"] = group["peak"] * share
                values = take_step(gradients, batch, optimizer)
                # The average follows closely at first, then settles to its decay.
                average_into(average, net, min(config.average, (1.0 + step) / (10.0 + step)))
                step += 1
                sums = sums + values if k else values
            measures = dict(zip(gradients.names, (sums / per_epoch).tolist(), strict=True))
            seconds = time.monotonic() - clock
            measures |= {"epoch": epoch + 1, "pictures_per_second": per_epoch * config.batch * place.world / seconds}
            if place.rank == 0:
                if held is not None and ((epoch + 1) % config.watch_every == 0 or epoch + 1 == last):
                    measures |= _watch(config, place, average, held)
                _note(out, board, measures, step)
                if (epoch + 1) % config.keep_every == 0 or epoch + 1 == last:
                    _keep(out, config, State(epoch + 1, step, net.state_dict(), average, optimizer_tensors(optimizer)))
        if timed and place.rank == 0:
            _keep(out, config, State(epoch + 1, step, net.state_dict(), average, optimizer_tensors(optimizer)))
            if held is not None:
                measures |= _watch(config, place, average, held)
                _note(out, board, measures, step)
        done = State(last, step, {}, {}, {})
    return measures


def whole(config: TrainConfig, place: Place) -> Take:
    """Read the sets of a configuration once, its share of them for this process."""
    data = load_dataset(
        [Path(s) for s in config.sets],
        [Path(s) for s in config.backdrops],
        side=config.cache_side,
        workers=config.workers,
        leave_out=config.leave_out if config.leave_out or config.matched else None,
        limit=config.limit,
        shard=(place.rank, place.world),
        change=phone_camera(config, place.rank),
    )
    pixels = torch.from_numpy(data.block.pixels).to(place.device)
    return lambda: (data, pixels)


def begin_from(net: CueNet, tensors: Mapping[str, Tensor]) -> None:
    """Fill a network with the weights of an earlier run, of whatever precision; the rival's own head may be new.

    Raises:
        ValueError: when other tensors are missing, or some are not the network's.
    """
    given = {k: v.float() for k, v in tensors.items()}
    missing, strange = net.load_state_dict(given, strict=False)
    missing = [k for k in missing if not k.startswith("rival.")]
    if missing or strange:
        raise ValueError(f"start_from: expected the network's tensors, missing {missing[:3]}, not known {strange[:3]}")


def _steps(config: TrainConfig, data: Dataset, place: Place) -> int:
    """Steps of an epoch: once through the pictures, or as many as the configuration lets."""
    once = math.ceil(_least_over_processes(len(data.labels), place) / config.batch)
    return min(once, config.epoch_steps or once)


def _least_over_processes(n: int, place: Place) -> int:
    if place.world == 1:
        return n
    value = torch.tensor([n], device=place.device)
    torch.distributed.all_reduce(value, torch.distributed.ReduceOp.MIN)
    return int(value.item())


def _load_held(config: TrainConfig) -> Dataset | None:
    if not config.held:
        return None
    return load_dataset([Path(s) for s in config.held], [], side=config.cache_side, workers=config.workers, limit=1024)


def _watch(config: TrainConfig, place: Place, average: Mapping[str, Tensor], held: Dataset) -> dict[str, float]:
    net = network_of(config).to(place.device)
    net.load_state_dict(average)
    net.eval()
    pixels = torch.from_numpy(held.block.pixels).to(place.device)
    found: dict[str, list[NDArray[np.generic]]] = {}
    rng = np.random.default_rng(0)
    for start in range(0, len(held.labels), 64):
        rows = np.arange(start, min(start + 64, len(held.labels)))
        labels = held.labels.take(rows)
        for name, look in (
            ("find", find_look(labels, config.find_size, rng, plain=True)),
            ("read", read_look(labels, config.read_size, rng, plain=True)),
        ):
            image, _ = look_at(held, pixels, rows, look, rng)
            with torch.no_grad(), cast_to(place, config):
                out = net(normalise(image))
            for key, value in quick_measures(name, out, targets_of(labels, look)).items():
                found.setdefault(key, []).append(value)
    return {k: float(np.concatenate(v).mean()) for k, v in found.items() if sum(map(len, v))}


def _board(out: Path) -> Board | None:
    """TensorBoard's writer; none where it is not installed (``log.jsonl`` holds the same numbers)."""
    try:
        board: Board = import_module("torch.utils.tensorboard").SummaryWriter(str(out))
    except ImportError:
        return None
    return board


def _note(out: Path, board: Board | None, measures: Mapping[str, Any], step: int) -> None:
    with (out / "log.jsonl").open("a", encoding="utf-8") as handle:
        handle.write(json.dumps({"step": step, **measures}) + "\n")
    if board is not None:
        for name, value in measures.items():
            board.add_scalar(name, float(value), step)
    short = {k: round(float(v), 3) for k, v in measures.items() if k.startswith("held/") or k in ("loss", "epoch")}
    log.info("%s, %.0f pictures/s", short, measures["pictures_per_second"])


def _keep(out: Path, config: TrainConfig, state: State) -> None:
    save_state(out / STATE, state)
    about = {
        "config": config.to_json(),
        "epoch": state.epoch,
        "step": state.step,
        # A set that is still being rendered has no label file yet.
        "data_hash": data_hash([Path(s) for s in config.sets if (Path(s) / "labels.jsonl").is_file()]),
    }
    save_weights(out / WEIGHTS, state.average, about)


def here() -> Place:
    """Find this process's place, joining the others that torchrun started."""
    rank, world = int(os.environ.get("LOCAL_RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
    device = torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")
    if device.type == "cuda":
        torch.cuda.set_device(device)
        torch.backends.cuda.matmul.allow_tf32 = True
        torch.backends.cudnn.allow_tf32 = True
    if world > 1:
        torch.distributed.init_process_group("nccl" if device.type == "cuda" else "gloo")
    return Place(device, rank, world)


def main(arguments: list[str]) -> int:
    """Train from a configuration file; return the exit code."""
    if len(arguments) != 2 or arguments[0] != "--config":
        # Everything else is for the full command, which needs typer; this module alone does not.
        from .cli import run

        return run("train", arguments)
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    place = here()
    try:
        measures = train(TrainConfig.read(Path(arguments[1])), place)
    except (ValueError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    finally:
        if place.world > 1:
            torch.distributed.destroy_process_group()
    if place.rank == 0:
        sys.stdout.write(json.dumps(measures) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
