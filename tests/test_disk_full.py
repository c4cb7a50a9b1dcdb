"""No room left: one plain line, no traceback, nothing half written, nothing lost; with room again it goes on.

A small tmpfs where the machine lets us mount one (CI runs as root); elsewhere these tests say so and are skipped,
but for the last, whose limit (``RLIMIT_FSIZE``) anybody may set.
"""

from __future__ import annotations

import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

EXAMPLES = sorted((Path(__file__).parent.parent / "app" / "assets" / "examples").glob("*.jpg"))
Disk = Callable[[str], None]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[tuple[Path, Disk]]:
    """A tiny disk of its own and how to give it another size."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", place], capture_output=True, text=True)
    if made.returncode != 0:
        pytest.skip(f"no small disk here: {made.stderr.strip()}")

    def resize(size: str) -> None:
        subprocess.run(["mount", "-o", f"remount,size={size}", place], check=True, capture_output=True)

    try:
        yield place, resize
    finally:
        subprocess.run(["umount", "-l", place], check=True)


def command(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, "-m", "updraft_key.app.cli", *map(str, arguments)]
    return subprocess.run(line, capture_output=True, text=True)


def refused(done: subprocess.CompletedProcess[str]) -> str:
    """The last line of a command that found no room: said plainly, with exit code 1."""
    assert done.returncode == 1, (done.returncode, done.stdout[-300:], done.stderr[-1500:])
    assert "Traceback" not in done.stderr
    last = done.stderr.strip().splitlines()[-1]
    assert last.startswith("updraft-key: "), done.stderr
    assert "full" in last or "No space left" in last or "disk I/O error" in last, last
    return last


def filled(place: Path, leave: int = 0) -> Path:
    """Fill a disk up but for ``leave`` bytes; returns the file that takes the room."""
    room = shutil.disk_usage(place).free
    filler = place / "filler"
    filler.write_bytes(b"\0" * max(room - leave, 0))
    return filler


def made(out: Path) -> dict[str, bytes]:
    return {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file() and ".sqlite" not in p.name}


def test_screen_stops_with_one_line_and_goes_on_with_room(disk: tuple[Path, Disk], tmp_path: Path) -> None:
    place, resize = disk
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for picture in EXAMPLES[:4]:
        shutil.copy(picture, inbox / picture.name)
    whole = command("screen", inbox, "--out", tmp_path / "whole", "--processes", "1")
    assert whole.returncode == 0, whole.stderr
    need = sum(p.stat().st_size for p in (tmp_path / "whole").rglob("*") if p.is_file())
    # Not even the work table; some of the cases; all the cases, but not all the sheets.
    for size in (16 << 10, need // 2, need - (20 << 10)):
        resize(str(size))
        refused(command("screen", inbox, "--out", place / "out", "--processes", "1"))
    resize("64m")
    again = command("screen", inbox, "--out", place / "out", "--processes", "1")
    assert again.returncode == 0, again.stderr
    assert made(place / "out") == made(tmp_path / "whole")
    with sqlite3.connect(place / "out" / "work.sqlite") as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_report_is_whole_or_not_there(disk: tuple[Path, Disk]) -> None:
    place, resize = disk
    out = place / "report.pdf"
    last = refused(command("report", EXAMPLES[0], "--out", out, "--day", "2026-11-25"))
    assert "report.pdf" in last and list(place.iterdir()) == []
    resize("16m")
    assert command("report", EXAMPLES[0], "--out", out, "--day", "2026-11-25").returncode == 0
    good = out.read_bytes()
    filler = filled(place)
    refused(command("report", EXAMPLES[0], "--claim", "iron", "--out", out, "--day", "2026-11-25"))
    assert out.read_bytes() == good  # the older report is not spoilt by the one that had no room
    assert sorted(p.name for p in place.iterdir()) == ["filler", "report.pdf"]
    filler.unlink()


def test_a_marked_picture_is_whole_or_not_there(disk: tuple[Path, Disk]) -> None:
    place, _ = disk
    filled(place)
    refused(command("identify", EXAMPLES[0], "--marked", place / "marked.jpg"))
    assert [p.name for p in place.iterdir()] == ["filler"]


def test_kept_cases_survive_a_full_disk(
    disk: tuple[Path, Disk], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, resize = disk
    store = place / "cases.sqlite"
    monkeypatch.setenv("UPDRAFT_KEY_CASES", str(store))
    refused(command("cases", "list"))  # no room even for the tables
    for left in place.iterdir():
        left.unlink()
    resize("8m")
    assert command("identify", EXAMPLES[0], "--keep", "the first").returncode == 0
    filler = filled(place, leave=8 << 10)
    refused(command("identify", EXAMPLES[1], "--keep", "no room"))
    refused(command("cases", "note", "1", "x" * 60_000))
    refused(command("cases", "export", place / "set", "--all"))
    # Even to look, SQLite needs a few pages for those who look at the same time: told as what it is.
    assert "free space" in refused(command("cases", "list"))
    filler.unlink()
    shown = command("cases", "list")
    assert shown.returncode == 0 and "the first" in shown.stdout and "no room" not in shown.stdout, shown.stderr
    resize("32m")
    assert command("identify", EXAMPLES[1], "--keep", "room again").returncode == 0
    shown = command("cases", "list")
    assert "the first" in shown.stdout and "room again" in shown.stdout
    with sqlite3.connect(store) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("SELECT count(*) FROM cases").fetchone() == (2,)
    exported = command("cases", "export", place / "set", "--all")
    assert exported.returncode == 0 and (place / "set" / "coco.json").is_file()


def test_a_file_size_limit_is_a_full_disk_too(tmp_path: Path) -> None:
    line = [sys.executable, "-m", "updraft_key.app.cli", "report", str(EXAMPLES[0]), "--out", str(tmp_path / "r.pdf")]
    done = subprocess.run(
        line,
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000)),
    )
    assert done.returncode == 1 and "Traceback" not in done.stderr and "r.pdf" in done.stderr, done.stderr
    assert list(tmp_path.iterdir()) == []
