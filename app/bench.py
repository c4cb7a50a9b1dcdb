"""A worker's own tools, made once for each process: the identifier, the reader, thumbnails, fingerprints."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

from updraft_key.model import Answer, Identifier
from updraft_key.model.fingerprint import difference_hash
from updraft_key.model.parts import load_catalogue
from updraft_key.model.photo import Photo

from .inbox import Reader


class Workbench:
    """What one worker process keeps between cases."""

    def __init__(self, inbox: str, catalogue: str | None) -> None:
        self.reader = Reader(inbox)
        self._identifier = Identifier(catalogue=load_catalogue(Path(catalogue)) if catalogue else None)

    def identify(self, photos: Sequence[tuple[str, Photo]]) -> Answer:
        """Answer one case from its usable photos, each with its label."""
        return self._identifier.identify(photos)

    @staticmethod
    def fingerprint(photo: Photo) -> str:
        """Perceptual fingerprint as 16 hexadecimal digits."""
        return f"{difference_hash(photo.pixels):016x}"

    @staticmethod
    def thumbnail(photo: Photo, longest: int) -> bytes:
        """A small JPEG made from pixels alone, so nothing of the original's metadata is in it."""
        from PIL import Image

        picture = Image.fromarray(photo.pixels)
        picture.thumbnail((longest, longest))
        out = io.BytesIO()
        picture.save(out, "JPEG", quality=80)
        return out.getvalue()


@lru_cache(maxsize=1)
def workbench(inbox: str, catalogue: str | None) -> Workbench:
    """Return this process's workbench for one inbox (the last one is kept)."""
    return Workbench(inbox, catalogue)
