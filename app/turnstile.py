"""A fair queue for the slow work: so many at once, so many waiting, and clients take turns.

Whoever sends a hundred requests waits behind their own, not before everybody else's.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict, deque
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from updraft_key.model.errors import UpdraftKeyError


class BusyError(UpdraftKeyError):
    """The queue is full; come again in a few seconds."""


class Turnstile:
    """Lets ``slots`` requests through at once and keeps ``waiting`` more, at most ``each`` of one client.

    One for an event loop; not for threads.
    """

    def __init__(self, slots: int, waiting: int, each: int) -> None:
        if min(slots, each) < 1 or waiting < 0:
            raise ValueError("turnstile: expected slots and each of 1 or more, waiting of 0 or more")
        self._free, self._waiting, self._each = slots, waiting, each
        self._lines: OrderedDict[str, deque[asyncio.Future[None]]] = OrderedDict()
        self._inside: dict[str, int] = {}

    @asynccontextmanager
    async def enter(self, client: str) -> AsyncIterator[None]:
        """Wait for a turn.

        Raises:
            BusyError: at once, if too many wait already.
        """
        await self._wait(client)
        try:
            yield
        finally:
            self._leave(client)

    @property
    def queued(self) -> int:
        """How many wait now."""
        return sum(len(line) for line in self._lines.values())

    async def _wait(self, client: str) -> None:
        line = self._lines.get(client, ())
        if self._free > 0 and not self._lines:
            self._free -= 1
        elif self.queued >= self._waiting or len(line) + self._inside.get(client, 0) >= self._each:
            raise BusyError("busy: other photos are being read. Try again in a few seconds")
        else:
            turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._lines.setdefault(client, deque()).append(turn)
            try:
                await turn
            except asyncio.CancelledError:
                if turn.done() and not turn.cancelled():
                    self._next()  # the turn had just been given: pass it on
                else:
                    self._drop(client, turn)
                raise
        self._inside[client] = self._inside.get(client, 0) + 1

    def _leave(self, client: str) -> None:
        left = self._inside[client] - 1
        if left:
            self._inside[client] = left
        else:
            del self._inside[client]
        self._next()

    def _next(self) -> None:
        """Give the free slot to the client that has waited longest since its last turn."""
        while self._lines:
            client, line = next(iter(self._lines.items()))
            turn = line.popleft()
            if line:
                self._lines.move_to_end(client)
            else:
                del self._lines[client]
            if not turn.done():
                turn.set_result(None)
                return
        self._free += 1

    def _drop(self, client: str, turn: asyncio.Future[None]) -> None:
        line = self._lines.get(client)
        if line is not None and turn in line:
            line.remove(turn)
            if not line:
                del self._lines[client]
