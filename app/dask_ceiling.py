"""A ceiling on the memory of a Dask cluster's workers for as long as a run lasts; needs the [cluster] extra."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any

from distributed import WorkerPlugin
from updraft_key.model.errors import UpdraftKeyError

from .confine import ceiling


class DaskCeiling(WorkerPlugin):  # type: ignore[misc]  # distributed has no types
    """Taken by every worker, those that join later included.

    Args:
        room: address space for each of a worker's threads beyond what the worker has, bytes.
    """

    def __init__(self, room: int) -> None:
        self.name = f"updraft-key-{uuid.uuid4().hex}"
        self._room = room
        self._held: ExitStack | None = None

    def setup(self, worker: Any) -> None:
        """Set it; called on the worker."""
        self._held = ExitStack()
        self._held.enter_context(ceiling(self._room * worker.state.nthreads))

    def teardown(self, worker: Any) -> None:
        """Lift it; called on the worker."""
        del worker
        if self._held is not None:
            self._held.close()

    @classmethod
    @contextmanager
    def on(cls, client: Any, room: int) -> Iterator[None]:
        """Hold it on all workers of a client.

        Raises:
            UpdraftKeyError: the workers cannot take it, as when they have another version of this program.
        """
        plugin = cls(room)
        try:
            client.register_plugin(plugin)
        except Exception as error:  # whatever a foreign worker raises on code that it does not have
            raise UpdraftKeyError(
                "the Dask workers do not know this program; install the same version there"
            ) from error
        try:
            yield
        finally:
            # With the scheduler gone there is nobody left to lift it, and another error says so.
            with suppress(OSError, TimeoutError):
                client.unregister_worker_plugin(plugin.name)
