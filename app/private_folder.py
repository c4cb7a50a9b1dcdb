"""A folder for what strangers send: only this user can enter it, and it is gone when the process is.

It is removed when the process ends, by Ctrl-C or by SIGTERM. What a killed process could not remove (``kill -9``, power
cut) the next one does: each folder holds a file that its process keeps locked; a folder whose lock is free is nobody's.
"""

from __future__ import annotations

import atexit
import fcntl
import os
import shutil
import tempfile
from pathlib import Path

PREFIX = "updraft-key-"
ALIVE = ".alive"


def private_folder() -> Path:
    """Make a folder of this process, and remove those that dead processes left."""
    sweep(Path(tempfile.gettempdir()))
    folder = Path(tempfile.mkdtemp(prefix=PREFIX))  # made with mode 700
    making = folder / f"{ALIVE}.part"
    lock = os.open(making, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    making.rename(folder / ALIVE)  # under its name only once it is locked: no sweep can come in between
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def sweep(place: Path) -> int:
    """Remove this user's private folders below ``place`` whose process is gone; return how many."""
    removed = 0
    for folder in place.glob(f"{PREFIX}*"):
        try:
            if folder.is_symlink() or folder.stat().st_uid != os.geteuid():
                continue
            lock = os.open(folder / ALIVE, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder, ignore_errors=True)
            removed += 1
        except BlockingIOError:
            pass
        finally:
            os.close(lock)
    return removed
