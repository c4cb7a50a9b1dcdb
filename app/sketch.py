"""The shipped line drawings: where a cue sits and how to look at it. Read once, given as one line of SVG."""

from __future__ import annotations

import re
from functools import lru_cache
from html import escape
from pathlib import Path

DRAWINGS = Path(__file__).parent / "assets" / "drawings"


def names() -> tuple[str, ...]:
    """Names of all shipped drawings, sorted."""
    return tuple(sorted(p.stem for p in DRAWINGS.glob("*.svg")))


@lru_cache(maxsize=64)
def _source(name: str) -> str:
    file = DRAWINGS / f"{name}.svg"
    if not re.fullmatch(r"[a-z0-9_]+", name) or not file.is_file():
        return ""
    text = re.sub(r"<\?xml.*?\?>|<!--.*?-->|<title>.*?</title>", "", file.read_text("utf-8"), flags=re.DOTALL)
    return re.sub(r">\s+<", "><", re.sub(r"\s+", " ", text)).strip()


def sketch(name: str | None, title: str) -> str:
    """A drawing to set into a page, described by ``title`` for a screen reader; empty if there is no such drawing."""
    svg = _source(name) if name else ""
    if not svg:
        return ""
    return svg.replace("<svg", f'<svg role="img" aria-label="{escape(title)}" class="uk-sketch"', 1)
