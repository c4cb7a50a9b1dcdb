"""What the page says when something goes wrong on the way: in its own words, in the visitor's language, and it goes on.

The server is a process of its own, so that it can be stopped and started again under an open page.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import CHROMIUM, PHONE, WIDE, Visit, launched, open_page, sync_api
from fake_engine import FakeEngine, painted
from live import running
from served import Served, served
from updraft_key.app.desk import Desks
from updraft_key.app.server import ServerSettings

pytestmark = pytest.mark.web
if not CHROMIUM.exists():
    pytest.skip("Debian's chromium is not installed", allow_module_level=True)


@pytest.fixture(scope="module")
def browser() -> Iterator[sync_api.Browser]:
    with launched() as opened:
        yield opened


@pytest.fixture(scope="module")
def server() -> Iterator[Served]:
    with served() as one:
        yield one


def says(visit: Visit, text: str) -> None:
    """Wait for a message of the page, and for nothing of the framework's own beside it."""
    toast = visit.page.locator('[data-testid="toast-text"]', has_text=text)
    toast.first.wait_for(timeout=20_000)
    words = visit.page.locator('[data-testid="toast-text"]').all_inner_texts()
    assert all(text in said for said in words), words


def files(folder: Path, count: int, size: int) -> list[Path]:
    """Photos that are filled up to a size."""
    made = []
    for i in range(count):
        file = folder / f"photo {i}.jpg"
        file.write_bytes(painted("unclear") + bytes(size))
        made.append(file)
    return made


LOST = {"en": "The connection to the server was lost", "de": "Die Verbindung zum Server ist abgebrochen"}
GONE = {"en": "Earlier photos and answers are gone", "de": "Frühere Fotos und Antworten sind weg"}
TAKE = {"en": "Take or choose photos", "de": "Fotos aufnehmen oder auswählen"}
LOCALES = {"en": "en-GB", "de": "de-CH"}


@pytest.mark.parametrize("lang", ["en", "de"])
def test_a_server_that_goes_and_comes_again(browser: sync_api.Browser, lang: str) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with served(port=port) as first:
        visit = open_page(browser, first.url, PHONE, locale=LOCALES[lang])
        page = visit.page
        page.get_by_role("button", name=TAKE[lang]).wait_for()
        visit.upload(("side.jpg", painted("unclear")))
        page.locator("#uk-verdict h2").wait_for()
        first.process.terminate()
        assert first.process.wait(15) is not None, "an open page must not keep the server from stopping"
        page.click("#uk-magnet-holds")
        says(visit, LOST[lang])
        visit.shot(f"17-lost-{lang}")
        assert page.locator("#uk-verdict h2").is_visible(), "what was answered stays to be read"
    with served(port=port):
        page.locator("#uk-verdict h2").wait_for(state="hidden", timeout=30_000)
        page.get_by_role("button", name=TAKE[lang]).wait_for()
        visit.upload(("side.jpg", painted("unclear")))
        page.locator("#uk-verdict h2").wait_for(timeout=20_000)
        page.context.close()


def test_a_network_that_goes_and_comes_again(browser: sync_api.Browser, server: Served) -> None:
    visit = open_page(browser, server.url, PHONE)
    visit.upload(("side.jpg", painted("unclear")))
    visit.verdict("all three kinds")
    visit.page.context.set_offline(True)
    visit.page.click("#uk-magnet-holds")
    says(visit, LOST["en"])
    visit.page.context.set_offline(False)
    visit.page.wait_for_timeout(6_000)
    visit.page.click("#uk-magnet-holds")
    visit.verdict("iron body")
    assert visit.page.locator("#uk-photo-1 img").is_visible(), "it is the same page with the same photo"
    visit.page.context.close()


