"""Items made one ahead: the same ones in the same order, begun early, with their faults where they belong."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from updraft_key.app.ahead import one_ahead


@pytest.mark.parametrize("count", [0, 1, 2, 50])
def test_the_same_items_in_the_same_order(count: int) -> None:
    assert list(one_ahead(iter(range(count)))) == list(range(count))


def test_the_next_is_made_while_the_last_is_used_and_no_more_than_that() -> None:
    begun = [threading.Event() for _ in range(4)]
    threads = set()

    def items() -> Iterator[int]:
        for n, event in enumerate(begun):
            threads.add(threading.current_thread().name)
            event.set()
            yield n

    given = one_ahead(items())
    assert begun[0].wait(10.0) and not begun[1].is_set()
    for n in range(3):
        assert next(given) == n
        assert begun[n + 1].wait(10.0) and all(not e.is_set() for e in begun[n + 2 :])
    assert threads == {"one-ahead"}


def test_a_fault_is_raised_where_its_item_is_asked_for() -> None:
    def items() -> Iterator[str]:
        yield "good"
        raise OSError("gone")

    given = one_ahead(items())
    assert next(given) == "good"
    with pytest.raises(OSError, match="gone"):
        next(given)
    assert list(given) == []
