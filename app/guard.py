"""Decoding of strangers' pictures in a process of its own, with a limit on time and memory.

The process holds nothing but the decoder; if it hangs, dies or eats memory, it is killed and the next picture gets a
new one. What comes back is pixels, never the decoder's state.
"""

from __future__ import annotations

import multiprocessing
import queue
import threading
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

import numpy as np
from updraft_key.model.errors import PhotoError, PhotoFormat, PhotoTooLarge, PhotoUnreadable
from updraft_key.model.photo import Limits, Photo, open_photo

_ERRORS = {c.__name__: c for c in (PhotoError, PhotoFormat, PhotoTooLarge, PhotoUnreadable)}


@dataclass(frozen=True, slots=True)
class GuardLimits:
    """How much one picture may cost.

    Attributes:
        seconds: until a decoder that does not answer is killed.
        memory: address space of the decoder process, bytes (Linux; elsewhere not enforced).
        workers: decoders kept ready.
    """

    seconds: float = 20.0
    memory: int = 4 << 30
    workers: int = 2

    def __post_init__(self) -> None:
        if self.seconds <= 0 or self.memory < 1 << 29 or self.workers < 1:
            raise ValueError("guard: expected seconds > 0, memory of at least 512 MiB and one worker or more")


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
            if decoder is None or not decoder.process.is_alive():
                decoder = _start(self._limits, self._photo_limits)
            answer = _ask(decoder, data, self._limits.seconds)
            keep = decoder
        finally:
            if keep is None and decoder is not None:
                decoder.process.kill()
                decoder.process.join(1.0)
                decoder.pipe.close()
            self._free.put(keep)
            if self._closed.is_set():
                self.close()
        if isinstance(answer, Photo):
            answer.pixels.flags.writeable = False
            return answer
        name, message = answer
        raise _ERRORS.get(name, PhotoUnreadable)(message)

    def close(self) -> None:
        """Stop the decoders. Calls under way end first."""
        self._closed.set()
        for _ in range(self._limits.workers):
            try:
                decoder = self._free.get_nowait()
            except queue.Empty:
                return
            if decoder is not None:
                decoder.process.kill()
                decoder.process.join(1.0)
                decoder.pipe.close()


@dataclass(frozen=True, slots=True)
class _Decoder:
    process: BaseProcess
    pipe: Connection


def _start(limits: GuardLimits, photo_limits: Limits) -> _Decoder:
    context = multiprocessing.get_context("spawn")  # fork would copy the server's threads and open files
    ours, theirs = context.Pipe()
    process = context.Process(target=_decode, args=(theirs, limits.memory, photo_limits), daemon=True)
    process.start()
    theirs.close()
    return _Decoder(process, ours)


def _ask(decoder: _Decoder, data: bytes, seconds: float) -> Photo | tuple[str, str]:
    slow = "expected a picture that opens in a few seconds, got one that does not; save it again as a JPEG"
    try:
        decoder.pipe.send_bytes(data)
        if not decoder.pipe.poll(seconds):
            raise PhotoUnreadable(slow)
        answer: Photo | tuple[str, str] = decoder.pipe.recv()
        return answer
    except (EOFError, OSError) as error:
        broken = "expected a whole picture, got one that the decoder cannot open; save it again as a JPEG"
        raise PhotoUnreadable(broken) from error


def _decode(pipe: Connection, memory: int, photo_limits: Limits) -> None:
    """The decoder process: bytes in, a Photo or the error's name and message out, until the pipe closes."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))  # a decoder has nothing to write
    except (ImportError, ValueError, OSError):
        pass  # not Linux: the time limit still holds
    while True:
        try:
            data = pipe.recv_bytes()
        except (EOFError, OSError):
            return
        try:
            photo = open_photo(data, limits=photo_limits)
            pipe.send(Photo(np.ascontiguousarray(photo.pixels), photo.sha256, photo.width, photo.height, photo.scale))
        except PhotoError as error:
            pipe.send((type(error).__name__, str(error)))
        except MemoryError:
            pipe.send(("PhotoTooLarge", "expected a picture that fits in memory, got a larger one; make it smaller"))
