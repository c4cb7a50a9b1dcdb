"""The page in Debian's Chromium, kept offline: opened at a size, photos chosen as a person chooses them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import pytest

sync_api = pytest.importorskip("playwright.sync_api")
CHROMIUM = Path("/usr/bin/chromium")
ARTEFACTS = Path(__file__).parent.parent / "artefacts" / "page"
PHONE, WIDE = (390, 844), (1280, 800)
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
        """Choose pictures that are small enough to be handed over as they are."""
        self.page.locator("#uk-upload").wait_for()
        files = [{"name": n, "mimeType": "image/jpeg", "buffer": b} for n, b in pictures]
        with self.page.expect_file_chooser() as chooser:
            self.page.click("#uk-upload")
        chooser.value.set_files(files)

    def upload_files(self, *files: Path) -> None:
        """Choose files of any size."""
        with self.page.expect_file_chooser() as chooser:
            self.page.click("#uk-upload")
        chooser.value.set_files([str(file) for file in files])

    def verdict(self, contains: str) -> None:
        """Wait until the verdict says so."""
        said = self.page.locator("#uk-verdict h2", has_text=contains)
        said.wait_for(timeout=20_000)

    def shot(self, name: str) -> None:
        """Keep a picture of the whole page."""
        ARTEFACTS.mkdir(parents=True, exist_ok=True)
        self.page.wait_for_timeout(300)
        self.page.screenshot(path=ARTEFACTS / f"{self.width}-{name}.png", full_page=True)

    def fits(self) -> bool:
        """No sideways scrolling."""
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


@contextmanager
def launched() -> Iterator[sync_api.Browser]:
    """A browser until the block ends."""
    with sync_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield opened
        opened.close()


def open_page(
    browser: sync_api.Browser,
    url: str,
    size: tuple[int, int] = PHONE,
    scheme: str = "light",
    locale: str = "en-GB",
    prepare: Callable[[sync_api.Page], None] = lambda page: None,
) -> Visit:
    """Open the page as a new visitor; ``prepare`` is done to the page before it goes anywhere."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, accept_downloads=True, color_scheme=scheme, has_touch=True,
        locale=locale,
    )  # fmt: skip
    page = context.new_page()
    prepare(page)
    visit = Visit(page, set(), [], size[0])
    page.on("request", lambda r: visit.hosts.add(urlsplit(r.url).netloc if r.url.startswith("http") else "-"))
    page.on("console", lambda m: visit.errors.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: visit.errors.append(str(e)))
    page.goto(url)
    page.locator("#uk-upload").wait_for()
    return visit