def test_a_photo_that_is_chosen_before_the_page_has_heard_of_its_desk(
    browser: sync_api.Browser, server: Served
) -> None:
    """On a slow line the first event may come back after the first photo was sent: nothing is gone then."""
    held: list[sync_api.Route] = []
    visit = open_page(
        browser,
        server.url,
        PHONE,
        prepare=lambda page: page.route("**/run/predict**", lambda route: held.append(route)),
    )
    page = visit.page
    visit.upload(("side.jpg", painted("unclear")))
    visit.verdict("all three kinds")
    assert held and not page.locator("#uk-notice", has_text=GONE["en"]).is_visible()
    with page.expect_response("**/run/predict**"):
        held[0].continue_()
    page.wait_for_timeout(1_000)
    assert page.locator("#uk-photo-1 img").is_visible() and page.locator("#uk-verdict h2").is_visible()
    page.context.close()


@pytest.mark.parametrize("lang", ["en", "de"])
def test_photos_that_the_server_has_forgotten(
    browser: sync_api.Browser, monkeypatch: pytest.MonkeyPatch, lang: str
) -> None:
    """After an hour, or when too many others came: the page does not go on showing what no answer rests on."""
    desks = Desks()
    monkeypatch.setattr("updraft_key.app.server.Desks", lambda: desks)
    with running(ServerSettings(costly_per_minute=600, per_minute=6000), FakeEngine()) as live:
        visit = open_page(browser, live.url, PHONE, locale=LOCALES[lang])
        page = visit.page
        page.get_by_role("button", name=TAKE[lang]).wait_for()
        visit.upload(("side.jpg", painted("unclear")))
        page.locator("#uk-verdict h2").wait_for()
        for token in list(desks._kept):
            desks.forget(token)
        page.click("#uk-magnet-holds")
        page.locator("#uk-notice", has_text=GONE[lang]).wait_for()
        page.locator("#uk-verdict h2").wait_for(state="hidden")
        visit.shot(f"17-gone-{lang}")
        visit.upload(("side.jpg", painted("unclear")))
        page.locator("#uk-verdict h2").wait_for()
        page.context.close()


def test_a_chosen_language_is_still_there_when_the_phone_dropped_the_page(
    browser: sync_api.Browser, server: Served
) -> None:
    visit = open_page(browser, server.url, PHONE)
    page = visit.page
    page.locator("#uk-lang").get_by_text("Deutsch").click()
    page.get_by_role("button", name="Fotos aufnehmen oder auswählen").wait_for()
    visit.upload(("side.jpg", painted("unclear")))
    page.locator("#uk-verdict h2").wait_for()
    page.reload()
    page.get_by_role("button", name="Weitere Fotos hinzufügen").wait_for()
    page.get_by_role("button", name="Hält").wait_for()
    page.context.close()


def test_photos_chosen_while_the_server_is_away(browser: sync_api.Browser) -> None:
    with served() as one:
        visit = open_page(browser, one.url, WIDE)
        one.process.terminate()
        one.process.wait(15)
        visit.upload(("side.jpg", painted("unclear")))
        says(visit, "The connection to the server was lost")
        visit.page.context.close()


@pytest.mark.parametrize("size", [PHONE, WIDE], ids=lambda s: f"{s[0]}x{s[1]}")
def test_a_file_that_is_too_large(
    browser: sync_api.Browser, server: Served, size: tuple[int, int], tmp_path: Path
) -> None:
    visit = open_page(browser, server.url, size)
    visit.upload_files(*files(tmp_path, 1, 26_000_000))
    says(visit, "A file is larger than 25 MB")
    visit.shot("18-too-large")
    visit.upload(("side.jpg", painted("unclear")))
    visit.verdict("all three kinds")
    visit.page.context.close()


@pytest.mark.parametrize(("count", "size", "told"), [(5, 22_000_000, "too large together"), (70, 0, "too many photos")])
def test_more_than_one_request_may_hold(
    browser: sync_api.Browser, server: Served, tmp_path: Path, count: int, size: int, told: str
) -> None:
    visit = open_page(browser, server.url, PHONE)
    visit.upload_files(*files(tmp_path, count, size))
    says(visit, told)
    visit.upload(("side.jpg", painted("unclear")))
    visit.verdict("all three kinds")
    visit.page.context.close()
