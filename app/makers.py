"""Commands for makers of models: ``render``, ``train``, ``mean``, ``export``, ``calibrate``, ``evaluate`` and so on.

They belong to packages that need not be installed, so they are found by name, when asked for, and get the rest of
the command line as it stands.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from types import MappingProxyType
from typing import cast

from updraft_key.model.errors import MissingExtra, UpdraftKeyError


@dataclass(frozen=True, slots=True)
class Maker:
    """A command: the module whose ``main(arguments) -> exit code`` does it, the extra it needs, one line of help."""

    module: str
    extra: str
    about: str


MAKERS: Mapping[str, Maker] = MappingProxyType(
    {
        "render": Maker("updraft_key.synthetic_data.generate", "render", "Render a labelled set of pictures."),
        "pictures": Maker("updraft_key.synthetic_data.cli", "render", "Contact sheets and galleries of sets."),
        "audit": Maker("updraft_key.training.audit", "render", "Check the labels of a set, count what it holds."),
        "train": Maker("updraft_key.training.loop", "train", "Train the network on rendered sets."),
        "evaluate": Maker("updraft_key.training.evaluate", "train", "Measure a network on unseen pictures."),
        "calibrate": Maker("updraft_key.training.calibrate", "train", "Calibrate a network on unseen pictures."),
        "model-card": Maker("updraft_key.training.card", "train", "Write the model card from measured figures."),
        "ablate": Maker("updraft_key.training.ablate", "train", "Train with one ingredient left out at a time."),
        "rival": Maker(
            "updraft_key.training.rival", "train", "Train the same network to name the generation directly."
        ),
        "mean": Maker("updraft_key.training.mean", "train", "Write the mean of several networks' weights."),
        "export": Maker("updraft_key.training.export", "train", "Write the network file that ships."),
    }
)


def run(name: str, arguments: Sequence[str]) -> int:
    """Run a maker's command; returns its exit code.

    Raises:
        MissingExtra: the package, or one that it needs, is not installed.
    """
    maker = MAKERS[name]
    # Rendering on a processor needs Debian's LLVM; where it lies is no secret, so nobody need set it by hand.
    if name == "render" and os.path.exists(_LLVM):
        os.environ.setdefault("DRJIT_LIBLLVM_PATH", _LLVM)
    try:
        main = getattr(import_module(maker.module), "main", None)
    except ImportError as error:
        if error.name == maker.module:
            raise UpdraftKeyError(
                f"{name}: this installation lacks {maker.module}; install the program again"
            ) from error
        raise MissingExtra(f"the command '{name}'", maker.extra) from error
    if main is None:
        raise UpdraftKeyError(f"{maker.module} has no command line; this installation is not whole, install again")
    return cast(Callable[[list[str]], int], main)(list(arguments))


_LLVM = "/usr/lib/x86_64-linux-gnu/libLLVM-19.so"
