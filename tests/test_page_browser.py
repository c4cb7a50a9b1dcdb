"""The page in a real browser, at a phone's and a desk's size, with a painted-picture engine instead of the network.

Screenshots go to ``artefacts/page/`` (not in git). axe-core comes from npm (``npm pack axe-core``, see DEVELOPERS.md);
without it the accessibility test is skipped.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from fake_engine import FakeEngine, painted
from live import Live, running

pytestmark = pytest.mark.web
sync_api = pytest.importorskip("playwright.sync_api")
from updraft_key.app.server import ServerSettings  # noqa: E402

CHROMIUM = Path("/usr/bin/chromium")
if not CHROMIUM.exists():
    pytest.skip("Debian's chromium is not installed", allow_module_level=True)
ROOT = Path(__file__).parent.parent
ARTEFACTS = ROOT / "artefacts" / "page"
AXE = ROOT / ".cache" / "axe" / "package" / "axe.min.js"
SIZES = [(390, 844), (1280, 800)]
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
]  # fmt: skip


@dataclass
class Visit:
    """One open page, everything it asked for, and what its console said."""

    page: sync_api.Page
    hosts: set[str]
    errors: list[str]
    width: int

    def upload(self, *pictures: tuple[str, bytes]) -> None:
        self.page.locator("#uk-upload").wait_for()
        files = [{"name": n, "mimeType": "image/jpeg", "buffer": b} for n, b in pictures]
        with self.page.expect_file_chooser() as chooser:
            self.page.click("#uk-upload")
        chooser.value.set_files(files)

    def verdict(self, contains: str) -> None:
        said = self.page.locator("#uk-verdict h2", has_text=contains)
        said.wait_for(timeout=20_000)

    def shot(self, name: str) -> None:
        ARTEFACTS.mkdir(parents=True, exist_ok=True)
        self.page.wait_for_timeout(300)
        self.page.screenshot(path=ARTEFACTS / f"{self.width}-{name}.png", full_page=True)

    def fits(self) -> bool:
        """No sideways scrolling."""
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


@pytest.fixture(scope="module")
def engine() -> FakeEngine:
    return FakeEngine()


@pytest.fixture(scope="module")
def live(engine: FakeEngine) -> Iterator[Live]:
    with running(ServerSettings(costly_per_minute=600, per_minute=6000), engine) as server:
        yield server


@pytest.fixture(scope="module")
def browser() -> Iterator[sync_api.Browser]:
    with sync_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield opened
        opened.close()


def open_page(browser: sync_api.Browser, live: Live, size: tuple[int, int], scheme: str = "light") -> Visit:
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, accept_downloads=True, color_scheme=scheme, has_touch=True
    )
    page = context.new_page()
    visit = Visit(page, set(), [], size[0])
    page.on("request", lambda r: visit.hosts.add(urlsplit(r.url).netloc if r.url.startswith("http") else "-"))
    page.on("console", lambda m: visit.errors.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: visit.errors.append(str(e)))
    page.goto(live.url)
    page.locator("#uk-upload").wait_for()
    return visit


@pytest.fixture(params=SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def visit(request: pytest.FixtureRequest, browser: sync_api.Browser, live: Live) -> Iterator[Visit]:
    opened = open_page(browser, live, request.param)
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
    assert not list(Path(os.environ["GRADIO_TEMP_DIR"]).rglob("*.jpg")), "the original must not stay on the disk"
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
    page.get_by_label("Water that they push aside, in millilitres").fill("350")
    page.click("#uk-weigh")
    visit.verdict("only two kinds")
    page.get_by_label("Water that they push aside, in millilitres").fill("9")
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
    visit = open_page(browser, live, SIZES[0])
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
    visit = open_page(browser, live, SIZES[0], scheme)
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
    page.context.close()
