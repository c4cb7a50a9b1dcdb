"""The inbox overview in a real browser: one tap copies a reply, counts lead to lists, nothing is fetched."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sync_api = pytest.importorskip("playwright.sync_api")

from updraft_key.app.ledger import Ledger  # noqa: E402
from updraft_key.app.sheets import write  # noqa: E402

CHROMIUM = Path("/usr/bin/chromium")
pytestmark = [
    pytest.mark.web,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="Debian's chromium is not installed"),
]
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="module")
def sorted_inbox(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sorted")
    ledger = Ledger(out / "work.sqlite", {})
    for n in range(70):
        state = ("not_ours", "ask_magnet", "answer_now", "look_yourself", "ask_picture")[n % 5]
        row = {
            "case": f"case {n:02d} " + ("with a long name " * 6 if n == 2 else ""), "state": state, "outcome": "named",
            "era": None, "candidates": [], "ask": None, "sentence": "A sentence about it.", "why": ["a reason"],
            "said": {"verdict": f"Verdict of {n} <b>", "reasons": "- one\n- two"}, "answer": {},
            "files": [{"file": "x" * 90 + ".jpg", "sha256": "", "bytes": 1, "error": "cut short", "fingerprint": None}],
        }  # fmt: skip
        ledger.write(row["case"], state, row)
    write(ledger, out)
    ledger.close()
    return out


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as play:
        opened = play.chromium.launch(executable_path=str(CHROMIUM), args=list(QUIET))
        yield opened
        opened.close()


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("clipboard", [True, False])
def test_one_tap_copies_the_whole_reply(browser: Any, sorted_inbox: Path, width: int, clipboard: bool) -> None:
    context = browser.new_context(viewport={"width": width, "height": 844})
    context.grant_permissions(["clipboard-read", "clipboard-write"])
    if not clipboard:  # an older browser, or one that forbids it: the script falls back to selecting and copying
        context.add_init_script("navigator.clipboard.writeText = () => Promise.reject(new Error('no'))")
    page = context.new_page()
    asked: list[str] = []
    faults: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.goto((sorted_inbox / "overview.html").as_uri())
    button = page.locator("article button").first
    assert button.bounding_box()["height"] >= 44
    button.click()
    page.locator("article.copied").first.wait_for()
    copied = page.evaluate("navigator.clipboard.readText()")
    written = (sorted_inbox / "replies").glob("case_02*")
    assert copied.strip() == next(iter(written)).read_text("utf-8").strip() and "Verdict of 2 <b>" in copied
    assert button.inner_text() == "Copied"
    page.reload()
    assert page.locator("article.copied").count() == 1  # remembered in this browser
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert all(url.startswith("file:///") for url in asked) and faults == []
    context.close()


def test_counts_lead_to_lists_and_pages_turn(browser: Any, sorted_inbox: Path) -> None:
    page = browser.new_page()
    page.goto((sorted_inbox / "overview.html").as_uri())
    assert page.locator("article").first.get_attribute("class") == "answer_now"
    page.locator("nav.pages a", has_text="2").first.click()
    assert page.locator("article").count() == 10
    page.locator("nav.states a", has_text="Ask for the magnet").click()
    assert page.url.endswith("ask_magnet.html") and page.locator("article").count() == 14
    assert {a.get_attribute("class") for a in page.locator("article").all()} == {"ask_magnet"}
    page.close()


def test_without_scripts_the_reply_is_there(browser: Any, sorted_inbox: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((sorted_inbox / "overview.html").as_uri())
    assert not page.locator("article button").first.is_visible()
    page.locator("summary").first.click()
    assert "Verdict of 2 <b>" in page.locator("pre").first.inner_text()
    context.close()
