"""COCO export: the format's own reader loads it and finds every box and point."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from stand_in import PointRenderer, StandIn
from updraft_key.synthetic_data.blocks import Job, Settings, render_block
from updraft_key.synthetic_data.coco import KEYPOINTS, PARTS, to_coco

COCO = pytest.importorskip("pycocotools.coco").COCO


@pytest.fixture(scope="module")
def records() -> list[dict]:
    block = render_block(Job(Settings(size=160), 0, 8), StandIn(), PointRenderer(160))
    assert not block.failures
    return json.loads(json.dumps(list(block.records)))


def test_the_formats_own_reader_loads_it(records: list[dict], tmp_path: Path) -> None:
    path = tmp_path / "set.json"
    path.write_text(json.dumps(to_coco(records)))
    coco = COCO(str(path))
    assert len(coco.getImgIds()) == len(records)
    whole = coco.getCatIds(catNms=["carburetor"])
    found = coco.loadAnns(coco.getAnnIds(catIds=whole))
    subjects = [r for r in records if r["subject_box"]]
    assert len(found) == len(subjects) > 8
    for annotation, record in zip(found, subjects, strict=True):
        image = coco.loadImgs(annotation["image_id"])[0]
        assert image["file_name"] == record["file"] and image["seed"] == record["seed"]
        assert image["scene"] == record["scene"]
        x, y, w, h = annotation["bbox"]
        assert [x, y, x + w, y + h] == pytest.approx(record["subject_box"])
        assert len(annotation["keypoints"]) == 3 * len(KEYPOINTS)
        marks = sum(len(v) if k == "screw" else 1 for k, v in record["landmarks"].items())
        assert annotation["num_keypoints"] == marks
        assert coco.annToMask({**annotation, "segmentation": [[x, y, x + w, y, x + w, y + h, x, y + h]]}).any()


def test_parts_are_annotated_by_kind(records: list[dict]) -> None:
    data = to_coco(records)
    names = {c["id"]: c["name"] for c in data["categories"]}
    said = [names[a["category_id"]] for a in data["annotations"]]
    screws = sum(k.startswith("joint_screw_") for r in records for k in r["boxes"])
    assert said.count("joint_screw") == screws > 0
    assert set(said) - {"carburetor"} <= set(PARTS)
    assert [a["id"] for a in data["annotations"]] == list(range(1, len(said) + 1))
