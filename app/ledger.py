"""What a screening run has done so far: one SQLite file, one writer, one row a case.

The parent process is the only writer. A case is written whole, in one transaction, after its work is done, so
that a kill at any moment leaves either the whole case or nothing of it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from updraft_key.model.errors import StoreError

_LAYOUT = 1
_TABLES = """
CREATE TABLE IF NOT EXISTS run (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS done (
    name TEXT PRIMARY KEY,
    state TEXT NOT NULL,
    row TEXT NOT NULL
);
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

    def names(self) -> set[str]:
        """Names of the cases already done."""
        return {name for (name,) in self._db.execute("SELECT name FROM done")}

    def write(self, name: str, state: str, row: dict[str, Any]) -> None:
        """Record one finished case, whole.

        Raises:
            StoreError: it could not be written (disk full, file gone); nothing of it is kept.
        """
        try:
            with self._transaction():
                self._db.execute(
                    "INSERT OR REPLACE INTO done VALUES (?, ?, ?)",
                    (name, state, json.dumps(row, sort_keys=True)),
                )
        except sqlite3.Error as err:
            raise StoreError(
                f"could not record case {name!r} in {self._path}: {err}. Free space and run again."
            ) from err

    def rows(self) -> Iterator[tuple[str, str, dict[str, Any]]]:
        """Yield (name, state, row) of every finished case, sorted by name."""
        for name, state, row in self._db.execute("SELECT name, state, row FROM done ORDER BY name"):
            yield name, state, json.loads(row)

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
