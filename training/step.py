"""One training step: both looks forward, the loss, backward, gradients shared between processes, the optimizer.

On a GPU forward, loss and backward are recorded once as a CUDA graph and replayed from then on: a small network's
thousand short kernels otherwise wait for Python (measured on an H100: 217 of 288 ms a step of 128 pictures). The
network is compiled before that, if the configuration says so: fewer kernels, and fewer passes through memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor, nn

from .config import TrainConfig
from .feed import Batch
from .losses import terms, weigh
from .network import CueNet

WARM_UP = 3
"""Steps before a recording, in which libraries choose their kernels."""
LOOKS = ("find", "read")


@dataclass(frozen=True, slots=True)
class Place:
    """Where this process runs: device, its number, and how many there are."""

    device: torch.device
    rank: int = 0
    world: int = 1


def cast_to(place: Place, config: TrainConfig) -> AbstractContextManager[Any]:
    """Mixed precision where it is asked for and the device has it."""
    if config.mixed_precision and place.device.type == "cuda":
        return torch.autocast("cuda", torch.bfloat16, cache_enabled=False)
    return nullcontext()


class Gradients:
    """Turns a batch into gradients of the network's parameters, and the loss terms (n,) named by ``names``.

    Args:
        config: sizes, weights, precision.
        place: device; on a GPU the work is recorded at the first batch.
        net: in its training mode; must not change that mode, or which parameters are trained, afterwards.
    """

    def __init__(self, config: TrainConfig, place: Place, net: CueNet) -> None:
        self.config, self.place, self.net = config, place, net
        self.names: tuple[str, ...] = ()
        self._graph: torch.cuda.CUDAGraph | None = None
        self._given: Batch | None = None
        self._values: Tensor | None = None
        compiled = config.compiled and place.device.type == "cuda"
        self._forward = torch.compile(net.forward, dynamic=False) if compiled else net

    def __call__(self, batch: Batch) -> Tensor:
        """Leave gradients in the parameters; return the loss and its unweighted terms, (len(names),) on the device."""
        if self.place.device.type != "cuda":
            return self._work(batch)
        if self._graph is None or self._given is None or self._values is None:
            return self._record(batch)
        for mine, new in zip(self._given.tensors(), batch.tensors(), strict=True):
            mine.copy_(new)
        self._graph.replay()
        return self._values.clone()

    def _work(self, batch: Batch) -> Tensor:
        for parameter in self.net.parameters():
            parameter.grad = None
        with cast_to(self.place, self.config):
            outs = [self._forward(image) for image in batch.images]
        parts: dict[str, Tensor] = {}
        losses = []
        for look, out, targets in zip(LOOKS, outs, batch.targets, strict=True):
            own = terms(out, targets, self.config.smoothing, reading=look == "read")
            losses.append(weigh(own, self.config.weights))
            parts |= {f"{look}/{name}": value.detach() for name, value in own.items()}
        loss = torch.stack(losses).sum()
        # ``feature`` and every other output enter some term; a term without known labels is 0 and harmless.
        loss.backward()
        self.names = ("loss", *parts)
        return torch.stack([loss.detach(), *parts.values()])

    def _record(self, batch: Batch) -> Tensor:
        self._given = Batch(
            (batch.images[0].clone(), batch.images[1].clone()),
            tuple({k: v.clone() for k, v in t.items()} for t in batch.targets),  # type: ignore[arg-type]
        )
        side = torch.cuda.Stream(self.place.device)
        side.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(side):
            for _ in range(WARM_UP):
                self._work(self._given)
        torch.cuda.current_stream().wait_stream(side)
        for parameter in self.net.parameters():
            parameter.grad = None
        graph = torch.cuda.CUDAGraph()
        # The feeding thread goes on allocating meanwhile, hence not the default "global".
        with torch.cuda.graph(graph, capture_error_mode="thread_local"):
            self._values = self._work(self._given)
        graph.replay()
        self._graph = graph
        return self._values.clone()


def share_gradients(net: nn.Module, place: Place) -> None:
    """Average gradients over all processes, in one exchange."""
    if place.world == 1:
        return
    own = [p.grad for p in net.parameters() if p.grad is not None]
    flat = torch.cat([g.reshape(-1) for g in own])
    torch.distributed.all_reduce(flat)
    flat /= place.world
    torch._foreach_copy_(own, [f.view_as(g) for f, g in zip(flat.split([g.numel() for g in own]), own, strict=True)])


def take_step(gradients: Gradients, batch: Batch, optimizer: torch.optim.Optimizer) -> Tensor:
    """One step; returns the loss and its terms, (len(gradients.names),) on the device."""
    config, net = gradients.config, gradients.net
    values = gradients(batch)
    share_gradients(net, gradients.place)
    if config.sam_radius:
        with uphill(net, config.sam_radius):
            gradients(batch)
        share_gradients(net, gradients.place)
    nn.utils.clip_grad_norm_([p for p in net.parameters() if p.grad is not None], config.clip)
    optimizer.step()
    return values


@contextmanager
def uphill(net: nn.Module, radius: float) -> Iterator[None]:
    """Go ``radius`` along the gradients, as long as this lasts.

    Sharpness-aware minimization (Foret and others, ICLR 2021; cited from memory): the gradients of the place above,
    taken from the place itself, lead to minima that are wide rather than deep.
    """
    moved = [p for p in net.parameters() if p.grad is not None]
    slopes = [p.grad.detach() for p in moved if p.grad is not None]
    length = torch.stack(torch._foreach_norm(slopes)).norm()
    steps = torch._foreach_mul(slopes, radius / (length + 1e-12))
    before = [p.detach().clone() for p in moved]
    with torch.no_grad():
        torch._foreach_add_(moved, steps)
    try:
        yield
    finally:
        with torch.no_grad():
            torch._foreach_copy_(moved, before)
