"""Where a boat lies and which phone took the photo stay out of everything that is written: inbox results and server.

The commands for one photo (answer, marked picture, database, report, export) are held to the same in ``test_cli.py``.
Compressed parts of PDF and Parquet files are opened before they are searched.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from hostile.pictures import GPS, SERIAL, scene, tagged
from served import served

SECRETS = (*GPS, SERIAL, b"Demo Camera Works", b"GPSLatitude", b"Exif\0\0", b"47.37", b"8.541")


def found(data: bytes) -> list[bytes]:
    """The secrets in some bytes, also where a PDF has them compressed."""
    opened = [data]
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.S):
        try:
            opened.append(zlib.decompress(stream))
        except zlib.error:
            continue
    return [s for s in SECRETS if any(s in d for d in opened)]


def searched(folder: Path) -> dict[str, list[bytes]]:
    """File -> secrets in it, for every file below a folder that has any."""
    told = {}
    for path in folder.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            if path.suffix == ".parquet":
                import pyarrow.parquet as pq

                data += repr(pq.read_table(path).to_pylist()).encode()
            if hits := found(data):
                told[str(path.relative_to(folder))] = hits
    return told


def test_the_search_finds_what_is_there(tmp_path: Path) -> None:
    (tmp_path / "a.pdf").write_bytes(b"stream\n" + zlib.compress(b"at " + GPS[0]) + b"\nendstream")
    for name, data in tagged(scene()).items():
        (tmp_path / name).write_bytes(data)
    assert set(searched(tmp_path)) == {"a.pdf", *tagged(scene())}


def test_an_inbox_run_writes_none_of_it(tmp_path: Path) -> None:
    inbox, out = tmp_path / "inbox", tmp_path / "out"
    inbox.mkdir()
    for name, data in tagged(scene(800, 600)).items():
        (inbox / name).write_bytes(data)
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    done = subprocess.run(
        [sys.executable, "-m", "updraft_key.app.cli", "screen", inbox, "--out", out, "--processes", "1"],
        env={**os.environ, "TMPDIR": str(temporary)},
        capture_output=True,
    )
    assert done.returncode == 0, done.stderr
    assert len(list(out.rglob("*"))) >= 10
    assert searched(out) == {} and searched(temporary) == {} and found(done.stdout + done.stderr) == []


@pytest.fixture
def server(tmp_path: Path) -> Iterator[tuple[str, Path, Path]]:
    """The real server with the shipped network: its address, its temporary folder and what it says."""
    temporary, log = tmp_path / "temporary", tmp_path / "log.txt"
    temporary.mkdir()
    with log.open("wb") as said, served("real", said=said, TMPDIR=str(temporary)) as it:
        yield it.url, temporary, log


@pytest.mark.web
def test_the_server_answers_and_leaves_none_of_it(server: tuple[str, Path, Path]) -> None:
    url, temporary, log = server
    for name, data in tagged(scene(800, 600)).items():
        got = httpx.post(f"{url}/v1/identify", files={"photos": (name, data)}, timeout=60.0, trust_env=False)
        assert got.status_code == 200, got.text
        assert found(got.content + repr(got.headers).encode()) == []
    assert searched(temporary) == {} and found(log.read_bytes()) == []


def files_in(folder: Path) -> list[Path]:
    """Every file that holds anything."""
    return [p for p in folder.rglob("*") if p.is_file() and p.stat().st_size]


@pytest.mark.web
def test_the_page_in_a_browser_leaves_none_of_it_at_any_time(tmp_path: Path) -> None:
    """Tagged photos chosen on the page: searched after the answer, with a case kept and drawn on, and at the end.

    Not only the tags are looked for, but any piece of an original: none is on the disk, not even while it waits.
    """
    from browsing import CHROMIUM, WIDE, launched, open_page

    if not CHROMIUM.exists():
        pytest.skip("Debian's chromium is not installed")
    temporary, log, pdf, cases = (tmp_path / n for n in ("temporary", "log.txt", "a.pdf", "cases.sqlite"))
    temporary.mkdir()
    originals = tagged(scene(800, 600))
    pieces = [data[len(data) // 2 :][:64] for data in originals.values()]

    def on_disk(place: Path) -> list[str]:
        whole = [(p, p.read_bytes()) for p in files_in(place)]
        return [p.name for p, data in whole if any(piece in data for piece in pieces)]

    with (
        launched() as browser,
        log.open("wb") as said,
        served("real", f"cases={cases}", said=said, TMPDIR=str(temporary)) as server,
    ):
        # One that arrives, but is never asked for: its page was closed meanwhile.
        name, data = next(iter(originals.items()))
        sent = httpx.post(f"{server.url}/gradio_api/upload", files={"files": (name, data)}, trust_env=False)
        assert sent.status_code == 200 and files_in(temporary) == []

        visit = open_page(browser, server.url, WIDE)
        page = visit.page
        folder = tmp_path / "originals"
        folder.mkdir()
        for file, content in originals.items():
            (folder / file).write_bytes(content)
        visit.upload_files(*sorted(folder.iterdir()))
        page.locator("#uk-verdict h2").wait_for(timeout=60_000)
        page.locator(f"#uk-photo-{len(originals)} img").wait_for()
        shown = [img.get_attribute("src") for img in page.locator(".uk-photo img").all()]
        assert len(shown) == len(originals)
        for src in shown:
            picture = page.request.get(f"{server.url}/{src}").body()
            assert picture.startswith(b"\xff\xd8") and found(picture) == []
        assert files_in(temporary) == []
        with page.expect_download() as download:
            page.get_by_role("link", name="Save as PDF").click()
        download.value.save_as(pdf)
        page.click("#uk-keep")
        page.get_by_text("Kept as case").wait_for()
        page.click("[role=tab][data-tab-id=cases]")
        page.locator("#uk-case-list label").first.click()
        page.locator(".uk-board canvas").wait_for()
        drawn_on = files_in(temporary)
        assert [p.parent.name for p in drawn_on] == ["cases"], "only the kept picture, made anew from pixels"
        for place in (temporary, tmp_path):
            assert {n for n in searched(place) if not n.startswith("originals/")} == set()
        assert on_disk(temporary) == [] and found(pdf.read_bytes()) == []
        assert not any(piece in p.read_bytes() for p in tmp_path.glob("cases.sqlite*") for piece in pieces)
        page.click("[role=tab][data-tab-id=identify]")
        page.click("#uk-reset")
        page.locator("#uk-verdict h2").wait_for(state="hidden")
        page.context.close()
        assert searched(temporary) == {} and on_disk(temporary) == []
        server.process.terminate()
        server.process.wait(20)
    assert files_in(temporary) == [] and found(log.read_bytes()) == []
    assert found(b"".join(p.read_bytes() for p in tmp_path.glob("cases.sqlite*"))) == []
