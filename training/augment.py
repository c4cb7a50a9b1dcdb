"""From cached pictures to network input, on the device: warp, backdrop, patches, then another camera's look.

All draws come from an explicit ``np.random.Generator``; the pixels' noise from an explicit ``torch.Generator``.

Kept out on purpose, so that they can stand as outside kinds in the corruption suite: Gaussian blur,
multiplicative (speckle) noise, spatter, and stretching of HSV saturation. Blur here is a disc or a streak, noise
is additive or grows with the root of the light, colour changes are 3x3 matrices, gains and greyness.
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from .looks import Look

LUMA = (0.299, 0.587, 0.114)


def tensor(values: NDArray[np.generic], like: Tensor) -> Tensor:
    """Bring an array to the device of ``like`` as float32."""
    return torch.from_numpy(np.ascontiguousarray(values, dtype=np.float32)).to(like.device, non_blocking=True)


def warp(
    pixels: Tensor,
    to_block: NDArray[np.float64],
    sizes: NDArray[np.float64],
    matrix: NDArray[np.float64],
    size: int,
) -> tuple[Tensor, Tensor]:
    """Sample pictures into squares, from a half or quarter copy where they shrink.

    Args:
        pixels: uint8 (B, 3, h, w).
        to_block: (B, 3, 3) photo -> block pixels.
        sizes: (B, 2) width and height of the photos.
        matrix: (B, 3, 3) photo -> network pixels.
        size: side of the square.

    Returns:
        float32 (B, 3, size, size) in 0..255, and (B, 1, size, size) share of each pixel that the picture covers.
    """
    back = to_block @ np.linalg.inv(matrix)
    h, w = pixels.shape[2:]
    shrink = np.sqrt(np.abs(np.linalg.det(back[:, :2, :2])))
    level = np.clip(np.round(np.log2(np.maximum(shrink, 1e-6)) - 0.15), 0, 3).astype(int)
    axis = torch.arange(size, device=pixels.device, dtype=torch.float32) + 0.5
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    net = torch.stack([x, y, torch.ones_like(x)], dim=-1).reshape(1, -1, 3)
    at = net @ tensor(back, pixels).transpose(1, 2)
    at = (at[..., :2] / at[..., 2:]).reshape(len(pixels), size, size, 2)
    grid = at * 2.0 / torch.tensor([w, h], device=pixels.device, dtype=torch.float32) - 1.0
    # The picture may end before its block does; its edge is soft over one network pixel.
    edge = tensor(np.abs(to_block[:, :2, :2] @ sizes[:, :, None])[:, :, 0], pixels)[:, None, None]
    near = torch.minimum(at, edge - at) / tensor(np.maximum(shrink, 1e-6), pixels)[:, None, None, None]
    inside = (near + 0.5).clamp(0.0, 1.0).prod(-1)[:, None]
    out = torch.empty(len(pixels), 3, size, size, device=pixels.device)
    for value in np.unique(level):
        pick = torch.from_numpy(np.flatnonzero(level == value)).to(pixels.device)
        source = pixels[pick].float()
        if value:
            source = F.avg_pool2d(source, 2 ** int(value))
        out[pick] = F.grid_sample(source, grid[pick], mode="bilinear", padding_mode="border", align_corners=False)
    return out, inside


def compose(
    pixels: Tensor,
    rows: NDArray[np.int64],
    to_block: NDArray[np.float64],
    sizes: NDArray[np.float64],
    look: Look,
    backdrops: NDArray[np.int64],
    rng: np.random.Generator,
) -> Tensor:
    """Warp pictures into their squares, with foreign pictures behind, grey bars around and patches on top.

    Args:
        pixels: uint8 (n, 3, h, w), the whole cache.
        rows: (B,) which of them.
        to_block: (n, 3, 3) of the cache.
        sizes: (n, 2) photo sizes.
        look: where they land.
        backdrops: rows that may stand behind; may be empty.
        rng: draws backdrops and patch colours.

    Returns:
        float32 (B, 3, size, size) in 0..255.
    """
    size = look.size
    index = torch.from_numpy(rows).to(pixels.device)
    image, inside = warp(pixels[index], to_block[rows], sizes[rows], look.matrix, size)
    behind = torch.full_like(image, 127.0)
    if look.backed.any():
        behind = torch.where(
            tensor(look.backed, image)[:, None, None, None] > 0,
            _behind(pixels, to_block, sizes, backdrops, len(rows), size, rng),
            behind,
        )
    image = image * inside + behind * (1.0 - inside)
    for k in range(look.patches.shape[1]):
        if look.patches[:, k].any():
            cover = _boxes(look.patches[:, k], size, image)
            image = torch.where(cover > 0.5, _texture(len(rows), size, rng, image), image)
    frame = _boxes(look.window, size, image)
    return image * frame + 127.0 * (1.0 - frame)


def _behind(
    pixels: Tensor,
    to_block: NDArray[np.float64],
    sizes: NDArray[np.float64],
    backdrops: NDArray[np.int64],
    n: int,
    size: int,
    rng: np.random.Generator,
) -> Tensor:
    if len(backdrops) == 0:
        return _texture(n, size, rng, pixels)
    rows = backdrops[rng.integers(0, len(backdrops), n)]
    scale = size / sizes[rows].min(axis=1) * np.exp(rng.uniform(0.0, 0.8, n))
    corner = (size - sizes[rows] * scale[:, None]) * rng.random((n, 2))
    matrix = np.tile(np.eye(3), (n, 1, 1))
    matrix[:, 0, 0] = matrix[:, 1, 1] = scale
    matrix[:, :2, 2] = corner
    index = torch.from_numpy(rows).to(pixels.device)
    return warp(pixels[index], to_block[rows], sizes[rows], matrix, size)[0]


def _boxes(boxes: NDArray[np.float64], size: int, like: Tensor) -> Tensor:
    """Paint (B, 4) boxes as (B, 1, size, size) zeros and ones."""
    axis = torch.arange(size, device=like.device, dtype=torch.float32) + 0.5
    b = tensor(boxes, like)
    x = (axis > b[:, :1]) & (axis < b[:, 2:3])
    y = (axis > b[:, 1:2]) & (axis < b[:, 3:4])
    return (y[:, :, None] & x[:, None, :]).float()[:, None]


def _texture(n: int, size: int, rng: np.random.Generator, like: Tensor) -> Tensor:
    """Soft colour fields with some grain: never a part of a carburetor."""
    coarse = int(rng.integers(2, 9))
    field = tensor(rng.uniform(0, 255, (n, 3, 1, 1)) + rng.normal(0, 45, (n, 3, coarse, coarse)), like)
    field = F.interpolate(field, size=(size, size), mode="bilinear", align_corners=False)
    fine = tensor(rng.normal(0, 1, (n, 1, 28, 28)) * rng.exponential(12, (n, 1, 1, 1)), like)
    return (field + F.interpolate(fine, size=(size, size), mode="nearest")).clamp(0.0, 255.0)


def develop(
    image: Tensor,
    rng: np.random.Generator,
    noise: torch.Generator,
    skip: Collection[str] = (),
    strength: float = 1.0,
) -> Tensor:
    """Give pictures another camera's look.

    Args:
        image: float32 (B, 3, S, S) in 0..255.
        rng: draws which and how much.
        noise: draws pixel noise, on the image's device.
        skip: augmentations to do without (``colour``, ``camera``, ``mix``).
        strength: scales how far and how often; 1 leaves some pictures hard to read for a person, too.

    Returns:
        float32 (B, 3, S, S) in 0..255.
    """
    if "colour" not in skip:
        image = _colour(image, rng, strength)
    if "mix" not in skip:
        image = _mix(image, rng, strength)
    if "camera" not in skip:
        image = _camera(image, rng, noise, strength)
    return image.clamp(0.0, 255.0)


def _per(values: NDArray[np.generic], like: Tensor) -> Tensor:
    return tensor(values, like)[:, None, None, None]


def _grey(image: Tensor) -> Tensor:
    weights = torch.tensor(LUMA, device=image.device)[None, :, None, None]
    return (image * weights).sum(1, keepdim=True)


def _colour(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    n = len(image)
    matrix = np.eye(3) + rng.normal(0.0, 0.12 * s, (n, 3, 3)) * (rng.random((n, 1, 1)) < 0.6)
    order = np.stack([rng.permutation(3) if rng.random() < 0.1 * s else np.arange(3) for _ in range(n)])
    matrix = np.take_along_axis(matrix, order[:, :, None], axis=1)
    matrix *= np.exp(rng.normal(0.0, 0.12 * s, (n, 3, 1)))
    out = torch.einsum("bij,bjhw->bihw", tensor(matrix, image), image)
    grey = np.where(rng.random(n) < 0.25 * s, 1.0, rng.uniform(0.0, 0.5, n) * (rng.random(n) < 0.4))
    out = out + _per(grey, image) * (_grey(out) - out)
    gamma = np.exp(rng.normal(0.0, 0.28 * s, n))
    gain = np.exp(rng.normal(0.0, 0.22 * s, n))
    out = 255.0 * (out.clamp(0.5, 255.0) / 255.0) ** _per(gamma, image) * _per(gain, image)
    contrast = np.exp(rng.normal(0.0, 0.25 * s, n))
    pivot = out.mean(dim=(1, 2, 3), keepdim=True)
    out = (out - pivot) * _per(contrast, image) + pivot
    # Uneven light: a plane of up to about one stop across the picture.
    side = torch.linspace(-1.0, 1.0, image.shape[-1], device=image.device)
    slope = tensor(rng.normal(0.0, 0.3 * s, (n, 2)) * (rng.random((n, 1)) < 0.5), image)
    plane = slope[:, 0, None, None] * side + slope[:, 1, None, None] * side[:, None]
    return (out * torch.exp2(plane)[:, None]).clamp(0.0, 255.0)


def _mix(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Blend some of the pictures with two chains of colour operations (after AugMix)."""
    pick = np.flatnonzero(rng.random(len(image)) < 0.5 * s)
    if len(pick) == 0:
        return image
    rows = torch.from_numpy(pick).to(image.device)
    chosen = image[rows]
    share = rng.dirichlet((1.0, 1.0), len(pick))
    keep = rng.beta(1.0, 1.0, len(pick))
    blend = _per(keep, image) * chosen
    for k in range(2):
        blend = blend + _per((1.0 - keep) * share[:, k], image) * _chain(chosen.clone(), rng)
    out = image.clone()
    out[rows] = blend
    return out


