"""``screen`` at the command line: run the inbox to its end, write the sheets, bring them where they belong."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from updraft_key.model.errors import UpdraftKeyError

from .bench import what_answers
from .crew import Engine, LocalCrew, SoloCrew
from .crew import engine as engine_named
from .delivery import deliver, work_folder
from .inbox import Case, in_memory, is_local
from .ledger import Ledger, taking_turn
from .reply import check_template
from .screen import Keep, Settings, run
from .sheets import write

_EVERY_SECONDS = 2.0

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Wish:
    """What the seller asked for.

    Attributes:
        inbox: path or URL of the folder, zip or CSV.
        out: path or URL of the results.
        engine: ``local``, ``here`` or ``dask:tcp://host:port``.
        processes: of this machine; 0 means one a core.
        catalogue: the seller's parts, or None.
        template: of the replies, or None.
        language: of replies and overview.
        keep: path or URL of the database to keep the cases in, or None.
    """

    inbox: str
    out: str
    engine: str = "local"
    processes: int = 0
    catalogue: Path | None = None
    template: Path | None = None
    language: str = "en"
    keep: str | None = None


def progress(done: int, total: int, rate: float) -> str:
    """One line of progress: cases done of all, cases a second in this run, and the time left at that rate.

    >>> progress(30, 90, 0.5)
    '30 of 90 cases, 0.5 a second, about 2 min left'
    """
    seconds = (total - done) / rate
    if done >= total:
        return f"{done} of {total} cases, {rate:.1f} a second"
    left = f"{max(seconds, 1.0):.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"
    return f"{done} of {total} cases, {rate:.1f} a second, about {left} left"


def screen_inbox(wish: Wish, say: Say) -> dict[str, int]:
    """Screen an inbox; returns the number of cases in each state. Progress goes to ``say``.

    Raises:
        UpdraftKeyError: the inbox, the template, the database or the results folder cannot be used.
    """
    template = _text(wish.template)
    if template is not None:
        check_template(template)
    answers = what_answers()
    if wish.catalogue is not None:
        # Its content decides answers too; a worker that has another file would fail on its own path or differ here.
        answers["catalogue_sha256"] = hashlib.sha256(_bytes(wish.catalogue)).hexdigest()
    settings = Settings(
        wish.inbox, wish.language, None if wish.catalogue is None else str(wish.catalogue),
        keep=wish.keep is not None, answers=tuple(sorted(answers.items())),
    )  # fmt: skip
    work = work_folder(wish.out)
    try:
        with taking_turn(work):
            _work(settings, work, _engine(wish), wish.keep, say)
            ledger = Ledger(work / "work.sqlite", {})
            try:
                counts = write(ledger, work, wish.language, template)
            finally:
                ledger.close()
            deliver(work, wish.out)
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise UpdraftKeyError(f"expected to write into {wish.out}: {why}; free space and run again") from error
    say(f"open {wish.out.rstrip('/')}/overview.html; drafted replies are in {wish.out.rstrip('/')}/replies")
    return counts


def _engine(wish: Wish) -> Engine:
    """The engine asked for; what is in this process's memory no other process can read."""
    engine = engine_named(wish.engine, wish.processes)
    return SoloCrew() if isinstance(engine, LocalCrew) and in_memory(wish.inbox) else engine


def _work(settings: Settings, work: Path, engine: Engine, store_url: str | None, say: Say) -> None:
    if store_url is None:
        _tell(settings, work, engine, None, say)
        return
    from .store import Store

    store = Store(store_url)
    try:
        _tell(settings, work, engine, _keeper(store, settings.inbox), say)
    finally:
        store.close()


def _tell(settings: Settings, work: Path, engine: Engine, keep: Keep | None, say: Say) -> None:
    """Run to the end, and say how far it is every few seconds."""
    begun = told = time.monotonic()
    before = 0
    for number, step in enumerate(run(settings, work, engine, keep)):
        now = time.monotonic()
        if step.state is None:
            before = step.done
            if before:
                say(f"{before} of {step.total} cases were done before; going on")
        elif now - told >= _EVERY_SECONDS or step.done == step.total:
            told = now
            say(progress(step.done, step.total, number / max(now - begun, 1e-3)))


def _keeper(store: Any, inbox: str) -> Keep:
    """Keep each case once in the database, however often the run is stopped: it is known there by its origin."""
    from .store import KeptPhoto

    def keep(case: Case, row: dict[str, Any], photos: list[dict[str, Any]]) -> None:
        store.keep(
            row["answer"],
            [KeptPhoto.from_jpeg(p["label"], p["sha256"], p["size"], p["jpeg"]) for p in photos],
            kept_at=datetime.now(UTC).isoformat(timespec="seconds"),
            title=row["case"],
            origin=hashlib.sha256(f"{_place(inbox)}\n{case.name}\n{case.mark}".encode()).hexdigest(),
        )

    return keep


def _place(inbox: str) -> str:
    """An inbox's name that does not depend on the folder in which the command was typed."""
    return str(Path(inbox).resolve()) if "://" not in inbox and is_local(inbox) else inbox


def _text(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        return _bytes(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise UpdraftKeyError(f"{path.name}: expected UTF-8 text") from error


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the name cannot be used"
        raise UpdraftKeyError(f"{path.name}: {reason}; check the name") from error
