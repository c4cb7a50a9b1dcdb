"""Photos harmed by the corruption suite of PyPI ``imagecorruptions-imaug`` 1.1.5: what a good reader survives."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

import cv2
import numpy as np
from numpy.typing import NDArray
from updraft_key.model.photo import Photo, open_photo

KINDS15 = (
    "gaussian_noise", "shot_noise", "impulse_noise", "defocus_blur", "glass_blur", "motion_blur", "zoom_blur", "snow",
    "frost", "fog", "brightness", "contrast", "elastic_transform", "pixelate", "jpeg_compression",
)  # fmt: skip
KINDS_EXTRA = ("speckle_noise", "gaussian_blur", "spatter", "saturate")
"""Never used in augmentation (``training/augment.py``)."""
_SEEDED = ("impulse_noise", "glass_blur")
"""Kinds that draw from a generator of their own, begun anywhere unless told where."""

Harm = Callable[[NDArray[np.uint8]], NDArray[np.uint8]]


def harm_of(kind: str, severity: int, seed: int = 0) -> Harm:
    """Return what does one kind of harm to pixels, (h, w, 3) uint8, and begin its draws anew.

    Args:
        kind: a name of the suite.
        severity: 1 to 5.
        seed: of the draws, which the suite takes from numpy's common generator or, for some kinds, is given by it.
    """
    corrupt = import_module("imagecorruptions").corrupt
    np.random.seed(seed + severity)

    def harm(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        told = {"seed": int(np.random.randint(2**31 - 1))} if kind in _SEEDED else {}
        return np.asarray(corrupt(pixels, corruption_name=kind, severity=severity, **told), np.uint8)

    return harm


def harmed(photo: Photo, harm: Harm) -> Photo:
    """Open the photo again as it is after the harm, through the product's own door."""
    pixels = np.ascontiguousarray(harm(photo.pixels)[:, :, ::-1])
    return open_photo(bytes(cv2.imencode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1]))
