"""Starts the real server in a process of its own: ``python tests/serve_fake.py PORT [real] [cases=FILE]``.

With ``real`` the shipped network reads the photos, otherwise painted colours are read, slowed to 50 ms a photo.
"""

from __future__ import annotations

import sys
import time

from fake_engine import FakeEngine
from updraft_key.app.engine import Engine, IdentifierEngine, ReadPhoto
from updraft_key.app.server import ServerSettings, serve
from updraft_key.model.photo import Photo


class Slowed(FakeEngine):
    """A painted-picture engine that takes about as long as a network."""

    def read(self, label: str, photo: Photo) -> ReadPhoto:
        time.sleep(0.05)
        return super().read(label, photo)


if __name__ == "__main__":
    engine: Engine = IdentifierEngine() if "real" in sys.argv else Slowed()
    cases = next((word.removeprefix("cases=") for word in sys.argv if word.startswith("cases=")), None)
    serve(ServerSettings(port=int(sys.argv[1]), costly_per_minute=100_000, per_minute=100_000, cases=cases), engine)
