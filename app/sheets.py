"""The results of a screening run as files: CSV, JSON Lines, Parquet, twins, thumbnails, replies, overview pages.

Everything is written from the ledger in case order, each file whole or not at all, so that two runs that ended
with the same ledger leave the same bytes. What an earlier run left and this one has no more is removed. Cells that a
spreadsheet would run as a formula are defused.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any

from .ledger import Ledger
from .overview import PAGE_NAMES, overview_pages
from .reply import check_template, letter
from .twins import Seen, Twin, find_twins
from .words import OF_A_SEEN_UNIT

COLUMNS = (
    "case", "state", "outcome", "era", "candidates", "ask", "sentence", "photos", "unreadable", "findings",
    "also_in", "reply",
)  # fmt: skip
FILE_COLUMNS = ("case", "file", "sha256", "bytes", "error")
TWIN_COLUMNS = ("kind", "case", "file", "other_case", "other_file", "bits")
MOST_TWINS = 100_000
"""Lines of ``twins.csv``; an inbox with one picture a thousand times over would have half a million."""

_REPLY_NAMES = re.compile(r"[A-Za-z0-9_-]{1,60}-[0-9a-f]{8}\.txt")
_THUMB_NAMES = re.compile(r"[0-9a-f]{32}\.jpg")
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def is_a_result(name: str) -> bool:
    """Whether a name (relative to the results folder) is one that a run gives and a later run may take away.

    >>> is_a_result("ask_magnet_002.html"), is_a_result("replies/my own notes.txt")
    (True, False)
    """
    folder, _, file = name.rpartition("/")
    pattern = {"": PAGE_NAMES, "replies": _REPLY_NAMES, "thumbs": _THUMB_NAMES}.get(folder)
    return pattern is not None and pattern.fullmatch(file) is not None


def safe_cell(value: object) -> str:
    """Return a value as text that no spreadsheet runs and no terminal obeys.

    >>> safe_cell("=2+3"), safe_cell("plain"), safe_cell(None)
    ("'=2+3", 'plain', '')
    """
    text = "" if value is None else _CONTROL.sub("\N{REPLACEMENT CHARACTER}", str(value))
    return f"'{text}" if text.lstrip(" \n").startswith(_DANGEROUS) else text


def flat(row: Mapping[str, Any], also_in: Iterable[str] = ()) -> dict[str, Any]:
    """Return the one-line summary of a case; ``also_in`` names the cases that hold one of its pictures too."""
    found = {f["id"] for f in (row["answer"] or {}).get("findings", [])}
    if row["outcome"] in ("not_seen", "retake"):  # there is no unit of which this could be said
        found -= set(OF_A_SEEN_UNIT)
    return {
        "case": row["case"],
        "state": row["state"],
        "outcome": row["outcome"],
        "era": row["era"],
        "candidates": " ".join(row["candidates"]),
        "ask": row["ask"],
        "sentence": row["sentence"],
        "photos": len(row["files"]),
        "unreadable": sum(1 for f in row["files"] if f["error"]),
        "findings": " ".join(sorted(found)),
        "also_in": "; ".join(also_in),
        "reply": f"replies/{reply_name(row['case'])}",
    }


def write(ledger: Ledger, out: Path, language: str = "en", template: str | None = None) -> dict[str, int]:
    """Write every result file into ``out``; returns the number of cases in each state.

    Args:
        ledger: of the finished run.
        out: a local folder.
        language: of replies and overview.
        template: of the replies (see ``reply.py``); None for the shipped one.

    Raises:
        UpdraftKeyError: a template that cannot be used.
    """
    if template is not None:
        check_template(template)
    twins = list(islice(_twins(ledger), MOST_TWINS))
    also = _also_in(twins)

    def flats() -> Iterator[dict[str, Any]]:
        return (flat(row, also.get(row["case"], ())) for _, _, row in ledger.rows())

    def told() -> Iterator[dict[str, Any]]:
        return ({**row, "reply": letter(row["said"], language, template)} for _, _, row in ledger.rows())

    _whole(out / "results.csv", _csv(COLUMNS, flats()))
    _whole(out / "files.csv", _csv(FILE_COLUMNS, _files(ledger)))
    _jsonl(out / "results.jsonl", ({k: v for k, v in row.items() if k != "said"} for row in told()))
    _parquet(out / "results.parquet", list(flats()))
    _whole(out / "twins.csv", _csv(TWIN_COLUMNS, map(_twin_row, twins)))
    _sweep(out / "replies", _REPLY_NAMES, _replies(told(), out / "replies"))
    _sweep(out / "thumbs", _THUMB_NAMES, _thumbs(ledger, out / "thumbs"))
    pages = set()
    for name, page in overview_pages(ledger, also, lambda row: letter(row["said"], language, template), language):
        _whole(out / name, page.encode("utf-8", errors="replace"))
        pages.add(name)
    _sweep(out, PAGE_NAMES, pages)
    return ledger.counts()


def _twins(ledger: Ledger) -> Iterator[Twin]:
    return find_twins(
        [
            Seen(row["case"], f["file"], f["sha256"], f["fingerprint"])
            for _, _, row in ledger.rows()
            for f in row["files"]
            if not f["error"]  # that two customers sent an empty file connects nobody
        ]
    )


def _twin_row(twin: Twin) -> dict[str, Any]:
    return {
        "kind": "same file" if twin.exact else "nearly the same picture",
        "case": twin.first.case,
        "file": twin.first.file,
        "other_case": twin.second.case,
        "other_file": twin.second.file,
        "bits": twin.bits,
    }


def _also_in(twins: Iterable[Twin]) -> dict[str, list[str]]:
    """For each case, the other cases with the same or nearly the same picture, in name order."""
    found: dict[str, set[str]] = {}
    for twin in twins:
        if twin.first.case != twin.second.case:
            found.setdefault(twin.first.case, set()).add(twin.second.case)
            found.setdefault(twin.second.case, set()).add(twin.first.case)
    return {case: sorted(others) for case, others in found.items()}


def reply_name(case: str) -> str:
    """File name of a case's drafted reply: readable, short, and never a path; unique by a short hash.

    >>> reply_name("../ann").endswith(".txt"), "/" in reply_name("a/b")
    (True, False)
    """
    plain = re.sub(r"[^A-Za-z0-9_-]+", "_", case).strip("_")[:60] or "case"
    return f"{plain}-{hashlib.sha256(case.encode()).hexdigest()[:8]}.txt"


def _files(ledger: Ledger) -> Iterator[dict[str, Any]]:
    for _, _, row in ledger.rows():
        for record in row["files"]:
            yield {"case": row["case"], **record}


def _csv(columns: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> bytes:
    names = list(columns)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([safe_cell(row.get(name)) for name in names])
    return text.getvalue().encode("utf-8", errors="replace")


def _jsonl(path: Path, rows: Iterable[Mapping[str, Any]]) -> None:
    partial = path.with_name(path.name + ".part")
    with partial.open("w", encoding="utf-8", errors="replace") as handle:
        for row in rows:
            handle.write(json.dumps(row, sort_keys=True, ensure_ascii=True) + "\n")
    partial.replace(path)


def _parquet(path: Path, rows: list[dict[str, Any]]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    text = [name for name in COLUMNS if name not in ("photos", "unreadable")]
    schema = pa.schema([(name, pa.string() if name in text else pa.int32()) for name in COLUMNS])
    clean = [
        {k: v.encode("utf-8", "replace").decode() if isinstance(v, str) else v for k, v in row.items()} for row in rows
    ]
    partial = path.with_name(path.name + ".part")
    pq.write_table(pa.Table.from_pylist(clean, schema=schema), partial)
    partial.replace(path)


def _replies(rows: Iterable[Mapping[str, Any]], folder: Path) -> set[str]:
    folder.mkdir(exist_ok=True)
    names = set()
    for row in rows:
        name = reply_name(row["case"])
        _whole(folder / name, row["reply"].encode("utf-8", errors="replace"))
        names.add(name)
    return names


def _thumbs(ledger: Ledger, folder: Path) -> set[str]:
    """Write the thumbnails that are not there yet; they never change, as their names are their pictures' hashes."""
    folder.mkdir(exist_ok=True)
    names = set()
    for _, _, row in ledger.rows():
        for record in row["files"]:
            name = f"{record['sha256'][:32]}.jpg"
            if record["error"] or name in names:
                continue
            thumb = ledger.thumb(record["sha256"])
            if thumb is None:
                continue
            path = folder / name
            if not path.is_file() or path.read_bytes() != thumb:
                _whole(path, thumb)
            names.add(name)
    return names


def _sweep(folder: Path, ours: re.Pattern[str], keep: set[str]) -> None:
    """Remove what earlier runs wrote here and this one did not; other people's files stay."""
    for path in folder.iterdir():
        name = path.name.removesuffix(".part")
        if ours.fullmatch(name) and (name not in keep or name != path.name):
            path.unlink(missing_ok=True)


def _whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    partial = path.with_name(path.name + ".part")
    partial.write_bytes(data)
    partial.replace(path)