def _chain(image: Tensor, rng: np.random.Generator) -> Tensor:
    """One to three of: posterise, solarise, stretch the range, sharpen; each on the pictures that drew it."""
    length = rng.integers(1, 4, len(image))
    for step in range(3):
        kind = np.where(length > step, rng.integers(0, 4, len(image)), -1)
        for value in range(4):
            pick = np.flatnonzero(kind == value)
            if len(pick) == 0:
                continue
            rows = torch.from_numpy(pick).to(image.device)
            x, n = image[rows], len(pick)
            if value == 0:
                steps = 2.0 ** _per(rng.integers(3, 7, n).astype(np.float64), image)
                x = torch.round(x / 255.0 * steps) / steps * 255.0
            elif value == 1:
                x = torch.where(x > _per(rng.uniform(140, 255, n), image), 255.0 - x, x)
            elif value == 2:
                low, high = x.amin(dim=(2, 3), keepdim=True), x.amax(dim=(2, 3), keepdim=True)
                x = (x - low) / (high - low).clamp_min(8.0) * 255.0
            else:
                x = x + _per(rng.uniform(0.3, 1.5, n), image) * (x - F.avg_pool2d(x, 3, 1, 1))
            image[rows] = x.clamp(0.0, 255.0)
    return image


def _camera(image: Tensor, rng: np.random.Generator, noise: torch.Generator, s: float) -> Tensor:
    image = _blur(image, rng, s)
    image = _resample(image, rng, s)
    n = len(image)
    shot = rng.exponential(0.35 * s, n) * (rng.random(n) < 0.6)
    read = rng.exponential(5.0 * s, n) * (rng.random(n) < 0.6)
    sigma = (_per(shot, image) ** 2 * image + _per(read, image) ** 2).sqrt()
    grain = torch.randn(image.shape, generator=noise, device=image.device)
    mono = _per((rng.random(n) < 0.4).astype(np.float64), image)
    grain = torch.where(mono > 0, grain[:, :1], grain)
    image = (image + sigma * grain).clamp(0.0, 255.0)
    return _blocks(image, rng, s)


