"""Keeping a process small: a ceiling on its memory, no threads that nobody asked for, a short end."""

from __future__ import annotations

import atexit
import ctypes
import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

MEMORY = 4 << 30
"""Address space of a process that opens strangers' pictures, bytes; most of it is libraries and never touched."""


def confine(memory: int = MEMORY, *, writes: bool = True) -> bool:
    """Limit this process for the rest of its life: memory, no core dump, and with ``writes`` false no file written.

    Beyond the limit the decoder's request for memory fails, and the picture is refused; the machine does not suffer.

    Args:
        memory: address space in bytes. A lower limit that already holds stays.
        writes: False for a process that has nothing to write.

    Returns:
        Whether the limits hold; False where the system has none to give (not Linux).
    """
    try:
        import resource

        _, most = resource.getrlimit(resource.RLIMIT_AS)
        memory = memory if most == resource.RLIM_INFINITY else min(memory, most)
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        if not writes:
            resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    except (ImportError, ValueError, OSError):
        return False
    return True


def give_back() -> bool:
    """Give the system back all memory that this process has let go and still holds.

    Photos are large and of many sizes; let go, they leave gaps that the next ones do not fit into. Under load a server
    grew by half in eight minutes, in steps, and still held nothing. Takes milliseconds.

    Returns:
        Whether something was given back; False where the C library is not glibc.
    """
    try:
        return bool(ctypes.CDLL(None).malloc_trim(ctypes.c_size_t(0)) == 1)
    except (AttributeError, OSError, TypeError):
        return False


@contextmanager
def ceiling(room: int = MEMORY) -> Iterator[bool]:
    """A limit on this process's memory that is lifted again: for processes that go on to do other things.

    Holds for all threads. A limit that already holds (the system's, or that of another ``ceiling``) stays as it is, so
    that lifting one never lifts what somebody else has set.

    Args:
        room: address space in bytes beyond what the process has now.

    Yields:
        Whether this one has set a limit.
    """
    held = _set_ceiling(room)
    try:
        yield held
    finally:
        if held:
            import resource

            _, most = resource.getrlimit(resource.RLIMIT_AS)
            resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _set_ceiling(room: int) -> bool:
    try:
        import resource

        pages = int(Path("/proc/self/statm").read_text("ascii").split()[0])
        now, most = resource.getrlimit(resource.RLIMIT_AS)
        if now != most:
            return False
        limit = pages * resource.getpagesize() + room
        if most != resource.RLIM_INFINITY and most <= limit:
            return False
        resource.setrlimit(resource.RLIMIT_AS, (limit, most))
    except (ImportError, ValueError, OSError):
        return False
    return True


def one_arithmetic_thread() -> None:
    """Let numpy start no threads of its own, unless the person set otherwise; works only before numpy is imported.

    Nothing here multiplies large matrices, and starting the threads costs every process 40 to 70 ms of processor time.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def one_drawing_thread() -> None:
    """Let OpenCV resize on one thread, unless the person set otherwise; works only before it is imported.

    For workers of which there is one a core: threads of one only wait for the core of another.
    """
    os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")


def leave_quickly() -> None:
    """Spare the interpreter its last search of everything for cycles: at its end the system takes all memory back.

    A question of one photo ends 30 ms sooner.
    """
    atexit.register(gc.freeze)
