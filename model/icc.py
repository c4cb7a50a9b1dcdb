"""Wide-gamut pictures to sRGB, from the matrix and tone curves of an ICC profile.

Read here by hand, and only the matrix kind that cameras and phones write: colour-management libraries have
faults when fed hostile profiles, and profiles come from strangers. A profile that is not understood leaves
the picture as it is.

Layout: ICC.1:2010 sections 7 (header, tag table), 10.5 (curveType), 10.15 (parametricCurveType).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_SRGB_TO_PCS = np.array(
    [[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]], np.float64
)
"""Linear sRGB to XYZ under D50, columns as in the sRGB profile (IEC 61966-2-1, adapted by ICC)."""
_NEAR = 0.012
"""A profile whose matrix and curve differ from sRGB by less than this is sRGB, and nothing is done."""
_FINE = 4096
_ROWS = 256
_MOST_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class _Profile:
    matrix: NDArray[np.float64]
    curves: NDArray[np.float64]


def to_srgb(pixels: NDArray[np.uint8], profile: bytes) -> NDArray[np.uint8]:
    """Convert uint8 RGB (h, w, 3) from ``profile`` to sRGB; unchanged if it is sRGB or not understood."""
    read = _read(profile)
    if read is None:
        return pixels
    matrix = np.linalg.inv(_SRGB_TO_PCS) @ read.matrix
    plain = _srgb_decode(np.arange(256) / 255.0)
    if np.abs(matrix - np.eye(3)).max() < _NEAR and np.abs(read.curves - plain).max() < _NEAR:
        return pixels
    decode = np.ascontiguousarray(read.curves.T.astype(np.float32))
    encode = np.rint(255.0 * _srgb_encode(np.arange(_FINE) / (_FINE - 1.0))).astype(np.uint8)
    out = np.empty_like(pixels)
    for top in range(0, len(pixels), _ROWS):  # strips, so that a large picture needs no float copy of itself
        strip = pixels[top : top + _ROWS]
        linear = np.stack([decode[:, c][strip[..., c]] for c in range(3)], axis=-1)
        linear = cv2.transform(linear, matrix.astype(np.float32))
        index = np.clip(linear * np.float32(_FINE - 1) + np.float32(0.5), 0, _FINE - 1).astype(np.uint16)
        out[top : top + _ROWS] = encode[index]
    return out


def _srgb_decode(v: NDArray[np.float64]) -> NDArray[np.float64]:
    """IEC 61966-2-1: encoded value in [0, 1] to linear light."""
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def _srgb_encode(v: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)


def _read(profile: bytes) -> _Profile | None:
    if not 132 <= len(profile) <= _MOST_BYTES or profile[36:40] != b"acsp":
        return None
    if profile[16:20] != b"RGB " or profile[20:24] != b"XYZ ":
        return None
    try:
        tags = _tags(profile)
        matrix = np.array([_xyz(tags[k]) for k in (b"rXYZ", b"gXYZ", b"bXYZ")]).T
        curves = np.array([_curve(tags[k]) for k in (b"rTRC", b"gTRC", b"bTRC")])
    except (KeyError, ValueError, struct.error, IndexError, OverflowError):
        return None
    if not (np.isfinite(matrix).all() and np.isfinite(curves).all()) or np.abs(matrix).max() > 4.0:
        return None
    if abs(float(np.linalg.det(matrix))) < 1e-3 or matrix.sum() < 0.5:
        return None
    return _Profile(matrix, np.clip(curves, 0.0, 1.0))


def _tags(profile: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack(">I", profile[128:132])
    out: dict[bytes, bytes] = {}
    for i in range(min(count, 64)):
        name, start, size = struct.unpack(">4sII", profile[132 + 12 * i : 144 + 12 * i])
        out[name] = profile[start : start + size]
    return out


def _fixed(data: bytes, start: int, count: int) -> list[float]:
    """Read ``count`` numbers of s15Fixed16."""
    return [v / 65536.0 for v in struct.unpack(f">{count}i", data[start : start + 4 * count])]


def _xyz(tag: bytes) -> list[float]:
    if tag[:4] != b"XYZ ":
        raise ValueError("not an XYZ tag")
    return _fixed(tag, 8, 3)


def _curve(tag: bytes) -> NDArray[np.float64]:
    """Return the 256 linear values of a tone curve."""
    x = np.arange(256) / 255.0
    if tag[:4] == b"curv":
        (count,) = struct.unpack(">I", tag[8:12])
        if count == 0:
            return x
        if count == 1:
            return np.asarray(x ** (struct.unpack(">H", tag[12:14])[0] / 256.0), np.float64)
        if count > 65536:
            raise ValueError("curve too long")
        values = np.array(struct.unpack(f">{count}H", tag[12 : 12 + 2 * count]), np.float64) / 65535.0
        return np.interp(x, np.linspace(0.0, 1.0, count), values)
    if tag[:4] == b"para":
        (kind,) = struct.unpack(">H", tag[8:10])
        if kind > 4:
            raise ValueError("unknown curve")
        return _parametric(x, kind, _fixed(tag, 12, (1, 3, 4, 5, 7)[kind]))
    raise ValueError("not a curve")


def _parametric(x: NDArray[np.float64], kind: int, p: list[float]) -> NDArray[np.float64]:
    """Evaluate ICC.1:2010 table 65."""
    g, a, b, c, d, e, f = (p + [0.0] * 7)[:7]
    if kind == 0:
        a, b, c, d, e, f = 1.0, 0.0, 0.0, -1.0, 0.0, 0.0
    elif kind in (1, 2):
        if a == 0.0:
            raise ValueError("curve without slope")
        flat = c if kind == 2 else 0.0
        c, d, e, f = 0.0, -b / a, flat, flat
    with np.errstate(all="ignore"):
        curved = np.power(np.maximum(a * x + b, 0.0), g) + e
    return np.where(x >= d, curved, c * x + f)
