"""The only door for image bytes: allowlist, limits, scaled decode, upright, RGB, everything else forgotten.

Order of work, each step refusing before the next spends memory: byte cap, magic bytes, the one decoder that
the magic names, pixel ceiling from the header, scaled decode, upright once, sRGB, uint8 RGB.

Nothing of the file but its pixels and the SHA-256 of its bytes leaves this module: no EXIF, no text, no
thumbnail, no name. Messages never hold a path; the caller knows which file it asked for.
"""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
import zlib
from dataclasses import astuple, dataclass, field, replace
from math import ceil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from .cues import Box
from .errors import PhotoError, PhotoFormat, PhotoTooLarge, PhotoUnreadable
from .frame import Frame, NetInput, halvings, letterbox, widen
from .icc import to_srgb

TAKEN = "JPEG, PNG, WebP and HEIC/HEIF pictures"
LONGEST = 2000
"""The decoded photo's longest side is at least this (pixels) where the file has as much."""
SMALLEST = 192
"""Pixels. Down to this longest side a photo keeps its halvings: its fingerprint starts from there."""
GREY = 127
"""What shows through where a picture is transparent."""

_PIXEL_CEILING_OF_PILLOW = 105_000_000
# Pillow raises at twice this number. It is a second wall behind ours, also for other code of the process
# that opens pictures (the web page's framework does), and it is never switched off.
Image.MAX_IMAGE_PIXELS = _PIXEL_CEILING_OF_PILLOW
# Between once and twice the number Pillow only warns; our own ceilings decide there.
warnings.filterwarnings("ignore", category=Image.DecompressionBombWarning)
# Complaints about damaged EXIF and the like: the person can do nothing about them, the pixels are good.
warnings.filterwarnings("ignore", category=UserWarning, module=r"PIL\.")

_FAULTS = (
    OSError, SyntaxError, ValueError, OverflowError, NotImplementedError, EOFError, struct.error, zlib.error,
    IndexError, KeyError, TypeError, AttributeError, ZeroDivisionError, RuntimeError,
)  # fmt: skip
"""What decoders raise on broken files: the list of Pillow's own fuzz test, and what header parsers add."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How much a picture may ask for.

    Attributes:
        max_bytes: of the file.
        max_pixels: of JPEG; phones write up to 200 million.
        max_pixels_other: of PNG and WebP, which a few hundred kilobytes can blow up.
        max_pixels_progressive: of progressive JPEG, whose decoder holds the whole picture at any scale.
        max_pixels_heif: of HEIF, whose decoder does too (7 bytes a pixel: half a gigabyte at 70 million).
    """

    max_bytes: int = 25_000_000
    max_pixels: int = 210_000_000
    max_pixels_other: int = 50_000_000
    max_pixels_progressive: int = 70_000_000
    max_pixels_heif: int = 70_000_000

    def __post_init__(self) -> None:
        if min(astuple(self)) < 1:
            raise ValueError("limits: expected positive numbers")


