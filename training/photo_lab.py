"""A few changes of light and tone by albumentations, once for each picture when it is read.

Only pixel changes: no label moves. None of the kinds that the corruption suite keeps as outside kinds (Gaussian
blur, speckle, spatter, HSV saturation) is here. Where albumentations is not installed (it is in the ``[train]``
extra, a lent machine may lack it) pictures pass unchanged.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]


def installed() -> bool:
    """Say whether albumentations is there."""
    return find_spec("albumentations") is not None


def lab() -> Callable[[Picture, np.random.Generator], Picture]:
    """Return a function that changes RGB pictures (h, w, 3), each by one or two of the changes below."""
    if not installed():
        return _unchanged
    a: Any = import_module("albumentations")
    changes = [
        a.RandomShadow(p=1.0),
        a.RandomToneCurve(scale=0.25, p=1.0),
        a.CLAHE(clip_limit=(1, 4), p=1.0),
        a.PlanckianJitter(p=1.0),
        a.Sharpen(alpha=(0.1, 0.4), p=1.0),
        a.ISONoise(p=1.0),
        a.RandomSunFlare(flare_roi=(0, 0, 1, 0.5), src_radius=60, p=1.0),
        a.ImageCompression(quality_range=(35, 90), p=1.0),
    ]

    def change(picture: Picture, rng: np.random.Generator) -> Picture:
        for k in rng.choice(len(changes), int(rng.integers(1, 3)), replace=False):
            chain = a.Compose([changes[k]], seed=int(rng.integers(2**31)))
            picture = np.asarray(chain(image=picture)["image"], np.uint8)
        return picture

    return change


def _unchanged(picture: Picture, rng: np.random.Generator) -> Picture:
    return picture
