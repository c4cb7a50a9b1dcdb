"""Kept cases at the command line: keep, list, search, show, confirm, score, export, forget."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from updraft_key.model.cues import Era

from .console import DONE, put, put_json
from .settings import from_environment

if TYPE_CHECKING:
    from .asking import Asked
    from .store import KeptCase, Store

cases = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

StoreOption = Annotated[
    str | None, typer.Option("--store", help="SQLite file or database URL (or set UPDRAFT_KEY_CASES).")
]
JsonOption = Annotated[bool, typer.Option("--json", help="JSON on stdout.")]
Number = Annotated[int, typer.Argument(help="Number of the case.")]


def keep_case(url: str, asked: Asked, title: str, by: str = "", notes: str = "") -> int:
    """Keep one answered question; returns its number. ``by`` is who did the hand tests.

    Raises:
        StoreError: the cases cannot be opened or written.
    """
    from .store import KeptPhoto, KeptTest, Store

    photos = [
        KeptPhoto.from_photo(a.file, p) for p, a in zip(asked.photos, asked.answer.photos, strict=True) if p is not None
    ]
    store = Store(url)
    try:
        return store.keep(
            asked.answer.to_json(),
            photos,
            kept_at=_now(),
            title=title,
            notes=notes,
            tests=[KeptTest(t.test, t.said, by) for t in asked.tests],
        )
    finally:
        store.close()


@cases.command("list")
def list_cases(store: StoreOption = None, json: JsonOption = False) -> int:
    """List the kept cases, oldest first."""
    with _opened(store) as kept:
        return _shown(list(kept.cases()), json)


@cases.command()
def search(
    words: Annotated[list[str], typer.Argument(help="Words of the title or the notes; all must be there.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Find cases by words of their title and notes."""
    with _opened(store) as kept:
        return _shown(kept.search(" ".join(words)), json)


@cases.command()
def show(number: Number, store: StoreOption = None) -> int:
    """Show one case as JSON, with the answer as it was given."""
    with _opened(store) as kept:
        case = kept.get(number)
    tests = [{"test": t.test, "outcome": t.outcome, "by": t.by} for t in case.tests]
    photos = [{"file": p.label, "sha256": p.sha256, "width": p.width, "height": p.height} for p in case.photos]
    put_json({**_row(case), "notes": case.notes, "tests": tests, "photos": photos, "answer": case.answer})
    return DONE


@cases.command()
def confirm(
    number: Number,
    era: Annotated[Era, typer.Argument(help="The generation that it proved to be.")],
    how: Annotated[str, typer.Option(help="How it was found out, such as 'kit fitted'.")],
    store: StoreOption = None,
) -> int:
    """Record what a case proved to be, so that the answers can be scored."""
    with _opened(store) as kept:
        kept.confirm(number, str(era), how, _now())
    return DONE


@cases.command()
def note(
    number: Number,
    text: Annotated[str, typer.Argument(help="The notes; they replace the old ones.")],
    store: StoreOption = None,
) -> int:
    """Write notes to a case."""
    with _opened(store) as kept:
        kept.note(number, text)
    return DONE


@cases.command()
def score(store: StoreOption = None) -> int:
    """How often the named answers proved right (JSON; the interval is Wilson's, 95 %)."""
    from .cases import score as count

    with _opened(store) as kept:
        s = count(kept)
    put_json({"confirmed": s.confirmed, "named": s.named, "right": s.right, "low": s.low, "high": s.high})
    return DONE


@cases.command()
def export(
    out: Annotated[Path, typer.Argument(help="Folder to write coco.json and photos/ into.")],
    every: Annotated[bool, typer.Option("--all", help="Cases that are not confirmed as well.")] = False,
    store: StoreOption = None,
) -> int:
    """Write the cases as a set to train and evaluate on (COCO)."""
    from .cases import export as write

    with _opened(store) as kept:
        put(str(write(kept, out, confirmed_only=not every)))
    return DONE


@cases.command()
def forget(number: Number, store: StoreOption = None) -> int:
    """Remove a case and its photos for good."""
    with _opened(store) as kept:
        kept.forget(number)
    return DONE


@contextmanager
def _opened(url: str | None) -> Iterator[Store]:
    from .store import Store

    store = Store(url or from_environment().cases)
    try:
        yield store
    finally:
        store.close()


def _shown(found: list[KeptCase], json: bool) -> int:
    if json:
        put_json([_row(c) for c in found])
    else:
        rows = [
            f"{c.id:5}  {c.kept_at[:10]}  {c.outcome:9}  {c.era or '-':7}  {c.truth or '-':7}  {c.title}" for c in found
        ]
        put("\n".join([f"{'case':>5}  {'kept':10}  {'outcome':9}  {'named':7}  {'proved':7}  title", *rows]))
    return DONE


def _row(case: KeptCase) -> dict[str, Any]:
    return {
        "case": case.id,
        "kept_at": case.kept_at,
        "title": case.title,
        "outcome": case.outcome,
        "era": case.era,
        "truth": case.truth,
        "truth_how": case.truth_how,
    }


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
