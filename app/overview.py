"""The overview of a screening run: plain HTML pages with thumbnails, to page through in any browser, offline.

One list of all cases, what can be answered at once first, and one list for each state, which the counts link to.
Nothing is loaded from outside the folder; every text from a customer is escaped; one small script, which the page's
own policy knows by its hash, copies a reply and remembers which were copied. Without it a tap selects the whole reply.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import chain
from pathlib import Path
from types import MappingProxyType
from typing import Any

from .language import mark as _
from .language import tongue
from .ledger import Ledger

CASES_PER_PAGE = 60
ORDER: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "answer_now": (_("Answer now"), "\u2713"),
        "ask_magnet": (_("Ask for the magnet"), "\u222a"),
        "ask_picture": (_("Ask for a picture"), "\u25ce"),
        "look_yourself": (_("Look at it yourself"), "\u26a0"),
        "not_ours": (_("Not ours"), "\u2205"),
    }
)
"""The states in the order in which they are listed: what needs one tap first, what needs nothing last."""
ALL = "overview"
PAGE_NAMES = re.compile(rf"(?:{'|'.join([ALL, *ORDER])})(?:_\d{{3,}})?\.html")

_STYLE = (Path(__file__).parent / "assets" / "overview.css").read_text("utf-8")
_SCRIPT = (Path(__file__).parent / "assets" / "overview.js").read_text("utf-8")
_HASH = base64.b64encode(hashlib.sha256(_SCRIPT.encode()).digest()).decode()
_POLICY = (
    f"default-src 'none'; img-src 'self'; style-src 'unsafe-inline'; script-src 'sha256-{_HASH}'; "
    "base-uri 'none'; form-action 'none'"
)

Also = Mapping[str, Sequence[str]]
"""For each case, the other cases that hold one of its pictures too."""
Letter = Callable[[Mapping[str, Any]], str]
"""The drafted reply of a row."""


@dataclass(frozen=True, slots=True)
class _Book:
    """What every page of a run shares."""

    counts: Mapping[str, int]
    also: Also
    reply: Letter
    lang: str

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    def say(self, text: str, **values: object) -> str:
        """Our own words, escaped."""
        return escape(tongue(self.lang).say(text, {k: str(v) for k, v in values.items()}))


def page_name(number: int, listed: str = ALL) -> str:
    """File name of a page of a list, numbered from 1.

    >>> page_name(1), page_name(12), page_name(2, "ask_magnet")
    ('overview.html', 'overview_012.html', 'ask_magnet_002.html')
    """
    return f"{listed}.html" if number == 1 else f"{listed}_{number:03d}.html"


def overview_pages(ledger: Ledger, also: Also, reply: Letter, lang: str = "en") -> Iterator[tuple[str, str]]:
    """Yield (file name, HTML) for each page of each list. One page of rows is held at a time."""
    book = _Book(ledger.counts(), also, reply, lang)
    ordered = chain.from_iterable(ledger.rows(state) for state in ORDER)
    yield from _listed(book, ALL, (row for _, _, row in ordered), book.total)
    for state in ORDER:
        yield from _listed(book, state, (row for _, _, row in ledger.rows(state)), book.counts.get(state, 0))


def _listed(book: _Book, listed: str, rows: Iterable[Mapping[str, Any]], count: int) -> Iterator[tuple[str, str]]:
    pages = max(1, -(-count // CASES_PER_PAGE))
    batch: list[str] = []
    number = 1
    for n, row in enumerate(rows, start=1):
        batch.append(_case(book, row))
        if n % CASES_PER_PAGE == 0 and n < count:
            yield page_name(number, listed), _page(book, listed, batch, number, pages)
            batch, number = [], number + 1
    yield page_name(number, listed), _page(book, listed, batch, number, pages)


def _page(book: _Book, listed: str, cases: list[str], number: int, pages: int) -> str:
    title = book.say("Inbox") if listed == ALL else book.say(ORDER[listed][0])
    where = book.say("page {number} of {pages}", number=number, pages=pages)
    turn = _turning(book, listed, number, pages)
    nothing = f"<p>{book.say('No case is in this list.')}</p>"
    sheets = " &middot; ".join(
        f"<a href='{file}'>{book.say(words)}</a>"
        for file, words in (
            ("results.csv", _("table of all cases")),
            ("files.csv", _("all files, with what could not be opened and why")),
            ("twins.csv", _("pictures that came twice")),
        )
    )
    return (
        f"<!doctype html><html lang='{escape(book.lang)}'><head><meta charset='utf-8'>"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        "<meta name='referrer' content='no-referrer'>"
        f"<title>{title}, {where}</title><style>{_STYLE}</style></head><body>"
        f"<header><h1>{title}</h1>{_states(book, listed)}</header>"
        f"<main>{turn}{''.join(cases) or nothing}{turn}</main>"
        f"<footer><p>{sheets}</p></footer><script>{_SCRIPT}</script></body></html>"
    )


def _states(book: _Book, listed: str) -> str:
    """The counts, each a link to its list."""
    rows = [(ALL, book.say("All"), "", book.total)]
    rows += [(s, book.say(words), f"{sign} ", book.counts.get(s, 0)) for s, (words, sign) in ORDER.items()]
    links = "".join(
        f"<a class='{name}' href='{page_name(1, name)}'{' aria-current=page' if name == listed else ''}>"
        f"<span><span aria-hidden='true'>{sign}</span>{words}</span> <b>{count}</b></a>"
        for name, words, sign, count in rows
    )
    return f"<nav class='states' aria-label='{book.say('Lists')}'>{links}</nav>"


def _turning(book: _Book, listed: str, number: int, pages: int) -> str:
    if pages == 1:
        return ""
    shown = sorted({1, pages, *range(max(1, number - 2), min(pages, number + 2) + 1)})
    links = "".join(
        f"<b aria-current='page'>{n}</b>" if n == number else f"<a href='{page_name(n, listed)}'>{n}</a>" for n in shown
    )
    return f"<nav class='pages' aria-label='{book.say('Pages')}'>{links}</nav>"


def _case(book: _Book, row: Mapping[str, Any]) -> str:
    state = row["state"]
    words, sign = ORDER[state]
    key = hashlib.sha256(row["case"].encode("utf-8", "replace")).hexdigest()[:12]
    pictures = "".join(_picture(f) for f in row["files"])
    why = "".join(f"<li>{escape(line)}</li>" for line in row["why"])
    others = list(book.also.get(row["case"], ()))
    also = book.say("The same picture, or nearly, is also in: {cases}", cases=", ".join(others[:5]))
    also += "" if len(others) <= 5 else " \u2026"
    return (
        f"<article class='{escape(state)}' id='c{key}'><h2>{escape(row['case'])}</h2>"
        f"<p><span class='state'><span aria-hidden='true'>{sign}</span> {book.say(words)}</span> "
        f"{escape(row['sentence'])}</p>{f'<ul>{why}</ul>' if why else ''}"
        f"<div class='thumbs'>{pictures}</div>{f'<p class=also>{also}</p>' if others else ''}"
        f"<div class='reply'><button type='button' hidden data-done='{book.say('Copied')}'>"
        f"{book.say('Copy the reply')}</button>"
        f"<details><summary>{book.say('Drafted reply')}</summary><pre>{escape(book.reply(row))}</pre></details></div>"
        "</article>"
    )


def _picture(record: Mapping[str, Any]) -> str:
    name = escape(record["file"])
    if record["error"]:
        return f"<figure class='bad'><p>&#9888; {escape(record['error'])}</p><figcaption>{name}</figcaption></figure>"
    source = f"thumbs/{record['sha256'][:32]}.jpg"
    return f"<figure><img src='{source}' alt='{name}' loading='lazy'><figcaption>{name}</figcaption></figure>"
