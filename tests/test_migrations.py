"""The layouts of the database: from nothing or an older, filled one, up and down; SQLite and real PostgreSQL."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from updraft_key.app.store import MIGRATIONS, KeptPhoto, Store, _sqlite_manners
from updraft_key.model.cues import Cue

from tests.answers import Shot, case
from tests.postgres import postgres

NOW = "2026-11-25T10:00:00+00:00"
OLD = "2025-01-02T03:04:05+00:00"


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with postgres() as url:
        yield url


@pytest.fixture(params=["sqlite", "postgres"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'cases.sqlite'}"
    home = request.getfixturevalue("server")
    name = f"d{abs(hash(request.node.name))}"
    engine = sa.create_engine(home, isolation_level="AUTOCOMMIT")
    with engine.connect() as db:
        db.execute(sa.text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return str(home).removesuffix("postgres") + name


def revisions() -> list[str]:
    """Every revision, oldest first."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return [r.revision for r in reversed(list(ScriptDirectory.from_config(config).walk_revisions()))]


def migrate(url: str, way: str, revision: str) -> None:
    """Run Alembic as its own command line would."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    engine = sa.create_engine(url)
    with engine.begin() as db:
        config.attributes["connection"] = db
        getattr(command, way)(config, revision)
    engine.dispose()


def layout(url: str) -> dict[str, object]:
    """Tables with their columns, and the indexes that are ours."""
    engine = sa.create_engine(url)
    seen = sa.inspect(engine)
    tables = [t for t in seen.get_table_names() if not t.startswith("notes_index")]
    out: dict[str, object] = {
        t: ({(c["name"], str(c["type"]), c["nullable"]) for c in seen.get_columns(t)},
            {(i["name"], bool(i["unique"])) for i in seen.get_indexes(t)})
        for t in tables
    }  # fmt: skip
    engine.dispose()
    return out


def fill(url: str) -> None:
    """Two cases, a photo and a hand test each, as a program of the first layout wrote them."""
    answer = case(Shot({Cue.FRONT_EAR: "bare"})).to_json()
    engine = sa.create_engine(url)
    with engine.begin() as db:
        for number, notes in ((1, "green paint"), (2, "blue \u00fc paint; -- '")):
            db.execute(
                sa.text(
                    "INSERT INTO cases (kept_at, title, notes, outcome, era, answer, model_sha256, truth, truth_how, "
                    "truth_at) VALUES (:at, :title, :notes, 'named', 'alloy4', :answer, :sha, :truth, :how, :at)"
                ),
                {"at": OLD, "title": f"boat {number}", "notes": notes, "answer": json.dumps(answer), "sha": "a" * 64,
                 "truth": "alloy4" if number == 1 else None, "how": "kit fitted" if number == 1 else None},
            )  # fmt: skip
            db.execute(
                sa.text(
                    "INSERT INTO photos (case_id, position, label, sha256, width, height, jpeg, marks) "
                    "VALUES (:case, 0, 'p.jpg', :sha, 400, 300, :jpeg, :marks)"
                ),
                {"case": number, "sha": "b" * 64, "jpeg": bytes(range(256)),
                 "marks": json.dumps([{"part": "joint_screw", "box": [1, 2, 30, 40]}])},
            )  # fmt: skip
            db.execute(
                sa.text("INSERT INTO hand_tests (case_id, test, outcome, by) VALUES (:case, 'magnet', 'falls', 'me')"),
                {"case": number},
            )
    engine.dispose()


def test_there_are_migrations_and_one_line_of_them() -> None:
    assert revisions()[:2] == ["0001", "0002"]
    assert len(revisions()) == len(list((MIGRATIONS / "versions").glob("*.py")))


@pytest.mark.parametrize("start", revisions())
def test_a_filled_database_of_any_age_comes_up_with_all_it_held(url: str, start: str) -> None:
    migrate(url, "upgrade", start)
    fill(url)
    store = Store(url)
    try:
        cases = list(store.cases())
        assert [(c.id, c.title, c.truth, c.kept_at) for c in cases] == [
            (1, "boat 1", "alloy4", OLD), (2, "boat 2", None, OLD),
        ]  # fmt: skip
        for number in (1, 2):
            whole = store.get(number)
            (photo,), (test,) = whole.photos, whole.tests
            assert photo.jpeg == bytes(range(256)) and (photo.width, photo.height) == (400, 300)
            assert photo.marks == ({"part": "joint_screw", "box": [1, 2, 30, 40]},)
            assert (test.test, test.outcome, test.by) == ("magnet", "falls", "me")
        assert [c.id for c in store.search("paint")] == [1, 2] and [c.id for c in store.search("blue")] == [2]
        answer = case(Shot({Cue.FRONT_EAR: "bare"})).to_json()
        kept = KeptPhoto("p.jpg", answer["photos"][0]["sha256"], 400, 400, b"jpeg")
        new = [store.keep(answer, [kept], kept_at=NOW, title="new", notes="red paint", origin="x" * 64) for _ in "ab"]
        assert new == [3, 3], "the newest layout keeps a case of one origin once"
        store.confirm(2, "alloy5", "kit fitted", NOW)
        store.forget(1)
        assert [c.id for c in store.search("paint")] == [2, 3]
    finally:
        store.close()


def test_up_in_steps_is_the_same_as_up_at_once_and_down_leaves_nothing(url: str) -> None:
    seen = {}
    for revision in revisions():
        migrate(url, "upgrade", revision)
        seen[revision] = layout(url)
    assert len({str(sorted(s.items(), key=lambda i: i[0])) for s in seen.values()}) == len(seen), (
        "each changes something"
    )
    fill(url)
    for revision in reversed(revisions()[:-1]):
        migrate(url, "downgrade", revision)
        assert layout(url) == seen[revision]
    migrate(url, "upgrade", "head")
    assert layout(url) == seen[revisions()[-1]]
    store = Store(url)
    assert [c.title for c in store.cases()] == ["boat 1", "boat 2"], "what lay there went down and up with it"
    store.close()
    migrate(url, "downgrade", "base")
    assert set(layout(url)) <= {"alembic_version", "sqlite_sequence"}


def test_nobody_is_refused_when_many_open_a_new_file_at_the_same_moment(tmp_path: Path) -> None:
    """Without our own waiting one in 25 was told that the file is locked, at once, whatever its busy timeout."""
    together, refused = 6, []

    def opens(file: Path, gate: threading.Barrier) -> None:
        gate.wait()
        with closing(sqlite3.connect(file)) as connection:
            try:
                _sqlite_manners(connection, None)
            except sqlite3.OperationalError as error:
                refused.append(error)

    for n in range(60):
        gate = threading.Barrier(together)
        threads = [threading.Thread(target=opens, args=(tmp_path / f"{n}.sqlite", gate)) for _ in range(together)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert refused == []


def test_programs_that_start_together_make_the_layout_once(url: str) -> None:
    code = "import sys\nfrom updraft_key.app.store import Store\nStore(sys.argv[1]).close()"
    started = [
        subprocess.Popen([sys.executable, "-c", code, url], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        for _ in range(4)
    ]
    said = [p.communicate(timeout=60)[0].decode() for p in started]
    assert [p.returncode for p in started] == [0] * 4, said
    store = Store(url)
    assert list(store.cases()) == []
    store.close()
