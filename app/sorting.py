"""``screen`` at the command line: run the inbox to its end, then write the sheets."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from pathlib import Path

from updraft_key.model.errors import UpdraftKeyError
from updraft_key.model.key import load_rules
from updraft_key.model.runtime import PACKAGED, WEIGHTS, expected_sha256

from .crew import engine as engine_named
from .ledger import Ledger
from .screen import Settings, run
from .sheets import write

_EVERY_SECONDS = 2.0


def progress(done: int, total: int, rate: float) -> str:
    """One line of progress: cases done of all, cases a second in this run, and the time left at that rate.

    >>> progress(30, 90, 0.5)
    '30 of 90 cases, 0.5 a second, about 2 min left'
    """
    seconds = (total - done) / rate
    if done >= total:
        return f"{done} of {total} cases, {rate:.1f} a second"
    left = f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.0f} min"
    return f"{done} of {total} cases, {rate:.1f} a second, about {left} left"


def screen_inbox(
    inbox: str,
    out: Path,
    engine: str,
    processes: int,
    catalogue: Path | None,
    template: Path | None,
    language: str,
    say: Callable[[str], None],
) -> dict[str, int]:
    """Screen an inbox; returns the number of cases in each state. Progress goes to ``say``.

    Raises:
        UpdraftKeyError: the inbox, the template or the results folder cannot be used.
    """
    settings = Settings(inbox, language, _text(template), None if catalogue is None else str(catalogue))
    identity = {"model": expected_sha256(WEIGHTS / "SHA256SUMS", PACKAGED), "rules": load_rules().version}
    if catalogue is not None:
        identity["catalogue_sha256"] = hashlib.sha256(_bytes(catalogue)).hexdigest()
    try:
        begun = told = time.monotonic()
        for number, step in enumerate(run(settings, out, engine_named(engine, processes), identity), start=1):
            now = time.monotonic()
            if now - told >= _EVERY_SECONDS or step.done == step.total:
                told = now
                say(progress(step.done, step.total, number / max(now - begun, 1e-3)))
        ledger = Ledger(out / "work.sqlite", {})
        try:
            return write(ledger, out)
        finally:
            ledger.close()
    except OSError as error:
        raise UpdraftKeyError(f"expected to write into {out}: {error.strerror}; free space and run again") from error


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
