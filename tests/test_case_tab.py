"""The tab of kept cases without a browser: nothing of it without a store, nothing believed that a request carries."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from answers import Shot, case
from fake_engine import FakeEngine
from live import running
from PIL import Image
from updraft_key.app.case_tab import PICTURES, CaseTab, Opened
from updraft_key.app.controls import Controls
from updraft_key.app.gate import DRAWING
from updraft_key.app.server import ServerSettings
from updraft_key.app.store import KeptPhoto, Store
from updraft_key.model.cues import Cue

pytestmark = pytest.mark.web
BOARD = "/gradio_api/custom_component/" + "0" * 64 + "/client/component/index.js"


def photo(width: int, height: int, sha: str) -> KeptPhoto:
    out = io.BytesIO()
    Image.fromarray(np.full((height, width, 3), 90, np.uint8)).save(out, "JPEG")
    return KeptPhoto("a.jpg", sha, width, height, out.getvalue())


@pytest.fixture
def tab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[CaseTab]:
    import gradio as gr

    monkeypatch.setenv("GRADIO_TEMP_DIR", str(tmp_path))
    store = Store(tmp_path / "c.sqlite")
    answer = case(Shot({Cue.FRONT_EAR: "bare"}), Shot({Cue.MAIN_JET: "plug"}, file="two.jpg")).to_json()
    shots = [photo(3200, 2400, answer["photos"][0]["sha256"]), photo(300, 400, answer["photos"][1]["sha256"])]
    store.keep(answer, shots, kept_at="2026-11-25T10:00:00+00:00", title="<script>")
    made = CaseTab(Controls(), store)
    with gr.Blocks():
        made.lay_out()
    yield made
    store.close()


def sent(*corners: float) -> dict[str, object]:
    box = dict(zip(("xmin", "ymin", "xmax", "ymax"), corners, strict=True))
    return {"image": {"path": "/etc/passwd"}, "boxes": [{"label": "joint screw", **box}]}


def test_a_large_photo_is_drawn_on_smaller_and_its_boxes_kept_in_its_own_pixels(tab: CaseTab) -> None:
    out = tab._open(1, "en")
    opened = out[tab.opened]
    tab._save(None, sent(100, 50, 200, 150), opened, "en")
    (mark,) = tab.store.get(1).photos[0].marks or ()
    assert mark == {"part": "joint_screw", "box": [200, 100, 400, 300]}
    (file,) = tab.folder.glob("*.jpg")
    assert max(Image.open(file).size) == 1600


def test_going_to_another_photo_saves_this_one_and_another_part_keeps_the_boxes(tab: CaseTab) -> None:
    opened = tab._open(1, "en")[tab.opened]
    drawn = tab._draw("tube", None, sent(100, 50, 200, 150), opened, "en")
    assert drawn[tab.opened].board != opened.board, "the boards are swapped, so that the new one names after the tube"
    assert len(drawn[tab.opened].marks) == 1
    assert not tab.store.get(1).photos[0].marks, "nothing is written yet"
    there = tab._turn_to(1, sent(100, 50, 200, 150), None, drawn[tab.opened], "en")[tab.opened]
    assert there.photo == 1 and there.marks == ()
    assert len(tab.store.get(1).photos[0].marks or ()) == 1


def test_a_board_that_only_appears_leaves_the_numbers_that_are_being_typed(tab: CaseTab) -> None:
    opened = tab._open(1, "en")[tab.opened]
    nothing = {"image": {"path": "a.jpg"}, "boxes": []}
    assert list(tab._follow(None, nothing, opened, "en")) == [tab.form.boxes]
    drawn = tab._follow(None, sent(100, 50, 200, 150), opened, "en")
    assert all(drawn[edge] == "" for edge in tab.form.edges), "a box drawn with a finger starts the list anew"
    laid = tab._draw("tube", None, sent(100, 50, 200, 150), opened, "en")[tab.opened]
    assert list(tab._follow(sent(100, 50, 200, 150), None, laid, "de")) == [tab.form.boxes]
    assert tab.form.edges[0] in tab._follow(sent(100, 50, 230, 150), None, laid, "en"), "a moved box does, too"


@pytest.mark.parametrize("number", [None, "1", 99, True, 1.0, [1]])
def test_a_case_that_is_not_there_opens_nothing(tab: CaseTab, number: object) -> None:
    assert tab._open(number, "en")[tab.opened] == Opened()


@pytest.mark.parametrize("value", [None, {}, {"boxes": [{"label": "x"}]}, sent(1, 2, float("inf"), 4)])
def test_forged_boxes_change_nothing(tab: CaseTab, value: object) -> None:
    opened = tab._open(1, "de")[tab.opened]
    said = tab._save(value, value, opened, "de")[tab.note]
    assert "kamen nicht" in said and tab.store.get(1).photos[0].marks is None


def test_an_unknown_truth_or_no_reason_confirms_nothing(tab: CaseTab) -> None:
    opened = tab._open(1, "en")[tab.opened]
    for truth, how in (("iron", ""), ("wood", "kit fitted"), ("unknown", "kit fitted")):
        assert "Say what it proved" in tab._record(truth, how, None, opened, "en")[tab.note]
    assert tab.store.get(1).truth is None
    tab._record("iron", "  magnet\n tried ", None, opened, "en")
    assert (tab.store.get(1).truth, tab.store.get(1).truth_how) == ("iron", "magnet tried")


def test_only_so_many_pictures_lie_on_the_disk(tab: CaseTab) -> None:
    for _ in range(PICTURES + 5):
        tab._open(1, "en")
    assert len(list(tab.folder.glob("*.jpg"))) == PICTURES


def test_titles_are_text(tab: CaseTab) -> None:
    head = tab._open(1, "en")[tab.head]
    assert "&lt;script&gt;" in head and "<script" not in head


def test_a_server_without_a_store_has_no_cases_and_no_board() -> None:
    with running(ServerSettings(per_minute=1000), FakeEngine()) as live, live.client() as client:
        assert "uk-board-0" not in client.get("/config").text and '"uk-keep"' not in client.get("/config").text
        assert client.get(BOARD).status_code == 404


def test_a_server_with_a_store_still_gives_out_no_other_file(tmp_path: Path) -> None:
    settings = ServerSettings(per_minute=1000, cases=str(tmp_path / "c.sqlite"))
    with running(settings, FakeEngine()) as live, live.client() as client:
        assert "uk-board-0" in client.get("/config").text
        for path in ("/gradio_api/file=/etc/passwd", f"/gradio_api/file={tmp_path / 'c.sqlite'}"):
            assert client.get(path).status_code == 404
        lying = f"/gradio_api/file=/tmp/updraft-key-x/cases/{'a' * 24}.jpg"
        assert client.get(lying).status_code in (403, 404), "the framework serves its own folders only"


@pytest.mark.parametrize(
    "path",
    [
        "/gradio_api/file=/etc/updraft-key-x/cases/../../passwd", "/gradio_api/file=/tmp/updraft-key-x/cases/a.jpg",
        "/gradio_api/file=http://a.example/updraft-key-x/cases/" + "a" * 24 + ".jpg?x",
        "/gradio_api/custom_component/x/client/component/index.js", BOARD.replace("client", "server"),
        BOARD.replace("index.js", "../index.js"),
    ],
)  # fmt: skip
def test_paths_that_the_board_does_not_need_are_not_let_through(path: str) -> None:
    assert DRAWING.fullmatch(path) is None
