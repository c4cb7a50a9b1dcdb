"""Checkpoints in safetensors: tensors and one JSON header, no code."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from safetensors import safe_open
from safetensors.torch import save_file
from torch import Tensor, nn

from .config import TrainConfig
from .network import CueNet

WEIGHTS = "weights.safetensors"
STATE = "state.safetensors"


@dataclass(frozen=True, slots=True)
class State:
    """Where a run stands.

    Attributes:
        epoch: epochs finished.
        step: steps finished.
        model: network tensors.
        average: averaged network tensors.
        optimizer: flattened moments, ``<group>.<index>.<name>``.
    """

    epoch: int
    step: int
    model: Mapping[str, Tensor]
    average: Mapping[str, Tensor]
    optimizer: Mapping[str, Tensor]


def _write(path: Path, tensors: Mapping[str, Tensor], words: Mapping[str, str]) -> None:
    """Write beside the old file, then replace it, so that a stop never leaves half a file."""
    spare = path.with_suffix(".part")
    save_file({k: v.detach().cpu().contiguous() for k, v in tensors.items()}, spare, dict(words))
    os.replace(spare, path)


def save_weights(path: Path, tensors: Mapping[str, Tensor], about: Mapping[str, Any]) -> None:
    """Write network tensors with a JSON description."""
    _write(path, tensors, {"about": json.dumps(dict(about))})


def read_weights(path: Path) -> tuple[dict[str, Tensor], dict[str, Any]]:
    """Read what ``save_weights`` wrote."""
    with safe_open(path, "pt") as handle:
        words = handle.metadata() or {}
        return {k: handle.get_tensor(k) for k in handle.keys()}, json.loads(words.get("about", "{}"))  # noqa: SIM118


def network_of(config: TrainConfig) -> CueNet:
    """Build the network that a configuration asks for, with random weights."""
    return CueNet(config.channels, config.glances, config.drop_pooled, generation=config.target == "generation")


def load_network(path: Path) -> tuple[CueNet, dict[str, Any]]:
    """Return the network of a weights file, in evaluation mode, and the file's description."""
    tensors, about = read_weights(path)
    net = network_of(TrainConfig.from_json(about["config"]))
    net.load_state_dict(tensors)
    return net.eval(), about


def save_state(path: Path, state: State) -> None:
    """Write everything that a run needs to go on."""
    tensors = {f"model.{k}": v for k, v in state.model.items()}
    tensors |= {f"average.{k}": v for k, v in state.average.items()}
    tensors |= {f"optimizer.{k}": v for k, v in state.optimizer.items()}
    _write(path, tensors, {"epoch": str(state.epoch), "step": str(state.step)})


def read_state(path: Path) -> State:
    """Read what ``save_state`` wrote."""
    with safe_open(path, "pt") as handle:
        words = handle.metadata() or {}
        tensors = {k: handle.get_tensor(k) for k in handle.keys()}  # noqa: SIM118

    def part(name: str) -> dict[str, Tensor]:
        return {k.removeprefix(name + "."): v for k, v in tensors.items() if k.startswith(name + ".")}

    return State(int(words["epoch"]), int(words["step"]), part("model"), part("average"), part("optimizer"))


def optimizer_tensors(optimizer: torch.optim.Optimizer) -> dict[str, Tensor]:
    """Flatten an optimizer's moments."""
    out = {}
    for index, moments in optimizer.state_dict()["state"].items():
        for name, value in moments.items():
            out[f"{index}.{name}"] = value if isinstance(value, Tensor) else torch.tensor(float(value))
    return out


def restore_optimizer(optimizer: torch.optim.Optimizer, tensors: Mapping[str, Tensor]) -> None:
    """Put flattened moments back."""
    state: dict[int, dict[str, Tensor]] = {}
    for key, value in tensors.items():
        index, name = key.split(".", 1)
        state.setdefault(int(index), {})[name] = value
    whole = optimizer.state_dict()
    whole["state"] = state
    optimizer.load_state_dict(whole)


@torch.no_grad()
def average_into(average: Mapping[str, Tensor], net: nn.Module, decay: float) -> None:
    """Move the averaged tensors a step toward the network's; counters are copied."""
    state = net.state_dict()
    moving = [name for name, value in state.items() if value.is_floating_point()]
    torch._foreach_lerp_([average[n] for n in moving], [state[n] for n in moving], 1.0 - decay)
    for name in state.keys() - set(moving):
        average[name].copy_(state[name])
