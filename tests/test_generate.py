"""Sets: resumable, the same whichever way they are made, readable back; and the real renderer, if it is here."""

from __future__ import annotations

import json
import os
import tarfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from stand_in import PointRenderer, StandIn
from updraft_key.model.cues import VIEWS
from updraft_key.synthetic_data import blocks
from updraft_key.synthetic_data.blocks import WAYS, Block, Job, Settings, plan, render_block
from updraft_key.synthetic_data.crew import run_jobs
from updraft_key.synthetic_data.gallery import read_labels, read_picture, sheet, sides, write_gallery
from updraft_key.synthetic_data.generate import generate, main
from updraft_key.synthetic_data.mesh import Model
from updraft_key.synthetic_data.render import Passes
from updraft_key.synthetic_data.sample import sample_scene, scene_of, scene_rng, with_and_without
from updraft_key.synthetic_data.scene import Pose, build_stage, pose_of
from updraft_key.synthetic_data.set_folder import SHARD_BYTES, finish_labels, unpack, write_block
from updraft_key.synthetic_data.spec import INGREDIENTS, SceneError

SMALL = Settings(size=64)


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """In this process: stand-in ingredients and the splatting renderer."""
    monkeypatch.setattr(blocks, "_stock", StandIn)
    monkeypatch.setattr(blocks, "_renderer", lambda size, samples, variant: PointRenderer(size, 2.0))


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_set_is_made_and_read_back(tmp_path: Path) -> None:
    tally = generate(tmp_path, SMALL, 12, block=2, quiet=True)
    records = read_labels(tmp_path)
    assert tally.failures == 0
    assert len(records) == tally.pictures == len(list((tmp_path / "pictures").iterdir())) >= 10
    assert [r["seed"] for r in records] == sorted(r["seed"] for r in records)
    for r in records:
        assert read_picture(tmp_path, r).shape == (64, 64, 3)
        assert set(r) >= {
            "file", "seed", "split", "kind", "era", "view", "mirrored", "finish", "scene", "width", "height",
            "ingredients", "subject_box", "cues", "screw_count", "all_screws", "visible", "boxes", "landmarks",
            "handle", "ambiguous", "glimpsed",
        }  # fmt: skip
    assert len(tally.lines()) == 7


