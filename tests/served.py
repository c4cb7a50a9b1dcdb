"""The real server in a process of its own, as a person starts it, for tests of load, privacy and how it ends."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import httpx

FAKE = Path(__file__).with_name("serve_fake.py")


@dataclass(frozen=True)
class Served:
    """A running server: its address and its process."""

    url: str
    process: subprocess.Popen[bytes]


@contextmanager
def served(
    *words: str, port: int = 0, said: IO[bytes] | int = subprocess.DEVNULL, **environment: str
) -> Iterator[Served]:
    """Start ``serve_fake.py`` with ``words`` on a port, wait until it answers, and end it with the block.

    Args:
        words: ``real`` for the shipped network, ``cases=FILE`` for kept cases.
        port: any free one by default.
        said: where its output goes.
        environment: set for it besides this process's own.
    """
    if not port:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
    line = [sys.executable, str(FAKE), str(port), *words]
    with subprocess.Popen(line, env={**os.environ, **environment}, stdout=said, stderr=said) as process:
        url = f"http://127.0.0.1:{port}"
        for _ in range(600):
            try:
                httpx.get(f"{url}/healthz", trust_env=False)
                break
            except httpx.HTTPError:
                time.sleep(0.1)
        try:
            yield Served(url, process)
        finally:
            process.terminate()
