"""Work on whole batches as few kernels: compiled on a GPU where that is asked for (``compiling``), plain elsewhere.

A chain of small operations passes the pictures through memory once each; compiled, it passes them once in all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import torch
from torch import Tensor

P = ParamSpec("P")
R = TypeVar("R")
_WANTED: ContextVar[bool] = ContextVar("wanted", default=False)


@contextmanager
def compiling(wanted: bool) -> Iterator[None]:
    """Let ``fused`` work be compiled, or not, as long as this lasts and in this thread."""
    before = _WANTED.set(wanted)
    try:
        yield
    finally:
        _WANTED.reset(before)


def fused(work: Callable[P, R]) -> Callable[P, R]:
    """Compile ``work`` where that is wanted and its first argument, a batch, lies on a GPU.

    That happens once for any batch, and for each size of picture. A compilation takes seconds. Sizes given as plain
    numbers are part of what is compiled.
    """
    compiled: Callable[..., Any] | None = None

    @wraps(work)
    def either(*args: P.args, **kwargs: P.kwargs) -> R:
        nonlocal compiled
        batch = args[0]
        if not (_WANTED.get() and isinstance(batch, Tensor) and batch.is_cuda):
            return work(*args, **kwargs)
        if compiled is None:
            compiled = torch.compile(work, dynamic=False)
        for value in args:
            if isinstance(value, Tensor) and len(value) == len(batch):
                torch._dynamo.maybe_mark_dynamic(value, 0)
        out: R = compiled(*args, **kwargs)
        return out

    return either
