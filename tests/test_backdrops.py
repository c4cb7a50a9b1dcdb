"""Tables, skies, light maps, photographs and their manifest."""

from __future__ import annotations

import base64
import io
import json
import re
import tarfile
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("cv2")
pytestmark = pytest.mark.render

from updraft_key.model.errors import UpdraftKeyError  # noqa: E402
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


@needs_cache
def test_cached_files_are_the_ones_of_the_manifest() -> None:
    assert assets.check(assets.cache_folder()) == []
    kinds = {k: sum(p.stat().st_size for p in assets.cache_folder().glob(f"{k}_*")) for k in assets.KINDS}
    assert kinds["hdri"] < 12e6 and kinds["photo"] < 12e6


def test_manifest_names_a_licence_and_a_hash_for_each() -> None:
    listed = assets.manifest()
    for a in listed:
        assert a.licence.strip() and re.fullmatch(r"[0-9a-f]{64}", a.sha256)
        assert a.package.licence_stated_in.strip() and a.package.version
        assert a.by or not a.licence.startswith("CC-BY")  # where credit is owed it is given
    assert len({a.sha256 for a in listed}) == len(listed)  # no picture twice, so none in two splits


def test_splits_are_about_seventy_to_thirty_and_far_photographs_stand_apart() -> None:
    listed = assets.manifest()
    for kind in assets.KINDS:
        train = sum(a.kind == kind and a.split == "train" for a in listed)
        held = sum(a.kind == kind and a.split == "held" for a in listed)
        assert 0.6 < train / (train + held) < 0.8
    assert sum(a.split == "test_far" for a in listed) >= 40
    assert not any(a.kind == "hdri" and a.split == "test_far" for a in listed)


def test_share_alike_and_copyleft_pictures_never_enter_training() -> None:
    for a in assets.manifest():
        if "-SA-" in a.licence or "GPL" in a.licence:
            assert a.split == "test_far", a.name


@pytest.mark.parametrize(("kind", "split"), [("hdri", "test"), ("film", "train")])
def test_unknown_words_are_refused(kind: str, split: str) -> None:
    with pytest.raises(UpdraftKeyError):
        assets.cached(kind, split)


def write_manifest(path: Path, licence: str = "CC0-1.0", sha256: str = "0" * 64) -> Path:
    path.write_text(
        '[[package]]\nid = "s"\necosystem = "pypi"\nname = "scikit-image"\nversion = "0"\nlicence_stated_in = "x"\n'
        '[[asset]]\nname = "a"\nkind = "photo"\nsplit = "train"\npackage = "s"\npath = "skimage/data/coffee.png"\n'
        f'licence = "{licence}"\nby = ""\nsha256 = "{sha256}"\n',
        encoding="utf-8",
    )
    return path


def test_a_manifest_without_a_licence_is_refused(tmp_path: Path) -> None:
    with pytest.raises(assets.AssetError, match="licence"):
        assets.manifest(write_manifest(tmp_path / "m.toml", licence=""))


def test_fetch_refuses_a_file_that_is_not_the_named_one_and_takes_the_one_that_is(tmp_path: Path) -> None:
    pytest.importorskip("skimage")
    wrong = assets.fetch(tmp_path / "c", write_manifest(tmp_path / "m.toml"))
    assert list(wrong) == ["a"] and not list((tmp_path / "c").glob("*.jpg"))
    real = next(a.sha256 for a in assets.manifest() if a.path == "skimage/data/coffee.png")
    listed = write_manifest(tmp_path / "m.toml", sha256=real)
    assert assets.fetch(tmp_path / "c", listed) == {}
    stored = tmp_path / "c" / "photo_a.jpg"
    assert max(backdrops.load_photo(stored).shape) == assets.LONGEST_PX
    assert assets.check(tmp_path / "c", listed) == []
    stored.write_bytes(stored.read_bytes() + b"x")
    assert assets.check(tmp_path / "c", listed) == ["a"]
    assert set(json.loads((tmp_path / "c" / assets.INDEX).read_text())["a"]) == {"source", "stored"}


def test_archives_are_read_in_memory_by_name() -> None:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as tar:
        for name in ("./usr/share/a.jpg", "../../evil", "./usr/share/b.jpg"):
            info = tarfile.TarInfo(name)
            info.size = 3
            tar.addfile(info, io.BytesIO(b"abc"))
    assert dict(assets._from_tar(out.getvalue(), frozenset({"/usr/share/a.jpg"}))) == {"/usr/share/a.jpg": b"abc"}


def test_base64_in_a_script_is_decoded() -> None:
    script = b"export default 'data:x;base64," + base64.b64encode(b"light") + b"';"
    assert assets._decode_script(script) == b"light"
    with pytest.raises(assets.AssetError):
        assets._decode_script(b"export default 1")


def test_every_asset_has_a_line_for_the_notice() -> None:
    lines = assets.licence_lines()
    assert len(lines) == len(assets.manifest())
    assert all(
        a.licence in line and a.package.version in line for a, line in zip(assets.manifest(), lines, strict=True)
    )
