"""What the machine's owner may set through the environment; options of a command come before it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass

from updraft_key.model.errors import UpdraftKeyError

from .language import LANGUAGES


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of one run.

    Attributes:
        threads: that the network may use (``UPDRAFT_KEY_THREADS``, 1 to 64; one thread by default, because more
            run slower where other work shares the processor).
        language: of the answers (``UPDRAFT_KEY_LANGUAGE``).
        cases: where kept cases are: a path of an SQLite file or a database URL (``UPDRAFT_KEY_CASES``).
        token: of the web server (``UPDRAFT_KEY_TOKEN``); None for none.
    """

    threads: int = 1
    language: str = "en"
    cases: str = "updraft-key-cases.sqlite"
    token: str | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.threads <= 64:
            raise UpdraftKeyError(f"UPDRAFT_KEY_THREADS: expected 1 to 64, got {self.threads}")
        if self.language not in LANGUAGES:
            raise UpdraftKeyError(f"language: expected one of {', '.join(LANGUAGES)}, got {self.language!r}")


def from_environment(environment: Mapping[str, str] | None = None) -> Settings:
    """Read the settings.

    Raises:
        UpdraftKeyError: a value that cannot be used.
    """
    given = os.environ if environment is None else environment
    threads = given.get("UPDRAFT_KEY_THREADS", "1")
    if not threads.isdecimal():
        raise UpdraftKeyError(f"UPDRAFT_KEY_THREADS: expected a number, got {threads!r}")
    plain = Settings()
    return Settings(
        int(threads),
        given.get("UPDRAFT_KEY_LANGUAGE") or plain.language,
        given.get("UPDRAFT_KEY_CASES") or plain.cases,
        given.get("UPDRAFT_KEY_TOKEN") or None,
    )
