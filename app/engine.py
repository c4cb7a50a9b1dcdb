"""What the page and the HTTP API need of the core: read a photo once, decide as often as something is told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Protocol

from updraft_key.model.answer import Answer, PhotoAnswer
from updraft_key.model.errors import EvidenceError
from updraft_key.model.fingerprint import Fingerprint, fingerprint
from updraft_key.model.hands import HandTest, parse_hand
from updraft_key.model.identify import Identifier
from updraft_key.model.photo import SMALLEST, Photo


@dataclass(frozen=True, slots=True)
class Told:
    """What the person told beside the photos.

    ``hand`` maps a hand test's id to the person's word (``{"magnet": "holds"}``); ``manifold`` is ``plain`` or
    ``ported``, ``arrester`` and ``wanted`` name a generation's side as the fit plan asks for them; None is unknown.
    """

    hand: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    manifold: str | None = None
    arrester: str | None = None
    wanted: str | None = None


@dataclass(frozen=True, slots=True)
class ReadPhoto:
    """What was read from one photo, and the fingerprint by which the same picture sent twice counts once."""

    answer: PhotoAnswer
    fingerprint: Fingerprint | None = None


def with_hand(told: Told, test: str, word: str | None, *, again: bool = False) -> Told:
    """Set one hand test, or take it back with None. With ``again`` the same word a second time takes it back."""
    hand = {k: v for k, v in told.hand.items() if k != test}
    if word and not (again and told.hand.get(test) == word):
        hand[test] = word
    return replace(told, hand=MappingProxyType(hand))


class Engine(Protocol):
    """One identifier, shared by all requests; both methods may be called from several threads."""

    def read(self, label: str, photo: Photo) -> ReadPhoto:
        """Run the network on one photo. The slow half."""

    def decide(self, photos: Sequence[ReadPhoto], told: Told) -> Answer:
        """Decide from what was read and told. No network, a few milliseconds.

        Raises:
            EvidenceError: for a hand test or word that is not known.
        """


class IdentifierEngine:
    """The engine over the core's identifier."""

    def __init__(self, identifier: Identifier | None = None) -> None:
        self._identifier = identifier or Identifier()

    def read(self, label: str, photo: Photo) -> ReadPhoto:
        """As ``Engine.read``.

        Raises:
            ModelFileError: when the network cannot be used.
        """
        answer = self._identifier.read(label, photo)
        return ReadPhoto(answer, fingerprint(photo.small(SMALLEST)[0]) if answer.usable else None)

    def decide(self, photos: Sequence[ReadPhoto], told: Told) -> Answer:
        """As ``Engine.decide``. Once the fit was asked for, the unit's own kind is fitted unless another is wanted."""
        tests = hand_tests(told.hand)
        answer = self._decide(photos, tests, told, told.wanted)
        era = answer.verdict.era
        if told.wanted is None and era is not None and (told.manifold or told.arrester):
            answer = self._decide(photos, tests, told, str(era))
        return answer

    def _decide(self, photos: Sequence[ReadPhoto], tests: Sequence[HandTest], told: Told, wanted: str | None) -> Answer:
        return self._identifier.decide(
            [p.answer for p in photos],
            tests,
            told.manifold,
            told.arrester,
            wanted,
            fingerprints=[p.fingerprint for p in photos],
        )


def hand_tests(hand: Mapping[str, str]) -> tuple[HandTest, ...]:
    """The hand tests of a table from test to word.

    Raises:
        EvidenceError: for a test or word that is not known.
    """
    if len(hand) > 20:
        raise EvidenceError(f"expected at most 20 hand tests, got {len(hand)}")
    return tuple(parse_hand(f"{test}={word}") for test, word in hand.items())
