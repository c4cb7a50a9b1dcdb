"""Takes uploads out of the framework's folder: read once, then gone from the disk."""

from __future__ import annotations

import os
import shutil
from pathlib import Path


def take(path: Path, most: int) -> bytes | None:
    """Read an upload and remove it with its folder, so that no original stays on the disk.

    None if it is gone, or if it does not lie one folder deep in the server's own upload folder: a path comes with
    the request, and nothing else may ever be read or removed through it.
    """
    real, uploads = path.resolve(), os.environ.get("GRADIO_TEMP_DIR", "")
    if not uploads or real.parent.parent != Path(uploads).resolve():
        return None
    try:
        with real.open("rb") as stream:
            data = stream.read(most + 1)  # one byte more, so that the decoder sees that it is too large
    except OSError:
        return None
    finally:
        shutil.rmtree(real.parent, ignore_errors=True)
    return data
