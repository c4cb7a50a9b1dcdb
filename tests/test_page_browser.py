"""The page in a real browser, at a phone's and a desk's size, with a painted-picture engine instead of the network.

Screenshots go to ``artefacts/page/`` (not in git). axe-core comes from npm (``npm pack axe-core``, see DEVELOPERS.md);
without it the accessibility test is skipped.
"""

from __future__ import annotations

import json
import os
import re
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import ARTEFACTS, CHROMIUM, PHONE, WIDE, Visit, launched, open_page, sync_api
from fake_engine import FakeEngine, painted
from live import Live, running
from updraft_key.app.engine import IdentifierEngine, ReadPhoto, Told
from updraft_key.app.server import ServerSettings
from updraft_key.app.words import verdict_sentence
from updraft_key.model.photo import Photo, open_photo

pytestmark = pytest.mark.web
if not CHROMIUM.exists():
    pytest.skip("Debian's chromium is not installed", allow_module_level=True)
ROOT = Path(__file__).parent.parent
AXE = ROOT / ".cache" / "axe" / "package" / "axe.min.js"
SIZES = [PHONE, WIDE]


KEEP_PROGRESS = """
window.told = [];
const keep = () => document.querySelectorAll(".uk-progress p").forEach((p) => {
  if (!window.told.includes(p.textContent)) window.told.push(p.textContent);
});
new MutationObserver(keep).observe(document.body, {subtree: true, childList: true, characterData: true});
"""
"""Keeps every text of the progress that the page shows, in its order."""


@pytest.fixture(scope="module")
def engine() -> FakeEngine:
    return FakeEngine()


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cases") / "cases.sqlite"


@pytest.fixture(scope="module")
def live(engine: FakeEngine, cases: Path) -> Iterator[Live]:
    with running(ServerSettings(costly_per_minute=600, per_minute=6000, cases=str(cases)), engine) as server:
        yield server


@pytest.fixture(scope="module")
def browser() -> Iterator[sync_api.Browser]:
    with launched() as opened:
        yield opened


