"""Procedural pictures of tables, grounds and walls: (H, W, 3) uint8 sRGB, the same bytes for the same generator.

Used for benches and back walls where no photograph is wanted. Print is made of random strokes, never of letters.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Surface:
    """A flat thing to stand on or before.

    Attributes:
        name: key of ``TEXTURES``.
        pixels: (H, W, 3) uint8 sRGB.
        side_mm: length that the picture's side stands for.
        roughness: in [0, 1].
        metallic: in [0, 1].
    """

    name: str
    pixels: Bytes
    side_mm: float
    roughness: float
    metallic: float


def noise(rng: np.random.Generator, size: int, cells: int, octaves: int = 4, stretch: float = 1.0) -> Image:
    """Smooth noise, (size, size) float32, mean 0, standard deviation 1; ``stretch`` > 1 draws it out along x."""
    out = np.zeros((size, size), np.float32)
    for k in range(octaves):
        n = max(cells * 2**k, 1)
        if n > size:
            break
        wide = max(int(n / stretch), 1)
        grid = rng.standard_normal((n + 3, wide + 3)).astype(np.float32)
        out += cv2.resize(grid, (size, size), interpolation=cv2.INTER_CUBIC) * 0.55**k
    spread = float(out.std())
    return (out - float(out.mean())) / max(spread, 1e-6)


def _colour(rng: np.random.Generator, low: tuple[float, ...], high: tuple[float, ...]) -> Image:
    """One sRGB colour in [0, 1] between two, all channels moved together with a little of their own."""
    t = float(rng.random())
    base = np.array(low, np.float32) * (1 - t) + np.array(high, np.float32) * t
    return np.clip(base * rng.normal(1.0, 0.015, 3), 0, 1).astype(np.float32)


def _mix(under: NDArray[np.floating], over: NDArray[np.floating], share: NDArray[np.floating]) -> Image:
    shape = np.broadcast_shapes(under.shape, over.shape, (*share.shape, 1))
    out = np.empty(shape, np.float32)
    np.subtract(over, under, out=out)
    out *= np.clip(share, 0, 1).astype(np.float32)[..., None]
    out += under
    return out


def _scratches(rng: np.random.Generator, size: int, count: int, longest: float, curved: bool = True) -> Image:
    """Thin lines, (size, size) float32 in [0, 1]."""
    out = np.zeros((size, size), np.uint8)
    for _ in range(count):
        start = rng.random(2) * size
        angle = rng.random() * 2 * np.pi
        length = rng.random() ** 2 * longest * size
        bend = rng.normal(0, 0.4) if curved else 0.0
        steps = np.linspace(0, 1, 8)
        turn = angle + bend * steps
        points = start + np.cumsum(np.stack([np.cos(turn), np.sin(turn)], 1), 0) * length / 8
        level = int(rng.integers(60, 256))
        width = int(rng.choice([1, 1, 1, 2]))
        cv2.polylines(out, [np.round(points * 8).astype(np.int32)], False, level, width, cv2.LINE_AA, 3)
    return np.asarray(out / 255.0, np.float32)


def _stains(rng: np.random.Generator, picture: NDArray[np.floating], amount: float) -> Image:
    """Oil, drips and rings, darker and a little brown; ``amount`` in [0, 1]."""
    size = picture.shape[0]
    blot = noise(rng, size, 3, 5) - (2.4 - 1.6 * amount)
    out = _mix(picture, picture * np.array([0.45, 0.38, 0.30], np.float32), np.clip(blot * 1.5, 0, 0.85))
    ring = np.zeros((size, size), np.uint8)
    for _ in range(int(rng.integers(0, 3)) if rng.random() < amount else 0):
        at = (rng.random(2) * size).astype(int)
        radius = int(rng.uniform(0.05, 0.14) * size)
        cv2.circle(ring, (int(at[0]), int(at[1])), radius, 255, int(rng.integers(2, 9)), cv2.LINE_AA)
    soft = cv2.GaussianBlur(ring, (0, 0), 2).astype(np.float32) / 255 * np.clip(0.6 + noise(rng, size, 6), 0, 1)
    drops = np.zeros((size, size), np.uint8)
    for _ in range(int(rng.integers(0, 40) * amount)):
        at = (rng.random(2) * size).astype(int)
        axes = (int(rng.integers(1, 14)), int(rng.integers(1, 12)))
        cv2.ellipse(drops, (int(at[0]), int(at[1])), axes, rng.random() * 180, 0, 360, 255, -1, cv2.LINE_AA)
    out = _mix(out, out * np.array([0.5, 0.42, 0.34], np.float32), soft * 0.5)
    return _mix(out, out * np.array([0.4, 0.35, 0.3], np.float32), drops.astype(np.float32) / 255 * 0.7)


def _grain(rng: np.random.Generator, size: int, light: Image, dark: Image, knots: int) -> Image:
    """Wood of one board, fibres along x."""
    warp = noise(rng, size, 3, 3, stretch=4.0)
    y = np.linspace(0, rng.uniform(6, 16), size, dtype=np.float32)[:, None] + warp * 0.45
    xx, yy = np.meshgrid(np.arange(size, dtype=np.float32), np.arange(size, dtype=np.float32))
    for _ in range(knots):
        cx, cy = rng.random(2) * size
        wide = rng.uniform(0.015, 0.05) * size
        r = np.sqrt(((xx - cx) / 2.2) ** 2 + (yy - cy) ** 2)
        y = y + np.exp(-((r / wide) ** 2)) * rng.uniform(1.5, 3.0)
    rings = 0.5 + 0.5 * np.sin(2 * np.pi * y)
    fibre = noise(rng, size, 60, 3, stretch=24.0)
    share = np.clip(0.25 + 0.45 * rings**2 + 0.13 * fibre, 0, 1)
    pores = np.clip(noise(rng, size, 130, 1, stretch=18.0) - 1.6, 0, 1)
    return _mix(_mix(np.broadcast_to(light, (size, size, 3)), dark, share), dark * 0.5, pores * 0.7)


def _planks(rng: np.random.Generator, size: int) -> Image:
    light = _colour(rng, (0.62, 0.45, 0.28), (0.83, 0.68, 0.48))
    if rng.random() < 0.3:
        light = _colour(rng, (0.45, 0.42, 0.38), (0.66, 0.63, 0.58))
    dark = light * rng.uniform(0.45, 0.7)
    out = np.zeros((size, size, 3), np.float32)
    edge, gaps = 0, np.zeros((size, size), np.float32)
    while edge < size:
        high = int(rng.uniform(0.12, 0.26) * size)
        tone = rng.uniform(0.82, 1.12)
        board = _grain(rng, size, light * tone, dark * tone, int(rng.integers(0, 2)))
        out[edge : edge + high] = board[: len(out[edge : edge + high])]
        gaps[max(edge - 2, 0) : edge + 2] = 1.0
        edge += high
    out = _mix(out, out * 0.15, cv2.GaussianBlur(gaps, (0, 0), 1.2))
    out = _mix(out, out * 1.5 + 0.05, _scratches(rng, size, int(rng.integers(0, 60)), 0.3) * 0.35)
    return _stains(rng, out, float(rng.random()))


def _plywood(rng: np.random.Generator, size: int) -> Image:
    light = _colour(rng, (0.75, 0.60, 0.42), (0.90, 0.79, 0.62))
    out = _grain(rng, size, light, light * rng.uniform(0.72, 0.88), int(rng.integers(0, 4)))
    return _stains(rng, out, float(rng.random()) * 0.8)


def _steel(rng: np.random.Generator, size: int) -> Image:
    base = _colour(rng, (0.38, 0.39, 0.40), (0.68, 0.69, 0.70))
    brushed = noise(rng, size, 200, 2, stretch=60.0) * 0.025 + noise(rng, size, 4, 4) * 0.05
    out = np.broadcast_to(base, (size, size, 3)) * (1 + brushed[..., None])
    out = _mix(out, out * 1.5 + 0.05, _scratches(rng, size, int(rng.integers(60, 300)), 0.35) * 0.5)
    rust = np.clip(noise(rng, size, 5, 6) - rng.uniform(1.2, 2.6), 0, 1)
    tint = _colour(rng, (0.28, 0.14, 0.07), (0.45, 0.24, 0.12)) * (1 + 0.2 * noise(rng, size, 60, 2)[..., None])
    return _stains(rng, _mix(out, tint, rust * 1.4), float(rng.random()))


def _oily(rng: np.random.Generator, size: int) -> Image:
    out = _steel(rng, size) * rng.uniform(0.3, 0.6)
    film = np.clip(noise(rng, size, 3, 5) + 0.4, 0, 1)
    return _stains(rng, _mix(out, out * np.array([0.5, 0.4, 0.3], np.float32), film), 1.0)


def _cardboard(rng: np.random.Generator, size: int) -> Image:
    base = _colour(rng, (0.55, 0.42, 0.29), (0.74, 0.60, 0.44))
    flute = np.sin(np.arange(size, dtype=np.float32) * 2 * np.pi / rng.uniform(10, 22))[:, None] * 0.018
    fleck = noise(rng, size, 256, 1) * 0.025 + noise(rng, size, 6, 4) * 0.025
    out: NDArray[np.floating] = np.broadcast_to(base, (size, size, 3)) * (1 + (fleck + flute)[..., None])
    creases = _scratches(rng, size, int(rng.integers(2, 12)), 0.8, curved=False)
    out = _mix(out, out * 0.72, cv2.GaussianBlur(creases, (0, 0), 1.5))
    if rng.random() < 0.35:
        at = int(rng.uniform(0.1, 0.8) * size)
        wide = int(size * rng.uniform(0.06, 0.1))
        tape = out[at : at + wide] * 0.6 + _colour(rng, (0.5, 0.36, 0.2), (0.8, 0.72, 0.58)) * 0.4
        out[at : at + wide] = tape
    return _stains(rng, out, float(rng.random()))


def _cloth(rng: np.random.Generator, size: int) -> Image:
    hues = ((0.62, 0.10, 0.09), (0.12, 0.2, 0.42), (0.75, 0.74, 0.7), (0.25, 0.27, 0.25), (0.62, 0.52, 0.32))
    base = _colour(rng, hues[int(rng.integers(len(hues)))], hues[int(rng.integers(len(hues)))])
    pitch = rng.uniform(5, 11)
    x = np.arange(size, dtype=np.float32) * 2 * np.pi / pitch
    wobble = noise(rng, size, 20, 2) * 0.5
    weave = np.sin(x[None] + wobble) * np.cos(x[:, None] + wobble.T)
    fold = noise(rng, size, 2, 3, stretch=float(rng.uniform(0.6, 2.0))) * 0.11
    out = np.broadcast_to(base, (size, size, 3)) * (1 + 0.16 * weave + fold)[..., None]
    if rng.random() < 0.3:
        check = (np.arange(size) // int(size * rng.uniform(0.04, 0.1))) % 2
        out = _mix(out, out * 0.55, ((check[None] + check[:, None]) * 0.5).astype(np.float32))
    return _stains(rng, out, float(rng.random()))


def _concrete(rng: np.random.Generator, size: int) -> Image:
    base = _colour(rng, (0.42, 0.41, 0.39), (0.70, 0.69, 0.66))
    tone = noise(rng, size, 4, 7) * 0.07 + noise(rng, size, 256, 1) * 0.05
    pits = np.clip(noise(rng, size, 90, 2) - 2.0, 0, 1)
    out = _mix(np.broadcast_to(base, (size, size, 3)) * (1 + tone[..., None]), base * 0.35, pits)
    if rng.random() < 0.4:
        crack = np.cumsum(rng.normal(0, 3, size)) + size * rng.random()
        line = np.stack([np.arange(size), crack], 1).astype(np.int32)
        ink = np.zeros((size, size), np.uint8)
        cv2.polylines(ink, [line], False, 255, 2, cv2.LINE_AA)
        out = _mix(out, out * 0.3, ink.astype(np.float32) / 255)
    return _stains(rng, out, float(rng.random()))


def _stroke_block(rng: np.random.Generator, ink: Bytes, box: tuple[int, int, int, int], high: int) -> None:
    """Rows of glyph-like strokes in ``box`` (x0, y0, x1, y1); each glyph is one to three random strokes."""
    x0, y0, x1, y1 = box
    y = y0
    width = max(1, high // 9)
    while y + high < y1:
        x = x0 + (0 if rng.random() < 0.9 else high)
        end = x1 if rng.random() < 0.85 else x0 + int((x1 - x0) * rng.uniform(0.3, 0.9))
        while x + high < end:
            if rng.random() < 0.16:
                x += int(high * 0.45)
                continue
            cell = np.array([x, y])
            for _ in range(int(rng.integers(1, 4))):
                a, b = rng.integers(0, 3, 2), rng.integers(0, 3, 2)
                p = cell + a * np.array([high * 0.22, high * 0.36])
                q = cell + b * np.array([high * 0.22, high * 0.36])
                cv2.line(ink, p.astype(int).tolist(), q.astype(int).tolist(), 255, width, cv2.LINE_AA)
            x += int(high * rng.uniform(0.52, 0.66))
        y += int(high * 1.35)


def _print(rng: np.random.Generator, size: int) -> Image:
    base = _colour(rng, (0.70, 0.67, 0.60), (0.88, 0.87, 0.83))
    out = np.broadcast_to(base, (size, size, 3)) * (1 + 0.03 * noise(rng, size, 5, 6)[..., None])
    ink = np.zeros((size, size), np.uint8)
    columns = int(rng.integers(2, 6))
    wide = size // columns
    y = int(rng.uniform(-0.05, 0.1) * size)
    _stroke_block(rng, ink, (12, y, size - 12, y + 80), int(rng.integers(36, 64)))
    for c in range(columns):
        top = y + 90
        x0 = c * wide + 8
        while top < size:
            deep = int(rng.uniform(0.1, 0.4) * size)
            if rng.random() < 0.25:
                panel = noise(rng, 64, 4, 4)
                block = cv2.resize(panel, (wide - 16, min(deep, size - top)), interpolation=cv2.INTER_LINEAR)
                share = np.clip(0.5 + 0.3 * block, 0.05, 1)
                here = out[top : top + deep, x0 : x0 + wide - 16]
                out[top : top + deep, x0 : x0 + wide - 16] = here * share[..., None] * 0.85
            else:
                _stroke_block(rng, ink, (x0, top, x0 + wide - 16, min(top + deep, size)), int(rng.integers(9, 14)))
            top += deep + 14
    out = _mix(out, np.float32(0.12) * np.ones_like(out), ink.astype(np.float32) / 255 * 0.85)
    folds = cv2.GaussianBlur(_scratches(rng, size, 5, 1.2, curved=False), (0, 0), 3)
    return _stains(rng, _mix(out, out * 0.7, folds), float(rng.random()) * 0.8)


def _mat(rng: np.random.Generator, size: int) -> Image:
    hues = ((0.05, 0.30, 0.22), (0.08, 0.16, 0.34), (0.10, 0.10, 0.11))
    base = np.array(hues[int(rng.integers(3))], np.float32) * rng.uniform(0.8, 1.3)
    out = np.broadcast_to(base, (size, size, 3)) * (1 + 0.05 * noise(rng, size, 200, 1)[..., None])
    step = int(rng.integers(40, 90))
    ink = np.zeros((size, size), np.float32)
    for k in range(0, size, step):
        strong = 0.8 if (k // step) % 5 == 0 else 0.35
        ink[k : k + 2] = np.maximum(ink[k : k + 2], strong)
        ink[:, k : k + 2] = np.maximum(ink[:, k : k + 2], strong)
    out = _mix(out, _colour(rng, (0.7, 0.7, 0.5), (0.9, 0.9, 0.85)), ink * 0.7)
    out = _mix(out, out * 0.5, _scratches(rng, size, 120, 0.4, curved=False) * 0.6)
    return _stains(rng, out, float(rng.random()) * 0.6)


def _tiles(rng: np.random.Generator, size: int) -> Image:
    base = _colour(rng, (0.35, 0.33, 0.31), (0.86, 0.84, 0.79))
    count = int(rng.integers(2, 7))
    side = size // count + 1
    tone = cv2.resize(
        rng.normal(1, 0.05, (count, count)).astype(np.float32),
        (count * side, count * side),
        interpolation=cv2.INTER_NEAREST,
    )[:size, :size]
    out = np.broadcast_to(base, (size, size, 3)) * (tone + 0.04 * noise(rng, size, 10, 5))[..., None]
    grout = np.zeros((size, size), np.float32)
    wide = int(rng.integers(3, 9))
    for k in range(0, size, side):
        grout[k : k + wide] = 1
        grout[:, k : k + wide] = 1
    out = _mix(out, _colour(rng, (0.3, 0.28, 0.26), (0.7, 0.68, 0.64)), cv2.GaussianBlur(grout, (0, 0), 0.8))
    return _stains(rng, out, float(rng.random()))


def _painted(rng: np.random.Generator, size: int) -> Image:
    tone = rng.uniform(0.15, 0.85) + (rng.random(3) - 0.5) * rng.uniform(0.05, 0.5)
    base = np.clip(tone, 0.04, 0.95).astype(np.float32)
    out = np.broadcast_to(base, (size, size, 3)) * (1 + 0.04 * noise(rng, size, 5, 5)[..., None])
    under = _colour(rng, (0.35, 0.33, 0.30), (0.75, 0.62, 0.45))
    chips = np.clip((noise(rng, size, 8, 6) - rng.uniform(1.3, 2.4)) * 6, 0, 1)
    out = _mix(_mix(out, under, chips), under, _scratches(rng, size, int(rng.integers(20, 160)), 0.4) * 0.8)
    return _stains(rng, out, float(rng.random()))


def _bilge(rng: np.random.Generator, size: int) -> Image:
    base = _colour(rng, (0.36, 0.35, 0.33), (0.74, 0.73, 0.70))
    out = np.broadcast_to(base, (size, size, 3)) * (1 + 0.06 * noise(rng, size, 6, 5)[..., None])
    grime = np.clip(noise(rng, size, 3, 6) * 0.6 + 0.2, 0, 1)
    return _stains(rng, _mix(out, out * np.array([0.42, 0.36, 0.28], np.float32), grime), 1.0)


_Recipe = tuple[Callable[[np.random.Generator, int], Image], float, tuple[float, float], float]
TEXTURES: Mapping[str, _Recipe] = MappingProxyType(
    {
        "planks": (_planks, 700.0, (0.45, 0.9), 0.0),
        "plywood": (_plywood, 600.0, (0.5, 0.9), 0.0),
        "steel": (_steel, 600.0, (0.25, 0.5), 0.9),
        "oily_metal": (_oily, 600.0, (0.15, 0.4), 0.6),
        "cardboard": (_cardboard, 500.0, (0.8, 1.0), 0.0),
        "cloth": (_cloth, 260.0, (0.85, 1.0), 0.0),
        "concrete": (_concrete, 800.0, (0.7, 1.0), 0.0),
        "print": (_print, 420.0, (0.8, 1.0), 0.0),
        "cutting_mat": (_mat, 450.0, (0.5, 0.8), 0.0),
        "tiles": (_tiles, 800.0, (0.15, 0.6), 0.0),
        "painted_board": (_painted, 600.0, (0.3, 0.8), 0.0),
        "bilge": (_bilge, 600.0, (0.3, 0.8), 0.0),
    }
)
"""Name -> recipe, side in millimetres, range of roughness, metallic."""


def surface(name: str, rng: np.random.Generator, size: int = 1024) -> Surface:
    """Make one surface.

    Args:
        name: key of ``TEXTURES``.
        rng: every draw.
        size: side of the picture in pixels.

    Raises:
        KeyError: for a name that is not in ``TEXTURES``.
    """
    recipe, side, rough, metallic = TEXTURES[name]
    picture = recipe(rng, size)
    turned = np.rot90(picture, int(rng.integers(4)))
    pixels = np.ascontiguousarray(np.clip(turned * 255 + 0.5, 0, 255).astype(np.uint8))
    return Surface(name, pixels, side * float(rng.uniform(0.8, 1.3)), float(rng.uniform(*rough)), metallic)
