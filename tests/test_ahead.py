"""The network opened ahead: the same answers, and its faults told to whoever uses it."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from updraft_key.model.ahead import NetworkAhead
from updraft_key.model.errors import ModelFileError
from updraft_key.model.runtime import FakeNetwork, blank_outputs


def test_it_is_opened_at_once_and_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    go = threading.Event()
    fake = FakeNetwork(lambda image: blank_outputs(image.shape[-1]))

    def slow(threads: int) -> FakeNetwork:
        go.wait(10.0)
        asked.append(threads)
        return fake

    monkeypatch.setattr("updraft_key.model.ahead.packaged_network", slow)
    network = NetworkAhead(3)
    assert asked == []
    go.set()
    assert network.spec is fake.spec and network.model_id == fake.model_id and asked == [3]
    assert network.run(np.zeros((1, 3, 64, 64), np.float32))["found"].shape == (1, 1)


def test_a_fault_is_raised_where_it_is_used_and_not_before(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(_threads: int) -> FakeNetwork:
        raise ModelFileError("expected the network file")

    monkeypatch.setattr("updraft_key.model.ahead.packaged_network", missing)
    network = NetworkAhead()
    for _ in range(2):
        with pytest.raises(ModelFileError, match="expected the network file"):
            network.model_id  # noqa: B018
