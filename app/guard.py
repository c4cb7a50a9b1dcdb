"""Decoding of strangers' pictures in a process of its own, with a limit on time and memory.

The process holds nothing but the decoder: no photo but the one it opens, no token, no open file of the server. If it
hangs, dies or eats memory it is killed, and the next picture gets a new one. What comes back is a short JSON header and
plain pixels whose size is checked, so that a decoder that was taken over can say nothing else.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from dataclasses import astuple, dataclass
from multiprocessing.connection import Connection, Pipe
from typing import Any

import numpy as np
from updraft_key.model.errors import PhotoError, PhotoFormat, PhotoTooLarge, PhotoUnreadable
from updraft_key.model.photo import Limits, Photo, open_photo

from .confine import MEMORY, confine

_ERRORS = {c.__name__: c for c in (PhotoError, PhotoFormat, PhotoTooLarge, PhotoUnreadable)}
_KEPT_ENVIRONMENT = ("PATH", "PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "LANG", "LC_ALL", "SYSTEMROOT")
_LARGEST_SIDE = 16_384


@dataclass(frozen=True, slots=True)
class GuardLimits:
    """How much one picture may cost.

    Attributes:
        seconds: until a decoder that does not answer is killed; its start is counted apart.
        memory: address space of the decoder process, bytes (Linux; elsewhere not enforced).
        workers: decoders kept ready.
        start_seconds: until a decoder that does not come up is given up.
    """

    seconds: float = 20.0
    memory: int = MEMORY
    workers: int = 2
    start_seconds: float = 30.0

    def __post_init__(self) -> None:
        if min(self.seconds, self.start_seconds) <= 0 or self.memory < 1 << 29 or self.workers < 1:
            raise ValueError("guard: expected seconds > 0, memory of at least 512 MiB and one worker or more")


@dataclass(frozen=True, slots=True)
class _Decoder:
    process: subprocess.Popen[bytes]
    pipe: Connection

    def stop(self) -> None:
        self.process.kill()
        self.process.wait(5.0)
        self.pipe.close()


class Guard:
    """A few decoder processes behind one call. Safe to use from many threads; close it when done."""

    def __init__(self, limits: GuardLimits | None = None, photo_limits: Limits | None = None) -> None:
        self._limits = limits or GuardLimits()
        self._photo_limits = photo_limits or Limits()
        self._free: queue.SimpleQueue[_Decoder | None] = queue.SimpleQueue()
        self._closed = threading.Event()
        for _ in range(self._limits.workers):
            self._free.put(None)  # started when first needed

    def open(self, data: bytes) -> Photo:
        """Open one picture as ``open_photo`` does, from its bytes.

        Raises:
            PhotoError: as ``open_photo``; ``PhotoUnreadable`` also when the decoder was too slow or died.
        """
        if len(data) > self._photo_limits.max_bytes:  # refused here, so that no decoder is handed the bytes
            most = self._photo_limits.max_bytes / 1e6
            raise PhotoTooLarge(f"expected at most {most:.0f} MB, got more; send it at a smaller size")
        decoder = self._free.get()
        keep: _Decoder | None = None
        try:
            if decoder is not None and decoder.process.poll() is not None:
                decoder.stop()
                decoder = None
            if decoder is None:
                decoder = _start(self._limits, self._photo_limits)
            header, pixels = _ask(decoder, data, self._limits.seconds)
            keep = decoder
        finally:
            if keep is None and decoder is not None:
                decoder.stop()
            self._free.put(keep)
            if self._closed.is_set():
                self.close()
        if "error" in header:
            raise _ERRORS.get(str(header["error"]), PhotoUnreadable)(str(header["message"])[:500])
        return _photo(header, pixels)

    def close(self) -> None:
        """Stop the decoders. Calls under way end first."""
        self._closed.set()
        for _ in range(self._limits.workers):
            try:
                decoder = self._free.get_nowait()
            except queue.Empty:
                return
            if decoder is not None:
                decoder.stop()


def _start(limits: GuardLimits, photo_limits: Limits) -> _Decoder:
    ours, theirs = Pipe()
    wanted = [theirs.fileno(), limits.memory, *astuple(photo_limits)]
    code = f"from updraft_key.app.guard import run; run({', '.join(map(str, wanted))})"
    environment = {k: os.environ[k] for k in _KEPT_ENVIRONMENT if k in os.environ}
    environment |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    process = subprocess.Popen(
        [sys.executable, "-P", "-c", code], pass_fds=(theirs.fileno(),), env=environment,
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    theirs.close()
    decoder = _Decoder(process, ours)
    try:
        if ours.poll(limits.start_seconds) and ours.recv_bytes(64) == b"ready":
            return decoder
    except (EOFError, OSError):
        pass
    decoder.stop()
    raise PhotoUnreadable("the picture could not be opened: the decoder did not start; try again")


def _ask(decoder: _Decoder, data: bytes, seconds: float) -> tuple[dict[str, Any], bytes]:
    slow = "expected a picture that opens in a few seconds, got one that does not; save it again as a JPEG"
    try:
        decoder.pipe.send_bytes(data)
        if not decoder.pipe.poll(seconds):
            raise PhotoUnreadable(slow)
        header: dict[str, Any] = json.loads(decoder.pipe.recv_bytes(4096))
        pixels = b"" if "error" in header else decoder.pipe.recv_bytes(3 * _LARGEST_SIDE * _LARGEST_SIDE)
        return header, pixels
    except (EOFError, OSError, ValueError) as error:
        broken = "expected a whole picture, got one that the decoder cannot open; save it again as a JPEG"
        raise PhotoUnreadable(broken) from error


def _photo(header: dict[str, Any], data: bytes) -> Photo:
    rows, columns = int(header["rows"]), int(header["columns"])
    if rows < 1 or columns < 1 or len(data) != rows * columns * 3:
        raise PhotoUnreadable("expected a picture, got pixels of another size; save it again as a JPEG")
    pixels = np.frombuffer(data, np.uint8).reshape(rows, columns, 3)  # read-only, as a Photo's pixels are
    return Photo(pixels, str(header["sha256"]), int(header["width"]), int(header["height"]), float(header["scale"]))


def run(file: int, memory: int, *photo_limits: int) -> None:
    """The decoder process: bytes in; a header and pixels, or an error, out, until the pipe closes."""
    confine(memory, writes=False)
    pipe, limits = Connection(file), Limits(*photo_limits)
    pipe.send_bytes(b"ready")
    while True:
        try:
            data = pipe.recv_bytes(limits.max_bytes + 1)
        except (EOFError, OSError):
            return
        try:
            photo = open_photo(data, limits=limits)
            rows, columns, _ = photo.pixels.shape
            header = {
                "rows": rows, "columns": columns, "sha256": photo.sha256, "width": photo.width,
                "height": photo.height, "scale": photo.scale,
            }  # fmt: skip
            pipe.send_bytes(json.dumps(header).encode())
            pipe.send_bytes(photo.pixels.tobytes())
        except PhotoError as error:
            pipe.send_bytes(json.dumps({"error": type(error).__name__, "message": str(error)[:500]}).encode())
        except MemoryError:
            said = "expected a picture that fits in memory, got a larger one; make it smaller"
            pipe.send_bytes(json.dumps({"error": "PhotoTooLarge", "message": said}).encode())
