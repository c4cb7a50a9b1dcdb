"""The files that a screening run leaves: no cell a spreadsheet runs, no page that a name can break, true totals."""

import base64
import csv
import hashlib
import io
import json
import re
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from updraft_key.app.ledger import Ledger
from updraft_key.app.overview import CASES_PER_PAGE
from updraft_key.app.sheets import flat, reply_name, safe_cell, write
from updraft_key.model.errors import UpdraftKeyError

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
        "why": ["a tube is missing"] if state == "look_yourself" else [],
        "said": {"verdict": f"Hello {case}"},
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
    assert page.count("<script") == 1 and "alert(1)</script>" not in page and "default-src 'none'" in page
    script = page.split("<script>")[1].split("</script>")[0]
    assert base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() in page.split("script-src")[1][:80]
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


def test_what_can_be_answered_at_once_comes_first_across_pages(ledger: Ledger, tmp_path: Path) -> None:
    for i in range(CASES_PER_PAGE + 5):
        ledger.write(f"a{i:03d}", "not_ours", row(f"a{i:03d}", "not_ours"))
    for name, state in (("y", "look_yourself"), ("z", "answer_now"), ("x", "ask_picture")):
        ledger.write(name, state, row(name, state))
    write(ledger, tmp_path)
    page = (tmp_path / "overview.html").read_text()
    places = [page.index(f"<h2>{name}</h2>") for name in ("z", "x", "y", "a000")]
    assert places == sorted(places)
    assert "a064" in (tmp_path / "overview_002.html").read_text()


def test_each_count_leads_to_its_list(ledger: Ledger, tmp_path: Path) -> None:
    for name, state in (("y", "look_yourself"), ("z", "answer_now")):
        ledger.write(name, state, row(name, state))
    write(ledger, tmp_path)
    page = (tmp_path / "overview.html").read_text()
    for state, count in (("answer_now", 1), ("look_yourself", 1), ("ask_magnet", 0)):
        assert re.search(rf"href='{state}\.html'>.*?<b>{count}</b>", page)
        listed = (tmp_path / f"{state}.html").read_text()
        assert listed.count("<article") == count
    assert "a tube is missing" in (tmp_path / "look_yourself.html").read_text()


def test_a_later_run_takes_away_its_own_old_files_only(ledger: Ledger, tmp_path: Path) -> None:
    for i in range(CASES_PER_PAGE + 1):
        ledger.write(f"c{i:04d}", "not_ours", row(f"c{i:04d}", "not_ours"), "", {"ab" * 32: b"thumb"})
    write(ledger, tmp_path)
    (tmp_path / "replies" / "my own notes.txt").write_text("keep me")
    (tmp_path / "replies" / f"{reply_name('c0001')}.part").write_text("half a reply")
    ledger.drop([f"c{i:04d}" for i in range(2, CASES_PER_PAGE + 1)])
    write(ledger, tmp_path)
    assert {p.name for p in (tmp_path / "replies").iterdir()} == {
        "my own notes.txt", reply_name("c0000"), reply_name("c0001")
    }  # fmt: skip
    assert not (tmp_path / "overview_002.html").exists() and (tmp_path / "thumbs" / f"{'ab' * 16}.jpg").exists()


def test_another_template_drafts_anew(ledger: Ledger, tmp_path: Path) -> None:
    ledger.write("c", "answer_now", row("c"))
    write(ledger, tmp_path, template="Dear you. $verdict Yours")
    assert (tmp_path / "replies" / reply_name("c")).read_text() == "Dear you. Hello c Yours\n"
    with pytest.raises(UpdraftKeyError, match="reply template"):
        write(ledger, tmp_path, template="$name")


def test_what_came_twice_is_told_beside_the_case(ledger: Ledger, tmp_path: Path) -> None:
    for name in ("a", "b"):
        ledger.write(name, "not_ours", row(name, "not_ours"))
    write(ledger, tmp_path)
    table = list(csv.DictReader(io.StringIO((tmp_path / "results.csv").read_text())))
    assert [r["also_in"] for r in table] == ["b", "a"]
    assert (tmp_path / table[0]["reply"]).is_file()


def test_nothing_is_said_of_a_unit_that_is_not_there() -> None:
    told = {"answer": {"findings": [{"id": "arrester_unknown"}, {"id": "same_picture_twice"}]}}
    assert flat({**row("c"), **told})["findings"] == "arrester_unknown same_picture_twice"
    for outcome in ("not_seen", "retake"):
        assert flat({**row("c"), **told, "outcome": outcome})["findings"] == "same_picture_twice"


def test_reply_names_are_unique() -> None:
    assert reply_name("a/b") != reply_name("a_b")
