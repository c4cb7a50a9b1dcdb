"""A short phone clip taken as photos: its sharpest and most different frames, at most eight.

Read through OpenCV in two passes, so that no more than the chosen frames are ever held: the first looks at a few
frames a second in small, the second takes the chosen ones at full size.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from .errors import PhotoFormat, PhotoTooLarge, PhotoUnreadable
from .fingerprint import SAME, Fingerprint, distance, fingerprint
from .photo import Photo

MAX_BYTES = 200_000_000
MAX_SECONDS = 60.0
MAX_PIXELS = 36_000_000
"""Of one frame: 8K and a little."""
MAX_FRAMES = 8
LOOKS_A_SECOND = 4
MAX_RATE = 240.0
"""Frames a second of a phone's slow motion; also what a header without a rate is taken to have at most."""

_BRANDS = (b"isom", b"iso2", b"iso4", b"iso5", b"iso6", b"mp41", b"mp42", b"avc1", b"M4V ", b"qt  ", b"3gp4", b"3gp5")
_SMALL = 320


@dataclass(frozen=True, slots=True)
class ClipFrame:
    """One frame as a photo, and when in the clip it stands (seconds from the start)."""

    photo: Photo
    seconds: float


@dataclass(frozen=True, slots=True)
class _Seen:
    index: int
    seconds: float
    sharpness: float
    print: Fingerprint


def is_clip(head: bytes) -> bool:
    """Whether a file's first 12 bytes or more are those of an MP4 or MOV."""
    return head[4:8] == b"ftyp" and head[8:12] in _BRANDS


def open_clip(source: bytes | Path) -> tuple[ClipFrame, ...]:
    """Take the sharpest and most different frames of a clip, in the order of time.

    Args:
        source: the file's bytes, or where it is. MP4 or MOV, at most 200 MB and 60 seconds.

    Returns:
        One to eight frames; pixels uint8 (h, w, 3) RGB, upright, read-only. Each photo's SHA-256 is of its pixels.

    Raises:
        PhotoFormat: not an MP4 or MOV.
        PhotoTooLarge: more bytes, seconds or pixels than are taken.
        PhotoUnreadable: no such file, broken, or without a single whole frame.
    """
    with _as_file(source) as path:
        chosen = _choose(_survey(path))
        frames = _take(path, chosen)
    if not frames:
        raise PhotoUnreadable("expected a clip with at least one whole frame, got none; send photos instead")
    return frames


@contextmanager
def _as_file(source: bytes | Path) -> Iterator[Path]:
    """OpenCV opens videos only by name, so bytes are laid into a temporary file for as long as they are read."""
    if isinstance(source, Path):
        try:
            size = source.stat().st_size
            with source.open("rb") as file:
                head = file.read(16)
        except OSError as error:
            raise PhotoUnreadable("expected a readable clip, got none; check the name and rights") from error
        _check(head, size)
        yield source
        return
    _check(source[:16], len(source))
    handle, name = tempfile.mkstemp(suffix=".mp4")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(source)
        yield Path(name)
    finally:
        Path(name).unlink(missing_ok=True)


def _check(head: bytes, size: int) -> None:
    if not is_clip(head):
        raise PhotoFormat(
            "expected an MP4 or MOV clip, got something else; send photos, or the clip as the phone made it"
        )
    if size > MAX_BYTES:
        raise PhotoTooLarge(f"expected a clip of at most {MAX_BYTES // 1_000_000} MB, got more; cut it shorter")


@contextmanager
def _opened(path: Path) -> Iterator[cv2.VideoCapture]:
    video = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    try:
        if not video.isOpened():
            raise PhotoUnreadable("expected a whole clip, got one that is broken or of an unknown kind")
        pixels = video.get(cv2.CAP_PROP_FRAME_WIDTH) * video.get(cv2.CAP_PROP_FRAME_HEIGHT)
        if pixels > MAX_PIXELS:
            raise PhotoTooLarge(f"expected frames of at most {MAX_PIXELS // 1_000_000} megapixels, got larger ones")
        yield video
    finally:
        video.release()


