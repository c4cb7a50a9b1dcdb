"""A desk kept as a case: the answer, the photos made anew from pixels, and the hand tests."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime

from PIL import Image

from .desk import Desk, Shot
from .engine import hand_tests
from .store import KeptPhoto, KeptTest, Store

LONGEST_TITLE = 120


def keep_desk(store: Store, desk: Desk, title: str) -> Desk:
    """Keep the answer of a desk; the desk remembers the number of its case.

    Raises:
        ValueError: if the desk has no answer.
        StoreError: the case cannot be written.
    """
    if desk.answer is None:
        raise ValueError("expected a desk with an answer, got one without")
    number = store.keep(
        desk.answer.to_json(),
        [_photo(shot) for shot in desk.shots if shot.full],
        kept_at=now(),
        title=" ".join(title.split())[:LONGEST_TITLE],
        tests=[KeptTest(t.test, t.said) for t in hand_tests(desk.told.hand)],
    )
    return replace(desk, kept=(desk.answer, number))


def now() -> str:
    """The time as the store writes it: ISO 8601, UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _photo(shot: Shot) -> KeptPhoto:
    with Image.open(io.BytesIO(shot.full), formats=("JPEG",)) as image:
        width, height = image.size
    return KeptPhoto(shot.name, shot.read.sha256, width, height, shot.full)
