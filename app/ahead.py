"""Things that are made one ahead, in a thread beside the one that uses them."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Generic, TypeVar

T = TypeVar("T")


def one_ahead(items: Iterator[T]) -> Iterator[T]:
    """Give the same items in the same order; the next one is being made while the caller works on the last.

    The first is begun at once, not when it is asked for. What fails in making an item is raised where that item is
    asked for. A caller that stops early leaves one item unused.
    """
    return _given(items, _Coming(items))


def _given(items: Iterator[T], coming: _Coming[T]) -> Iterator[T]:
    while True:
        try:
            item = coming.take()
        except StopIteration:
            return
        coming = _Coming(items)
        yield item


class _Coming(Generic[T]):
    """One item, on its way."""

    def __init__(self, items: Iterator[T]) -> None:
        self._items = items
        self._made: list[T] = []
        self._fault: Exception | None = None
        # Not a daemon: the interpreter must not be torn down while a decoder is at work.
        self._thread = threading.Thread(target=self._make, name="one-ahead")
        self._thread.start()

    def _make(self) -> None:
        try:
            self._made.append(next(self._items))
        except Exception as error:  # kept for whoever asks for the item: a thread has nobody to tell
            self._fault = error

    def take(self) -> T:
        """Wait for the item.

        Raises:
            StopIteration: there are no more.
        """
        self._thread.join()
        if self._fault is not None:
            raise self._fault
        return self._made[0]