DEFAULT = Limits()


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photo and nothing else.

    Attributes:
        pixels: uint8 (h, w, 3), RGB (sRGB), upright, read-only. May be smaller than the photo.
        sha256: of the file's bytes, hexadecimal.
        width: of the whole upright photo, pixels.
        height: of the whole upright photo, pixels.
        scale: decoded pixels per pixel of the whole photo: 1, 1/2, 1/4 or 1/8 (1/n for formats without a
            scaled decode).
        halvings: of the pixels, read-only: both looks, the quality, fingerprints and thumbnails start from one of
            them, and halving anew for each would cost more than all the rest of theirs.
    """

    pixels: NDArray[np.uint8]
    sha256: str
    width: int
    height: int
    scale: float
    halvings: tuple[NDArray[np.uint8], ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        steps = halvings(self.pixels, SMALLEST)
        for step in steps[1:]:
            step.flags.writeable = False
        object.__setattr__(self, "halvings", steps)

    def small(self, least: int) -> tuple[NDArray[np.uint8], float]:
        """The smallest halving whose longest side is ``least`` or more, and its ``scale``; the pixels if none is."""
        fitting = [step for step in self.halvings if max(step.shape[:2]) >= least]
        step = fitting[-1] if fitting else self.pixels
        return step, self.scale * step.shape[0] / self.pixels.shape[0]

    def look(self, box: Box | None, size: int, *, margin: float = 0.0) -> tuple[NetInput, Frame]:
        """What the network sees: ``box`` (photo pixels; None for the whole) fitted into a square of ``size``.

        Cut from the smallest halving in which the cut is still no smaller than the square.

        Args:
            box: in pixels of the full photo.
            size: side of the square, network pixels.
            margin: share of the box added on each side, clipped at the photo's edge.
        """
        longest = max(self.width, self.height)
        x0, y0, x1, y1 = (0, 0, self.width, self.height) if box is None else widen(box, margin, self.width, self.height)
        pixels, scale = self.small(ceil(size * longest / max(x1 - x0, y1 - y0)))
        return letterbox(pixels, box, size, margin=margin, scale=scale)


def open_photo(source: bytes | Path, *, limits: Limits = DEFAULT, longest: int | None = LONGEST) -> Photo:
    """Open one picture.

    Args:
        source: the file's bytes, or where it is.
        limits: how much it may ask for.
        longest: decode at a reduced scale as long as the longest side stays at or above this many pixels;
            None for every pixel.

    Raises:
        PhotoFormat: not a JPEG (MPO included), PNG, WebP or HEIF.
        PhotoTooLarge: more bytes or pixels than the limits.
        PhotoUnreadable: no such file, or broken, cut short, empty.
    """
    data = _bytes_of(source, limits)
    kind = sniff(data)
    if kind not in _OPENERS:
        raise PhotoFormat(f"expected {TAKEN}, got {kind}; save or export it as a JPEG and try again")
    try:
        with _open(data, kind, limits) as image:
            width, height = image.size
            if image.info.get("progressive"):
                limits = replace(limits, max_pixels=min(limits.max_pixels, limits.max_pixels_progressive))
            _check_pixels(kind, width, height, limits)
            factor = _factor(width, height, longest)
            pixels, turn, factor = _decode(image, kind, factor)
    except PhotoError:
        raise
    except (MemoryError, Image.DecompressionBombError) as error:
        raise PhotoTooLarge(
            f"expected at most {_ceiling(kind, limits) / 1e6:.0f} megapixels, got a {kind} picture that needs "
            "more memory than there is; make it smaller and try again"
        ) from error
    except _FAULTS as error:
        raise PhotoUnreadable(
            f"expected a whole {kind} picture, got one that is broken or cut short; "
            "copy it again from the camera or phone"
        ) from error
    pixels = np.ascontiguousarray(_upright(pixels, turn))
    pixels.flags.writeable = False
    if turn >= 5:
        width, height = height, width
    return Photo(pixels, hashlib.sha256(data).hexdigest(), width, height, 1.0 / factor)


def _bytes_of(source: bytes | Path, limits: Limits) -> bytes:
    if isinstance(source, Path):
        try:
            if not source.is_file():
                what = "a folder" if source.is_dir() else "no plain file" if source.exists() else "none of that name"
                raise PhotoUnreadable(f"expected a picture file, got {what}; check the name")
            with source.open("rb") as file:
                data = file.read(limits.max_bytes + 1)
        except (OSError, ValueError) as error:  # ValueError: a name with a zero byte
            reason = getattr(error, "strerror", None) or "the name cannot be used"
            raise PhotoUnreadable(f"expected a readable file, got: {reason}; check the name and rights") from error
    else:
        data = source
    if len(data) > limits.max_bytes:
        raise PhotoTooLarge(f"expected at most {limits.max_bytes / 1e6:.0f} MB, got more; send it at a smaller size")
    if not data:
        raise PhotoUnreadable("expected a picture, got an empty file; copy it again")
    return data


_HEIF_BRANDS = frozenset(
    (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"hevm", b"hevs", b"mif1", b"msf1", b"mif2")
)

_OTHERS: tuple[tuple[bytes, str], ...] = (
    (b"GIF8", "a GIF"),
    (b"BM", "a BMP"),
    (b"II*\0", "a TIFF or camera raw file"),
    (b"MM\0*", "a TIFF or camera raw file"),
    (b"II+\0", "a TIFF"),
    (b"%PDF", "a PDF document"),
    (b"%!PS", "a PostScript file"),
    (b"\xc5\xd0\xd3\xc6", "a PostScript file"),
    (b"8BPS", "a layered picture (PSD)"),
    (b"SIMPLE", "a FITS file"),
    (b"PK\x03\x04", "a zip archive"),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL"),
    (b"\xff\x0a", "a JPEG XL"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000"),
    (b"\x1aE\xdf\xa3", "a video"),
)


def sniff(data: bytes) -> str:
    """Say what the first bytes are: ``JPEG``, ``PNG``, ``WebP``, ``HEIF``, or words for what is not taken."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[4:8] == b"ftyp":
        brand = data[8:12]
        if brand in _HEIF_BRANDS:
            return "HEIF"
        return "an AVIF" if brand in (b"avif", b"avis") else "a video"
    for magic, words in _OTHERS:
        if data.startswith(magic):
            return words
    start = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<svg", b"<?xml", b"<!doctype", b"<html")):
        return "a web page or drawing (HTML, XML, SVG)"
    return "something else"


_OPENERS = {"JPEG": "JPEG", "PNG": "PNG", "WebP": "WEBP", "HEIF": "HEIF"}
"""What ``sniff`` says -> the one Pillow plugin that may look at it (Pillow's JPEG takes MPO as well)."""


def _open(data: bytes, kind: str, limits: Limits) -> Image.Image:
    if kind == "HEIF":
        # Imported only here: loading the library costs a cold start that other pictures need not pay.
        import pillow_heif

        pillow_heif.register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)
    elif kind == "WebP":
        # The WebP plugin reserves the whole canvas on opening, so look at the header before it does.
        _check_pixels(kind, *_webp_canvas(data), limits)
    return Image.open(io.BytesIO(data), formats=(_OPENERS[kind],))


