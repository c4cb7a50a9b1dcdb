"""The one door for pictures. Orientation: CIPA DC-008 tag 274; colour: IEC 61966-2-1, ICC.1:2010."""

from __future__ import annotations

import hashlib
import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hostile.pictures import (
    GPS,
    SERIAL,
    bombs,
    broken,
    foreign,
    jpeg,
    large_jpeg,
    odd,
    png,
    profile_p3,
    saved,
    scene,
    tagged,
    with_orientation,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageFile
from updraft_key.model.errors import PhotoError, PhotoFormat, PhotoTooLarge, PhotoUnreadable
from updraft_key.model.photo import Limits, Photo, open_photo

ODD, FOREIGN, BROKEN, BOMBS = dict(odd()), dict(foreign()), dict(broken()), dict(bombs())


def check(photo: Photo) -> None:
    """What every Photo promises."""
    h, w, three = photo.pixels.shape
    assert three == 3 and photo.pixels.dtype == np.uint8 and not photo.pixels.flags.writeable
    assert h == -(-photo.height * photo.scale // 1) and w == -(-photo.width * photo.scale // 1)
    assert len(photo.sha256) == 64


@pytest.mark.parametrize("name", ODD)
def test_odd_pictures_open(name: str) -> None:
    photo = open_photo(ODD[name])
    check(photo)
    assert photo.sha256 == hashlib.sha256(ODD[name]).hexdigest()


@pytest.mark.parametrize(
    "name", [n for n in ODD if n.startswith(("plain", "progr", "two", "anim", "cmyk", "trail", "loss", "alpha"))]
)
def test_colours_survive(name: str) -> None:
    """Lossy, but the same picture: the animated ones and the double one show their first frame."""
    assert np.abs(open_photo(ODD[name]).pixels.astype(int) - scene()).mean() < 3.0


def test_sixteen_bits_are_scaled_not_cut() -> None:
    assert open_photo(ODD["sixteen_bit_grey.png"]).pixels.max() == round(40000 / 257)


def test_transparency_shows_grey() -> None:
    photo = open_photo(saved(Image.new("RGBA", (40, 30), (255, 0, 0, 0)), "PNG"))
    assert np.all(photo.pixels == 127)


@pytest.mark.parametrize("name", FOREIGN)
def test_foreign_files_are_refused_by_their_content(name: str) -> None:
    with pytest.raises(PhotoFormat, match="expected JPEG, PNG, WebP and HEIC"):
        open_photo(FOREIGN[name])


@pytest.mark.parametrize("name", BROKEN)
def test_broken_files_give_one_plain_line(name: str) -> None:
    with pytest.raises(PhotoUnreadable) as caught:
        open_photo(BROKEN[name])
    assert "\n" not in str(caught.value) and str(caught.value).startswith("expected ")


@pytest.mark.parametrize("name", BOMBS)
def test_bombs_are_refused_from_the_header(name: str) -> None:
    with pytest.raises(PhotoTooLarge, match="megapixels"):
        open_photo(BOMBS[name])


@pytest.mark.parametrize("turn", range(1, 9))
@pytest.mark.parametrize("longest", [None, 100])
def test_every_orientation_is_upright_once(turn: int, longest: int | None) -> None:
    """CIPA DC-008: eight values; the picture is not square, so a missing swap of the sides shows."""
    upright = scene()
    photo = open_photo(with_orientation(upright, turn), longest=longest)
    plain = open_photo(jpeg(upright), longest=longest)
    assert (photo.width, photo.height) == (240, 160)
    assert photo.scale == plain.scale == (1.0 if longest is None else 0.5)
    assert np.abs(photo.pixels.astype(int) - plain.pixels).mean() < 1.0


@pytest.mark.parametrize("value", [0, 9, 255, 65535])
def test_reserved_orientations_change_nothing(value: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = value
    assert np.array_equal(open_photo(jpeg(scene(), exif=exif)).pixels, open_photo(jpeg(scene())).pixels)


def test_broken_exif_leaves_the_pixels() -> None:
    data = jpeg(scene(), exif=b"Exif\0\0MM\0*\xff\xff\xff\xff" + b"\xff" * 40)
    assert np.abs(open_photo(data).pixels.astype(int) - scene()).mean() < 3.0


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_orientation_in_other_formats(kind: str) -> None:
    photo = open_photo(with_orientation(scene(), 6, kind))
    assert (photo.width, photo.height) == (240, 160)
    assert np.abs(photo.pixels.astype(int) - scene()).mean() < 3.0


@pytest.mark.parametrize("turn", range(1, 9))
def test_heif_is_turned_by_its_container_once(turn: int) -> None:
    """The writer puts the turn into ``irot`` and ``imir`` and leaves the EXIF tag; it must not turn twice."""
    data = with_orientation(scene(), turn, "HEIF")
    assert turn == 1 or b"irot" in data or b"imir" in data
    photo = open_photo(data)
    assert (photo.width, photo.height) == (240, 160)
    assert np.abs(photo.pixels.astype(int) - scene()).mean() < 4.0


def test_heif_with_the_exif_tag_alone_is_not_turned() -> None:
    """ISO/IEC 23008-12 leaves orientation to the container; readers ignore the tag (STACK.md B2, tried)."""
    exif = Image.Exif()
    exif[0x0112] = 6
    data = saved(Image.fromarray(scene()), "HEIF", exif=exif)
    assert b"irot" not in data
    assert (open_photo(data).width, open_photo(data).height) == (240, 160)


def test_two_hundred_megapixels_work() -> None:
    """What phones write; decoded at 1/8. (Peak memory is measured by the benchmarks, not here.)"""
    photo = open_photo(large_jpeg(16320, 12240))
    assert photo.pixels.shape == (1530, 2040, 3) and photo.scale == 1 / 8
    assert (photo.width, photo.height) == (16320, 12240)


def test_large_progressive_files_are_refused() -> None:
    """Their decoder keeps every coefficient: 741 MB were measured for 200 megapixels, 231 MB for the plain kind."""
    large = saved(Image.new("L", (9000, 8000), 128), "JPEG", progressive=True, quality=30)
    with pytest.raises(PhotoTooLarge, match="70 megapixels"):
        open_photo(large)
    assert open_photo(saved(Image.new("L", (9000, 7000), 128), "JPEG", progressive=True, quality=30)).scale == 1 / 4


def test_large_heif_is_refused_from_its_header() -> None:
    """Its decoder has no scaled way: 1.5 GB were measured for 200 megapixels. A JPEG of the size is taken, and said."""
    data = saved(Image.new("RGB", (640, 480), (10, 200, 30)), "HEIF")
    with pytest.raises(PhotoTooLarge, match="a HEIF picture, got 640 x 480; save it as a JPEG"):
        open_photo(data, limits=Limits(max_pixels_heif=300_000))
    with pytest.raises(PhotoTooLarge, match="make it smaller"):
        open_photo(data, limits=Limits(max_pixels=300_000))
    assert open_photo(data, limits=Limits(max_pixels_heif=640 * 480)).width == 640
    assert Limits().max_pixels_heif == 70_000_000


@pytest.mark.parametrize("size", [(4032, 3024), (3024, 4032), (4033, 3025), (1999, 10), (2000, 7), (9001, 3)])
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_scaled_decode_keeps_the_longest_side(size: tuple[int, int], kind: str) -> None:
    photo = open_photo(saved(Image.new("RGB", size, (10, 200, 30)), kind))
    check(photo)
    assert (photo.width, photo.height) == size
    assert max(photo.pixels.shape) >= min(max(size), 2000)


def test_scaled_and_whole_decode_show_the_same_place() -> None:
    pixels = np.zeros((3000, 4000, 3), np.uint8)
    pixels[1000:1100, 3000:3100] = 255
    for data in (jpeg(pixels), saved(Image.fromarray(pixels), "PNG")):
        photo = open_photo(data)
        ys, xs = np.nonzero(photo.pixels[:, :, 0] > 127)
        assert abs((xs.mean() + 0.5) / photo.scale - 3050) < 1 and abs((ys.mean() + 0.5) / photo.scale - 1050) < 1


def test_wide_gamut_becomes_srgb_as_littlecms_does() -> None:
    """Outside check: LittleCMS (through Pillow), relative colorimetric, on colours all over the cube."""
    steps = np.linspace(0, 255, 18).astype(np.uint8)
    cube = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(54, -1, 3)
    image = Image.fromarray(np.ascontiguousarray(cube))
    ours = open_photo(saved(image, "PNG", icc_profile=profile_p3())).pixels.astype(int)
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile_p3()))
    theirs = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), ImageCms.Intent(1))
    assert theirs is not None
    apart = np.abs(ours - np.asarray(theirs).astype(int))
    assert apart.max() <= 3 and apart.mean() < 0.6
    assert np.abs(ours - cube).max() > 30  # the profile matters at all