@pytest.fixture(params=SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def visit(request: pytest.FixtureRequest, browser: sync_api.Browser, live: Live) -> Iterator[Visit]:
    opened = open_page(browser, live.url, request.param)
    yield opened
    opened.page.context.close()
    assert opened.hosts <= {f"127.0.0.1:{live.port}", "-"}, "a request left this machine"
    assert opened.errors == []


def test_an_owner_gets_from_photos_to_a_settled_answer(visit: Visit, engine: FakeEngine) -> None:
    page = visit.page
    visit.shot("0-start")
    assert visit.fits()
    visit.upload(("side.jpg", painted("unclear")))
    visit.verdict("all three kinds")
    assert page.locator("#uk-ask svg.uk-sketch").count() == 1
    assert page.locator("#uk-photo-1 img").evaluate("i => i.naturalWidth > 0")
    visit.shot("1-open")
    lying = [p for p in Path(os.environ["GRADIO_TEMP_DIR"]).rglob("*") if p.is_file() and p.parent.name != "cases"]
    lying = [p for p in lying if p.stat().st_size]
    assert lying == [], "no original may lie on the disk"
    reads = engine.reads
    page.click("#uk-magnet-holds")
    visit.verdict("iron body")
    assert engine.reads == reads, "the magnet must not run the network again"
    assert "\u2713" in page.inner_text("#uk-magnet-holds")
    visit.shot("2-magnet")
    page.click("#uk-magnet-holds")  # taken back
    visit.verdict("all three kinds")
    page.click("#uk-magnet-falls")
    visit.verdict("only two kinds")
    visit.upload(("front.jpg", painted("alloy5")))
    visit.verdict("five screws")
    page.locator("#uk-photo-2 img").wait_for()
    visit.shot("3-named")
    assert visit.fits()


def test_the_first_screen_of_a_phone_holds_verdict_question_and_picture(browser: sync_api.Browser, live: Live) -> None:
    """Nothing has to be scrolled for the sentence, the magnet's buttons and the marked picture."""
    for scheme, upright in (("light", (800, 600)), ("dark", (600, 800))):
        visit = open_page(browser, live.url, SIZES[0], scheme)
        visit.upload(("side.jpg", painted("unclear", upright)))
        visit.verdict("all three kinds")
        page = visit.page
        page.locator("#uk-photo-1 img").wait_for()
        page.wait_for_timeout(500)
        assert page.evaluate("window.scrollY") == 0
        for seen in ("#uk-verdict h2", "#uk-magnet-holds", "#uk-magnet-weak", "#uk-photo-1 .uk-frame"):
            box = page.locator(seen).bounding_box()
            assert box and box["y"] >= 0 and box["y"] + box["height"] <= 844, seen
        drawing = page.locator(".uk-how-area svg").bounding_box()
        assert drawing and drawing["y"] > 844
        page.get_by_text("Deutsch").click()
        visit.verdict("Noch nicht geklärt")
        box = page.locator("#uk-photo-1 .uk-frame").bounding_box()
        assert box and box["y"] + box["height"] <= 844, "in German too"
        page.screenshot(path=ARTEFACTS / f"390-first-screen-{scheme}.png")
        page.context.close()


def pull(page: sync_api.Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Draw with one finger."""
    finger = page.context.new_cdp_session(page)
    steps = [(start[0] + (end[0] - start[0]) * i / 8, start[1] + (end[1] - start[1]) * i / 8) for i in range(9)]
    for i, (x, y) in enumerate(steps):
        kind = "touchMove" if i else "touchStart"
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    finger.detach()


def test_a_confirmed_case_takes_boxes_drawn_with_a_finger_and_exports_them(
    visit: Visit, cases: Path, tmp_path: Path
) -> None:
    from updraft_key.app.cases import export
    from updraft_key.app.store import Store

    page, title = visit.page, f"Order <b> {visit.width}"
    visit.upload(("front.jpg", painted("alloy5")), ("side.jpg", painted("alloy_side")))
    visit.verdict("five screws")
    page.get_by_label("Name or number").fill(title)
    page.click("#uk-keep")
    page.get_by_text("Kept as case").wait_for()
    assert not page.locator("#uk-keep").is_enabled(), "the same answer is kept once"
    page.click("[role=tab][data-tab-id=cases]")
    page.get_by_label("Words of the title or the notes").fill(str(visit.width))
    page.click("#uk-case-seek")
    page.locator("#uk-case-list label", has_text=title).click()
    page.locator("#uk-case-truth").get_by_text("alloy body, five screws").click()
    page.click("#uk-case-record")
    page.get_by_text("how it was found out.").wait_for()
    page.get_by_label("How it was found out").fill("kit fitted")
    page.click("#uk-case-record")
    page.locator("#uk-case-head", has_text="Proved to be: alloy body, five screws (kit fitted)").wait_for()
    board = page.locator(".uk-board canvas")
    board.wait_for()

    def draw(kind: str, box: tuple[float, float, float, float]) -> None:
        """Draw a box given in shares of the picture's width and height."""
        page.locator("#uk-case-kind").get_by_text(kind, exact=True).click()
        page.wait_for_timeout(800)
        page.get_by_role("button", name="Draw a box").click()
        board.scroll_into_view_if_needed()
        at = board.bounding_box()
        assert at
        shown = min(at["width"], 800)  # a picture that is smaller than the board stands in its middle
        left = at["x"] + (at["width"] - shown) / 2
        x, y = [left + shown * v for v in box[::2]], [at["y"] + at["height"] * v for v in box[1::2]]
        pull(page, (x[0], y[0]), (x[1], y[1]))
        page.wait_for_timeout(300)

    draw("ear with a screw", (0.3, 0.2, 0.5, 0.4))
    draw("joint screw", (0.1, 0.6, 0.2, 0.7))
    visit.shot("12-drawing")
    page.click("#uk-case-save")
    page.get_by_text("Saved for photo 1. Boxes: 2.").wait_for()
    page.locator("#uk-case-photo").get_by_text("Photo 2").click()
    page.wait_for_timeout(800)
    draw("scavenge tube", (0.5, 0.5, 0.6, 0.9))
    page.locator("#uk-case-photo").get_by_text("Photo 1").click()  # what was drawn is saved on the way
    page.wait_for_timeout(800)
    assert visit.fits()

    store = Store(cases)
    assert export(store, tmp_path) == 2 * len(list(store.cases()))
    store.close()
    coco = json.loads((tmp_path / "coco.json").read_text("utf-8"))
    mine = [i for i in coco["images"] if i["case"] == max(i["case"] for i in coco["images"])]
    names = {c["id"]: c["name"] for c in coco["categories"]}
    boxes = {
        (m, names[a["category_id"]]): a["bbox"]
        for m, image in enumerate(mine)
        for a in coco["annotations"]
        if a["image_id"] == image["id"]
    }
    assert boxes == {
        (0, "front_ear"): pytest.approx([240, 120, 160, 120], abs=6),
        (0, "joint_screw"): pytest.approx([80, 360, 80, 60], abs=6),
        (1, "scavenge_tube"): pytest.approx([400, 300, 80, 240], abs=6),
    }
    assert mine[0]["truth"] == "alloy5" and mine[0]["cues"]["front_ear"] == "screwed"
    assert mine[1]["cues"]["scavenge_line"] == "external"
    page.get_by_text("Deutsch").click()
    page.get_by_role("button", name="Rahmen zeichnen").wait_for()


def test_boxes_are_put_in_moved_and_taken_out_by_keyboard_alone(visit: Visit, cases: Path) -> None:
    """No pointer from the opened case on; the list beside the board follows what is drawn with a finger, too."""
    from updraft_key.app.store import Store

    page, title = visit.page, f"By keyboard {visit.width}"
    visit.upload(("front.jpg", painted("alloy5")))
    visit.verdict("five screws")
    page.get_by_label("Name or number").fill(title)
    page.click("#uk-keep")
    page.get_by_text("Kept as case").wait_for()
    page.locator("[role=tab][data-tab-id=cases]").focus()
    page.keyboard.press("Enter")
    page.get_by_label("Words of the title or the notes").fill(title)
    page.keyboard.press("Enter")
    page.locator("#uk-case-list label", has_text=title).wait_for()
    page.locator("#uk-case-list input").first.focus()
    page.keyboard.press("Space")
    page.locator(".uk-board canvas").wait_for()
    fold = page.get_by_role("button", name="Boxes as numbers, for the keyboard")
    fold.focus()
    page.keyboard.press("Enter")
    edges = [page.get_by_label(f"{side} edge") for side in ("Left", "Top", "Right", "Bottom")]
    page.get_by_role("group", name="Boxes in this photo").wait_for()

    def put(*values: str) -> None:
        """Type the four numbers from field to field, then press the button."""
        for _ in range(3):  # a late answer of the server may set the fields once more while they are being filled in
            edges[0].focus()
            for value in values:
                page.keyboard.press("Control+A")
                page.keyboard.type(value)
                page.keyboard.press("Tab")
            page.wait_for_timeout(600)
            if [edge.input_value() for edge in edges] == list(values):
                break
        assert page.evaluate("document.activeElement.id") == "uk-box-put", "Tab leads from the fields to the button"
        page.keyboard.press("Enter")

    put("10", "60", "20", "70")
    page.locator("#uk-box-list", has_text="1 \u00b7 joint screw: 10 to 20 % across, 60 to 70 % down").wait_for()
    page.get_by_text("Boxes: 1. They are not saved yet.").wait_for()
    put("70", "60", "20", "70")
    page.get_by_text("That is no box").wait_for()
    page.locator("#uk-case-kind input").first.focus()
    for _ in range(2):  # joint screw, bare ear, screwed ear
        page.keyboard.press("ArrowDown")
        page.wait_for_timeout(600)
    put("30", "20", "50", "40")
    page.locator("#uk-box-list", has_text="1 \u00b7 ear with a screw: 30 to 50 % across").wait_for()
    page.locator("#uk-box-list input").nth(2).focus()
    page.keyboard.press("Space")
    sync_api.expect(edges[0]).to_have_value("10")
    put("11.5", "60", "21.5", "70")
    page.locator("#uk-box-list", has_text="2 \u00b7 joint screw: 12 to 22 % across").wait_for()

    board = page.locator(".uk-board canvas")
    page.get_by_role("button", name="Draw a box").click()
    board.scroll_into_view_if_needed()
    at = board.bounding_box()
    assert at
    left, shown = at["x"] + (at["width"] - min(at["width"], 800)) / 2, min(at["width"], 800)
    pull(page, (left + shown * 0.6, at["y"] + at["height"] * 0.6), (left + shown * 0.8, at["y"] + at["height"] * 0.9))
    page.locator("#uk-box-list", has_text="1 \u00b7 ear with a screw: 60 to 80 % across").wait_for()
    page.get_by_text("Boxes: 3. They are not saved yet.").wait_for()
    visit.shot("16-boxes-as-numbers")
    page.locator("#uk-box-list input").nth(1).focus()
    page.keyboard.press("Space")
    sync_api.expect(edges[0]).to_have_value(re.compile(r"60|59\.\d|60\.\d"))
    page.locator("#uk-box-away").focus()
    page.keyboard.press("Enter")
    page.locator("#uk-box-list", has_text="3 \u00b7").wait_for(state="hidden")
    page.locator("#uk-case-save").focus()
    page.keyboard.press("Enter")
    page.get_by_text("Saved for photo 1. Boxes: 2.").wait_for()
    assert visit.fits()
    store = Store(cases)
    kept = store.get(next(c.id for c in store.cases() if c.title == title)).photos[0].marks or ()
    store.close()
    assert [(m["part"], m["box"]) for m in kept] == [
        ("front_ear", pytest.approx([240, 120, 400, 240], abs=1)),
        ("joint_screw", pytest.approx([92, 360, 172, 420], abs=1)),
    ]


def test_a_full_line_is_said_in_the_page_s_language(browser: sync_api.Browser) -> None:
    """The framework's own message is English and bare; ours says what to do, in the language that was chosen."""
    hold = threading.Event()

    class Held(FakeEngine):
        def read(self, label: str, photo: Photo) -> ReadPhoto:
            hold.wait(30)
            return super().read(label, photo)

    with running(ServerSettings(costly_per_minute=600, per_minute=6000, workers=1, waiting=1), Held()) as busy:
        others = [open_page(browser, busy.url, SIZES[0]) for _ in range(4)]
        try:
            for one in others[:3]:
                one.upload(("side.jpg", painted("unclear")))
                one.page.wait_for_timeout(500)
            last = others[3]
            last.page.get_by_text("Deutsch").click()
            last.page.get_by_text("Fotos aufnehmen").or_(
                last.page.locator("#uk-upload", has_text="Foto")
            ).first.wait_for()
            last.upload(("side.jpg", painted("unclear")))
            toast = last.page.locator('[data-testid="toast-body"]')
            toast.get_by_text("Gerade werden viele Fotos gelesen").wait_for()
            assert "busy" not in toast.inner_text() and "Error" not in toast.inner_text()
            last.shot("13-busy")
        finally:
            hold.set()
            for one in others:
                one.page.context.close()


def test_turn_remove_and_start_again(visit: Visit, engine: FakeEngine) -> None:
    page = visit.page
    visit.upload(("a.jpg", painted("iron")), ("b.jpg", painted("alloy5")))
    visit.verdict("does not agree")
    visit.shot("4-conflict")
    reads = engine.reads
    wide = "f => { const b = f.getBoundingClientRect(); return b.width > b.height; }"
    assert page.locator("#uk-photo-1 .uk-frame").evaluate(wide)
    page.get_by_role("button", name="Turn photo 1").click()
    page.locator("#uk-photo-1 img[src$='0-1.jpg']").wait_for()
    assert engine.reads == reads + 1
    assert not page.locator("#uk-photo-1 .uk-frame").evaluate(wide)
    page.get_by_role("button", name="Remove photo 2").click()
    visit.verdict("iron body")
    page.locator("#uk-photo-2 img").wait_for(state="hidden")
    page.click("#uk-reset")
    page.locator("#uk-verdict h2").wait_for(state="hidden")
    assert page.get_by_text("Which updraft carburetor is this?").is_visible()


def test_a_reloaded_page_finds_its_answer_again(visit: Visit) -> None:
    page = visit.page
    visit.upload(("a.jpg", painted("alloy4")))
    visit.verdict("four screws")
    page.get_by_role("button", name="What you can check by eye or by hand").click()
    page.get_by_text("yes, a tube").click()
    page.locator("#uk-evidence", has_text="tube seen by eye").wait_for()
    page.reload()
    visit.verdict("four screws")
    page.locator("#uk-photo-1 img").wait_for()
    page.get_by_role("button", name="What you can check by eye or by hand").click()
    assert page.get_by_role("radio", name="yes, a tube").is_checked()
    page.click("#uk-reset")
    page.locator("#uk-verdict h2").wait_for(state="hidden")
    page.reload()
    page.get_by_text("Which updraft carburetor is this?").wait_for()
    assert not page.locator("#uk-verdict h2").is_visible()


def test_hand_tests_without_any_photo(visit: Visit) -> None:
    page = visit.page
    page.get_by_role("button", name="What you can check by eye or by hand").click()
    page.get_by_text("an ear with no screw in it").click()
    visit.verdict("four screws")
    assert (
        page.get_by_role("button", name="What you can check by eye or by hand").get_attribute("aria-expanded") == "true"
    )
    visit.shot("5-by-hand")


def test_a_weighing_counts_and_nonsense_is_said(visit: Visit) -> None:
    page = visit.page
    page.get_by_role("button", name="What you can check by eye or by hand").click()
    page.get_by_label("Weight of the bare castings, in grams").fill("980")
    water = page.get_by_label("Water that they push aside, in millilitres")
    water.fill("350")
    water.press("Tab")  # as a person leaves a field; on a very busy machine the press came before the number
    page.click("#uk-weigh")
    visit.verdict("only two kinds")
    water.fill("9")
    water.press("Tab")
    page.click("#uk-weigh")
    page.locator("#uk-notice", has_text="check the units").wait_for()


def test_the_fit_plan_follows_its_questions(visit: Visit) -> None:
    page = visit.page
    visit.upload(("front.jpg", painted("alloy5")))
    visit.verdict("five screws")
    page.get_by_role("button", name="Fit plan").click()
    page.get_by_text("plain, no small threaded hole").click()
    page.get_by_text("made for the iron body", exact=True).click()
    page.locator("#uk-fit li", has_text="adapter ring").first.wait_for()
    page.locator("#uk-fit li", has_text="flange spacer").first.wait_for()
    visit.shot("6-fit")
    page.locator(".uk-fold > .label-wrap", has_text="Parts").click()
    page.locator("#uk-parts").get_by_text("Do not order these").wait_for()


def test_the_answer_is_saved_as_pdf(visit: Visit, tmp_path: Path) -> None:
    from pypdf import PdfReader

    visit.upload(("front.jpg", painted("alloy4")))
    visit.verdict("four screws")
    with visit.page.expect_download() as download:
        visit.page.get_by_role("link", name="Save as PDF").click()
    download.value.save_as(tmp_path / "answer.pdf")
    text = "".join(p.extract_text() for p in PdfReader(tmp_path / "answer.pdf").pages)
    assert "four screws" in text


def test_the_whole_page_speaks_german(visit: Visit) -> None:
    page = visit.page
    visit.upload(("side.jpg", painted("unclear")))
    visit.verdict("all three kinds")
    page.get_by_text("Deutsch").click()
    visit.verdict("Noch nicht geklärt")
    assert page.evaluate("document.documentElement.lang") == "de"
    page.locator("[role=tab][data-tab-id=guide]", has_text="Fotohilfe").wait_for()
    assert "Hält" in page.inner_text("#uk-magnet-holds")
    visit.shot("7-german")
    assert visit.fits()
    page.click("[role=tab][data-tab-id=guide]")
    page.locator(".uk-guide").first.wait_for()
    visit.shot("8-guide")
    assert visit.fits()


def test_a_broken_picture_is_one_clear_line(visit: Visit) -> None:
    visit.upload(("broken.jpg", painted("iron")[:900]), ("good.jpg", painted("iron")))
    visit.verdict("iron body")
    said = visit.page.inner_text("#uk-photo-1")
    assert "not used" in said and "broken or cut short" in said
    assert not visit.page.get_by_role("button", name="Turn photo 1").is_visible()
    visit.shot("9-broken")


def test_nothing_of_ours_in_the_photo(visit: Visit) -> None:
    visit.upload(("cat.jpg", painted("empty")))
    visit.verdict("No carburetor of this kind")
    visit.shot("10-not-seen")


def test_a_ninth_photo_is_left_out_and_said(visit: Visit) -> None:
    shade = [painted("iron", (640 + i, 480)) for i in range(9)]
    visit.upload(*((f"{i}.jpg", data) for i, data in enumerate(shade)))
    visit.page.get_by_text("A question takes 8 photos").wait_for(timeout=30_000)
    visit.page.locator("#uk-photo-8 img").wait_for()
    assert not visit.page.locator("#uk-upload").is_enabled()


def test_it_can_be_worked_by_keyboard(browser: sync_api.Browser, live: Live) -> None:
    visit = open_page(browser, live.url, SIZES[0])
    visit.upload(("side.jpg", painted("unclear")))
    visit.verdict("all three kinds")
    page = visit.page
    page.locator("#uk-upload").focus()
    reached = set()
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate("document.activeElement.id || document.activeElement.textContent.trim().slice(0, 30)")
        )
    assert {"uk-magnet-holds", "uk-magnet-falls", "uk-magnet-weak"} <= reached
    page.locator("#uk-magnet-falls").focus()
    assert page.locator("#uk-magnet-falls").evaluate("b => getComputedStyle(b).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    visit.verdict("only two kinds")
    spoken = page.locator(".uk-voice").inner_text()
    assert "only two kinds" in spoken
    page.context.close()


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not fetched: npm pack axe-core (see DEVELOPERS.md)")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(browser: sync_api.Browser, live: Live, scheme: str) -> None:
    visit = open_page(browser, live.url, SIZES[0], scheme)
    page = visit.page

    def check(where: str) -> None:
        page.wait_for_timeout(400)
        page.evaluate(AXE.read_text("utf-8"))
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        bad = [
            f"{where}: {v['id']} ({v['impact']}): {v['nodes'][0]['html'][:160]} {v['nodes'][0]['failureSummary'][:200]}"
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
        assert bad == []

    check("start")
    visit.upload(("side.jpg", painted("unclear")), ("broken.jpg", b"\xff\xd8\xff broken"))
    visit.verdict("all three kinds")
    for fold in page.locator(".uk-fold > .label-wrap").all():
        fold.click()
    visit.shot(f"11-{scheme}")
    check("open question")
    page.click("#uk-magnet-holds")
    visit.verdict("iron body")
    check("named")
    page.click("[role=tab][data-tab-id=guide]")
    page.locator(".uk-guide").first.wait_for()
    check("guide")
    page.click("[role=tab][data-tab-id=identify]")
    page.click("#uk-keep")
    page.get_by_text("Kept as case").wait_for()
    page.click("[role=tab][data-tab-id=cases]")
    page.locator("#uk-case-list label").first.click()
    page.locator(".uk-board canvas").wait_for()
    page.get_by_role("button", name="Boxes as numbers, for the keyboard").click()
    page.get_by_role("group", name="Boxes in this photo").wait_for()
    visit.shot(f"15-cases-{scheme}")
    check("an opened case")
    page.context.close()


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def test_with_the_shipped_network(browser: sync_api.Browser, size: tuple[int, int]) -> None:
    """The real thing: example pictures read by the network that ships, progress shown meanwhile, in under a minute."""
    examples = ROOT / "app" / "assets" / "examples"
    files = ["iron_front_left.jpg", "alloy_front_in_the_bay.jpg"]
    with running(ServerSettings(costly_per_minute=600, per_minute=6000), IdentifierEngine()) as live:
        visit = open_page(browser, live.url, size)
        page = visit.page
        # What the page shows while it reads is gone quickly, so every text of it is kept as it comes.
        page.evaluate(KEEP_PROGRESS)
        begun = time.monotonic()
        visit.upload(*((name, (examples / name).read_bytes()) for name in files))
        page.locator("#uk-verdict h2").wait_for(timeout=60_000)
        page.locator("#uk-photo-2 img").wait_for()
        assert time.monotonic() - begun < 60
        told = page.evaluate("window.told")
        assert told[:1] == ["Reading photo 1 of 2 \u2026"] and "Reading photo 2 of 2 \u2026" in told
        assert page.locator(".uk-progress").count() == 0, "the progress gives way to the answer"
        engine = IdentifierEngine()
        reads = [engine.read(name, open_photo(examples / name)) for name in files]
        answer = engine.decide(reads, Told())
        assert page.inner_text("#uk-verdict h2") == verdict_sentence(answer, "en")
        assert page.locator(".uk-marks .uk-subject").count() == 2 * sum(
            r.answer.readings is not None and r.answer.readings.subject.found for r in reads
        )
        assert answer.model.version in page.inner_text("#uk-cautions")
        visit.shot("14-shipped-network")
        assert visit.errors == []
        page.context.close()
