"""``screen`` at the command line: run the inbox to its end, then write the sheets."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

from updraft_key.model.errors import UpdraftKeyError
from updraft_key.model.key import load_rules
from updraft_key.model.runtime import PACKAGED, WEIGHTS, expected_sha256

from .crew import engine as engine_named
from .ledger import Ledger
from .screen import Settings, run
from .sheets import write

_EVERY = 50


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
        for step in run(settings, out, engine_named(engine, processes), identity):
            if step.done % _EVERY == 0 or step.done == step.total:
                say(f"{step.done} of {step.total} cases")
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
