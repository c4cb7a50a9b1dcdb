"""What a screening run has done so far: one SQLite file, one writer, one row a case.

The parent process is the only writer. A case is written whole, thumbnails included, in one transaction after its
work is done, so that a kill or a power cut at any moment leaves either the whole case or nothing of it. A case whose
files have changed since (another ``mark``) is done again; one whose files are gone is dropped.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from updraft_key.model.errors import StoreError

_LAYOUT = 2
_TABLES = """
CREATE TABLE IF NOT EXISTS run (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS done (
    name TEXT PRIMARY KEY,
    mark TEXT NOT NULL,
    state TEXT NOT NULL,
    row TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS thumbs (sha TEXT PRIMARY KEY, jpeg BLOB NOT NULL);
"""


class Ledger:
    """The work table of one run.

    Args:
        path: the SQLite file; made if missing.
        identity: what the run is about (inbox, model, rules). A ledger of another identity is refused, so that
            two runs never mix.

    Raises:
        StoreError: the file is not a ledger, is damaged, read-only, locked, full, or of another run.
    """

    def __init__(self, path: Path, identity: dict[str, str]) -> None:
        self._path = path
        try:
            self._db = sqlite3.connect(path, timeout=10.0, isolation_level=None)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.execute("PRAGMA busy_timeout=10000")
            self._db.executescript(_TABLES)
            self._check({"layout": str(_LAYOUT), **identity})
        except sqlite3.Error as err:
            raise StoreError(f"expected a work table at {path}, got: {err}") from err

    def _check(self, identity: dict[str, str]) -> None:
        known = dict(self._db.execute("SELECT key, value FROM run"))
        if not known:
            with self._transaction():
                self._db.executemany("INSERT INTO run VALUES (?, ?)", sorted(identity.items()))
            return
        for key, value in identity.items():
            if known.get(key) != value:
                raise StoreError(
                    f"{self._path} belongs to another run: its {key} is {known.get(key)!r}, this one's is {value!r}. "
                    "Choose another --out, or remove the old one."
                )

    def marks(self) -> dict[str, str]:
        """The cases already done: name, and the mark that its files had then."""
        return dict(self._db.execute("SELECT name, mark FROM done"))

    def write(
        self, name: str, state: str, row: Mapping[str, Any], mark: str = "", thumbs: Mapping[str, bytes] | None = None
    ) -> None:
        """Record one finished case, whole; an older row of the same name is replaced.

        Args:
            name: of the case.
            state: what to do with it.
            row: JSON-ready.
            mark: of the files that it rests on (``Case.mark``).
            thumbs: SHA-256 of a picture to its thumbnail's JPEG bytes.

        Raises:
            StoreError: it could not be written (disk full, file gone); nothing of it is kept.
        """
        try:
            with self._transaction():
                self._db.executemany("INSERT OR REPLACE INTO thumbs VALUES (?, ?)", sorted((thumbs or {}).items()))
                self._db.execute(
                    "INSERT OR REPLACE INTO done VALUES (?, ?, ?, ?)",
                    (name, mark, state, json.dumps(row, sort_keys=True)),
                )
        except sqlite3.Error as err:
            raise StoreError(
                f"could not record case {name!r} in {self._path}: {err}. Free space and run again."
            ) from err

    def drop(self, names: Sequence[str]) -> None:
        """Forget cases, as when their files have left the inbox.

        Raises:
            StoreError: it could not be written.
        """
        try:
            with self._transaction():
                self._db.executemany("DELETE FROM done WHERE name = ?", [(name,) for name in names])
        except sqlite3.Error as err:
            raise StoreError(f"could not write {self._path}: {err}. Free space and run again.") from err

    def rows(self, state: str | None = None) -> Iterator[tuple[str, str, dict[str, Any]]]:
        """Yield (name, state, row) of every finished case, or of those in one state, sorted by name."""
        where, values = ("WHERE state = ?", (state,)) if state else ("", ())
        for name, kept, row in self._db.execute(f"SELECT name, state, row FROM done {where} ORDER BY name", values):
            yield name, kept, json.loads(row)

    def thumb(self, sha: str) -> bytes | None:
        """The thumbnail of a picture, JPEG bytes."""
        found = self._db.execute("SELECT jpeg FROM thumbs WHERE sha = ?", (sha,)).fetchone()
        return None if found is None else bytes(found[0])

    def counts(self) -> dict[str, int]:
        """Number of cases in each state."""
        return dict(self._db.execute("SELECT state, count(*) FROM done GROUP BY state ORDER BY state"))

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def _transaction(self) -> _Transaction:
        return _Transaction(self._db)


class _Transaction:
    """BEGIN IMMEDIATE ... COMMIT, rolled back on any error."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def __enter__(self) -> None:
        self._db.execute("BEGIN IMMEDIATE")

    def __exit__(self, kind: object, err: object, trace: object) -> None:
        self._db.execute("ROLLBACK" if kind is not None else "COMMIT")


@contextmanager
def taking_turn(folder: Path) -> Iterator[None]:
    """Hold a results folder for one run, from its first case to its last sheet; the folder is made if missing.

    The lock is SQLite's own, so a killed run leaves none behind.

    Raises:
        StoreError: another run holds the folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    turn = sqlite3.connect(folder / "running.sqlite", timeout=0.0, isolation_level=None)
    try:
        try:
            turn.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as err:
            raise StoreError(
                f"another run may be at work in {folder} ({err}): wait for it, or choose another --out"
            ) from err
        yield
    finally:
        turn.close()
