"""What surrounds a scene: light maps and photographs of the cache where it is filled, drawn ones where it is not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.errors import MissingExtra

from . import assets
from .skies import SKIES, sky, sphere_mean
from .textures import TEXTURES, Surface, surface

Bytes = NDArray[np.uint8]
Light = NDArray[np.float32]

LIGHT_ROWS = 256
REAL_SHARE = 0.6
"""Share of picks that take a photographed light map or picture when the cache holds some."""
HELD_SKIES = ("doorway", "tubes")
HELD_TEXTURES = ("cutting_mat", "tiles", "oily_metal")
"""Kept out of training when drawn instead of taken from the cache."""


def hdris(split: str, folder: Path | None = None) -> list[Path]:
    """Light maps of the cache, ``train`` or ``held``; empty when nothing was fetched."""
    return assets.cached("hdri", split, folder)


def photos(split: str, folder: Path | None = None) -> list[Path]:
    """Photographs of the cache, ``train``, ``held`` or ``test_far``; empty when nothing was fetched."""
    return assets.cached("photo", split, folder)


def load_hdri(path: Path) -> Light:
    """Read an OpenEXR light map.

    Returns:
        (256, 512, 3) float32, linear, mean radiance over the sphere 1, no NaN, no negative value.

    Raises:
        MissingExtra: without PyPI's OpenEXR.
    """
    try:
        import OpenEXR
    except ImportError as missing:
        raise MissingExtra("reading light maps", "render") from missing
    channels = OpenEXR.File(str(path), separate_channels=True).channels()
    read = np.stack([np.asarray(channels[c].pixels, np.float32) for c in "RGB"], -1)
    rgb: Light = np.asarray(np.clip(np.nan_to_num(read, nan=0.0, posinf=6e4), 0, 6e4), np.float32)
    while rgb.shape[0] >= 2 * LIGHT_ROWS:
        rgb = (rgb[::2, ::2] + rgb[1::2, ::2] + rgb[::2, 1::2] + rgb[1::2, 1::2]) / np.float32(4)
    return (rgb / max(sphere_mean(rgb), 1e-6)).astype(np.float32)


def load_photo(path: Path) -> Bytes:
    """Read a cached photograph, (H, W, 3) uint8 sRGB."""
    from PIL import Image

    with Image.open(path, formats=("JPEG",)) as picture:
        return np.asarray(picture.convert("RGB"))


def _generator(pick: float, salt: int) -> np.random.Generator:
    return np.random.default_rng([int(pick * 2**40), salt])


def surroundings(pick: float, split: str, folder: Path | None = None) -> Light:
    """The light map that ``pick`` in [0, 1) stands for, (256, 512, 3) float32, mean radiance 1.

    With a filled cache about ``REAL_SHARE`` of the picks are photographed maps of the split; the others, and all
    without a cache, are drawn. ``held`` uses kinds of drawn skies that ``train`` never sees.
    """
    rng = _generator(pick, 1)
    real = hdris(split, folder)
    if real and rng.random() < REAL_SHARE:
        return load_hdri(real[int(rng.integers(len(real)))])
    names = [n for n in SKIES if (n in HELD_SKIES) == (split == "held")]
    return sky(names[int(rng.integers(len(names)))], rng, LIGHT_ROWS)


def table(seed: int, split: str, size: int = 1024) -> Surface:
    """A table top or wall for the seed; ``held`` has kinds that ``train`` never sees."""
    rng = np.random.default_rng([seed, 2])
    names = [n for n in TEXTURES if (n in HELD_TEXTURES) == (split == "held")]
    return surface(names[int(rng.integers(len(names)))], rng, size)


def photograph(seed: int, split: str, folder: Path | None = None) -> Bytes:
    """A picture to stand behind the subject, (H, W, 3) uint8 sRGB; a random crop, mirrored at times.

    Without a cache: a drawn surface or the middle band of a drawn sky.
    """
    rng = np.random.default_rng([seed, 3])
    real = photos(split, folder)
    if real and rng.random() < max(REAL_SHARE, 0.8):
        picture = load_photo(real[int(rng.integers(len(real)))])
    elif rng.random() < 0.5:
        picture = table(int(rng.integers(2**31)), split, 512).pixels
    else:
        light = surroundings(float(rng.random()), split, folder)[40:216]
        level = float(np.percentile(light, 85))
        encoded = np.clip(light / max(level, 1e-6), 0, 1) ** (1 / 2.2)
        picture = (encoded * 255 + 0.5).astype(np.uint8)
    high, wide = picture.shape[:2]
    part = rng.uniform(0.55, 1.0)
    h, w = max(int(high * part), 32), max(int(wide * part), 32)
    y, x = int(rng.integers(high - h + 1)), int(rng.integers(wide - w + 1))
    crop = picture[y : y + h, x : x + w]
    return np.ascontiguousarray(crop[:, ::-1] if rng.random() < 0.5 else crop)
