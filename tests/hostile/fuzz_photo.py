"""Coverage-guided fuzzing of the picture door: ``python tests/hostile/fuzz_photo.py FOLDER [libFuzzer options]``.

Any bytes must give a valid ``Photo`` or a ``PhotoError``; anything else is a finding, and libFuzzer keeps the input.
Needs atheris (CPython on Linux). An empty corpus is filled with small seeds of every taken format. For example half
an hour, inputs up to 20 kB::

    nice python tests/hostile/fuzz_photo.py .cache/fuzz -max_total_time=1800 -max_len=20000 -timeout=20
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["updraft_key.model", "PIL", "pillow_heif"]):
    # The plugins are loaded when first needed, which would be too late to be watched.
    import pillow_heif  # noqa: F401
    from PIL import Image, JpegImagePlugin, MpoImagePlugin, PngImagePlugin, WebPImagePlugin  # noqa: F401
    from updraft_key.model.errors import PhotoError
    from updraft_key.model.photo import Limits, open_photo

sys.path.insert(0, str(Path(__file__).parents[1]))

LIMITS = Limits(max_pixels=4_000_000, max_pixels_other=4_000_000)
"""Small, so that the time goes into parsing and not into filling large pictures."""


def one_input(data: bytes) -> None:
    """Open one input and check what comes back."""
    try:
        photo = open_photo(data, limits=LIMITS)
    except PhotoError as error:
        if "\n" in str(error):
            raise RuntimeError("a message of more than one line") from error
        return
    h, w, three = photo.pixels.shape
    if three != 3 or h < 1 or w < 1 or photo.pixels.dtype.name != "uint8" or photo.pixels.flags.writeable:
        raise RuntimeError(f"not a Photo: {photo.pixels.dtype} {photo.pixels.shape}")
    if photo.width * photo.height > LIMITS.max_pixels:
        raise RuntimeError(f"above the ceiling: {photo.width} x {photo.height}")


def fill(corpus: Path) -> None:
    """Put a few small pictures of each taken format into an empty corpus."""
    from hostile.pictures import odd, profile_p3, saved, scene, tagged

    corpus.mkdir(parents=True, exist_ok=True)
    if any(corpus.iterdir()):
        return
    small = scene(40, 24)
    for name, data in [*odd(), *tagged(small).items()]:
        if len(data) < 20_000:
            (corpus / name).write_bytes(data)
    (corpus / "wide_gamut.png").write_bytes(saved(Image.fromarray(small), "PNG", icc_profile=profile_p3()))


def main() -> None:
    """Fuzz until libFuzzer stops."""
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    fill(Path(sys.argv[1]))
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
