"""Procedural surroundings: (H, 2H, 3) float32 linear light, equirectangular, +y up; for when no light map is at hand.

Row 0 looks straight up. The column in the middle looks along +z, a quarter to its right along -x (the convention
of the renderer's environment emitter).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from .textures import noise

Light = NDArray[np.float32]


def directions(height: int) -> Light:
    """Unit directions of the pixels, (height, 2 height, 3) float32."""
    theta = (np.arange(height, dtype=np.float32) + 0.5) / height * np.pi
    phi = (np.arange(2 * height, dtype=np.float32) + 0.5) / height * np.pi
    t, p = np.meshgrid(theta, phi, indexing="ij")
    x = np.sin(p) * np.sin(t)
    z = -np.cos(p) * np.sin(t)
    return np.stack([x, np.cos(t), z], -1).astype(np.float32)


def kelvin(temperature: float) -> Light:
    """Linear RGB of a black body, mean 1 (a smooth fit good enough for lamps; 2000-12000 K)."""
    t = np.clip(temperature, 2000, 12000) / 6500.0
    rgb = np.array([t**-0.75 if t < 1 else t**-0.45, 1.0, t**1.5 if t < 1 else t**0.5], np.float32)
    out: Light = (rgb / rgb.mean()).astype(np.float32)
    return out


def _way(rng: np.random.Generator, low_deg: float, high_deg: float) -> Light:
    """A random direction between two elevations."""
    up = np.radians(rng.uniform(low_deg, high_deg))
    turn = rng.uniform(0, 2 * np.pi)
    return np.array([np.cos(up) * np.sin(turn), np.sin(up), np.cos(up) * np.cos(turn)], np.float32)


def _panel(d: Light, centre: Light, half_u: float, half_v: float, turn: float = 0.0, soft: float = 0.03) -> Light:
    """Coverage (H, W) of a flat rectangle seen in direction ``centre``; half sizes as tangents."""
    w = centre / np.linalg.norm(centre)
    u = np.cross(np.array([0, 1, 0], np.float32) if abs(w[1]) < 0.95 else np.array([1, 0, 0], np.float32), w)
    u /= np.linalg.norm(u)
    v = np.cross(w, u)
    c, s = np.cos(turn), np.sin(turn)
    u, v = c * u + s * v, c * v - s * u
    depth = d @ w
    safe = np.where(depth > 0.02, depth, 1.0)
    a = (half_u - np.abs(d @ u / safe)) / soft
    b = (half_v - np.abs(d @ v / safe)) / soft
    out: Light = (np.clip(np.minimum(a, b), 0, 1) * (depth > 0.02)).astype(np.float32)
    return out


def _room(rng: np.random.Generator, d: Light, level: float) -> Light:
    """Walls, floor and ceiling of a dull room with boards, shelves and dark things on them."""
    high = d.shape[0]
    tint = np.array([1.0, 0.93, 0.84], np.float32) * (1 - 0.3 * rng.random())
    patch = cv2.resize(noise(rng, 128, 6, 5), (2 * high, high), interpolation=cv2.INTER_LINEAR)
    wall = level * np.exp(0.22 * patch)
    ceiling, floor = rng.uniform(0.8, 2.0), rng.uniform(0.25, 0.7)
    y = d[..., 1]
    share = np.where(y > 0.55, ceiling, np.where(y < -0.35, floor, 1.0)).astype(np.float32)
    out = (wall * share)[..., None] * tint
    for _ in range(int(rng.integers(6, 22))):  # shelves, posters, cupboards, doors
        at = _way(rng, -30, 35)
        colour = rng.random(3).astype(np.float32) * rng.uniform(0.05, 1.6) * level
        cover = _panel(d, at, rng.uniform(0.04, 0.4), rng.uniform(0.04, 0.3), soft=0.01)[..., None]
        out = out * (1 - cover) + colour * cover
    return np.asarray(out, np.float32)


def _outdoors(rng: np.random.Generator, high: int, sun: bool) -> Light:
    d = directions(high)
    y = d[..., 1]
    overhead = np.array([0.25, 0.45, 0.95], np.float32) * rng.uniform(0.5, 1.1)
    horizon = np.array([0.85, 0.92, 1.0], np.float32) * rng.uniform(0.7, 1.2)
    t = np.clip(y, 0, 1)[..., None] ** 0.5
    sky = horizon * (1 - t) + overhead * t
    cloud = cv2.resize(noise(rng, 256, 4, 6), (2 * high, high), interpolation=cv2.INTER_LINEAR)
    cover = np.clip((cloud + rng.uniform(-1.2, 1.5)) * 0.8, 0, 1)[..., None]
    if not sun:
        cover = np.maximum(cover, rng.uniform(0.7, 1.0))
    sky = sky * (1 - cover) + (np.float32(1.0) + 0.15 * cloud[..., None]) * cover
    if sun:
        way = _way(rng, 8, 65)
        cosine = d @ way
        warm = kelvin(rng.uniform(3200, 6200))
        sky = sky + warm * np.exp((cosine - 1) * 12)[..., None] * 0.6
        sky = sky + warm * np.where(cosine > np.cos(0.022), rng.uniform(300, 900), 0.0)[..., None]
    ground = np.array([0.30, 0.28, 0.24], np.float32) * rng.uniform(0.3, 1.0)
    patch = cv2.resize(noise(rng, 128, 8, 4), (2 * high, high), interpolation=cv2.INTER_LINEAR)
    ground = ground * (1 + 0.3 * patch)[..., None]
    skyline = 0.10 * rng.random() + 0.05 * noise(rng, 2 * high, 10, 5)[0] * rng.random()
    below = np.clip((skyline[None, :] - y) / 0.02, 0, 1)[..., None]
    trees = np.array([0.10, 0.13, 0.08], np.float32) * rng.uniform(0.3, 2.0)
    scene = np.where(y[..., None] < 0, ground, trees * (1 + 0.4 * patch)[..., None])
    return np.asarray(sky * (1 - below) + scene * below, np.float32)


def _sunny(rng: np.random.Generator, high: int) -> Light:
    return _outdoors(rng, high, True)


def _overcast(rng: np.random.Generator, high: int) -> Light:
    return _outdoors(rng, high, False)


def _windows(rng: np.random.Generator, high: int) -> Light:
    d = directions(high)
    out = _room(rng, d, rng.uniform(0.05, 0.25))
    for _ in range(int(rng.integers(1, 4))):
        at, half = _way(rng, 2, 28), (rng.uniform(0.2, 0.7), rng.uniform(0.25, 0.6))
        glass = _panel(d, at, half[0], half[1], soft=0.015)
        bars = 1 - _panel(d, at, 0.015, half[1], soft=0.01) - _panel(d, at, half[0], 0.015, soft=0.01)
        light = kelvin(rng.uniform(5200, 9000)) * rng.uniform(3, 14)
        shine = (glass * np.clip(bars, 0, 1) * np.clip(0.6 + 1.2 * (d[..., 1]), 0.3, 1.4))[..., None]
        out = out * (1 - glass[..., None]) + light * shine
    return out


def _softboxes(rng: np.random.Generator, high: int) -> Light:
    d = directions(high)
    out = np.full((*d.shape[:2], 3), rng.uniform(0.02, 0.9), np.float32)
    out *= (1 + 0.4 * d[..., 1:2]) * np.array([1, 0.98, 0.95], np.float32)
    for _ in range(int(rng.integers(1, 4))):
        box = _panel(d, _way(rng, 5, 75), rng.uniform(0.15, 0.7), rng.uniform(0.15, 0.6), rng.uniform(0, 3), 0.05)
        out = out * (1 - box[..., None]) + kelvin(rng.uniform(4500, 6800)) * rng.uniform(4, 20) * box[..., None]
    return out


def _tubes(rng: np.random.Generator, high: int) -> Light:
    d = directions(high)
    out = _room(rng, d, rng.uniform(0.1, 0.35))
    light = kelvin(rng.uniform(3600, 6800)) * np.array([0.95, 1.08, 0.95], np.float32) * rng.uniform(15, 50)
    turn = rng.uniform(0, np.pi)
    for k in range(int(rng.integers(1, 5))):
        offset = np.array([np.sin(turn) * (k - 1) * 0.9, 1.0, np.cos(turn) * (k - 1) * 0.9], np.float32)
        tube = _panel(d, offset, rng.uniform(0.35, 0.8), 0.03, turn, 0.012)
        shade = _panel(d, offset, 0.85, 0.12, turn, 0.02)
        out = np.asarray(out + (0.04 * shade + tube)[..., None] * light, np.float32)
    return out


def _bulb(rng: np.random.Generator, high: int) -> Light:
    d = directions(high)
    out = _room(rng, d, rng.uniform(0.03, 0.12))
    cosine = d @ _way(rng, 15, 80)
    light = kelvin(rng.uniform(2400, 4200))
    glow = np.exp((cosine - 1) * 8) * 0.5 + np.where(cosine > np.cos(rng.uniform(0.04, 0.09)), rng.uniform(120, 400), 0)
    return np.asarray(out + light * glow[..., None], np.float32)


def _torch(rng: np.random.Generator, high: int) -> Light:
    d = directions(high)
    out = _room(rng, d, rng.uniform(0.008, 0.04))
    hatch = _panel(d, np.array([0.2, 1.0, 0.1], np.float32), rng.uniform(0.2, 0.6), rng.uniform(0.1, 0.4), rng.random())
    out = out + hatch[..., None] * kelvin(7000) * rng.uniform(0.2, 1.5)
    at = _way(rng, -10, 60)
    cosine = d @ at
    spot = np.where(cosine > np.cos(0.05), rng.uniform(150, 400), 0) + np.exp((cosine - 1) * 60) * 1.5
    return np.asarray(out + kelvin(rng.uniform(4500, 7500)) * spot[..., None], np.float32)


def _doorway(rng: np.random.Generator, high: int) -> Light:
    d = directions(high)
    inside = _room(rng, d, rng.uniform(0.04, 0.15))
    outside = _outdoors(rng, high, rng.random() < 0.5)
    gate = _panel(d, _way(rng, 2, 12), rng.uniform(0.6, 1.6), rng.uniform(0.45, 0.8), soft=0.02)[..., None]
    return np.asarray(inside * (1 - gate) + outside * gate, np.float32)


SKIES: Mapping[str, Callable[[np.random.Generator, int], Light]] = MappingProxyType(
    {
        "sunny": _sunny,
        "overcast": _overcast,
        "windows": _windows,
        "softboxes": _softboxes,
        "tubes": _tubes,
        "bulb": _bulb,
        "torch": _torch,
        "doorway": _doorway,
    }
)


def sky(name: str, rng: np.random.Generator, height: int = 256) -> Light:
    """Make one, scaled so that its mean radiance over the sphere is 1.

    Args:
        name: key of ``SKIES``.
        rng: every draw.
        height: pixels.

    Raises:
        KeyError: for a name that is not in ``SKIES``.
    """
    out = np.clip(SKIES[name](rng, height), 0, None).astype(np.float32)
    return np.asarray(out / max(sphere_mean(out), 1e-6), np.float32)


def sphere_mean(light: Light) -> float:
    """Mean luminance over the sphere (rows weighted by the sine of the polar angle)."""
    high = light.shape[0]
    weight = np.sin((np.arange(high) + 0.5) / high * np.pi)
    rows = light.astype(np.float64).mean((1, 2))
    return float((rows * weight).sum() / weight.sum())
