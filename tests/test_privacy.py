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
