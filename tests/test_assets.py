"""The manifest of outside files: a licence, a credit and a hash for each, and nothing copyleft in training."""

from __future__ import annotations

import base64
import io
import json
import re
import tarfile
from pathlib import Path

import pytest
from PIL import Image
from updraft_key.model.errors import UpdraftKeyError
from updraft_key.synthetic_data import assets

FILLED = bool(assets.cached("hdri", "train")) and bool(assets.cached("photo", "test_far"))
needs_cache = pytest.mark.skipif(not FILLED, reason="outside assets were not fetched")


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
    with Image.open(stored) as picture:
        assert max(picture.size) == assets.LONGEST_PX and not picture.getexif()
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


def test_licences_are_of_known_sorts() -> None:
    """Words of the SPDX list, or a reference explained by the package's own text."""
    known = {
        "CC0-1.0",
        "CC-BY-2.0",
        "CC-BY-4.0",
        "CC-BY-SA-3.0",
        "CC-BY-SA-4.0",
        "GPL-2.0-or-later",
        "Apache-2.0",
        "BSD-3-Clause",
    }
    stated = {"LicenseRef-public-domain", "LicenseRef-no-known-copyright-restrictions"}
    for a in assets.manifest():
        assert set(a.licence.split(" AND ")) <= known | stated, a.name


def test_names_tell_what_is_seen_and_no_path_leaves_the_package() -> None:
    for a in assets.manifest():
        assert re.fullmatch(r"[a-z0-9_]+", a.name)
        assert ".." not in a.path
        assert a.path.startswith("/usr/share/") == (a.package.ecosystem == "deb")


def test_the_manifest_ships_with_the_package() -> None:
    text = Path(assets.__file__).parent.parent.joinpath("pyproject.toml").read_text(encoding="utf-8")
    assert re.search(r'"updraft_key.synthetic_data" = \[[^\]]*"\*\.toml"', text)
