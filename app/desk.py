"""One person's work at the page: their photos, what they told, and the answer. Kept in memory only, for a while.

Photos are kept re-encoded from their pixels, so no metadata of the original is in them. Everything is forgotten when
the person starts again, after an hour without a touch, or when room is needed for others (the longest idle first).
"""

from __future__ import annotations

import io
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from updraft_key.model.answer import Answer, PhotoAnswer
from updraft_key.model.photo import Photo

from .engine import ReadPhoto, Told

PREVIEW = 1200
"""Longest side of the picture that the page shows, pixels."""
MAX_PHOTOS = 8


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo on the desk. ``full`` and ``preview`` are JPEG bytes made from pixels; empty for a broken photo."""

    name: str
    seen: ReadPhoto
    full: bytes = b""
    preview: bytes = b""
    scale: float = 1.0
    turns: int = 0

    @property
    def read(self) -> PhotoAnswer:
        """What was read from the photo."""
        return self.seen.answer

    @property
    def size(self) -> int:
        """Bytes kept."""
        return len(self.full) + len(self.preview)

    def photo(self) -> Photo:
        """The kept pixels as a Photo."""
        with Image.open(io.BytesIO(self.full), formats=("JPEG",)) as image:
            pixels = np.array(image.convert("RGB"), np.uint8)
        pixels.flags.writeable = False
        return Photo(pixels, self.read.sha256, self.read.width, self.read.height, self.scale)


def make_shot(name: str, photo: Photo, seen: ReadPhoto, turns: int = 0) -> Shot:
    """Keep a photo that was read."""
    return Shot(name, seen, _jpeg(photo.pixels, None, 94), _jpeg(photo.pixels, PREVIEW, 82), photo.scale, turns)


def turned(photo: Photo) -> Photo:
    """The photo a quarter turn clockwise."""
    pixels = np.ascontiguousarray(np.rot90(photo.pixels, k=-1))
    pixels.flags.writeable = False
    return Photo(pixels, photo.sha256, photo.height, photo.width, photo.scale)


def _jpeg(pixels: NDArray[np.uint8], longest: int | None, quality: int) -> bytes:
    image = Image.fromarray(pixels)
    if longest is not None:
        image.thumbnail((longest, longest))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality, subsampling=0 if longest is None else 2)
    return out.getvalue()


@dataclass(frozen=True, slots=True)
class Desk:
    """The state of one person's work; changed by replacement only."""

    token: str
    shots: tuple[Shot, ...] = ()
    told: Told = field(default_factory=Told)
    answer: Answer | None = None
    kept: tuple[Answer, int] | None = None

    @property
    def case(self) -> int | None:
        """The number of the case that this very answer was kept as, if it was."""
        return self.kept[1] if self.kept is not None and self.kept[0] is self.answer else None

    @property
    def size(self) -> int:
        """Bytes kept."""
        return sum(s.size for s in self.shots)


class Desks:
    """All desks, by an unguessable token; bounded in number, bytes and age."""

    def __init__(
        self,
        most: int = 500,
        most_bytes: int = 256 << 20,
        seconds: float = 3600.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most, self._most_bytes, self._seconds, self._clock = most, most_bytes, seconds, clock
        self._kept: OrderedDict[str, tuple[float, Desk]] = OrderedDict()
        self._visitors: OrderedDict[str, str] = OrderedDict()
        self._tongues: OrderedDict[str, str] = OrderedDict()
        self._lock = threading.Lock()

    def new(self) -> Desk:
        """An empty desk, kept from now on."""
        desk = Desk(secrets.token_urlsafe(18))
        self.keep(desk)
        return desk

    def get(self, token: str | None) -> Desk | None:
        """The desk of a token, or None if there is none (any more)."""
        with self._lock:
            self._tidy()
            found = self._kept.get(token or "")
            if found is None:
                return None
            self._kept.move_to_end(found[1].token)
            self._kept[found[1].token] = (self._clock(), found[1])
            return found[1]

    def keep(self, desk: Desk) -> None:
        """Keep a desk's new state; others may be forgotten to make room."""
        with self._lock:
            self._kept[desk.token] = (self._clock(), desk)
            self._kept.move_to_end(desk.token)
            self._tidy()

    def change(self, token: str, act: Callable[[Desk], Desk]) -> Desk:
        """Change the desk as it is now; two hands at once never undo each other. A forgotten desk starts empty.

        ``act`` is quick: it runs while everybody else waits.
        """
        with self._lock:
            found = self._kept.get(token)
            desk = act(Desk(token) if found is None else found[1])
            self._kept[token] = (self._clock(), desk)
            self._kept.move_to_end(token)
            self._tidy()
            return desk

    def of_visitor(self, visitor: str | None) -> str | None:
        """The token of the desk that a browser last worked at: a reload, or a phone that dropped the page, finds it."""
        with self._lock:
            return self._visitors.get(visitor or "")

    def give(self, visitor: str | None, token: str) -> None:
        """Remember which desk a browser works at."""
        self._note(self._visitors, visitor, token)

    def language_of(self, visitor: str | None) -> str | None:
        """The language that a browser last chose, or None."""
        with self._lock:
            return self._tongues.get(visitor or "")

    def speak(self, visitor: str | None, lang: str) -> None:
        """Remember which language a browser chose."""
        self._note(self._tongues, visitor, lang)

    def forget(self, token: str | None) -> None:
        """Forget a desk and its photos."""
        with self._lock:
            self._kept.pop(token or "", None)

    def __len__(self) -> int:
        return len(self._kept)

    def _note(self, book: OrderedDict[str, str], visitor: str | None, word: str) -> None:
        if visitor:
            with self._lock:
                book[visitor] = word
                book.move_to_end(visitor)
                while len(book) > 2 * self._most:
                    book.popitem(last=False)

    def _tidy(self) -> None:
        old = self._clock() - self._seconds
        total = sum(d.size for _t, d in self._kept.values())
        for token in list(self._kept):
            touched, desk = self._kept[token]
            full = len(self._kept) > self._most or (total > self._most_bytes and len(self._kept) > 1)
            if touched >= old and not full:
                break
            total -= desk.size
            del self._kept[token]
