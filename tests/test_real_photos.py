"""The shipped network on real photographs: none shows such a carburetor, so none may be answered otherwise.

Pictures: all that scikit-image, scikit-learn, gradio and matplotlib carry in their installed packages.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from hostile.pictures import saved, with_orientation
from PIL import Image
from updraft_key.model import Identifier, Outcome, open_photo
from updraft_key.model.errors import PhotoFormat
from updraft_key.model.runtime import PACKAGED, WEIGHTS, packaged_network

FOLDERS = {
    "skimage": "data",
    "sklearn": "datasets/images",
    "gradio": ".",
    "matplotlib": "mpl-data/sample_data",
}


def pictures() -> Iterator[Path]:
    for package, inside in FOLDERS.items():
        spec = find_spec(package)
        if spec is None or spec.origin is None:
            continue
        for path in sorted((Path(spec.origin).parent / inside).rglob("*")):
            if path.suffix.lower() in (".jpg", ".jpeg", ".png", ".webp") and "templates" not in path.parts:
                yield path


PICTURES = list(pictures())


@pytest.fixture(scope="module")
def identifier() -> Identifier:
    if not (WEIGHTS / PACKAGED).is_file() and os.environ.get("CI") != "true":
        pytest.skip("the network is not in this working copy")
    return Identifier(packaged_network())


def test_there_are_photographs() -> None:
    assert len(PICTURES) >= 25


@pytest.mark.parametrize("path", PICTURES, ids=[f"{p.parent.name}/{p.name}" for p in PICTURES])
def test_no_photograph_is_taken_for_a_carburetor(identifier: Identifier, path: Path) -> None:
    try:
        photo = open_photo(path)
    except PhotoFormat:
        pytest.skip("not what its name says: another format inside")
    answer = identifier.identify([(path.name, photo)])
    assert answer.verdict.era is None
    assert answer.verdict.outcome in (Outcome.NOT_SEEN, Outcome.RETAKE)


@pytest.mark.parametrize("name", ["coffee.png", "rocket.jpg", "china.jpg"])
def test_nor_is_it_turned_cropped_or_recompressed(identifier: Identifier, name: str) -> None:
    path = next(p for p in PICTURES if p.name == name)
    pixels = open_photo(path).pixels
    h, w = pixels.shape[:2]
    variants = [with_orientation(pixels, turn) for turn in (3, 6, 8)]
    variants.append(saved(Image.fromarray(np.ascontiguousarray(pixels[h // 4 :, w // 5 :])), "JPEG", quality=40))
    variants.append(saved(Image.open(io.BytesIO(variants[0])).convert("L"), "JPEG", quality=70))
    for data in variants:
        answer = identifier.identify([(name, open_photo(data))])
        assert answer.verdict.outcome in (Outcome.NOT_SEEN, Outcome.RETAKE)