def _blur(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Disc (out of focus) for some pictures, streak (moved) for others, 9 x 9 taps."""
    n, width = len(image), 9
    axis = np.arange(width) - width // 2
    x, y = np.meshgrid(axis, axis)
    kind = rng.random(n) / max(s, 1e-3)
    radius = rng.uniform(0.5, 0.5 + 2.7 * s, n)[:, None, None]
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0.0, 1.0)
    turn = rng.uniform(0, math.pi, n)[:, None, None]
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    streak = np.clip(radius * 1.4 + 0.5 - np.abs(along), 0, 1) * np.clip(1.0 - np.abs(across), 0.0, 1.0)
    point = ((x == 0) & (y == 0)).astype(np.float64)[None]
    choose = kind[:, None, None]
    kernel = np.where(choose < 0.28, disc, np.where(choose < 0.42, streak, point))
    kernel /= kernel.sum(axis=(1, 2), keepdims=True)
    pick = np.flatnonzero(kind < 0.42)
    if len(pick) == 0:
        return image
    rows = torch.from_numpy(pick).to(image.device)
    taps = tensor(kernel[pick], image).repeat_interleave(3, 0)[:, None]
    chosen = image[rows]
    flat = F.pad(chosen.reshape(1, -1, *image.shape[2:]), (width // 2,) * 4, mode="reflect")
    out = image.clone()
    out[rows] = F.conv2d(flat, taps, groups=len(taps)).reshape(chosen.shape)
    return out


def _resample(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Shrink and enlarge some pictures: they were small once."""
    pick = np.flatnonzero(rng.random(len(image)) < 0.2 * s)
    if len(pick) == 0:
        return image
    small = max(8, int(image.shape[-1] * rng.uniform(0.35, 0.8)))
    rows = torch.from_numpy(pick).to(image.device)
    mode = "bilinear" if rng.random() < 0.7 else "nearest"
    tiny = F.interpolate(image[rows], size=(small, small), mode="area")
    out = image.clone()
    out[rows] = F.interpolate(tiny, size=image.shape[2:], mode=mode)
    return out


def _blocks(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Quantise 8 x 8 cosine blocks in luma and colour difference, as strong compression does."""
    pick = np.flatnonzero(rng.random(len(image)) < 0.4 * s)
    if len(pick) == 0:
        return image
    rows = torch.from_numpy(pick).to(image.device)
    k = np.arange(8)
    basis = np.sqrt(2 / 8) * np.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16)
    basis[0] /= math.sqrt(2)
    turn = np.array([LUMA, (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312)])
    to_ycc, d = tensor(turn, image), tensor(basis, image)
    chosen = image[rows]
    ycc = torch.einsum("ij,bjhw->bihw", to_ycc, chosen) - torch.tensor([128.0, 0.0, 0.0], device=image.device).reshape(
        1, 3, 1, 1
    )
    n, _, h, w = ycc.shape
    blocks = ycc.reshape(n, 3, h // 8, 8, w // 8, 8)
    freq = torch.einsum("ui,bcyixj,vj->bcyuxv", d, blocks, d)
    # Coarser steps for finer detail and for colour; close to what encoders use, not their tables.
    step = 3.0 + 2.2 * (k[:, None] + k[None])
    strength = np.exp(rng.uniform(math.log(0.3), math.log(6.0 * s), len(pick)))
    table = tensor(np.stack([step, 1.7 * step, 1.7 * step]), image)[None, :, None, :, None, :]
    table = table * tensor(strength, image)[:, None, None, None, None, None]
    freq = torch.round(freq / table) * table
    blocks = torch.einsum("ui,bcyuxv,vj->bcyixj", d, freq, d)
    ycc = blocks.reshape(n, 3, h, w) + torch.tensor([128.0, 0.0, 0.0], device=image.device).reshape(1, 3, 1, 1)
    out = image.clone()
    out[rows] = torch.einsum("ij,bjhw->bihw", torch.linalg.inv(to_ycc), ycc)
    return out


def normalise(image: Tensor) -> Tensor:
    """Return (x - 127) / 128 of 0..255, rounded to whole values as a decoded picture is."""
    return (image.round() - 127.0) / 128.0
