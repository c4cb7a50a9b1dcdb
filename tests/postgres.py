"""A real PostgreSQL server of Debian's package for the tests that need one."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def postgres() -> Iterator[str]:
    """Run a server in a folder of its own, on loopback only; gives its URL. Skips where the package is missing."""
    versions = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not versions:
        if os.environ.get("CI"):
            pytest.fail("CI must test on PostgreSQL: install Debian's postgresql")
        pytest.skip("Debian's postgresql is not installed")
    tools = versions[-1].parent
    # Not under pytest's own folder: that is cleaned by whoever runs pytest next, also while this server runs.
    home = Path(tempfile.mkdtemp(prefix="updraft-key-pg-"))
    data = home / "data"
    run_as: list[str] = []
    if os.geteuid() == 0:  # the server refuses to run as root
        shutil.chown(home, "postgres")
        run_as = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"]
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    subprocess.run(
        [*run_as, tools / "initdb", "-D", data, "-A", "trust", "-U", "shop"], check=True, capture_output=True
    )
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={home} -c fsync=off"
    start = [*run_as, tools / "pg_ctl", "-D", data, "-w", "-o", options, "-l", home / "log", "start"]
    subprocess.run(start, check=True, capture_output=True)
    try:
        yield f"postgresql+psycopg://shop@127.0.0.1:{port}/postgres"
    finally:
        subprocess.run(
            [*run_as, tools / "pg_ctl", "-D", data, "-m", "immediate", "stop"], check=True, capture_output=True
        )
        shutil.rmtree(home, ignore_errors=True)
