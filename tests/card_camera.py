"""A true pinhole camera with lens distortion that photographs the scale card; for the measuring tests."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from updraft_key.model.scale_card import draw_card

PX_PER_MM = 20
MARGIN_MM = 10


@dataclass(frozen=True)
class Camera:
    """Plane frame = card frame (z away from the camera). ``k`` are the usual radial k1, k2 on focal units."""

    focal: float
    centre: np.ndarray
    rotation: np.ndarray
    translation: np.ndarray
    k: np.ndarray
    size: tuple[int, int]

    @property
    def height(self) -> float:
        return float(abs((self.rotation.T @ self.translation)[2]))

    def see(self, points: np.ndarray, above: float = 0.0) -> np.ndarray:
        """Pixels of plane points (n, 2), mm, lifted by ``above`` towards the camera."""
        p = np.column_stack([points, np.full(len(points), -above)])
        q = p @ self.rotation.T + self.translation
        u = q[:, :2] / q[:, 2:]
        r2 = (u**2).sum(axis=1, keepdims=True)
        return u * (1 + self.k[0] * r2 + self.k[1] * r2**2) * self.focal + self.centre


def stand(rng: np.random.Generator, tilt_deg: float, distance: float, size: tuple[int, int]) -> Camera:
    """A phone held somewhere round the card, any way up: focal length, lens and optical centre are drawn."""
    diagonal = float(np.hypot(*size))
    turn, roll = rng.uniform(0, 2 * np.pi, 2)
    tilt = np.radians(tilt_deg)
    back = np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), -np.cos(tilt)])
    eye = np.array([52.5, 37.5, 0]) + np.append(rng.uniform(-15, 15, 2), 0) + back * distance
    x = np.cross([np.sin(roll), np.cos(roll), 0.3], -back)
    x /= np.linalg.norm(x)
    rotation = np.stack([x, np.cross(-back, x), -back])
    return Camera(
        rng.uniform(0.52, 0.75) * diagonal,
        np.array(size) / 2 + rng.normal(0, 0.004 * diagonal, 2),
        rotation,
        -rotation @ eye,
        np.array([rng.normal(0, 0.05), rng.normal(0, 0.03)]),
        size,
    )


def photograph(camera: Camera, rng: np.random.Generator, blur_px: float = 1.2, noise: float = 4.0) -> np.ndarray:
    """(h, w) uint8: the card on grey, blurred, dimmed, with sensor noise."""
    card = cv2.GaussianBlur(draw_card(PX_PER_MM, MARGIN_MM), (0, 0), 1.0)
    width, height = camera.size
    h_mm, w_mm = np.array(card.shape) / PX_PER_MM
    side = np.linspace(0, 1, 30)[:, None]
    ring = np.concatenate(
        [side * [w_mm, 0], side * [w_mm, 0] + [0, h_mm], side * [0, h_mm], side * [0, h_mm] + [w_mm, 0]]
    )
    seen = camera.see(ring - MARGIN_MM)
    x0, y0 = np.clip(np.floor(seen.min(axis=0)) - 8, 0, [width, height]).astype(int)
    x1, y1 = np.clip(np.ceil(seen.max(axis=0)) + 8, 0, [width, height]).astype(int)
    ys, xs = np.mgrid[y0:y1, x0:x1]
    bent = (np.stack([xs, ys], axis=-1).reshape(-1, 2) + 0.5 - camera.centre) / camera.focal
    u = bent.copy()
    for _ in range(8):
        r2 = (u**2).sum(axis=1, keepdims=True)
        u = bent / (1 + camera.k[0] * r2 + camera.k[1] * r2**2)
    to_picture = np.column_stack([camera.rotation[:, :2], camera.translation])
    q = np.column_stack([u, np.ones(len(u))]) @ np.linalg.inv(to_picture).T
    at = (((q[:, :2] / q[:, 2:]) + MARGIN_MM) * PX_PER_MM - 0.5).astype(np.float32).reshape(y1 - y0, x1 - x0, 2)
    patch = cv2.remap(card, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=170)
    image = np.full((height, width), 170, np.float32)
    image[y0:y1, x0:x1] = patch
    image = cv2.GaussianBlur(image, (0, 0), blur_px) * rng.uniform(0.6, 0.95) + 10
    image += rng.standard_normal(image.shape, np.float32) * noise
    return np.clip(image, 0, 255).astype(np.uint8)
