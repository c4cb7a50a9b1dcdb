"""What was uploaded to the page and waits to be read: in memory only, so that no original ever touches the disk.

It takes the place of the framework's own upload, which writes each file into a folder, leaves there what was sent in
part only, and keeps files of the same bytes under one name, so that one visitor's could be taken by another.
"""

from __future__ import annotations

import os
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import AsyncGenerator, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import PurePosixPath

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, Response
from starlette.datastructures import Headers, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import ClientDisconnect

from .line import plain_name

MOST_FILES = 64
"""In one request; the page takes eight and says so."""


@dataclass(frozen=True, slots=True)
class Upload:
    """One file as it came: its name without any folder, its bytes, and when it came."""

    name: str
    data: bytes
    came: float


class NoRoomError(Exception):
    """Too much is being uploaded at the same time."""


class Uploads:
    """Keeps files until they are taken, each once.

    Args:
        most_bytes: of all together, with those that are just arriving.
        seconds: after which a file that nobody asked for is forgotten.
        spare_seconds: it is safe from being forgotten for want of room for so long.
        clock: in seconds.
    """

    def __init__(
        self,
        most_bytes: int = 400 << 20,
        seconds: float = 600.0,
        spare_seconds: float = 60.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._most, self._seconds, self._spare, self._clock = most_bytes, seconds, spare_seconds, clock
        self._kept: OrderedDict[str, Upload] = OrderedDict()
        self._coming = 0
        self._lock = threading.Lock()

    @contextmanager
    def room(self, size: int) -> Iterator[None]:
        """Hold room for ``size`` bytes while they arrive and are kept.

        Raises:
            NoRoomError: there is none just now.
        """
        with self._lock:
            self._tidy(size)
            if self._held() + size > self._most:
                raise NoRoomError
            self._coming += size
        try:
            yield
        finally:
            with self._lock:
                self._coming -= size

    def keep(self, name: str, data: bytes) -> str:
        """Keep one file; returns the key that takes it, which cannot be guessed."""
        key = secrets.token_urlsafe(18)
        with self._lock:
            self._kept[key] = Upload(name, data, self._clock())
            self._tidy(0)
        return key

    def take(self, key: object) -> Upload | None:
        """Give out a file and forget it; None if there is none of this key (any more)."""
        with self._lock:
            self._tidy(0)
            return self._kept.pop(key, None) if isinstance(key, str) else None

    def __len__(self) -> int:
        return len(self._kept)

    def _held(self) -> int:
        return self._coming + sum(len(u.data) for u in self._kept.values())

    def _tidy(self, wanted: int) -> None:
        """Forget what lies too long, and sooner where room is wanted."""
        now = self._clock()
        while self._kept:
            age = now - next(iter(self._kept.values())).came
            tight = age > self._spare and self._held() + wanted > self._most
            if age <= self._seconds and not tight:
                return
            self._kept.popitem(last=False)


def path_of(key: str, folder: str) -> str:
    """What the page's script sends back for an upload: the framework passes on only paths below its own folder.

    Nothing lies at that path, and nothing is ever read through it: it only carries the key.
    """
    return str(PurePosixPath(folder) / key / "photo")


def key_of(path: object) -> str | None:
    """The key in such a path; None where there can be none."""
    return PurePosixPath(path).parent.name if isinstance(path, str) and len(path) < 4096 else None


class _InMemory(MultiPartParser):
    """Starlette's reader of forms, without its way to the disk and with a limit for each file."""

    spool_max_size = 1 << 40

    def __init__(self, headers: Headers, stream: AsyncGenerator[bytes, None], most_bytes: int) -> None:
        super().__init__(headers, stream, max_files=MOST_FILES, max_fields=MOST_FILES)
        self._most, self._got = most_bytes, 0

    def on_part_begin(self) -> None:
        super().on_part_begin()
        self._got = 0

    def on_part_data(self, data: bytes, start: int, end: int) -> None:
        self._got += end - start
        if self._got > self._most:
            raise _TooLargeError(f"expected files of at most {self._most // 1_000_000} MB, got a larger one")
        super().on_part_data(data, start, end)

    def close(self) -> None:
        """Let go of what was read."""
        for file in self._files_to_close_on_error:
            file.close()


class _TooLargeError(MultiPartException):
    pass


def add_upload(app: FastAPI, uploads: Uploads, most_bytes: int, most_body: int) -> None:
    """Put our own upload in the framework's place; call it before the framework is mounted.

    Args:
        app: to add the route to.
        uploads: takes the files.
        most_bytes: of one file.
        most_body: of one request; the gate holds to it.
    """

    @app.post("/gradio_api/upload", include_in_schema=False)
    async def upload(request: Request) -> Response:
        told = request.headers.get("content-length", "")
        size = min(int(told), most_body) if told.isdecimal() else most_body
        try:
            with uploads.room(size):
                keys = await _read(request, uploads, most_bytes)
                return JSONResponse([path_of(key, os.environ["GRADIO_TEMP_DIR"]) for key in keys])
        except NoRoomError:
            return Response("busy: too much is uploaded just now", 503, {"Retry-After": "10"}, "text/plain")
        except _TooLargeError as error:
            return Response(f"too large: {error.message}", 413, media_type="text/plain")
        except MultiPartException as error:
            if error.message.startswith("Too many files"):
                return Response(f"expected at most {MOST_FILES} files; send fewer", 413, media_type="text/plain")
            return Response("expected a form with files", 400, media_type="text/plain")
        except (KeyError, ClientDisconnect):
            return Response("expected a form with files", 400, media_type="text/plain")


async def _read(request: Request, uploads: Uploads, most_bytes: int) -> list[str]:
    """Keep every file of the form; returns the keys."""
    parser = _InMemory(request.headers, request.stream(), most_bytes)
    try:
        form = await parser.parse()
        keys = []
        for part in form.getlist("files"):
            if isinstance(part, UploadFile):
                name = PurePosixPath((part.filename or "photo").replace("\\", "/")).name
                keys.append(uploads.keep(plain_name(name, 200), await part.read()))
        return keys
    finally:
        parser.close()
