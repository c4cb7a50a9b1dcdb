"""The phone: from clean pixels to what a phone would have stored. numpy and OpenCV, pure, seeded.

``develop`` turns linear radiance into an 8-bit picture (meter, tone curve). ``shoot`` puts a finished clean
picture through lens, sensor, processing and re-compression; training calls it on the fly, so that one render
becomes many photos. None of it moves anything by more than a fraction of a pixel: labels stay true. (A listing's
screenshot draws over the rim of the picture; its scale stays the same.)

Strengths are set by eye against what phones do (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .mesh import Floats

Bytes = NDArray[np.uint8]
GLYPHS = "0123456789$%#/:.-+"
"""Characters for a listing's bars: figures and signs, so that no word can come out."""


@dataclass(frozen=True, slots=True)
class Faults:
    """How likely each fault of a phone picture is, and how far it may go (1 = usual phones)."""

    noise: float = 0.75
    motion: float = 0.22
    defocus: float = 0.22
    lens: float = 0.5
    flare: float = 0.15
    colour: float = 0.75
    processing: float = 0.6
    rescale: float = 0.45
    listing: float = 0.05
    twice: float = 0.45


def to_linear(picture: Bytes) -> Floats:
    """sRGB bytes to linear light in [0, 1] (IEC 61966-2-1's curve)."""
    v = picture.astype(np.float32) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def to_srgb(linear: Floats) -> Floats:
    """Linear light to sRGB values in [0, 1] (IEC 61966-2-1's curve)."""
    v = np.clip(linear, 0.0, 1.0)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055).astype(np.float32)


def meter(linear: Floats, weight: Floats) -> float:
    """Gain that a phone's automatic exposure would choose.

    Args:
        linear: (h, w, 3) radiance.
        weight: (h, w) how much each pixel counts.

    Returns:
        The factor that brings the weighted log-mean to middle grey (0.16), held back so that the brightest
        2 % stay below four times white.
    """
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    total = float(weight.sum())
    if total <= 0.0:
        weight, total = np.ones_like(luminance), float(luminance.size)
    mean = float(np.exp((np.log(luminance + 1e-4) * weight).sum() / total))
    gain = 0.16 / max(mean, 1e-4)
    high = float(np.quantile(luminance, 0.98))
    return min(gain, 4.0 / max(high, 1e-4)) if high * gain > 4.0 else gain


def tone(linear: Floats) -> Floats:
    """A phone-like tone curve, linear to display-linear in [0, 1]: straight in the shadows, a soft shoulder."""
    x = np.maximum(linear, 0.0)
    shoulder = 0.62
    over = np.maximum(x - shoulder, 0.0)
    room = 1.0 - shoulder
    return np.asarray(np.minimum(x, shoulder) + room * (over / (over + room * 1.6)), np.float32)


def develop(linear: Floats, behind: Floats, photograph: Bytes | None, exposure: float, blur_px: float = 0.0) -> Bytes:
    """Expose and tone-map a render, and put a photograph where nothing else is.

    Args:
        linear: (h, w, 3) radiance; already without the surroundings if there is a photograph.
        behind: (h, w) share of each pixel that shows only what is behind everything.
        photograph: (h', w', 3) uint8 sRGB, cut and scaled to fill the frame, or None.
        exposure: stops off the meter.
        blur_px: Gaussian blur of the photograph (out of focus).

    Returns:
        (h, w, 3) uint8 sRGB.
    """
    h, w = behind.shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    centred = np.exp(-(((x / w - 0.5) ** 2 + (y / h - 0.5) ** 2) / (2 * 0.28**2)))
    weight = centred * ((1.0 - behind) if photograph is not None else (1.0 - 0.7 * behind))
    cover = 1.0 - behind[..., None]
    gain = meter(linear / np.maximum(cover, 0.05) if photograph is not None else linear, weight) * 2.0**exposure
    picture = tone(linear * gain)
    if photograph is not None:
        picture = picture + to_linear(_fill(photograph, h, w, blur_px)) * 2.0 ** (0.5 * exposure) * (1.0 - cover)
    return np.round(to_srgb(picture.astype(np.float32)) * 255.0).astype(np.uint8)


