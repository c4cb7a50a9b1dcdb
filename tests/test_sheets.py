"""The files that a screening run leaves: no cell a spreadsheet runs, no page that a name can break, true totals."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from updraft_key.app.ledger import Ledger
from updraft_key.app.overview import CASES_PER_PAGE
from updraft_key.app.sheets import reply_name, safe_cell, write

HOSTILE = [
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-2",
    "@SUM(A1)",
    " =1",
    "<script>alert(1)</script>",
    "\x1b[31mred",
    "a\u202egpj.exe",
    "n" * 300,
    "quote\"'&",
]


def row(case: str, state: str = "answer_now", file: str = "a.jpg", error: str | None = None) -> dict[str, Any]:
    return {
        "case": case,
        "state": state,
        "outcome": "named",
        "era": "iron",
        "candidates": ["iron"],
        "ask": None,
        "sentence": f"about {case}",
        "reply": f"Hello {case}",
        "files": [{"file": file, "sha256": "ab" * 32, "bytes": 3, "error": error, "fingerprint": "00000000000000ff"}],
        "answer": {"findings": [{"id": "scavenge_tube_missing"}]},
    }


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return Ledger(tmp_path / "w.sqlite", {"run": "1"})


@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_starts_a_formula_or_steers_a_terminal(text: str) -> None:
    cell = safe_cell(text)
    assert not cell.lstrip().startswith(("=", "+", "-", "@"))
    assert not any(ord(c) < 32 or c in "\x1b\u202e" for c in cell)


def test_every_file_is_written_and_totals_add_up(ledger: Ledger, tmp_path: Path) -> None:
    for i, state in enumerate(["answer_now", "ask_magnet", "ask_magnet", "not_ours"]):
        ledger.write(f"c{i}", state, row(f"c{i}", state))
    counts = write(ledger, tmp_path)
    assert counts == {"answer_now": 1, "ask_magnet": 2, "not_ours": 1}
    table = list(csv.DictReader(io.StringIO((tmp_path / "results.csv").read_text())))
    lines = [json.loads(line) for line in (tmp_path / "results.jsonl").read_text().splitlines()]
    parquet = pq.read_table(tmp_path / "results.parquet").to_pylist()
    assert [r["case"] for r in table] == [r["case"] for r in lines] == [r["case"] for r in parquet]
    assert table[0]["findings"] == "scavenge_tube_missing" and parquet[0]["photos"] == 1
    assert len(list((tmp_path / "replies").iterdir())) == 4
    twins = (tmp_path / "twins.csv").read_text().splitlines()
    assert len(twins) == 1 + 3  # four times the same bytes: three repeat the first


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_reach_no_spreadsheet_page_or_path(ledger: Ledger, tmp_path: Path, name: str) -> None:
    ledger.write(name, "look_yourself", row(name, "look_yourself", file=name, error=name))
    write(ledger, tmp_path)
    page = (tmp_path / "overview.html").read_text()
    assert "<script>" not in page and "default-src 'none'" in page
    assert all(p.parent == tmp_path / "replies" and len(p.name) < 90 for p in (tmp_path / "replies").iterdir())
    for sheet in ("results.csv", "files.csv", "twins.csv"):
        for cells in csv.reader(io.StringIO((tmp_path / sheet).read_text())):
            assert not any(c.lstrip().startswith(("=", "+", "-", "@")) for c in cells)


def test_the_same_ledger_gives_the_same_bytes(ledger: Ledger, tmp_path: Path) -> None:
    for i in range(5):
        ledger.write(f"c{i}", "not_ours", row(f"c{i}", "not_ours"))
    names = ("results.csv", "results.jsonl", "results.parquet", "overview.html", "files.csv", "twins.csv")
    write(ledger, tmp_path)
    first = [(tmp_path / n).read_bytes() for n in names]
    write(ledger, tmp_path)
    assert [(tmp_path / n).read_bytes() for n in names] == first


def test_many_cases_are_paged(ledger: Ledger, tmp_path: Path) -> None:
    for i in range(CASES_PER_PAGE + 1):
        ledger.write(f"c{i:04d}", "not_ours", row(f"c{i:04d}", "not_ours"))
    write(ledger, tmp_path)
    assert "c0000" in (tmp_path / "overview.html").read_text()
    assert f"c{CASES_PER_PAGE:04d}" in (tmp_path / "overview_002.html").read_text()


def test_reply_names_are_unique() -> None:
    assert reply_name("a/b") != reply_name("a_b")