@pytest.mark.parametrize("profile", [b"junk", b"\0" * 200, profile_p3()[:150], b"\0" * 36 + b"acsp" + b"\xff" * 300])
def test_profiles_that_make_no_sense_are_ignored(profile: bytes) -> None:
    data = saved(Image.fromarray(scene()), "PNG", icc_profile=profile)
    assert np.array_equal(open_photo(data).pixels, scene())


def test_nothing_but_pixels_comes_through() -> None:
    for name, data in tagged(scene()).items():
        photo = open_photo(data)
        everything = repr(photo).encode() + b"".join(step.tobytes() for step in photo.halvings)
        assert not any(secret in everything for secret in (*GPS, SERIAL)), name
        assert sorted(Photo.__slots__) == ["halvings", "height", "pixels", "scale", "sha256", "width"]


def test_limits_are_stated() -> None:
    with pytest.raises(PhotoTooLarge, match="at most 0 MB"):
        open_photo(jpeg(scene()), limits=Limits(max_bytes=100))
    with pytest.raises(PhotoTooLarge, match="240 x 160"):
        open_photo(jpeg(scene()), limits=Limits(max_pixels=1000))
    with pytest.raises(ValueError, match="positive"):
        Limits(max_bytes=0)


def test_paths(tmp_path: Path) -> None:
    (tmp_path / "good.jpg").write_bytes(jpeg(scene()))
    check(open_photo(tmp_path / "good.jpg"))
    for wrong in (tmp_path, tmp_path / "none.jpg", tmp_path / ("x" * 300), Path("a\0b"), Path("/dev/zero")):
        with pytest.raises(PhotoError) as caught:
            open_photo(wrong)
        assert str(tmp_path) not in str(caught.value)


