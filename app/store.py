"""The one door to the database of cases: SQLite by default, any SQLAlchemy URL when a shop outgrows it.

Photos are kept as JPEGs made anew from pixels, so no metadata of the originals is in the database. Texts of
customers are data and go in as bound parameters only.
"""

from __future__ import annotations

import base64
import io
import json
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine
from updraft_key.model.cues import ERAS
from updraft_key.model.errors import StoreError
from updraft_key.model.photo import Photo

MIGRATIONS = Path(__file__).parent / "assets" / "migrations"

PATIENCE = 10
"""Seconds to wait for another program that writes into the same SQLite file."""
_MIGRATING = threading.Lock()
_MIGRATION_LOCK = 0x75706472616674

_META = sa.MetaData()
CASES = sa.Table(
    "cases",
    _META,
    sa.Column("id", sa.Integer, primary_key=True),
    *(sa.Column(name, sa.Text) for name in ("kept_at", "title", "notes", "outcome", "era", "answer")),
    *(sa.Column(name, sa.Text) for name in ("model_sha256", "truth", "truth_how", "truth_at", "origin")),
)
PHOTOS = sa.Table(
    "photos",
    _META,
    sa.Column("id", sa.Integer, primary_key=True),
    *(sa.Column(name, sa.Integer) for name in ("case_id", "position", "width", "height")),
    *(sa.Column(name, sa.Text) for name in ("label", "sha256", "marks")),
    sa.Column("jpeg", sa.LargeBinary),
)
HAND_TESTS = sa.Table(
    "hand_tests",
    _META,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("case_id", sa.Integer),
    *(sa.Column(name, sa.Text) for name in ("test", "outcome", "by")),
)


@dataclass(frozen=True, slots=True)
class KeptPhoto:
    """A photo to keep, or one kept. ``marks`` are corrected marks (list of {part, box} in photo pixels) or None."""

    label: str
    sha256: str
    width: int
    height: int
    jpeg: bytes
    marks: tuple[dict[str, Any], ...] | None = None

    @classmethod
    def from_photo(cls, label: str, photo: Photo) -> KeptPhoto:
        """Re-encode a photo from its pixels alone (JPEG, quality 90)."""
        from PIL import Image

        out = io.BytesIO()
        Image.fromarray(photo.pixels).save(out, "JPEG", quality=90)
        height, width = photo.pixels.shape[:2]
        return cls(label, photo.sha256, int(width), int(height), out.getvalue())

    @classmethod
    def from_jpeg(cls, label: str, sha256: str, size: Sequence[int], jpeg: str) -> KeptPhoto:
        """A photo that another process re-encoded: ``size`` is (width, height), ``jpeg`` base64 text."""
        return cls(label, sha256, int(size[0]), int(size[1]), base64.b64decode(jpeg))


@dataclass(frozen=True, slots=True)
class KeptTest:
    """A hand test and who did it."""

    test: str
    outcome: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class KeptCase:
    """One case as kept. ``kept_at`` and ``truth_at`` are ISO 8601 in UTC; ``truth`` is the confirmed generation."""

    id: int
    kept_at: str
    title: str
    notes: str
    outcome: str
    era: str | None
    answer: dict[str, Any]
    truth: str | None
    truth_how: str | None
    truth_at: str | None
    photos: tuple[KeptPhoto, ...] = ()
    tests: tuple[KeptTest, ...] = ()


