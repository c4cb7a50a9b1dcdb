"""The terminal: data on stdout, messages on stderr, exit codes, and nothing that a terminal could obey."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from updraft_key.model.errors import EvidenceError, MissingExtra, UpdraftKeyError

DONE, REFUSED, USAGE = 0, 1, 2
"""Exit codes: done; an input was refused; the command was not understood."""
NAME = "updraft-key"


def harmless(text: str) -> str:
    """Text that a terminal shows and does not obey: control and direction marks are written out.

    >>> harmless("a\\x1b[2Jb")
    'a\\\\x1b[2Jb'
    """
    return "".join(c if c.isprintable() or c in "\n" else c.encode("unicode_escape").decode("ascii") for c in text)


def put(text: str) -> None:
    """Write to stdout."""
    sys.stdout.write(harmless(text) if text.endswith("\n") else harmless(text) + "\n")


def put_json(value: Any) -> None:
    """Write one JSON document to stdout, ASCII only, so that no name in it can steer a terminal."""
    sys.stdout.write(json.dumps(value, ensure_ascii=True, allow_nan=False, indent=1) + "\n")


def say(message: str) -> None:
    """Write one message to stderr; it stays one line whatever is in it."""
    sys.stderr.write(f"{NAME}: {harmless(' '.join(message.split(chr(10))))}\n")


def code_of(error: UpdraftKeyError) -> int:
    """The exit code of an error: a word that is not known is a matter of usage, the rest of input."""
    return USAGE if isinstance(error, EvidenceError) and not isinstance(error, MissingExtra) else REFUSED


def say_all(messages: Sequence[str]) -> int:
    """Say every message; REFUSED if there was one, DONE if none."""
    for message in messages:
        say(message)
    return REFUSED if messages else DONE


def write_file(path: Path, data: bytes) -> None:
    """Write a result whole or not at all.

    Raises:
        UpdraftKeyError: it cannot be written.
    """
    partial = path.with_name(path.name + ".part")
    try:
        partial.write_bytes(data)
        partial.replace(path)
    except (OSError, ValueError) as error:
        with suppress(OSError, ValueError):
            partial.unlink(missing_ok=True)  # on a full disk, half a file would only take more of the room
        reason = getattr(error, "strerror", None) or "the name cannot be used"
        raise UpdraftKeyError(f"expected to write {path.name}: {reason}; choose another place") from error
