"""The shipped card says what was measured, of the very file that ships."""

import hashlib
import json

import pytest
from updraft_key.model.runtime import PACKAGED, WEIGHTS, packaged_network

METRICS = json.loads((WEIGHTS / "metrics.json").read_text("utf-8"))


def test_the_figures_are_of_the_shipped_network() -> None:
    sha = hashlib.sha256((WEIGHTS / PACKAGED).read_bytes()).hexdigest()
    assert METRICS["model"]["sha256"] == sha
    assert sha in (WEIGHTS / "MODEL_CARD.md").read_text("utf-8")


@pytest.mark.train
def test_the_card_is_what_the_figures_give() -> None:
    pytest.importorskip("torch")
    from updraft_key.training.card import card_of

    assert (WEIGHTS / "MODEL_CARD.md").read_text("utf-8") == card_of(METRICS, packaged_network().spec)
