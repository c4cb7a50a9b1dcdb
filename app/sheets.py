"""The results of a screening run as files: CSV, JSON Lines, Parquet, twins, replies, and the overview page.

Everything is written from the ledger in case order, each file whole or not at all, so that two runs that ended
with the same ledger leave the same bytes. Cells that a spreadsheet would run as a formula are defused.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from .ledger import Ledger
from .overview import overview_pages
from .twins import Seen, find_twins

COLUMNS = (
    "case", "state", "outcome", "era", "candidates", "ask", "sentence", "photos", "unreadable", "findings",
)  # fmt: skip
FILE_COLUMNS = ("case", "file", "sha256", "bytes", "error")

_DANGEROUS = ("=", "+", "-", "@", "\t", "\r")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def safe_cell(value: object) -> str:
    """Return a value as text that no spreadsheet runs and no terminal obeys.

    >>> safe_cell("=2+3"), safe_cell("plain"), safe_cell(None)
    ("'=2+3", 'plain', '')
    """
    text = "" if value is None else _CONTROL.sub("\N{REPLACEMENT CHARACTER}", str(value))
    return f"'{text}" if text.lstrip(" \n").startswith(_DANGEROUS) else text


def flat(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return the one-line summary of a case."""
    answer = row["answer"] or {}
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
        "findings": " ".join(sorted({f["id"] for f in answer.get("findings", [])})),
    }


def write(ledger: Ledger, out: Path) -> dict[str, int]:
    """Write every result file into ``out``; returns the number of cases in each state."""
    _whole(out / "results.csv", _csv(COLUMNS, (flat(row) for _, _, row in ledger.rows())))
    _whole(out / "files.csv", _csv(FILE_COLUMNS, _files(ledger)))
    _jsonl(out / "results.jsonl", (row for _, _, row in ledger.rows()))
    _parquet(out / "results.parquet", [flat(row) for _, _, row in ledger.rows()])
    pictures = [
        Seen(row["case"], f["file"], f["sha256"], f["fingerprint"]) for _, _, row in ledger.rows() for f in row["files"]
    ]
    twins = [
        {
            "kind": "same file" if t.exact else "nearly the same picture",
            "case": t.first.case,
            "file": t.first.file,
            "other_case": t.second.case,
            "other_file": t.second.file,
            "bits": t.bits,
        }
        for t in find_twins(pictures)
    ]
    _whole(out / "twins.csv", _csv(("kind", "case", "file", "other_case", "other_file", "bits"), twins))
    _replies(ledger, out / "replies")
    for name, page in overview_pages(ledger):
        _whole(out / name, page.encode())
    return ledger.counts()


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


def _replies(ledger: Ledger, folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    for name, _, row in ledger.rows():
        if row["reply"]:
            _whole(folder / reply_name(name), row["reply"].encode("utf-8", errors="replace"))


def _whole(path: Path, data: bytes) -> None:
    partial = path.with_name(path.name + ".part")
    partial.write_bytes(data)
    partial.replace(path)
