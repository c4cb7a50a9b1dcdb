"""A small inbox of every kind of file, screened through the command, and the bytes that a run leaves."""

import json
import shutil
import zipfile
from pathlib import Path

from updraft_key.app.sorting import Wish, screen_inbox

EXAMPLES = Path(__file__).parent.parent / "app" / "assets" / "examples"


def fill(folder: Path) -> Path:
    """Six named pictures, twins of them in a sub-folder, broken and hostile files, a zip that is no picture."""
    folder.mkdir(parents=True, exist_ok=True)
    pictures = sorted(EXAMPLES.glob("*.jpg"))
    for picture in pictures:
        shutil.copy(picture, folder / picture.name)
    (folder / "ann").mkdir()
    shutil.copy(pictures[0], folder / "ann" / "=cmd()<b>.jpg")
    (folder / "ann" / "broken.jpg").write_bytes(b"\xff\xd8\xff broken")
    (folder / "lost.jpg").write_bytes(pictures[0].read_bytes()[:300])
    with zipfile.ZipFile(folder / "odd.png", "w") as archive:
        archive.writestr("a.txt", "no picture")
    return folder


def made(out: Path) -> dict[str, bytes]:
    """Every result's bytes; the work table and the lock are not results."""
    return {
        p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file() and ".sqlite" not in p.name
    }


def screened(inbox: str | Path, out: str | Path, **more: object) -> tuple[dict[str, int], list[str]]:
    """Run the command's own function; returns the counts and what was said."""
    said: list[str] = []
    counts = screen_inbox(Wish(str(inbox), str(out), **more), said.append)  # type: ignore[arg-type]
    return counts, said


def states(results: bytes) -> dict[str, str]:
    """Case to state, of ``results.jsonl``."""
    return {row["case"]: row["state"] for row in map(json.loads, results.splitlines())}
