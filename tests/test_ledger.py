"""The work table: whole rows or none, one run only, and plain words when the disk or the file is bad."""

import os
import sqlite3
from pathlib import Path

import pytest
from updraft_key.app.ledger import Ledger
from updraft_key.model.errors import StoreError

RUN = {"inbox": "here", "model": "abc"}


def test_rows_come_back_sorted_and_whole(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "w.sqlite", RUN)
    ledger.write("b", "not_ours", {"x": [1, "\N{SNOWMAN}"]})
    ledger.write("a", "answer_now", {"x": None})
    assert list(ledger.rows()) == [("a", "answer_now", {"x": None}), ("b", "not_ours", {"x": [1, "\N{SNOWMAN}"]})]
    assert ledger.counts() == {"answer_now": 1, "not_ours": 1}


def test_a_second_run_goes_on(tmp_path: Path) -> None:
    first = Ledger(tmp_path / "w.sqlite", RUN)
    first.write("a", "not_ours", {})
    first.close()
    assert Ledger(tmp_path / "w.sqlite", RUN).marks() == {"a": ""}


def test_thumbnails_come_and_go_with_the_case_that_they_belong_to(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "w.sqlite", RUN)
    ledger.write("a", "not_ours", {}, "m1", {"ab": b"jpeg"})
    assert (ledger.marks(), ledger.thumb("ab"), ledger.thumb("cd")) == ({"a": "m1"}, b"jpeg", None)
    ledger.drop(["a"])
    assert (ledger.marks(), list(ledger.rows())) == ({}, [])


def test_rows_of_one_state(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "w.sqlite", RUN)
    for name, state in (("c", "x"), ("a", "x"), ("b", "y")):
        ledger.write(name, state, {})
    assert [name for name, _, _ in ledger.rows("x")] == ["a", "c"]


def test_another_run_is_refused(tmp_path: Path) -> None:
    Ledger(tmp_path / "w.sqlite", RUN).close()
    with pytest.raises(StoreError, match="belongs to another run: its model is 'abc', this one's is 'def'"):
        Ledger(tmp_path / "w.sqlite", {**RUN, "model": "def"})


def test_a_corrupt_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "w.sqlite").write_bytes(b"not a database, really not" * 100)
    with pytest.raises(StoreError, match="expected a work table"):
        Ledger(tmp_path / "w.sqlite", RUN)


def test_a_read_only_file_is_refused(tmp_path: Path) -> None:
    Ledger(tmp_path / "w.sqlite", RUN).close()
    (tmp_path / "w.sqlite").chmod(0o444)
    tmp_path.chmod(0o555)
    root = os.geteuid() == 0
    if root:  # root writes anywhere, so be nobody for a moment
        for folder in (tmp_path, *tmp_path.parents):
            if folder.stat().st_uid == 0 and "pytest" in str(folder):
                folder.chmod(folder.stat().st_mode | 0o055)
        os.seteuid(65534)
    try:
        with pytest.raises(StoreError):
            Ledger(tmp_path / "w.sqlite", RUN).write("a", "not_ours", {})
    finally:
        if root:
            os.seteuid(0)
        tmp_path.chmod(0o755)


def test_a_full_disk_keeps_what_was_done(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "w.sqlite", RUN)
    ledger.write("a", "not_ours", {"ok": 1})
    ledger._db.execute("PRAGMA max_page_count=8")  # SQLite's own way to be out of room
    with pytest.raises(StoreError, match="could not record case 'b'"):
        ledger.write("b", "not_ours", {"big": "x" * 500_000})
    assert [name for name, _, _ in ledger.rows()] == ["a"]


def test_a_locked_file_is_said(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "w.sqlite", RUN)
    ledger._db.execute("PRAGMA busy_timeout=50")
    other = sqlite3.connect(tmp_path / "w.sqlite")
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="locked"):
        ledger.write("a", "not_ours", {})
    other.execute("ROLLBACK")
    ledger.write("a", "not_ours", {})
    assert ledger.marks().keys() == {"a"}
