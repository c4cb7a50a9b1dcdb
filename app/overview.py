"""The overview of a screening run: plain HTML pages with thumbnails, to page through in any browser, offline.

No script runs and nothing is loaded from outside the folder; every text from a customer is escaped.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import Any

from .ledger import Ledger

CASES_PER_PAGE = 60

_STATE_WORDS = {
    "answer_now": ("Answer now", "&#10003;"),
    "ask_picture": ("Ask for a picture", "&#9737;"),
    "ask_magnet": ("Ask for the magnet", "&#8746;"),
    "look_yourself": ("Look at it yourself", "&#9888;"),
    "not_ours": ("Not ours", "&#8709;"),
}

_STYLE = """
:root { color-scheme: light; --ink: #1d2a33; --line: #c9d2d6; --paper: #f6f4ef; --deep: #0f4c5c; }
* { box-sizing: border-box; }
body { margin: 0; font: 16px/1.45 system-ui, sans-serif; color: var(--ink); background: var(--paper); }
header, main, nav { max-width: 1180px; margin: 0 auto; padding: 12px 16px; }
h1 { font-size: 1.4rem; margin: 8px 0; }
nav a, nav strong { display: inline-block; padding: 8px 12px; margin: 2px; border: 1px solid var(--line);
  border-radius: 6px; color: var(--deep); background: #fff; text-decoration: none; }
nav strong { background: var(--deep); color: #fff; }
article { background: #fff; border: 1px solid var(--line); border-left: 6px solid var(--deep); border-radius: 6px;
  margin: 12px 0; padding: 10px 14px; }
article h2 { font-size: 1.05rem; margin: 0 0 4px; overflow-wrap: anywhere; }
article.look_yourself { border-left-color: #9a3b26; } article.not_ours { border-left-color: #6b7780; }
article.ask_picture, article.ask_magnet { border-left-color: #8a6a00; }
.state { font-weight: 600; } .thumbs { display: flex; flex-wrap: wrap; gap: 8px; margin: 8px 0; }
figure { margin: 0; width: 168px; } img { max-width: 168px; max-height: 132px; border: 1px solid var(--line); }
figcaption { font-size: .8rem; overflow-wrap: anywhere; color: #44525b; }
details pre { white-space: pre-wrap; overflow-wrap: anywhere; background: #f2f5f6; padding: 10px; border-radius: 6px; }
.bad { color: #8c2f1b; }
"""


def page_name(number: int) -> str:
    """File name of a page, numbered from 1.

    >>> page_name(1), page_name(12)
    ('overview.html', 'overview_012.html')
    """
    return "overview.html" if number == 1 else f"overview_{number:03d}.html"


def overview_pages(ledger: Ledger) -> Iterator[tuple[str, str]]:
    """Yield (file name, HTML) for each page; the cases a person must act on come first.

    Memory stays flat: one page of rows is held at a time.
    """
    counts = ledger.counts()
    total = sum(counts.values())
    pages = max(1, -(-total // CASES_PER_PAGE))
    batch: list[dict[str, Any]] = []
    number = 0
    for _, _, row in ledger.rows():
        batch.append(row)
        if len(batch) == CASES_PER_PAGE:
            number += 1
            yield page_name(number), _page(batch, number, pages, counts)
            batch = []
    if batch or number == 0:
        number += 1
        yield page_name(number), _page(batch, number, pages, counts)


def _page(rows: list[dict[str, Any]], number: int, pages: int, counts: dict[str, int]) -> str:
    tally = " &middot; ".join(
        f"{sign} {words}: <b>{counts.get(state, 0)}</b>" for state, (words, sign) in _STATE_WORDS.items()
    )
    links = " ".join(
        f"<strong aria-current='page'>{n}</strong>" if n == number else f"<a href='{page_name(n)}'>{n}</a>"
        for n in _near(number, pages)
    )
    order = list(_STATE_WORDS)
    body = "\n".join(_case(row) for row in sorted(rows, key=lambda r: (order.index(r["state"]), r["case"])))
    return (
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>"
        "<meta name='viewport' content='width=device-width, initial-scale=1'>"
        "<meta http-equiv='Content-Security-Policy' content=\"default-src 'none'; img-src 'self'; "
        "style-src 'unsafe-inline'\">"
        f"<title>Inbox overview, page {number} of {pages}</title><style>{_STYLE}</style></head><body>"
        f"<header><h1>Inbox overview</h1><p>{tally}</p></header><nav aria-label='Pages'>{links}</nav>"
        f"<main>{body or '<p>No case has been done yet.</p>'}</main><nav aria-label='Pages, again'>{links}</nav>"
        "</body></html>"
    )


def _near(number: int, pages: int) -> list[int]:
    """Pages worth a link: the first, the last, and those around this one."""
    return sorted({1, pages, *range(max(1, number - 3), min(pages, number + 3) + 1)})


def _case(row: dict[str, Any]) -> str:
    words, sign = _STATE_WORDS[row["state"]]
    pictures = "".join(_picture(f) for f in row["files"])
    reply = (
        f"<details><summary>Drafted reply</summary><pre>{escape(row['reply'])}</pre></details>" if row["reply"] else ""
    )
    return (
        f"<article class='{escape(row['state'])}'><h2>{escape(row['case'])}</h2>"
        f"<p><span class='state'>{sign} {words}</span> &middot; {escape(row['sentence'])}</p>"
        f"<div class='thumbs'>{pictures}</div>{reply}</article>"
    )


def _picture(record: dict[str, Any]) -> str:
    name = escape(record["file"])
    if record["error"]:
        return f"<figure><p class='bad'>&#9888; {escape(record['error'])}</p><figcaption>{name}</figcaption></figure>"
    source = f"thumbs/{record['sha256'][:32]}.jpg"
    return f"<figure><img src='{source}' alt='{name}' loading='lazy'><figcaption>{name}</figcaption></figure>"
