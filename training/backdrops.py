"""Plain pictures without a subject, for training ``not_seen``: photographs and views cut from light maps.

    python -m updraft_key.training.backdrops OUT [train|held]

``train`` is trained on, ``held`` calibrates what counts as found; photographs kept for the far test never come here.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from updraft_key.synthetic_data.assets import cached
from updraft_key.synthetic_data.backdrops import load_hdri

VIEWS_EACH = 6
SIZE = 448


def view_of(sky: NDArray[np.float32], yaw: float, pitch: float, fov: float, size: int = SIZE) -> NDArray[np.uint8]:
    """Cut a pinhole view out of a latitude-longitude light map.

    Args:
        sky: float32 (H, 2H, 3), linear RGB.
        yaw: radians to the right.
        pitch: radians up.
        fov: horizontal field of view in radians.
        size: side of the square picture in pixels.

    Returns:
        uint8 (size, size, 3), sRGB, exposed for its own middle.
    """
    line = np.linspace(-1.0, 1.0, size, dtype=np.float32) * np.tan(fov / 2)
    x, y = np.meshgrid(line, -line)
    z = np.ones_like(x)
    y, z = y * np.cos(pitch) + z * np.sin(pitch), z * np.cos(pitch) - y * np.sin(pitch)
    lon = np.arctan2(x, z) + yaw
    lat = np.arctan2(y, np.hypot(x, z))
    height, width = sky.shape[:2]
    u = ((lon / (2 * np.pi)) % 1.0 * width).astype(np.float32)
    v = ((0.5 - lat / np.pi) * height).astype(np.float32)
    seen = cv2.remap(np.ascontiguousarray(sky), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    exposed = np.clip(seen * (0.4 / max(float(np.median(seen)), 1e-4)), 0.0, 1.0)
    return np.asarray(np.rint(exposed ** (1 / 2.2) * 255.0), np.uint8)


def gather(out: Path, split: str, rng: np.random.Generator) -> int:
    """Write the pictures of a split of the manifest; returns how many."""
    out.mkdir(parents=True, exist_ok=True)
    count = 0
    for photo in cached("photo", split):
        shutil.copy(photo, out / photo.name)
        count += 1
    for path in cached("hdri", split):
        sky = load_hdri(path)
        for i in range(VIEWS_EACH):
            yaw, pitch, fov = rng.uniform(0, 2 * np.pi), rng.uniform(-0.5, 0.35), rng.uniform(0.7, 1.4)
            picture = view_of(sky, float(yaw), float(pitch), float(fov))
            cv2.imwrite(str(out / f"{path.stem}_{i}.jpg"), picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
            count += 1
    return count


if __name__ == "__main__":
    chosen = sys.argv[2] if len(sys.argv) > 2 else "train"
    sys.stderr.write(f"{gather(Path(sys.argv[1]), chosen, np.random.default_rng(7))} pictures\n")