def cover_lens(picture: Bytes, rng: np.random.Generator, amount: float) -> tuple[Bytes, NDArray[np.bool_]]:
    """Put something blurred and near over an edge of the frame: a finger, a rag, a cable.

    Args:
        picture: (h, w, 3) uint8.
        rng: the only source of randomness.
        amount: 0..1, how far it reaches in (up to about a third of the frame).

    Returns:
        The picture, and (h, w) bool: where it hides more than half of what is behind.
    """
    h, w = picture.shape[:2]
    mask = np.zeros((h, w), np.float32)
    angle = float(rng.uniform(0.0, 2.0 * np.pi))
    reach = 0.05 + 0.28 * amount
    middle = np.array([w / 2 + np.cos(angle) * w * 0.62, h / 2 + np.sin(angle) * h * 0.62])
    inward = -np.array([np.cos(angle), np.sin(angle)])
    side = np.array([-inward[1], inward[0]])
    length, width = (0.12 + reach) * w, float(rng.uniform(0.05, 0.16)) * w
    tip = middle + inward * length + side * float(rng.normal(0.0, 0.05)) * w
    cv2.line(mask, _at(middle), _at(tip), 1.0, max(int(2 * width), 2), cv2.LINE_AA)
    soft = float(rng.uniform(0.012, 0.04)) * w
    mask = cv2.GaussianBlur(mask, (0, 0), soft)
    shade = 0.75 + 0.25 * cv2.GaussianBlur(mask, (0, 0), 2.0 * soft)
    tones = np.array([[0.56, 0.33, 0.24], [0.33, 0.18, 0.12], [0.12, 0.07, 0.05], [0.03, 0.03, 0.03], [0.5, 0.5, 0.5]])
    linear = to_linear(picture)
    light = float(np.clip(linear.mean() / 0.2, 0.15, 1.5))
    colour = (tones[int(rng.integers(len(tones)))] * light * rng.uniform(0.7, 1.1)).astype(np.float32)
    mixed = linear * (1.0 - mask[..., None]) + colour * (mask * shade)[..., None]
    return _bytes(to_srgb(mixed.astype(np.float32))), mask > 0.5


def _at(point: NDArray[np.floating]) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def shoot(
    picture: NDArray[np.uint8] | Floats, rng: np.random.Generator, strength: float = 1.0, faults: Faults | None = None
) -> Bytes:
    """Return the picture as a phone might have stored it.

    Args:
        picture: (h, w, 3) uint8 sRGB, or float32 linear light in [0, 1].
        rng: the only source of randomness.
        strength: 0 leaves the picture as it is; 1 is the range of usual phones; up to 2.
        faults: probabilities, for ablations.

    Returns:
        (h, w, 3) uint8 sRGB, same size.

    Raises:
        ValueError: for another shape or a negative strength.
    """
    if picture.ndim != 3 or picture.shape[2] != 3:
        raise ValueError(f"expected a picture (h, w, 3), got {picture.shape}")
    if strength < 0.0:
        raise ValueError(f"strength: expected 0 or more, got {strength}")
    linear = to_linear(np.asarray(picture, np.uint8)) if picture.dtype == np.uint8 else np.asarray(picture, np.float32)
    if strength == 0.0:
        return _bytes(to_srgb(linear))
    f = faults or Faults()
    h, w = linear.shape[:2]
    small = 1.0
    if rng.random() < f.rescale:
        small = float(np.exp(rng.uniform(np.log(max(1.0 - 0.6 * min(strength, 1.4), 0.2)), 0.0)))
        linear = _resized(linear, max(int(w * small), 48), max(int(h * small), 48))
    linear = _optics(linear, rng, strength * min(h, w) * small / 448.0, strength, f)
    linear = _colour(linear, rng, strength, f)
    noisy = rng.random() < f.noise
    iso = float(rng.uniform(0.0, 1.0)) ** 1.7 * strength if noisy else 0.0
    if noisy:
        linear = _sensor(linear, rng, iso)
    values = _processing(to_srgb(linear), rng, iso, strength, f)
    out = _bytes(values)
    if small < 1.0:
        out = cv2.resize(out, (w, h), interpolation=int(rng.choice([cv2.INTER_LINEAR, cv2.INTER_CUBIC])))
    if rng.random() < f.listing * min(strength, 1.0):
        out = _listing(out, rng)
    for _ in range(2 if rng.random() < f.twice else 1):
        quality = int(np.clip(95 - rng.uniform(0.0, 1.0) ** 1.5 * 65.0 * min(strength, 1.0), 30, 95))
        out = _jpeg(out, quality)
    return out


