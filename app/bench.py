"""A worker's own tools, made once for each process: the identifier, the reader, thumbnails, fingerprints."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

from updraft_key.model import Answer, Identifier
from updraft_key.model.errors import UpdraftKeyError
from updraft_key.model.fingerprint import difference_hash
from updraft_key.model.key import load_rules
from updraft_key.model.parts import load_catalogue
from updraft_key.model.photo import SMALLEST, Photo
from updraft_key.model.runtime import PACKAGED, WEIGHTS, expected_sha256

from .inbox import Reader


def what_answers() -> dict[str, str]:
    """What decides the answers on this machine: the network's SHA-256 and the version of the rules."""
    return {"model": expected_sha256(WEIGHTS / "SHA256SUMS", PACKAGED), "rules": load_rules().version}


class Workbench:
    """What one worker process keeps between cases.

    Args:
        inbox: URL of the inbox.
        catalogue: path of the seller's catalogue, or None.
        expected: ``what_answers`` of the machine that started the run.

    Raises:
        UpdraftKeyError: this machine cannot see the inbox, or would answer with another network or other rules.
    """

    def __init__(self, inbox: str, catalogue: str | None, expected: tuple[tuple[str, str], ...]) -> None:
        ours = what_answers()
        for key, value in expected:
            if ours.get(key, value) != value:
                raise UpdraftKeyError(
                    f"expected every worker to have {key} {value[:12]}, one has {ours[key][:12]}; "
                    "install the same version everywhere"
                )
        self.reader = Reader(inbox)
        self._identifier = Identifier(catalogue=load_catalogue(Path(catalogue)) if catalogue else None)

    def identify(self, photos: Sequence[tuple[str, Photo]]) -> Answer:
        """Answer one case from its usable photos, each with its label."""
        return self._identifier.identify(photos)

    @staticmethod
    def fingerprint(photo: Photo) -> str:
        """Perceptual fingerprint as 16 hexadecimal digits."""
        return f"{difference_hash(photo.small(SMALLEST)[0]):016x}"

    @staticmethod
    def thumbnail(photo: Photo, longest: int) -> bytes:
        """A small JPEG made from pixels alone, so nothing of the original's metadata is in it."""
        import cv2
        from PIL import Image

        pixels, _ = photo.small(longest)
        ratio = min(1.0, longest / max(pixels.shape[:2]))
        size = (max(1, round(pixels.shape[1] * ratio)), max(1, round(pixels.shape[0] * ratio)))
        # Above a half, four neighbours are all that there is to average; below it are pictures that do not divide.
        how = cv2.INTER_LINEAR if ratio > 0.5 else cv2.INTER_AREA
        out = io.BytesIO()
        Image.fromarray(cv2.resize(pixels, size, interpolation=how)).save(out, "JPEG", quality=80)
        return out.getvalue()

    @staticmethod
    def whole(photo: Photo) -> bytes:
        """The photo as it is kept with a case: a JPEG made from pixels alone."""
        from .store import KeptPhoto

        return KeptPhoto.from_photo("", photo).jpeg


@lru_cache(maxsize=1)
def workbench(
    inbox: str, catalogue: str | None, expected: tuple[tuple[str, str], ...] = (), listing: str = ""
) -> Workbench:
    """Return this process's workbench for one inbox with one ``listing`` (the last one is kept).

    A cluster's worker lives longer than a run: tomorrow's zip of the same name must be opened anew.
    """
    del listing  # a part of the cache's key only
    return Workbench(inbox, catalogue, expected)
