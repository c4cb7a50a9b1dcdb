"""Tables, skies, light maps, photographs and their manifest."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("cv2")
pytestmark = pytest.mark.render

from updraft_key.synthetic_data import assets, backdrops  # noqa: E402
from updraft_key.synthetic_data.skies import SKIES, directions, sky, sphere_mean  # noqa: E402
from updraft_key.synthetic_data.textures import TEXTURES, surface  # noqa: E402

FILLED = bool(assets.cached("hdri", "train")) and bool(assets.cached("photo", "test_far"))
needs_cache = pytest.mark.skipif(not FILLED, reason="outside assets were not fetched")


@pytest.mark.parametrize("name", sorted(TEXTURES))
def test_textures_are_seeded_bytes_with_detail(name: str) -> None:
    one = surface(name, np.random.default_rng(4), 256)
    assert one.pixels.shape == (256, 256, 3) and one.pixels.dtype == np.uint8
    assert one.pixels.tobytes() == surface(name, np.random.default_rng(4), 256).pixels.tobytes()
    assert one.pixels.tobytes() != surface(name, np.random.default_rng(5), 256).pixels.tobytes()
    assert one.pixels.std() > 2
    assert 0 <= one.roughness <= 1 and 0 <= one.metallic <= 1 and 100 < one.side_mm < 1500


@pytest.mark.parametrize("name", sorted(SKIES))
def test_skies_are_seeded_light_of_mean_one(name: str) -> None:
    one = sky(name, np.random.default_rng(3), 64)
    assert one.shape == (64, 128, 3) and one.dtype == np.float32
    assert np.isfinite(one).all() and one.min() >= 0
    assert sphere_mean(one) == pytest.approx(1.0, rel=1e-3)
    assert one.tobytes() == sky(name, np.random.default_rng(3), 64).tobytes()


def test_directions_are_unit_and_row_zero_looks_up() -> None:
    d = directions(32)
    assert np.abs(np.linalg.norm(d, axis=-1) - 1).max() < 1e-5
    assert d[0, :, 1].min() > 0.99 and d[-1, :, 1].max() < -0.99


def test_everything_works_without_a_cache(tmp_path: Path) -> None:
    assert backdrops.hdris("train", tmp_path) == [] and backdrops.photos("held", tmp_path) == []
    for split in ("train", "held"):
        light = backdrops.surroundings(0.37, split, tmp_path)
        assert light.shape == (256, 512, 3) and np.isfinite(light).all()
        for seed in range(4):
            picture = backdrops.photograph(seed, split, tmp_path)
            assert picture.dtype == np.uint8 and picture.ndim == 3 and min(picture.shape[:2]) >= 32
        assert backdrops.table(1, split, 128).pixels.shape == (128, 128, 3)


def test_drawn_kinds_of_the_held_split_are_never_in_training() -> None:
    train = {backdrops.table(s, "train", 64).name for s in range(60)}
    held = {backdrops.table(s, "held", 64).name for s in range(60)}
    assert held == set(backdrops.HELD_TEXTURES) and not train & held
    assert set(backdrops.HELD_SKIES) < set(SKIES)


@needs_cache
def test_light_maps_of_the_cache_are_sound() -> None:
    for split in ("train", "held"):
        for path in backdrops.hdris(split):
            light = backdrops.load_hdri(path)
            assert light.shape == (256, 512, 3) and light.dtype == np.float32
            assert np.isfinite(light).all() and light.min() >= 0
            assert sphere_mean(light) == pytest.approx(1.0, rel=1e-3)


@needs_cache
def test_photographs_of_the_cache_are_small_pictures() -> None:
    for split in ("train", "held", "test_far"):
        for path in backdrops.photos(split):
            picture = backdrops.load_photo(path)
            assert picture.dtype == np.uint8 and picture.shape[2] == 3
            assert max(picture.shape[:2]) <= assets.LONGEST_PX
            assert b"Exif" not in path.read_bytes()[:4096]