def _webp_canvas(data: bytes) -> tuple[int, int]:
    chunk = data[12:16]
    if chunk == b"VP8X" and len(data) >= 30:
        return 1 + int.from_bytes(data[24:27], "little"), 1 + int.from_bytes(data[27:30], "little")
    if chunk == b"VP8L" and len(data) >= 25:
        bits = int.from_bytes(data[21:25], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if chunk == b"VP8 " and len(data) >= 30:
        w, h = struct.unpack("<HH", data[26:30])
        return w & 0x3FFF, h & 0x3FFF
    raise SyntaxError("no WebP picture chunk")


def _ceiling(kind: str, limits: Limits) -> int:
    ceilings = {"JPEG": limits.max_pixels, "HEIF": min(limits.max_pixels, limits.max_pixels_heif)}
    return ceilings.get(kind, limits.max_pixels_other)


def _check_pixels(kind: str, width: int, height: int, limits: Limits) -> None:
    most = _ceiling(kind, limits)
    if width * height <= most:
        return
    if kind == "HEIF" and width * height <= limits.max_pixels:
        raise PhotoTooLarge(
            f"expected at most {most / 1e6:.0f} megapixels of a HEIF picture, got {width} x {height}; "
            "save it as a JPEG and try again"
        )
    raise PhotoTooLarge(
        f"expected at most {most / 1e6:.0f} megapixels of a {kind} picture, got {width} x {height}; "
        "make it smaller and try again"
    )


def _factor(width: int, height: int, longest: int | None) -> int:
    """Largest of 1, 2, 4, 8 ... that leaves the longest side at ``longest`` pixels or more."""
    factor = 1
    if longest is not None and longest > 0:
        while max(width, height) // (factor * 2) >= longest:
            factor *= 2
    return factor


def _decode(image: Image.Image, kind: str, factor: int) -> tuple[NDArray[np.uint8], int, int]:
    """Return uint8 RGB as stored (not yet upright), the EXIF orientation, and the factor really used."""
    if kind == "JPEG":
        factor = min(factor, 8)
        size = image.size
        # Pillow takes the largest scale at which both sides still reach what is asked for.
        image.draft(image.mode, (max(1, size[0] // factor), max(1, size[1] // factor)))
        image.load()
        factor = round(max(size) / max(image.size))
        turn = _orientation(image)
        profile = image.info.get("icc_profile")
        pixels = _rgb(image, 1)
    else:
        image.load()
        # The HEIF reader has already turned the picture as its container says; the EXIF tag is void there.
        turn = 1 if kind == "HEIF" else _orientation(image)
        profile = image.info.get("icc_profile")
        pixels = _rgb(image, factor)
    if isinstance(profile, bytes) and image.mode in ("RGB", "RGBA", "P", "PA"):
        pixels = to_srgb(pixels, profile)
    return pixels, turn, factor


def _orientation(image: Image.Image) -> int:
    """EXIF orientation 1 to 8; 1 when there is none or the EXIF is broken (the pixels are still good)."""
    try:
        value = image.getexif().get(274, 1)
    except Exception:  # header parsers fail in too many ways to list, and none of them matters here
        return 1
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _rgb(image: Image.Image, factor: int) -> NDArray[np.uint8]:
    """Reduce by ``factor`` with a box filter and convert any mode to uint8 RGB, transparency over grey."""
    if image.mode in ("I;16", "I;16B", "I;16L", "I;16N", "I", "F"):
        return _deep_grey(image, factor)
    if image.mode in ("P", "PA") or "transparency" in image.info:
        image = image.convert("RGBA")
    elif image.mode == "1":
        image = image.convert("L")
    if factor > 1:
        image = image.reduce(factor)
    if image.mode in ("RGBA", "LA", "RGBa", "La"):
        image = image.convert("RGBA")
        under = Image.new("RGBA", image.size, (GREY, GREY, GREY, 255))
        image = Image.alpha_composite(under, image)
    # Without a copy where it is RGB already: a phone's photo is 9 MB here, and every copy of it costs a millisecond.
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"), np.uint8)


def _deep_grey(image: Image.Image, factor: int) -> NDArray[np.uint8]:
    values = np.asarray(image).astype(np.float32)
    if factor > 1:
        import cv2

        h, w = values.shape
        size = (-(-w // factor), -(-h // factor))
        values = cv2.resize(values, size, interpolation=cv2.INTER_AREA)
    # Pillow opens every 16-bit grey PNG in a mode whose full range is 0 to 65535.
    grey = np.clip(values / np.float32(257.0) + np.float32(0.5), 0, 255).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)


def _upright(pixels: NDArray[np.uint8], turn: int) -> NDArray[np.uint8]:
    """Undo an EXIF orientation (CIPA DC-008, tag 274)."""
    if turn in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
    if turn in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if turn in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return pixels