class Store:
    """The cases of one shop.

    Args:
        url: a path of an SQLite file, or any SQLAlchemy URL.

    Raises:
        StoreError: it cannot be opened, is not ours, is damaged, locked or read-only; also from every method.
    """

    def __init__(self, url: str | Path) -> None:
        text = str(url)
        self.url = text if "://" in text else f"sqlite:///{text}"
        try:
            self._engine: Engine = sa.create_engine(self.url, pool_pre_ping=True)
            if self.sqlite:
                sa.event.listen(self._engine, "connect", _sqlite_manners)
            self._migrate()
        except (sa.exc.SQLAlchemyError, OSError, ImportError, UnicodeDecodeError) as err:
            raise StoreError(f"could not open the cases at {_shown(self.url)}: {_plain(err)}") from err

    @property
    def sqlite(self) -> bool:
        """True when the database is an SQLite file."""
        return self.url.startswith("sqlite")

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    def keep(
        self,
        answer: dict[str, Any],
        photos: Sequence[KeptPhoto],
        *,
        kept_at: str,
        title: str = "",
        notes: str = "",
        tests: Sequence[KeptTest] = (),
        origin: str | None = None,
    ) -> int:
        """Keep one answer with its photos and hand tests; returns the case's number.

        With an ``origin`` (any text that names where it comes from, up to 64 characters) a case is kept once: asked
        again, the number that it has is returned and nothing is written.
        """
        with self._begin() as db:
            if origin is not None:
                known = db.execute(sa.select(CASES.c.id).where(CASES.c.origin == origin)).scalar()
                if known is not None:
                    return int(known)
            result = db.execute(
                CASES.insert().values(
                    kept_at=kept_at,
                    title=title,
                    notes=notes,
                    outcome=answer["verdict"]["outcome"],
                    era=answer["verdict"]["era"],
                    answer=json.dumps(answer, sort_keys=True),
                    model_sha256=answer["model"]["sha256"],
                    origin=origin,
                )
            )
            key = result.inserted_primary_key
            if key is None:
                raise StoreError("the database gave no number to the case")
            case_id = int(key[0])
            for position, photo in enumerate(photos):
                marks = None if photo.marks is None else json.dumps(list(photo.marks), sort_keys=True)
                db.execute(
                    PHOTOS.insert().values(
                        case_id=case_id,
                        position=position,
                        label=photo.label,
                        sha256=photo.sha256,
                        width=photo.width,
                        height=photo.height,
                        jpeg=photo.jpeg,
                        marks=marks,
                    )
                )
            for test in tests:
                db.execute(
                    HAND_TESTS.insert().values(case_id=case_id, test=test.test, outcome=test.outcome, by=test.by)
                )
        return case_id

    def get(self, case_id: int) -> KeptCase:
        """Return one case with its photos and tests."""
        with self._begin() as db:
            row = db.execute(CASES.select().where(CASES.c.id == case_id)).mappings().first()
            if row is None:
                raise StoreError(f"expected the number of a kept case, got {case_id}: there is none")
            photos = db.execute(PHOTOS.select().where(PHOTOS.c.case_id == case_id).order_by(PHOTOS.c.position))
            tests = db.execute(HAND_TESTS.select().where(HAND_TESTS.c.case_id == case_id).order_by(HAND_TESTS.c.id))
            return _case(row, photos.mappings().all(), tests.mappings().all())

    def cases(self) -> Iterator[KeptCase]:
        """Yield every case without its photos, oldest first."""
        with self._begin() as db:
            for row in db.execute(CASES.select().order_by(CASES.c.id)).mappings():
                yield _case(row, (), ())

    def search(self, words: str) -> list[KeptCase]:
        """Return the cases whose title or notes hold all the words, oldest first."""
        terms = [t for t in words.split() if t]
        if not terms:
            return []
        if self.sqlite:
            match = " ".join('"' + t.replace('"', '""') + '"' for t in terms)
            where = sa.text("id IN (SELECT rowid FROM notes_index WHERE notes_index MATCH :words)")
        else:
            match = " ".join(terms)
            where = sa.text("to_tsvector('simple', title || ' ' || notes) @@ plainto_tsquery('simple', :words)")
        with self._begin() as db:
            found = db.execute(CASES.select().where(where).order_by(CASES.c.id), {"words": match}).mappings()
            return [_case(row, (), ()) for row in found]

    def confirm(self, case_id: int, truth: str, how: str, at: str) -> None:
        """Record the confirmed generation and how it was found out (magnet tried, kit fitted...)."""
        if truth not in ERAS:
            raise StoreError(f"expected one of {', '.join(ERAS)}, got {truth!r}")
        self._update(case_id, truth=truth, truth_how=how, truth_at=at)

    def note(self, case_id: int, notes: str) -> None:
        """Replace the notes of a case."""
        self._update(case_id, notes=notes)

    def correct(self, case_id: int, position: int, marks: Sequence[dict[str, Any]]) -> None:
        """Record corrected marks for one photo: each ``{"part": str, "box": [x0, y0, x1, y1]}`` in photo pixels."""
        with self._begin() as db:
            done = db.execute(
                PHOTOS.update()
                .where(PHOTOS.c.case_id == case_id, PHOTOS.c.position == position)
                .values(marks=json.dumps(list(marks), sort_keys=True))
            )
            if done.rowcount != 1:
                raise StoreError(f"expected photo {position} of case {case_id}, found none")

    def forget(self, case_id: int) -> None:
        """Remove a case and its photos for good: on SQLite the freed pages are overwritten and the log emptied."""
        with self._begin() as db:
            for table in (PHOTOS, HAND_TESTS):
                db.execute(table.delete().where(table.c.case_id == case_id))
            if db.execute(CASES.delete().where(CASES.c.id == case_id)).rowcount != 1:
                raise StoreError(f"expected the number of a kept case, got {case_id}: there is none")
        try:
            with self._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as db:
                if self.sqlite:
                    db.execute(sa.text("INSERT INTO notes_index(notes_index) VALUES ('optimize')"))
                    db.execute(sa.text("VACUUM"))
                    db.execute(sa.text("PRAGMA wal_checkpoint(TRUNCATE)"))
                else:
                    for table in (PHOTOS, HAND_TESTS, CASES):
                        db.execute(sa.text(f"VACUUM {table.name}"))
        except sa.exc.SQLAlchemyError as err:
            raise StoreError(f"case {case_id} is deleted, but its space was not overwritten: {_plain(err)}") from err

    def _update(self, case_id: int, **values: str) -> None:
        with self._begin() as db:
            if db.execute(CASES.update().where(CASES.c.id == case_id).values(**values)).rowcount != 1:
                raise StoreError(f"expected the number of a kept case, got {case_id}: there is none")

    @contextmanager
    def _begin(self) -> Iterator[Connection]:
        try:
            with self._engine.begin() as db:
                yield db
        except (sa.exc.SQLAlchemyError, UnicodeDecodeError) as err:
            raise StoreError(f"the cases at {_shown(self.url)} could not be read or written: {_plain(err)}") from err

    def _migrate(self) -> None:
        from alembic import command
        from alembic.config import Config
        from alembic.runtime.migration import MigrationContext
        from alembic.script import ScriptDirectory

        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        newest = ScriptDirectory.from_config(config).get_current_head()
        # Alembic's context belongs to the process, so one thread at a time; another process waits in the database.
        with _MIGRATING, self._engine.begin() as db:
            if self.sqlite:
                db.exec_driver_sql("BEGIN IMMEDIATE")
            elif db.dialect.name == "postgresql":  # no table to lock yet: a number that all our programs agree on
                db.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_MIGRATION_LOCK})")
            if MigrationContext.configure(db).get_current_revision() != newest:
                config.attributes["connection"] = db
                command.upgrade(config, "head")


