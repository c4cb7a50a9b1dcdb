"""Work on whole batches as few kernels: compiled where it runs on a GPU, plain where it runs on a CPU.

A chain of small operations passes the pictures through memory once each; compiled, it passes them once in all.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import torch
from torch import Tensor

P = ParamSpec("P")
R = TypeVar("R")


def fused(work: Callable[P, R]) -> Callable[P, R]:
    """Compile ``work`` if its first argument, a batch, lies on a GPU: once for any batch, and for each size of picture.

    A compilation takes seconds. Sizes given as plain numbers are part of what is compiled.
    """
    compiled: Callable[..., Any] | None = None

    @wraps(work)
    def either(*args: P.args, **kwargs: P.kwargs) -> R:
        nonlocal compiled
        batch = args[0]
        if not (isinstance(batch, Tensor) and batch.is_cuda):
            return work(*args, **kwargs)
        if compiled is None:
            compiled = torch.compile(work, dynamic=False)
        for value in args:
            if isinstance(value, Tensor) and len(value) == len(batch):
                torch._dynamo.maybe_mark_dynamic(value, 0)
        out: R = compiled(*args, **kwargs)
        return out

    return either
