"""Pictures and catalogues of any size for the benchmarks, made from the shipped examples; a seed decides every byte."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

EXAMPLES = Path(__file__).with_name("assets") / "examples"
_NAMES = ("iron_front_left.jpg", "alloy_level_handle.jpg", "iron_from_below.jpg", "alloy_front_in_the_bay.jpg")
_BLOCK = 13_000_000
"""Pixels that are drawn at once; larger pictures repeat such a block."""


def photo_jpeg(width: int, height: int, rng: np.random.Generator, *, which: int = 0) -> bytes:
    """A JPEG (4:2:0, baseline) that costs as much to decode as a phone's: an example enlarged, with grain.

    Above 100 megapixels the quality is lower, to stay below the 25 MB that are taken.
    """
    rows = cols = 1
    while width * height / (rows * cols) > _BLOCK:
        rows, cols = (rows + 1, cols) if height / rows > width / cols else (rows, cols + 1)
    block = Image.fromarray(_block(-(-width // cols), -(-height // rows), rng, which))
    picture = Image.new("RGB", (width, height)) if rows * cols > 1 else block
    if rows * cols > 1:
        for n in range(rows * cols):
            picture.paste(block, (n % cols * block.width, n // cols * block.height))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=88 if width * height <= 100_000_000 else 60, subsampling="4:2:0")
    return out.getvalue()


def _block(width: int, height: int, rng: np.random.Generator, which: int) -> NDArray[np.uint8]:
    with Image.open(EXAMPLES / _NAMES[which % len(_NAMES)], formats=("JPEG",)) as example:
        pixels = np.asarray(example.convert("RGB"))
    large = cv2.resize(pixels, (width, height), interpolation=cv2.INTER_CUBIC).astype(np.int16)
    large += rng.integers(-6, 7, (height, width, 1), np.int16)
    return np.asarray(np.clip(large, 0, 255), np.uint8)


def write_cases(folder: Path, count: int, width: int, height: int) -> None:
    """Write an inbox: a folder for each case, one photo in each, all different; no more than 64 are drawn anew.

    Others get a comment segment of their own: another file to the ledger, the same work to the decoder.
    """
    drawn = [photo_jpeg(width, height, np.random.default_rng([7, n]), which=n) for n in range(min(count, 64))]
    for n in range(count):
        case = folder / f"case_{n:05d}"
        case.mkdir(parents=True)
        (case / "photo.jpg").write_bytes(_marked(drawn[n % len(drawn)], n))


def _marked(jpeg: bytes, number: int) -> bytes:
    text = f"{number:08d}".encode()
    return jpeg[:2] + b"\xff\xfe" + (len(text) + 2).to_bytes(2, "big") + text + jpeg[2:]


def catalogue_csv(rows: int) -> bytes:
    """A parts catalogue with that many rows, for all generations in turn."""
    eras = ("iron", "alloy4", "alloy5", "alloy4;alloy5")
    lines = [f"Joint gasket lot {n},{eras[n % 4]},,1,four or five holes,G-{n:06d},4.{n % 100:02d}" for n in range(rows)]
    return "\n".join(["part,fits,replaces,quantity,note,sku,price", *lines, ""]).encode()
