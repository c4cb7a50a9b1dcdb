"""What the wording is made of: lines, titled blocks of them, and names that are safe to show."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """One thing said.

    ``note`` is where it comes from, in words; ``ref`` the id it can be traced to (a rule, a look, a step, a
    finding); ``kind`` what a face may want to show differently (``settles``, ``fits``, ``safety`` ...).
    """

    text: str
    note: str = ""
    ref: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Block:
    """A titled list of lines. ``id`` is stable: ``verdict``, ``why``, ``seen``, ``not_seen`` and so on."""

    id: str
    title: str
    lines: tuple[Line, ...]


def line_text(line: Line) -> str:
    """A line as one string: its text, then its note in round brackets."""
    return f"{line.text} ({line.note})" if line.note else line.text


def plain_name(file: str, limit: int = 60) -> str:
    """A file name that is safe to show: no control or direction marks, shortened in its middle."""
    kept = "".join(c for c in file if unicodedata.category(c)[0] != "C" and c not in "\u2028\u2029").strip()
    if len(kept) > limit:
        head = limit // 2
        kept = f"{kept[:head]}\u2026{kept[-(limit - head - 1) :]}"
    return kept or "?"


def sentence(text: str) -> str:
    """The text as a sentence: a capital first, a full stop last unless there is one already."""
    first = text[:1].upper() + text[1:]
    return first if first.endswith((".", "!", "?")) else first + "."