@pytest.mark.parametrize(
    "name", ["plain.jpg", "plain.png", "plain.webp", "plain.heic", "animated.png", "two_pictures.mpo"]
)
def test_cut_at_every_kilobyte(name: str) -> None:
    """A cut file gives a photo (an end mark lost) or a PhotoError, never anything else."""
    for length in range(0, len(ODD[name]), 1024):
        opens_or_refuses(ODD[name][:length])


def opens_or_refuses(data: bytes) -> None:
    try:
        check(open_photo(data))
    except PhotoError as error:
        assert "\n" not in str(error)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes(data: bytes) -> None:
    opens_or_refuses(data)


MAGICS = [b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"RIFF\x40\0\0\0WEBPVP8X", b"\0\0\0\x18ftypheic\0\0\0\0heic"]


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(MAGICS), st.binary(max_size=600))
def test_any_bytes_behind_a_good_start(start: bytes, rest: bytes) -> None:
    opens_or_refuses(start + rest)


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(["plain.jpg", "palette_transparent.png", "animated.webp", "plain.heic", "two_pictures.mpo"]),
    st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=12),
)
def test_damaged_pictures(name: str, changes: list[tuple[int, int]]) -> None:
    data = bytearray(ODD[name])
    for at, value in changes:
        data[at % len(data)] = value
    opens_or_refuses(bytes(data))


def test_the_second_wall_stands() -> None:
    """Pillow's own limit is set and stays below what our ceilings allow for one decode; cut files are not filled up."""
    assert Image.MAX_IMAGE_PIXELS == 105_000_000
    assert ImageFile.LOAD_TRUNCATED_IMAGES is False


def test_no_warning_reaches_the_person() -> None:
    """A 108-megapixel photo and a broken EXIF are common; Pillow's remarks about them would only confuse."""
    code = (
        "from hostile.pictures import large_jpeg, jpeg, scene\n"
        "from updraft_key.model.photo import open_photo\n"
        "open_photo(large_jpeg(12000, 9000))\n"
        "open_photo(jpeg(scene(), exif=b'Exif\\0\\0MM\\0*' + b'\\xff' * 44))\n"
    )
    run = subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parent, capture_output=True, check=True)
    assert run.stderr == b"" and run.stdout == b""


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    with pytest.raises(PhotoUnreadable, match="no plain file"):
        open_photo(tmp_path / "pipe.jpg")


def test_png_just_below_the_ceiling_opens() -> None:
    assert open_photo(png(8000, 6000)).pixels.shape == (1500, 2000, 3)