def _change_to_wal(cursor: Any) -> None:
    """Let readers go on beside a writer; SQLite refuses some of several that ask together, at once."""
    until = time.monotonic() + PATIENCE
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as err:
            if "locked" not in str(err) or time.monotonic() > until:
                raise
            time.sleep(0.05)


def _sqlite_manners(connection: Any, record: Any) -> None:
    """Every SQLite connection: wait for a writer, keep readers going, check references, wipe what is deleted."""
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout={1000 * PATIENCE}")
    _change_to_wal(cursor)
    for pragma in ("foreign_keys=ON", "secure_delete=ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _case(row: Any, photos: Sequence[Any], tests: Sequence[Any]) -> KeptCase:
    try:
        return _decoded(row, photos, tests)
    except (ValueError, TypeError, KeyError) as err:  # the file holds, but not what we wrote into it
        raise StoreError(f"case {row['id']} is damaged in the database ({type(err).__name__}); forget it") from err


def _decoded(row: Any, photos: Sequence[Any], tests: Sequence[Any]) -> KeptCase:
    return KeptCase(
        **{k: row[k] for k in ("id", "kept_at", "title", "notes", "outcome", "era", "truth", "truth_how", "truth_at")},
        answer=json.loads(row["answer"]),
        photos=tuple(
            KeptPhoto(
                p["label"],
                p["sha256"],
                p["width"],
                p["height"],
                bytes(p["jpeg"]),
                None if p["marks"] is None else tuple(json.loads(p["marks"])),
            )
            for p in photos
        ),
        tests=tuple(KeptTest(t["test"], t["outcome"], t["by"]) for t in tests),
    )


def _shown(url: str) -> str:
    """The URL without its password."""
    try:
        return sa.engine.make_url(url).render_as_string(hide_password=True)
    except sa.exc.ArgumentError:
        return "the given address"


def _plain(err: BaseException) -> str:
    """The database's own words, without the statement and its parameters; what they mean where they do not say it."""
    if isinstance(err, UnicodeDecodeError):  # not even the database's complaint, which quotes the file, can be read
        return "the file is damaged"
    words = str(getattr(err, "orig", None) or err).splitlines()[0]
    full = "disk I/O error" in words or "disk is full" in words
    return f"{words} (no room on the disk? free space and try again)" if full else words
