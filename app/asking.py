"""One question asked at the command line: open the pictures, read them, decide, and say what could not be used."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from updraft_key.model.answer import Answer, PhotoAnswer
from updraft_key.model.errors import EvidenceError, PhotoError
from updraft_key.model.hands import HandTest, hand_test, parse_hand

from .ahead import one_ahead
from .confine import one_arithmetic_thread
from .line import plain_name

if TYPE_CHECKING:
    from updraft_key.model.photo import Photo
    from updraft_key.model.runtime import Network

CLIPS = (".mp4", ".mov", ".m4v")
MAX_PHOTOS = 64
"""More photos than this in one question are a batch; ``screen`` is made for that."""


@dataclass(frozen=True, slots=True)
class Question:
    """What the person gave: photos, hand tests as typed, and what the fit plan asks."""

    photos: tuple[Path, ...]
    magnet: str | None = None
    hand: tuple[str, ...] = ()
    manifold: str | None = None
    arrester: str | None = None
    wanted: str | None = None

    def tests(self) -> tuple[HandTest, ...]:
        """The hand tests.

        Raises:
            EvidenceError: a test or word that is not known, or two answers to one test.
        """
        tests = [] if self.magnet is None else [hand_test("magnet", self.magnet)]
        tests += [parse_hand(text) for text in self.hand]
        names = [t.test for t in tests]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise EvidenceError(f"expected one answer to each hand test, got several to {', '.join(twice)}")
        return tuple(tests)

    def told(self) -> dict[str, str]:
        """The hand tests as the engine takes them: test (or cue) to word."""
        typed = ([] if self.magnet is None else [f"magnet={self.magnet}"]) + list(self.hand)
        return {test.strip(): word.strip() for test, _, word in (t.partition("=") for t in typed)}


@dataclass(frozen=True, slots=True)
class Asked:
    """The answer, and the photos it rests on, in its order, where they were kept (None where not or not usable)."""

    answer: Answer
    photos: tuple[Photo | None, ...]
    tests: tuple[HandTest, ...]

    @property
    def anything(self) -> bool:
        """Whether the answer rests on anything: a file that opened, or a hand test."""
        return bool(self.tests) or any(p.error is None for p in self.answer.photos)

    @property
    def refused(self) -> tuple[str, ...]:
        """One line for each file that could not be used."""
        return tuple(f"{plain_name(p.file)}: {p.error}" for p in self.answer.photos if p.error is not None)


def ask(question: Question, threads: int = 1, *, keep: bool = False) -> Asked:
    """Answer one question. Photos are read one after the other and forgotten unless ``keep`` is set.

    While the network reads one, the next is opened.

    Raises:
        EvidenceError: as ``Question.tests``, or nothing given at all.
        ModelFileError: the network cannot be used.
    """
    tests = question.tests()
    if not question.photos and not tests:
        raise EvidenceError("expected a photo or a hand test, got neither; see --help")
    if len(question.photos) > MAX_PHOTOS:
        raise EvidenceError(
            f"expected at most {MAX_PHOTOS} photos of one carburetor, got {len(question.photos)}; "
            "use 'screen' for a folder of many"
        )
    one_arithmetic_thread()
    # Whole before two threads build on it: the runtime's extension fails on half a numpy.
    import numpy  # noqa: F401

    # Begun before the network is opened and these are imported: on two cores neither then waits for the other.
    photos = one_ahead(open_each(question.photos))
    network = _network(threads) if question.photos else None
    from updraft_key.model.identify import Identifier

    from .engine import IdentifierEngine, ReadPhoto, Told

    engine = IdentifierEngine(Identifier(network))
    reads: list[ReadPhoto] = []
    kept: list[Photo | None] = []
    for name, photo in photos:
        if isinstance(photo, PhotoError):
            reads.append(ReadPhoto(PhotoAnswer(name, "", 0, 0, False, error=str(photo))))
            kept.append(None)
        else:
            reads.append(engine.read(name, photo))
            kept.append(photo if keep else None)
    told = Told(question.told(), question.manifold, question.arrester, question.wanted)
    return Asked(engine.decide(reads, told), tuple(kept), tests)


def _network(threads: int) -> Network:
    from updraft_key.model.runtime import packaged_network

    return packaged_network(threads)


def open_each(paths: Sequence[Path]) -> Iterator[tuple[str, Photo | PhotoError]]:
    """Open one picture after the other; frames of a clip are taken as photos. Errors are given, not raised."""
    for path in paths:
        if path.suffix.lower() in CLIPS:
            yield from _clip(path)
        else:
            yield path.name, _photo(path)


def _photo(path: Path) -> Photo | PhotoError:
    from updraft_key.model.photo import open_photo

    try:
        return open_photo(path)
    except PhotoError as error:
        return error


def _clip(path: Path) -> list[tuple[str, Photo | PhotoError]]:
    from updraft_key.model.clip import open_clip

    try:
        return [(f"{path.name} {f.seconds:.1f} s", f.photo) for f in open_clip(path)]
    except PhotoError as error:
        return [(path.name, error)]
