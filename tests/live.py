"""A real server on a free port of this machine, for tests of the page, the API and the gate."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import httpx
import uvicorn
from updraft_key.app.engine import Engine
from updraft_key.app.server import ServerSettings, create_app


@dataclass(frozen=True)
class Live:
    """A running server."""

    url: str
    port: int

    def client(self, **headers: str) -> httpx.Client:
        return httpx.Client(base_url=self.url, headers=headers, timeout=30.0, trust_env=False)


@contextmanager
def running(settings: ServerSettings, engine: Engine) -> Iterator[Live]:
    """Run a server in a thread of this process until the block ends.

    The folder for uploads is one of the process: a server that goes on afterwards gets its own back.
    """
    uploads = os.environ.get("GRADIO_TEMP_DIR")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    app = create_app(replace(settings, port=port), engine)
    config = uvicorn.Config(
        app, host="127.0.0.1", port=port, log_level="warning", server_header=False, access_log=False
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    live = Live(f"http://127.0.0.1:{port}", port)
    for _ in range(200):
        try:
            if httpx.get(f"{live.url}/healthz", trust_env=False).status_code == 200:
                break
        except httpx.HTTPError:
            time.sleep(0.05)
    try:
        yield live
    finally:
        server.should_exit = True
        thread.join(10)
        if uploads is not None:
            os.environ["GRADIO_TEMP_DIR"] = uploads