def _rate(video: cv2.VideoCapture) -> float:
    rate = float(video.get(cv2.CAP_PROP_FPS))
    return rate if 1.0 <= rate <= MAX_RATE else 30.0


def _survey(path: Path) -> list[_Seen]:
    """A few frames a second, in small: how sharp each is and what it looks like."""
    seen: list[_Seen] = []
    with _opened(path) as video:
        rate = _rate(video)
        # The header's length saves reading a long clip; the count below holds where the header lies.
        if video.get(cv2.CAP_PROP_FRAME_COUNT) > MAX_SECONDS * rate * 1.01 + 1:
            raise _too_long()
        step = max(1, round(rate / LOOKS_A_SECOND))
        index = 0
        while video.grab():
            if index > MAX_SECONDS * rate * 1.01 + 1:
                raise _too_long()
            if index % step == 0:
                whole, frame = video.retrieve()
                if whole and _is_picture(frame):
                    seen.append(_look(index, index / rate, frame))
            index += 1
    return seen


def _too_long() -> PhotoTooLarge:
    return PhotoTooLarge(f"expected a clip of at most {MAX_SECONDS:.0f} seconds, got a longer one; cut it shorter")


def _is_picture(frame: object) -> bool:
    return isinstance(frame, np.ndarray) and frame.ndim == 3 and frame.shape[2] == 3 and frame.size > 0


def _look(index: int, seconds: float, frame: NDArray[np.uint8]) -> _Seen:
    h, w = frame.shape[:2]
    ratio = _SMALL / max(h, w)
    small = cv2.resize(frame, (max(1, round(w * ratio)), max(1, round(h * ratio))), interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(small, cv2.COLOR_BGR2GRAY).astype(np.float32)
    # Detail against contrast: a dark frame is not blurred because it is dark.
    contrast = float(grey.std()) + 1.0
    sharpness = float(cv2.Laplacian(grey, cv2.CV_32F).std()) / contrast
    return _Seen(index, seconds, sharpness, fingerprint(np.asarray(small, np.uint8)))


def _choose(seen: Sequence[_Seen]) -> list[_Seen]:
    """Begin with the sharpest; add the frame that differs most from those taken, blurred ones counting less."""
    if not seen:
        return []
    sharpest = max(s.sharpness for s in seen)
    left = sorted(seen, key=lambda s: (-s.sharpness, s.index))
    taken = [left.pop(0)]
    while left and len(taken) < MAX_FRAMES:
        far = {s.index: min(distance(s.print, t.print) for t in taken) for s in left}
        new = [s for s in left if far[s.index] > SAME]
        if not new:
            break
        best = max(new, key=lambda s: (far[s.index] * s.sharpness / max(sharpest, 1e-9), -s.index))
        taken.append(best)
        left.remove(best)
    return sorted(taken, key=lambda s: s.index)


def _take(path: Path, chosen: Sequence[_Seen]) -> tuple[ClipFrame, ...]:
    wanted = {s.index: s.seconds for s in chosen}
    out: list[ClipFrame] = []
    if not wanted:
        return ()
    with _opened(path) as video:
        for index in range(max(wanted) + 1):
            if not video.grab():
                break
            if index in wanted:
                whole, frame = video.retrieve()
                if whole and _is_picture(frame):
                    out.append(ClipFrame(_photo(frame), wanted[index]))
    return tuple(out)


def _photo(frame: NDArray[np.uint8]) -> Photo:
    pixels = np.ascontiguousarray(frame[:, :, ::-1])
    pixels.flags.writeable = False
    h, w = pixels.shape[:2]
    return Photo(pixels, hashlib.sha256(pixels.tobytes()).hexdigest(), w, h, 1.0)