def _optics(linear: Floats, rng: np.random.Generator, scale: float, strength: float, f: Faults) -> Floats:
    """Motion blur, defocus, chromatic fringe, vignette, flare. ``scale`` is px per px of a 448 px frame."""
    h, w = linear.shape[:2]
    if rng.random() < f.motion:
        linear = cv2.filter2D(linear, -1, _streak(rng, 1.0 + rng.gamma(1.6, 2.2) * scale))
    if rng.random() < f.defocus:
        linear = cv2.filter2D(linear, -1, _disk(0.6 + rng.gamma(1.4, 0.9) * scale))
    if rng.random() < f.lens:
        linear = _fringe(linear, float(rng.normal(0.0, 0.0009 * strength)))
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        r2 = ((x / w - 0.5) ** 2 + (y / h - 0.5) ** 2) * 2.0
        linear = linear * (1.0 - float(rng.uniform(0.0, 0.45)) * min(strength, 1.5) * r2)[..., None]
    if rng.random() < f.flare:
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        cx, cy = rng.uniform(-0.2, 1.2, 2)
        spread = float(rng.uniform(0.08, 0.5))
        glow = np.exp(-((x / w - cx) ** 2 + (y / h - cy) ** 2) / (2 * spread**2))
        veil = float(rng.uniform(0.0, 0.12)) * strength
        glow = (float(rng.uniform(0.02, 0.4)) * strength * glow + veil).astype(np.float32)
        linear = linear + glow[..., None] * rng.uniform(0.8, 1.0, 3).astype(np.float32)
    return linear.astype(np.float32)


def _colour(linear: Floats, rng: np.random.Generator, strength: float, f: Faults) -> Floats:
    """White balance off, exposure off, local contrast, contrast and saturation."""
    if rng.random() < f.colour:
        warm, green = rng.normal(0.0, 0.11 * strength), rng.normal(0.0, 0.04 * strength)
        linear = linear * np.exp(np.array([warm, green, -warm], np.float32))
    if rng.random() < f.colour:
        linear = linear * np.float32(2.0 ** rng.normal(0.0, 0.35 * strength))
    if rng.random() < 0.3 * f.colour:  # HDR look: local means pulled together
        amount = float(rng.uniform(0.15, 0.55)) * min(strength, 1.3)
        grey = linear.mean(2) + 1e-4
        around = cv2.GaussianBlur(np.log(grey), (0, 0), max(linear.shape[1] / 14.0, 1.0))
        linear = linear * np.exp(amount * (float(np.log(0.2)) - around))[..., None]
    if rng.random() < f.colour:
        values = to_srgb(linear)
        values = (values - 0.45) * float(np.exp(rng.normal(0.0, 0.13 * strength))) + 0.45
        grey3 = values.mean(2, keepdims=True)
        values = grey3 + (values - grey3) * float(np.exp(rng.normal(0.0, 0.22 * strength)))
        linear = to_linear(_bytes(values))
    return np.asarray(linear, np.float32)


