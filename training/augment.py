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

from .fused import fused
from .looks import Look

LUMA = (0.299, 0.587, 0.114)


def tensor(values: NDArray[np.generic], like: Tensor) -> Tensor:
    """Bring an array to the device of ``like`` as float32."""
    return torch.from_numpy(np.ascontiguousarray(values, dtype=np.float32)).to(like.device, non_blocking=True)


def rows_of(numbers: NDArray[np.int64], like: Tensor) -> Tensor:
    """Bring row numbers to the device of ``like``."""
    return torch.from_numpy(numbers).to(like.device, non_blocking=True)


def some(n: int, share: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw a share of ``n`` rows, as many as that is or one more: compiled work likes few different numbers."""
    return np.sort(rng.permutation(n)[: int(share * n + rng.random())])


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
    shrink = np.maximum(np.sqrt(np.abs(np.linalg.det(back[:, :2, :2]))), 1e-6)
    level = np.clip(np.round(np.log2(shrink) - 0.15), 0, 3).astype(int)
    edge = np.abs(to_block[:, :2, :2] @ sizes[:, :, None])[:, :, 0]
    grid, inside = _reach(tensor(back, pixels), tensor(edge, pixels), tensor(shrink, pixels), w, h, size)
    out = torch.empty(len(pixels), 3, size, size, device=pixels.device)
    for value in np.unique(level):
        pick = rows_of(np.flatnonzero(level == value), pixels)
        source = pixels[pick].float()
        if value:
            source = F.avg_pool2d(source, 2 ** int(value))
        out[pick] = F.grid_sample(source, grid[pick], mode="bilinear", padding_mode="border", align_corners=False)
    return out, inside


@fused
def _reach(back: Tensor, edge: Tensor, shrink: Tensor, w: int, h: int, size: int) -> tuple[Tensor, Tensor]:
    """Where network pixels lie in their blocks, (B, S, S, 2) in -1..1, and whether there is a picture, (B, 1, S, S)."""
    axis = torch.arange(size, device=back.device, dtype=torch.float32) + 0.5
    x, y = axis, axis[:, None]
    at = [back[:, k, 0, None, None] * x + back[:, k, 1, None, None] * y + back[:, k, 2, None, None] for k in range(3)]
    px, py = at[0] / at[2], at[1] / at[2]
    # The picture may end before its block does; its edge is soft over one network pixel.
    inside = torch.ones_like(px)
    for near in (px, edge[:, 0, None, None] - px, py, edge[:, 1, None, None] - py):
        inside = torch.minimum(inside, (near / shrink[:, None, None] + 0.5).clamp(0.0, 1.0))
    return torch.stack([px * 2.0 / w - 1.0, py * 2.0 / h - 1.0], -1), inside[:, None]


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
    image, inside = warp(pixels[rows_of(rows, pixels)], to_block[rows], sizes[rows], look.matrix, size)
    backed = np.flatnonzero(look.backed)
    if len(backed):
        at = rows_of(backed, pixels)
        image[at] = _over(image[at], inside[at], _behind(pixels, to_block, sizes, backdrops, len(backed), size, rng))
        inside[at] = 1.0
    for k in range(look.patches.shape[1]):
        covered = np.flatnonzero(look.patches[:, k].any(axis=1))
        if len(covered):
            at = rows_of(covered, pixels)
            cover = _boxes(tensor(look.patches[covered, k], image), size)
            image[at] = torch.where(cover, _texture(len(covered), size, rng, image), image[at])
            inside[at] = torch.where(cover, 1.0, inside[at])
    return _framed(image, inside, tensor(look.window, image))


def _over(image: Tensor, inside: Tensor, behind: Tensor) -> Tensor:
    return behind + (image - behind) * inside


@fused
def _framed(image: Tensor, inside: Tensor, window: Tensor) -> Tensor:
    """Grey where there is no picture, and outside the (B, 4) windows."""
    return 127.0 + (image - 127.0) * torch.where(_boxes(window, image.shape[-1]), inside, 0.0)


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
    return warp(pixels[rows_of(rows, pixels)], to_block[rows], sizes[rows], matrix, size)[0]


def _boxes(boxes: Tensor, size: int) -> Tensor:
    """Say which pixels lie in (B, 4) boxes, (B, 1, size, size)."""
    axis = torch.arange(size, device=boxes.device, dtype=torch.float32) + 0.5
    x = (axis > boxes[:, :1]) & (axis < boxes[:, 2:3])
    y = (axis > boxes[:, 1:2]) & (axis < boxes[:, 3:4])
    return (y[:, :, None] & x[:, None, :])[:, None]


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
    """Give pictures another camera's look; may change ``image``.

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


def _colour(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    n = len(image)
    matrix = np.eye(3) + rng.normal(0.0, 0.12 * s, (n, 3, 3)) * (rng.random((n, 1, 1)) < 0.6)
    order = np.argsort(rng.random((n, 3)), axis=1)
    order = np.where(rng.random((n, 1)) < 0.1 * s, order, np.arange(3))
    matrix = np.take_along_axis(matrix, order[:, :, None], axis=1)
    matrix *= np.exp(rng.normal(0.0, 0.12 * s, (n, 3, 1)))
    grey = np.where(rng.random(n) < 0.25 * s, 1.0, rng.uniform(0.0, 0.5, n) * (rng.random(n) < 0.4))
    # To grey is a matrix as well: the share of it that is taken, times the same brightness in all three.
    matrix = (1.0 - grey)[:, None, None] * matrix + (grey[:, None] * (np.array(LUMA) @ matrix))[:, None, :]
    gamma = np.exp(rng.normal(0.0, 0.28 * s, n))
    gain = np.exp(rng.normal(0.0, 0.22 * s, n))
    contrast = np.exp(rng.normal(0.0, 0.25 * s, n))
    # Uneven light: a plane of up to about one stop across the picture.
    slope = rng.normal(0.0, 0.3 * s, (n, 2)) * (rng.random((n, 1)) < 0.5)
    drawn = [tensor(v, image) for v in (matrix, np.stack([gamma, gain, contrast], axis=1), slope)]
    return _recolour(image, *drawn)


@fused
def _recolour(image: Tensor, matrix: Tensor, tone: Tensor, slope: Tensor) -> Tensor:
    """Apply (B, 3, 3) to the colours, then gamma, gain and contrast (B, 3), then planes of light (B, 2)."""
    gamma, gain, contrast = (tone[:, k, None, None, None] for k in range(3))
    mixed = [sum(matrix[:, i, j, None, None] * image[:, j] for j in range(3)) for i in range(3)]
    out = 255.0 * (torch.stack(mixed, 1).clamp(0.5, 255.0) / 255.0) ** gamma * gain
    pivot = out.mean(dim=(1, 2, 3), keepdim=True)
    out = (out - pivot) * contrast + pivot
    side = torch.linspace(-1.0, 1.0, image.shape[-1], device=image.device)
    plane = slope[:, 0, None, None] * side + slope[:, 1, None, None] * side[:, None]
    return (out * torch.exp2(plane)[:, None]).clamp(0.0, 255.0)


def _mix(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Blend some of the pictures with two chains of colour operations (after AugMix); changes ``image``."""
    pick = some(len(image), 0.5 * s, rng)
    if len(pick) == 0:
        return image
    n, rows = len(pick), rows_of(pick, image)
    share = rng.dirichlet((1.0, 1.0), n)
    keep = rng.beta(1.0, 1.0, n)
    chosen = image[rows]
    blend = _per(keep, image) * chosen
    for k in range(2):
        chain = chosen
        length = rng.integers(1, 4, n)
        for step in range(3):
            kind = np.where(length > step, rng.integers(0, 4, n), -1)
            numbers = (kind, 2.0 ** rng.integers(3, 7, n), rng.uniform(140, 255, n), rng.uniform(0.3, 1.5, n))
            chain = _link(chain, tensor(np.stack(numbers, axis=1), image))
        blend = torch.addcmul(blend, _per((1.0 - keep) * share[:, k], image), chain)
    image[rows] = blend
    return image


@fused
def _link(image: Tensor, numbers: Tensor) -> Tensor:
    """Posterise (0), solarise (1), stretch the range (2) or sharpen (3) each picture, or leave it (-1).

    Args:
        image: (B, 3, S, S) in 0..255.
        numbers: (B, 4): which, and the steps, threshold and strength for the one that takes it.
    """
    kind, steps, threshold, strength = (numbers[:, k, None, None, None] for k in range(4))
    low, high = image.amin(dim=(2, 3), keepdim=True), image.amax(dim=(2, 3), keepdim=True)
    out = torch.where(kind == 0, torch.round(image / 255.0 * steps) / steps * 255.0, image)
    out = torch.where((kind == 1) & (image > threshold), 255.0 - image, out)
    out = torch.where(kind == 2, (image - low) / (high - low).clamp_min(8.0) * 255.0, out)
    out = torch.where(kind == 3, image + strength * (image - F.avg_pool2d(image, 3, 1, 1)), out)
    return out.clamp(0.0, 255.0)


def _camera(image: Tensor, rng: np.random.Generator, noise: torch.Generator, s: float) -> Tensor:
    image = _resample(_blur(image, rng, s), rng, s)
    n = len(image)
    shot = rng.exponential(0.35 * s, n) * (rng.random(n) < 0.6)
    read = rng.exponential(5.0 * s, n) * (rng.random(n) < 0.6)
    grain = torch.randn(image.shape, generator=noise, device=image.device)
    image = _grained(image, grain, tensor(np.stack([shot, read, rng.random(n) < 0.4], axis=1), image))
    return _blocks(image, rng, s)


@fused
def _grained(image: Tensor, grain: Tensor, how: Tensor) -> Tensor:
    """Add grain: (B, 3) how much with the root of the light, how much everywhere, and whether all colours share it."""
    shot, read, mono = (how[:, k, None, None, None] for k in range(3))
    grain = torch.where(mono > 0, grain[:, :1], grain)
    return (image + (shot**2 * image + read**2).sqrt() * grain).clamp(0.0, 255.0)


def _blur(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Disc (out of focus) for some pictures, streak (moved) for others, 9 x 9 taps; changes ``image``."""
    pick = some(len(image), 0.42 * s, rng)
    if len(pick) == 0:
        return image
    n, width = len(pick), 9
    axis = np.arange(width) - width // 2
    x, y = np.meshgrid(axis, axis)
    radius = rng.uniform(0.5, 0.5 + 2.7 * s, n)[:, None, None]
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0.0, 1.0)
    turn = rng.uniform(0, math.pi, n)[:, None, None]
    along, across = x * np.cos(turn) + y * np.sin(turn), -x * np.sin(turn) + y * np.cos(turn)
    streak = np.clip(radius * 1.4 + 0.5 - np.abs(along), 0, 1) * np.clip(1.0 - np.abs(across), 0.0, 1.0)
    kernel = np.where(rng.random((n, 1, 1)) < 2 / 3, disc, streak)
    kernel /= kernel.sum(axis=(1, 2), keepdims=True)
    rows = rows_of(pick, image)
    taps = tensor(kernel, image).repeat_interleave(3, 0)[:, None]
    chosen = image[rows]
    flat = F.pad(chosen.reshape(1, -1, *image.shape[2:]), (width // 2,) * 4, mode="reflect")
    image[rows] = F.conv2d(flat, taps, groups=len(taps)).reshape(chosen.shape)
    return image


def _resample(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Shrink and enlarge some pictures: they were small once; changes ``image``."""
    pick = some(len(image), 0.2 * s, rng)
    if len(pick) == 0:
        return image
    small = max(8, int(image.shape[-1] * rng.uniform(0.35, 0.8)))
    rows = rows_of(pick, image)
    mode = "bilinear" if rng.random() < 0.7 else "nearest"
    tiny = F.interpolate(image[rows], size=(small, small), mode="area")
    image[rows] = F.interpolate(tiny, size=image.shape[2:], mode=mode)
    return image


def _blocks(image: Tensor, rng: np.random.Generator, s: float) -> Tensor:
    """Quantise 8 x 8 cosine blocks in luma and colour difference, as strong compression does; changes ``image``."""
    pick = some(len(image), 0.4 * s, rng)
    if len(pick) == 0:
        return image
    k = np.arange(8)
    # Coarser steps for finer detail and for colour; close to what encoders use, not their tables.
    step = 3.0 + 2.2 * (k[:, None] + k[None])
    strength = np.exp(rng.uniform(math.log(0.3), math.log(6.0 * s), len(pick)))
    table = strength[:, None, None, None] * np.stack([step, 1.7 * step, 1.7 * step])
    basis = np.sqrt(2 / 8) * np.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16)
    basis[0] /= math.sqrt(2)
    turn = np.array([LUMA, (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312)])
    rows = rows_of(pick, image)
    given = [tensor(v, image) for v in (table, np.einsum("ui,vj->uvij", basis, basis), turn, np.linalg.inv(turn))]
    image[rows] = _quantised(image[rows], *given)
    return image


@fused
def _quantised(image: Tensor, table: Tensor, waves: Tensor, turn: Tensor, back: Tensor) -> Tensor:
    """Round the cosine blocks of (B, 3, S, S) to multiples of (B, 3, 8, 8), in the colours that (3, 3) turns to."""
    n, _, h, w = image.shape
    ycc = torch.einsum("ij,bjhw->bihw", turn, image - 128.0).reshape(n * 3, 1, h, w)
    waves = waves.reshape(64, 1, 8, 8)
    steps = table.reshape(n * 3, 64, 1, 1)
    rounded = torch.round(F.conv2d(ycc, waves, stride=8) / steps) * steps
    ycc = F.conv_transpose2d(rounded, waves, stride=8).reshape(n, 3, h, w)
    return torch.einsum("ij,bjhw->bihw", back, ycc) + 128.0


@fused
def normalise(image: Tensor) -> Tensor:
    """Return (x - 127) / 128 of 0..255, rounded to whole values as a decoded picture is."""
    return (image.round() - 127.0) / 128.0
