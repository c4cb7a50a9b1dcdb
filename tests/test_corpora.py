"""The picture door against sets that others made: orientation, and everything bad that could be found.

Sets and expected outcomes: OUTSIDE_CHECKS 6.2 and 6.3, rows 16 to 20. How they get here: ``hostile/corpora.py``.
"""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np
import pytest
from hostile.corpora import CORPORA, files, folder
from PIL import Image
from updraft_key.model.errors import PhotoError
from updraft_key.model.photo import open_photo

SLOWEST_S = 10.0


def apart(a: np.ndarray, b: np.ndarray) -> float:
    """Root mean square difference, grey levels."""
    return float(np.sqrt(((a.astype(float) - b.astype(float)) ** 2).mean()))


def test_nine_orientations_of_debian() -> None:
    """Debian golang-github-disintegration-imaging-dev 1.6.2-2: all upright 50 x 70, RMS to number 0 at most 0.5."""
    pictures = {p.name[-5]: open_photo(p).pixels for p in files("orientation_debian")}
    assert sorted(pictures) == list("012345678")
    assert {p.shape for p in pictures.values()} == {(70, 50, 3)}
    assert max(apart(p, pictures["0"]) for p in pictures.values()) <= 0.6


def test_eight_orientations_of_an_sdist() -> None:
    """PyPI sdist sorl-thumbnail 13.4.0: 30 x 30, upright RMS at most 0.11 to number 1."""
    found = [p for p in files("orientation_sdist") if re.match(r"data_\d_", p.name)]
    assert len(found) == 8
    first = open_photo(found[0]).pixels
    assert max(apart(open_photo(p).pixels, first) for p in found) <= 0.2


def test_a_heic_is_turned_once() -> None:
    """pillow-heif 1.8.1 sdist, arrow.heic: 3024 x 4032 upright, its EXIF tag was 6."""
    photo = open_photo(folder("heif_sdist") / "heif_other_arrow.heic")
    assert (photo.width, photo.height) == (3024, 4032)
    assert photo.pixels.shape[0] > photo.pixels.shape[1]


def test_two_hundred_megapixels_of_heic() -> None:
    """The sdist's 200 MP file: opened or refused for its size, within the time."""
    opens_or_refuses(folder("heif_sdist") / "heif_special_200MP.heic")


@pytest.mark.parametrize("name", ["heif_corrupted_corrupted.heic", "heif_corrupted_empty.heic"])
def test_broken_heics_are_refused(name: str) -> None:
    with pytest.raises(PhotoError):
        open_photo(folder("heif_sdist") / name)


def opens_or_refuses(path: Path) -> str:
    """Open one file: a valid photo or a PhotoError of one line, in bounded time."""
    started = time.process_time()
    try:
        photo = open_photo(path)
    except PhotoError as error:
        assert "\n" not in str(error) and str(error).startswith("expected ")
        outcome = type(error).__name__
    else:
        assert photo.pixels.dtype == np.uint8 and photo.pixels.ndim == 3 and photo.pixels.shape[2] == 3
        outcome = "photo"
    assert time.process_time() - started < SLOWEST_S
    return outcome


@pytest.mark.parametrize("name", [c.name for c in CORPORA])
def test_every_file_opens_or_is_refused(name: str) -> None:
    outcomes = [opens_or_refuses(p) for p in files(name)]
    assert len(outcomes) >= 8


def test_the_usual_tool_agrees_on_good_png_files() -> None:
    """The PNG suite inside libpng1.6 (contrib/pngsuite): every file decodes, to what Pillow alone shows.

    Sixteen-bit grey is scaled here and cut off there, and transparency is shown over grey here; those are left out.
    """
    compared = 0
    for path in files("png_source"):
        if not path.name.startswith("pngsuite_"):
            continue
        ours = open_photo(path).pixels
        with Image.open(path) as image:
            if image.mode in ("I;16", "I", "LA", "RGBA", "PA") or "transparency" in image.info:
                continue
            theirs = np.asarray(image.convert("RGB"))
        compared += 1
        assert apart(ours, theirs) < 1.0, path.name
    assert compared >= 15