def _sensor(linear: Floats, rng: np.random.Generator, iso: float) -> Floats:
    """Shot and read noise, correlated as a Bayer mosaic leaves it: red and blue sampled at half the rate."""
    h, w = linear.shape[:2]
    shot, read = 0.0004 + 0.006 * iso**1.5, 0.0008 + 0.012 * iso**1.7
    noise = np.empty((h, w, 3), np.float32)
    noise[..., 1] = cv2.GaussianBlur(rng.standard_normal((h, w), np.float32), (0, 0), 0.5) * 1.45
    for c in (0, 2):
        coarse = rng.standard_normal(((h + 1) // 2, (w + 1) // 2), np.float32)
        noise[..., c] = cv2.resize(coarse, (w, h), interpolation=cv2.INTER_LINEAR) * 1.35
    sigma = np.sqrt(shot * np.clip(linear, 0.0, 1.2) + read**2)
    return np.asarray(np.clip(linear + noise * sigma, 0.0, None), np.float32)


def _processing(values: Floats, rng: np.random.Generator, iso: float, strength: float, f: Faults) -> Floats:
    """Denoise smear (colour first, as phones do), then sharpening with halos."""
    if rng.random() < f.processing * (0.4 + iso):
        ycc = cv2.cvtColor(np.clip(values, 0.0, 1.0), cv2.COLOR_RGB2YCrCb)
        sigma = 0.8 + 2.5 * float(rng.random()) * (0.3 + iso)
        for c in (1, 2):
            ycc[..., c] = cv2.GaussianBlur(ycc[..., c], (0, 0), sigma)
        if rng.random() < 0.6:
            d, tell = 5, 0.03 + 0.09 * float(rng.random()) * (0.3 + iso)
            ycc[..., 0] = cv2.bilateralFilter(np.ascontiguousarray(ycc[..., 0]), d, tell, 2.0)
        values = cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB)
    if rng.random() < f.processing:
        radius = float(rng.uniform(0.6, 1.8))
        amount = float(rng.uniform(0.1, 1.1)) * min(strength, 1.4)
        values = values + amount * (values - cv2.GaussianBlur(values, (0, 0), radius))
    return np.asarray(values, np.float32)


def _listing(picture: Bytes, rng: np.random.Generator) -> Bytes:
    """A screenshot of a listing: bars or a frame in a plain colour, with figures and signs on them."""
    out = picture.copy()
    h, w = out.shape[:2]
    plain = np.array([(255, 255, 255), (18, 18, 18), (240, 240, 245), (40, 44, 60)])
    colour = [int(v) for v in plain[rng.choice(len(plain))]]
    ink = [255 - v for v in colour]
    for side in ("top", "bottom", "left", "right"):
        if rng.random() > (0.6 if side in ("top", "bottom") else 0.25):
            continue
        width = int(rng.uniform(0.015, 0.055) * h)
        x0, x1 = (w - width if side == "right" else 0), (width if side == "left" else w)
        y0, y1 = (h - width if side == "bottom" else 0), (width if side == "top" else h)
        out[y0:y1, x0:x1] = colour
        if side in ("top", "bottom"):
            text = "".join(rng.choice(list(GLYPHS), int(rng.integers(4, 22))))
            foot = width - max(width // 4, 1) if side == "top" else h - max(width // 4, 1)
            at = (int(rng.uniform(0.0, 0.5) * w), foot)
            cv2.putText(out, text, at, cv2.FONT_HERSHEY_SIMPLEX, width / 40.0, ink, 1, cv2.LINE_AA)
    return out


def _streak(rng: np.random.Generator, length: float) -> Floats:
    """A motion blur kernel: a slightly bent line of ``length`` px, centred, sum 1."""
    n = int(np.ceil(length)) | 1
    kernel = np.zeros((n + 2, n + 2), np.float32)
    t = np.linspace(-0.5, 0.5, max(8 * n, 16))
    angle, bend = rng.uniform(0.0, np.pi), rng.normal(0.0, 0.25)
    along, across = t * length, bend * (t**2 - 1 / 12) * length
    x = along * np.cos(angle) - across * np.sin(angle) + (n + 1) / 2
    y = along * np.sin(angle) + across * np.cos(angle) + (n + 1) / 2
    inside = (x >= 0) & (y >= 0) & (x < n + 1.5) & (y < n + 1.5)
    np.add.at(kernel, (np.rint(y[inside]).astype(int), np.rint(x[inside]).astype(int)), 1.0)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _disk(radius: float) -> Floats:
    """A defocus kernel: a disk with an antialiased edge, sum 1."""
    n = int(np.ceil(radius))
    y, x = np.mgrid[-n : n + 1, -n : n + 1].astype(np.float32)
    kernel = np.clip(radius + 0.5 - np.hypot(x, y), 0.0, 1.0)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _fringe(linear: Floats, amount: float) -> Floats:
    """Scale red and blue about the middle by 1 ± amount (lateral chromatic aberration)."""
    h, w = linear.shape[:2]
    out = linear.copy()
    for c, k in ((0, 1.0 + amount), (2, 1.0 - amount)):
        m = np.array([[k, 0, (1 - k) * (w - 1) / 2], [0, k, (1 - k) * (h - 1) / 2]], np.float32)
        out[..., c] = cv2.warpAffine(
            np.ascontiguousarray(linear[..., c]), m, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    return out


def _fill(photograph: Bytes, h: int, w: int, blur_px: float) -> Bytes:
    """Cut the middle of a photograph to the frame's shape and scale it to (h, w, 3)."""
    ph, pw = photograph.shape[:2]
    k = min(ph / h, pw / w)
    ch, cw = max(int(h * k), 1), max(int(w * k), 1)
    y, x = (ph - ch) // 2, (pw - cw) // 2
    out = cv2.resize(photograph[y : y + ch, x : x + cw], (w, h), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(out, (0, 0), blur_px) if blur_px > 0.3 else out, np.uint8)


def _resized(linear: Floats, w: int, h: int) -> Floats:
    return np.asarray(cv2.resize(linear, (w, h), interpolation=cv2.INTER_AREA), np.float32)


def _bytes(values: NDArray[np.floating]) -> Bytes:
    return np.asarray(np.round(np.clip(values, 0.0, 1.0) * 255.0), np.uint8)


def encode(picture: Bytes, quality: int = 95) -> bytes:
    """JPEG bytes of an RGB picture, 4:4:4 from quality 95 up, 4:2:0 below (as phones store).

    Raises:
        ValueError: if the picture cannot be encoded.
    """
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444 if quality >= 95 else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
    options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(picture[..., ::-1]), options)
    if not done:
        raise ValueError(f"not a picture: {picture.shape} {picture.dtype}")
    return data.tobytes()


def _jpeg(picture: Bytes, quality: int) -> Bytes:
    data = np.frombuffer(encode(picture, quality), np.uint8)
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)
    if back is None:
        raise ValueError("JPEG bytes just written cannot be read")
    return np.ascontiguousarray(np.asarray(back, np.uint8)[..., ::-1])
