"""The database of cases when it is locked, read-only, damaged or full: one error of ours, nothing lost."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from updraft_key.app import store as store_module
from updraft_key.app.store import KeptPhoto, Store
from updraft_key.model.cues import Cue
from updraft_key.model.errors import StoreError

from tests.answers import Shot, case

NOW = "2026-11-25T10:00:00+00:00"


def keep(store: Store, title: str, size: int = 2000) -> int:
    answer = case(Shot({Cue.FRONT_EAR: "bare"})).to_json()
    photo = KeptPhoto("p.jpg", answer["photos"][0]["sha256"], 400, 400, bytes(range(256)) * (size // 256))
    return store.keep(answer, [photo], kept_at=NOW, title=title)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Twenty cases on the disk."""
    made = tmp_path / "cases.sqlite"
    store = Store(made)
    for n in range(20):
        keep(store, f"boat {n}")
    store.close()
    return made


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait 50 ms for another writer instead of 10 s."""
    patient = store_module._sqlite_manners

    def manners(connection: Any, record: Any) -> None:
        patient(connection, record)
        connection.execute("PRAGMA busy_timeout=50")

    monkeypatch.setattr(store_module, "_sqlite_manners", manners)


@pytest.mark.usefixtures("impatient")
def test_locked_is_said_and_passes(path: Path) -> None:
    store = Store(path)
    other = sqlite3.connect(path)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="locked"):
        keep(store, "too early")
    assert len(list(store.cases())) == 20  # readers are not held up
    other.execute("ROLLBACK")
    other.close()
    keep(store, "now")
    assert [c.title for c in store.cases()][20:] == ["now"]


@pytest.fixture
def nobody(tmp_path: Path) -> Iterator[None]:
    """A user who may not write there (root may write anywhere)."""
    if os.geteuid() != 0:
        yield
        return
    for folder in (tmp_path, *tmp_path.parents):
        if folder.stat().st_uid == 0 and "pytest" in str(folder):
            folder.chmod(folder.stat().st_mode | 0o055)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_read_only_is_said(path: Path, request: pytest.FixtureRequest) -> None:
    before = path.read_bytes()
    path.chmod(0o444)
    path.parent.chmod(0o555)
    request.getfixturevalue("nobody")
    with pytest.raises(StoreError, match="cases"):
        keep(Store(path), "not here")
    assert path.read_bytes() == before


@pytest.mark.parametrize("cut", [0.1, 0.35, 0.6, 0.95])
def test_cut_short_is_said_or_read_never_a_crash(path: Path, cut: float) -> None:
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * cut)])
    use_all(path)


@pytest.mark.parametrize("seed", [*range(8), 9, *(pytest.param(n, marks=pytest.mark.slow) for n in range(10, 120))])
def test_damage_anywhere_is_said_or_read_never_a_crash(path: Path, seed: int) -> None:
    import random

    spots = random.Random(seed)
    data = bytearray(path.read_bytes())
    for _ in range(6):
        at = spots.randrange(100, len(data) - 64)
        data[at : at + 64] = spots.randbytes(64)
    path.write_bytes(data)
    use_all(path)


def use_all(path: Path) -> None:
    """Do everything with a damaged file. Each step works or gives our error."""
    try:
        store = Store(path)
    except StoreError:
        return
    for step in (
        lambda: list(store.cases()),
        lambda: [store.get(n) for n in range(1, 21)],
        lambda: store.search("boat"),
        lambda: store.note(3, "words"),
        lambda: store.confirm(4, "iron", "kit fitted", NOW),
        lambda: keep(store, "one more"),
        lambda: store.forget(5),
    ):
        try:
            step()
        except StoreError as error:
            assert "\n" not in str(error)
    store.close()


def test_full_keeps_what_was_there(path: Path) -> None:
    with sqlite3.connect(path) as db:
        pages = db.execute("PRAGMA page_count").fetchone()[0]
    store = Store(path)

    def bound(connection: Any, record: Any, proxy: Any) -> None:
        connection.execute(f"PRAGMA max_page_count={pages + 4}")  # SQLite's own way to be out of room

    store_module.sa.event.listen(store._engine, "checkout", bound)
    with pytest.raises(StoreError, match="free space"):
        keep(store, "no room", 500_000)
    assert [c.title for c in store.cases()] == [f"boat {n}" for n in range(20)]
    store.close()
    again = Store(path)
    keep(again, "room again", 500_000)
    assert len(list(again.cases())) == 21