def test_a_set_for_ablations_shows_every_shot_whole_and_without_each_ingredient(tmp_path: Path) -> None:
    settings = replace(SMALL, ablation=True, views=2)
    made = []

    class Counted(StandIn):
        def carburetor(self, era: str, casting: str, seed: int, split: str) -> Model:
            made.append(seed)
            return super().carburetor(era, casting, seed, split)

    block = render_block(Job(settings, 0, 6), Counted(), PointRenderer(64, 2.0))
    assert not block.failures
    assert plan(settings, 0, 60, 2) == [Job(settings, 0, 2), Job(settings, 2, 2), Job(settings, 4, 2)]
    assert len(made) == len({r["seed"] // 10 for r in block.records if r["kind"] == "updraft_carburetor"})
    of_seed = {r["seed"]: r for r in block.records}
    pairs = 0
    for seed, record in of_seed.items():
        off = [name for name, there in record["ingredients"].items() if not there]
        assert off == ([] if seed % WAYS == 0 else [INGREDIENTS[seed % WAYS - 1]])
        whole = of_seed.get(seed - seed % WAYS)
        if whole and off and off != ["distractors"]:  # what stands before the subject hides some of it
            other = {"file", "seed", "ingredients"}
            if off == ["materials"]:  # one grey says nothing of metal and finish
                other |= {"finish", "ambiguous", "cues"}
            assert {k: record[k] for k in record.keys() - other} == {k: whole[k] for k in record.keys() - other}
            pairs += 1
    assert pairs >= 20
    same = scene_of("train", 0, 2)
    assert with_and_without(same)[0] == replace(same, materials=True, light_on=True, distractors=True, backgrounds=True)


def test_stopped_and_resumed_is_the_same_set(tmp_path: Path) -> None:
    whole, halves = tmp_path / "a", tmp_path / "b"
    generate(whole, SMALL, 24, block=2, quiet=True)
    assert generate(halves, SMALL, 24, block=2, quiet=True, stop_after=0.0).pictures == 0
    generate(halves, SMALL, 8, block=2, quiet=True)
    again = generate(halves, SMALL, 24, block=2, quiet=True)
    assert 0 < again.pictures < 24
    assert contents(whole) == contents(halves)
    assert generate(halves, SMALL, 24, block=2, quiet=True).pictures == 0


def test_processes_that_end_together_leave_all_labels(tmp_path: Path) -> None:
    generate(tmp_path, SMALL, 24, block=2, quiet=True)
    before = contents(tmp_path)
    with ProcessPoolExecutor(4, mp_context=get_context("spawn")) as crew:
        counts = list(crew.map(finish_labels, [tmp_path] * 200))
    assert set(counts) == {len(read_labels(tmp_path))}
    assert contents(tmp_path) == before


def test_a_half_written_block_is_made_again(tmp_path: Path) -> None:
    generate(tmp_path, SMALL, 8, block=1, quiet=True)
    before = contents(tmp_path)
    marker = sorted((tmp_path / "blocks").iterdir())[0]
    marker.unlink()
    next((tmp_path / "pictures").iterdir()).write_bytes(b"cut sho")
    (tmp_path / "pictures" / ".x.jpg.part").write_bytes(b"left over")
    generate(tmp_path, SMALL, 8, block=1, quiet=True)
    after = contents(tmp_path)
    after.pop(os.path.join("pictures", ".x.jpg.part"))
    first = json.loads(marker.read_text().splitlines()[0])["file"]
    assert after[f"pictures/{first}"] == before[f"pictures/{first}"]


def test_block_size_does_not_change_pictures(tmp_path: Path) -> None:
    generate(tmp_path / "a", SMALL, 16, block=1, quiet=True)
    generate(tmp_path / "b", SMALL, 16, block=4, quiet=True)
    a, b = contents(tmp_path / "a"), contents(tmp_path / "b")
    assert a["labels.jsonl"] == b["labels.jsonl"]
    assert {k: v for k, v in a.items() if k.startswith("pictures")} == {
        k: v for k, v in b.items() if k.startswith("pictures")
    }


def test_other_settings_are_refused(tmp_path: Path) -> None:
    generate(tmp_path, SMALL, 4, quiet=True)
    with pytest.raises(SceneError, match="other settings"):
        generate(tmp_path, replace(SMALL, camera=1.0), 4, quiet=True)


def test_camera_changes_pictures_and_not_labels(tmp_path: Path) -> None:
    generate(tmp_path / "off", SMALL, 8, quiet=True)
    generate(tmp_path / "on", replace(SMALL, camera=1.0), 8, quiet=True)
    off, on = contents(tmp_path / "off"), contents(tmp_path / "on")
    assert off["labels.jsonl"] == on["labels.jsonl"]
    assert all(off[k] != on[k] for k in off if k.startswith("pictures"))


def test_a_dask_scheduler_makes_the_same_set(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    generate(tmp_path / "here", SMALL, 16, block=1, quiet=True)
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as cluster:
        tally = generate(tmp_path / "there", SMALL, 16, block=1, engine=f"dask:{cluster.scheduler_address}", quiet=True)
    assert tally.failures == 0
    assert contents(tmp_path / "here") == contents(tmp_path / "there")


def test_shards_hold_the_same_set(tmp_path: Path) -> None:
    generate(tmp_path / "plain", SMALL, 16, block=2, quiet=True)
    generate(tmp_path / "tars", SMALL, 16, block=2, quiet=True, shards=True)
    shards = sorted((tmp_path / "tars" / "shards").iterdir())
    assert len(shards) == 2 and all(s.stat().st_size <= SHARD_BYTES for s in shards)
    assert not (tmp_path / "tars" / "pictures").exists()
    count = unpack(tmp_path / "tars" / "shards", tmp_path / "out")
    plain, out = contents(tmp_path / "plain"), contents(tmp_path / "out")
    assert count == len(read_labels(tmp_path / "plain"))
    assert out["labels.jsonl"] == plain["labels.jsonl"]
    assert all(out[k] == plain[k] for k in plain if k.startswith("pictures"))


def test_big_blocks_become_several_tars(tmp_path: Path) -> None:
    pictures = tuple((f"train-{i:07d}.jpg", bytes(4 * 2**20)) for i in range(9))
    records = tuple({"split": "train", "seed": i, "file": n} for i, (n, _) in enumerate(pictures))
    write_block(tmp_path, Block(Job(SMALL, 0, 3), pictures, records, {}), shards=True)
    tars = sorted((tmp_path / "shards").iterdir())
    assert len(tars) == 3 and all(t.stat().st_size <= SHARD_BYTES for t in tars)
    assert unpack(tmp_path / "shards", tmp_path / "out") == 9
    assert len(list((tmp_path / "out" / "pictures").iterdir())) == 9


def test_unpacking_takes_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "evil.txt").write_text("x")
    with tarfile.open(tmp_path / "a.tar", "w") as tar:
        for name in ("../evil.jpg", "pictures/../../evil.jpg", "/etc/evil.jpg", "pictures/evil.sh", "pictures/a.jpg"):
            tar.add(tmp_path / "evil.txt", arcname=name)
    unpack(tmp_path, tmp_path / "out")
    made = {str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*") if p.is_file()}
    assert made == {"evil.txt", "a.tar", "out/pictures/a.jpg", "out/labels.jsonl"}


class Failing(StandIn):
    """Cannot build one scene."""

    def surroundings(self, pick: float, split: str) -> np.ndarray:
        if pick == scene_of("train", 2).light.environment:
            raise ValueError("no such sky")
        return super().surroundings(pick, split)


def test_one_bad_scene_does_not_take_the_others() -> None:
    block = render_block(Job(SMALL, 2, 3), Failing(), PointRenderer(64, 2.0))
    assert len(block.failures) == 1
    assert "scene 2 of train" in block.failures[0] and "no such sky" in block.failures[0]
    assert {r["seed"] // 4 for r in block.records} == {3, 4}


class Blinding(PointRenderer):
    """Gives one pixel that is not a number."""

    def shoot(self, pose: Pose, seed: int) -> Passes:
        passes = super().shoot(pose, seed)
        passes.linear[3, 4, 1] = np.nan
        return passes


def test_no_picture_is_made_of_what_is_not_a_number() -> None:
    block = render_block(Job(SMALL, 3, 1), StandIn(), Blinding(64, 2.0))
    assert not block.pictures and not block.records
    assert len(block.failures) == 1 and "finite radiance" in block.failures[0]


def test_plan_covers_every_picture_once() -> None:
    jobs = plan(SMALL, 10, 50, 4)
    scenes = [i for j in jobs for i in range(j.first, j.first + j.scenes)]
    assert scenes == list(range(10, 23))
    assert len({j.name for j in jobs}) == len(jobs)


def test_settings_and_engines_are_checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for bad in ({"split": "test"}, {"size": 8}, {"samples": 0}, {"quality": 101}):
        with pytest.raises(SceneError):
            Settings(**bad)
    with pytest.raises(SceneError, match="engine"):
        list(run_jobs([], 0, 0, "cloud", 0.0))
    assert main(["--out", str(tmp_path), "--count", "4", "--size", "8"]) == 1
    assert "size: expected 32 to 4096, got 8" in capsys.readouterr().err


def test_command_line_says_how_fast(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--out", str(tmp_path), "--count", "4", "--size", "64"]) == 0
    told = capsys.readouterr()
    assert told.out == "" and "a second" in told.err and "modelling" in told.err


def test_sheet_and_gallery(tmp_path: Path) -> None:
    generate(tmp_path / "set", SMALL, 12, quiet=True)
    records = read_labels(tmp_path / "set")
    assert sheet(tmp_path / "set", records[:5], columns=3, size=80).shape == (160, 240, 3)
    one = {**records[0], "era": "iron", "view": "left", "subject_area": 0.3, "casting": "whole"}
    rows = sides(tmp_path / "set", [one], "iron", columns=2, size=40)
    assert rows.shape == (8 * 40, 76 + 2 * 40, 3)
    row = VIEWS.index("left")
    assert rows[row * 40 : row * 40 + 40, 76:116].std() > 0 and rows[:, 116:].min() == 255
    assert write_gallery(tmp_path / "set", tmp_path / "gallery", page=5) == -(-len(records) // 5)
    page = (tmp_path / "gallery" / "page-000.html").read_text()
    assert page.count("<img") == 5 and "http" not in page and "<script" not in page
    index = (tmp_path / "gallery" / "index.html").read_text()
    assert f"{len(records)} pictures" in index


def _mitsuba() -> None:
    pytest.importorskip("skimage")
    pytest.importorskip("mitsuba")
    from updraft_key.model.errors import MissingExtra
    from updraft_key.synthetic_data.render import Renderer

    try:
        Renderer(32, 1)
    except MissingExtra as error:
        pytest.skip(str(error))


@pytest.mark.render
def test_the_real_renderer_agrees_with_projection_and_repeats_itself() -> None:
    _mitsuba()
    from updraft_key.synthetic_data.render import Renderer

    spec = replace(
        sample_scene(scene_rng("train", 16), "train", 16), place="hand", distractors=False, backdrop="photograph"
    )
    stage = build_stage(spec, StandIn())
    shot = replace(spec.shots[0], azimuth=30.0, elevation=25.0, fraction=0.8, shift=(0.0, 0.0), distance=500.0)
    pose = pose_of(stage, shot)
    real, splat = Renderer(128, 2), PointRenderer(128, 0.4)
    for r in (real, splat):
        r.load(stage)
    one, two = real.shoot(pose, 7), splat.shoot(pose, 7)
    assert (one.owner == two.owner).mean() > 0.97
    both = (one.owner >= 0) & (two.owner >= 0)
    assert np.nanmedian(np.linalg.norm(one.point - two.point, axis=2)[both]) < 3.0
    assert ((one.behind > 0.5) == (one.owner < 0)).mean() > 0.98
    again = real.shoot(pose, 7)
    assert np.array_equal(one.linear, again.linear)
    assert not np.array_equal(one.linear, real.shoot(pose, 8).linear)


@pytest.mark.render
def test_real_units_by_two_processes_equal_those_by_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _mitsuba()
    monkeypatch.undo()
    settings = Settings(size=48, samples=1, views=1)
    one = generate(tmp_path / "one", settings, 3, block=1, quiet=True)
    two = generate(tmp_path / "two", settings, 3, block=1, processes=2, quiet=True)
    assert one.failures == two.failures == 0
    assert one.pictures == two.pictures > 0
    assert contents(tmp_path / "one") == contents(tmp_path / "two")
