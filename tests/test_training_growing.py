"""A set that grows while it is trained on: what lies in memory is what a whole load would hold, and no row twice."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import fields, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch")

from updraft_key.training.config import TrainConfig, smoke_config  # noqa: E402
from updraft_key.training.data import Labels, load_dataset  # noqa: E402
from updraft_key.training.growing import Growing, fill  # noqa: E402
from updraft_key.training.loop import here, train  # noqa: E402
from updraft_key.training.smoke import draw_toy_set  # noqa: E402

pytestmark = pytest.mark.train
SIDE = 160


@pytest.fixture
def rendered(tmp_path: Path) -> Path:
    """A set as the renderer leaves it: pictures, and a label file a block."""
    draw_toy_set(tmp_path / "set", 24, np.random.default_rng(0))
    (tmp_path / "set" / "blocks").mkdir()
    for number, line in enumerate((tmp_path / "set" / "labels.jsonl").read_text().splitlines()):
        (tmp_path / "set" / "blocks" / f"train-{number:06d}-1.jsonl").write_text(line + "\n")
    (tmp_path / "plain").mkdir()
    cv2.imwrite(str(tmp_path / "plain" / "wall.png"), np.full((90, 60, 3), 200, np.uint8))
    return tmp_path


def settings(folder: Path) -> TrainConfig:
    given = smoke_config((str(folder / "set"),), str(folder / "run"))
    return replace(given, backdrops=(str(folder / "plain"),), cache_side=SIDE, held=())


def test_what_was_laid_in_two_goes_by_two_processes_is_what_one_load_holds(rendered: Path) -> None:
    config, over = settings(rendered), rendered / "over"
    growing = Growing(rendered / "cache", SIDE, 100, torch.device("cpu"))
    assert len(growing.take()[0].labels) == 0
    late = sorted((rendered / "set" / "blocks").iterdir())[10:]
    hidden = {path: path.read_text() for path in late}
    for path in late:
        path.unlink()
    workers = [threading.Thread(target=fill, args=(config, rendered / "cache", i, 2, over)) for i in range(2)]
    for worker in workers:
        worker.start()
    until = time.monotonic() + 60
    while len(growing.take()[0].labels) < 11 and time.monotonic() < until:
        time.sleep(0.05)
    assert len(growing.take()[0].labels) == 11  # ten and the backdrop
    for path, text in hidden.items():
        path.write_text(text)
    over.touch()
    for worker in workers:
        worker.join(60)
    data, pixels = growing.take()
    again, _ = growing.take()
    whole = load_dataset([rendered / "set"], [rendered / "plain"], side=SIDE, workers=1)
    assert data.files == again.files and sorted(data.files) == sorted(whole.files)
    assert len(data.backdrops) == len(whole.backdrops)
    for mine, file in enumerate(data.files):
        theirs = whole.files.index(file)
        for field in fields(Labels):
            np.testing.assert_array_equal(
                getattr(data.labels, field.name)[mine], getattr(whole.labels, field.name)[theirs], err_msg=field.name
            )
        np.testing.assert_array_equal(data.block.to_block[mine], whole.block.to_block[theirs])
        picture = whole.block.pixels[theirs]
        np.testing.assert_array_equal(pixels[mine, :, : picture.shape[1], : picture.shape[2]].numpy(), picture)


def test_it_takes_no_more_than_it_has_room_for(rendered: Path) -> None:
    (rendered / "over").touch()
    assert fill(settings(rendered), rendered / "cache", 0, 1, rendered / "over") == 25
    growing = Growing(rendered / "cache", SIDE, 7, torch.device("cpu"))
    assert [len(growing.take()[0].labels) for _ in range(2)] == [7, 7]


def test_each_picture_is_changed_once_with_a_number_of_its_own(rendered: Path) -> None:
    (rendered / "over").touch()
    numbers: list[int] = []

    def change(picture: np.ndarray, number: int) -> np.ndarray:
        numbers.append(number)
        return picture

    for part in range(3):
        fill(settings(rendered), rendered / "cache", part, 3, rendered / "over", change)
    assert len(numbers) == len(set(numbers)) == 25


def test_training_takes_up_what_has_come_between_its_epochs(rendered: Path) -> None:
    config = settings(rendered)
    (rendered / "over").touch()
    fill(config, rendered / "cache", 0, 1, rendered / "over")
    growing = Growing(rendered / "cache", SIDE, 100, torch.device("cpu"))
    rows = rendered / "cache" / "0.rows"
    lines = rows.read_text().splitlines(keepends=True)
    rows.write_text("".join(lines[:9]))
    seen: list[int] = []

    def take() -> tuple[object, torch.Tensor]:
        data, pixels = growing.take()
        seen.append(len(data.labels))
        if len(seen) == 2:
            rows.write_text("".join(lines))
        return data, pixels

    train(config, here(), take)
    assert seen[0] == seen[1] == 9 and seen[-1] == 25
    steps = [json.loads(line)["step"] for line in (Path(config.out) / "log.jsonl").read_text().splitlines()]
    assert steps == [2, 2 + 4]  # 9 and 25 pictures in batches of 8
