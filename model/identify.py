"""Photos and hand tests to an ``Answer``: composes the other modules, decides nothing itself.

``read`` is the slow half (the network, once for each photo); ``decide`` is the fast half, which faces call again
whenever something more is told. ``identify`` is both.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Sequence
from dataclasses import replace
from types import MappingProxyType

from .answer import Answer, ModelId, PhotoAnswer
from .certainty import conclude, to_act_on
from .cues import CUES, UNSURE, Cue, CueVector, Era, Readings
from .errors import EvidenceError, PhotoError
from .fingerprint import Fingerprint, fingerprint
from .fit import plan
from .fuse import each_alone, fuse
from .hands import HandTest, remarks
from .next_look import rank
from .parts import Catalogue, load_catalogue, match
from .photo import SMALLEST, Photo
from .quality import judge
from .readings import first_look, is_small, nothing, read
from .runtime import Network, packaged_network
from .safety import cautions, findings

NamedPhoto = tuple[str, Photo | PhotoError]
"""A picture's label (shown to the person, never opened), and the photo or why it could not be opened."""

NO_MODEL = ModelId("none", "", "")
"""Stands in answers for which no photo was read."""

UNIT_FINDINGS = ("screenshot",)
"""Findings of single photos that the safety findings also know."""

LOOKS_ASKED = 6
"""More than this many next looks help nobody; the magnet is among them whenever it is asked for."""


class Identifier:
    """From photos and hand tests to an answer. One for a process; safe to use from several threads.

    Args:
        network: reads photos; the packaged one by default, opened when the first photo is read.
        catalogue: of parts; the shipped one by default.
        threads: of the packaged network.
    """

    def __init__(self, network: Network | None = None, catalogue: Catalogue | None = None, *, threads: int = 1) -> None:
        self._network = network
        self._catalogue = catalogue
        self._threads = threads
        self._lock = threading.Lock()

    @property
    def network(self) -> Network:
        """The network.

        Raises:
            ModelFileError: when the packaged file is missing, altered or cannot be used.
        """
        with self._lock:
            if self._network is None:
                self._network = packaged_network(self._threads)
            return self._network

    def identify(
        self,
        photos: Sequence[NamedPhoto],
        hand_tests: Sequence[HandTest] = (),
        manifold: str | None = None,
        arrester: str | None = None,
        wanted: str | None = None,
    ) -> Answer:
        """Answer one question about one unit.

        Args:
            photos: labels and photos, all of the same unit. One that could not be opened is listed with its
                reason and takes no further part.
            hand_tests: done by the person, in any order.
            manifold: ``plain`` or ``ported``; None if not told.
            arrester: body the arrester housing was made for, ``iron`` or ``alloy``, or ``none``; None if not told.
            wanted: generation to be fitted; None if not told.

        Raises:
            EvidenceError: for another word in ``manifold``, ``arrester`` or ``wanted``.
            ModelFileError: when the network cannot be used.
        """
        answers = [self.read(label, photo) for label, photo in photos]
        prints = [
            fingerprint(photo.small(SMALLEST)[0]) if isinstance(photo, Photo) and a.usable else None
            for (_label, photo), a in zip(photos, answers, strict=True)
        ]
        return self.decide(answers, hand_tests, manifold, arrester, wanted, fingerprints=prints)

    def read(self, label: str, photo: Photo | PhotoError) -> PhotoAnswer:
        """Read one photo by itself.

        Raises:
            ModelFileError: when the network cannot be used.
        """
        if isinstance(photo, PhotoError):
            return PhotoAnswer(label, "", 0, 0, False, error=str(photo))
        quality = judge(photo)
        readings = self._look(photo) if quality.usable else None
        found = quality.findings
        if readings is not None:
            small = ("small",) if is_small(readings.subject.box, photo.width, photo.height) else ()
            found = (*found, *readings.findings, *small)
            readings = replace(readings, findings=found)
        return PhotoAnswer(label, photo.sha256, photo.width, photo.height, quality.usable, found, readings)

    def decide(
        self,
        photos: Sequence[PhotoAnswer],
        hand_tests: Sequence[HandTest] = (),
        manifold: str | None = None,
        arrester: str | None = None,
        wanted: str | None = None,
        *,
        fingerprints: Sequence[Fingerprint | None] = (),
    ) -> Answer:
        """Answer from photos already read; no network. Arguments and errors as ``identify``.

        ``fingerprints`` are of the photos' pixels, in order, so that one picture sent twice counts once.
        """
        readings = [p.readings for p in photos]
        fused = _vector(fuse(readings, hand_tests, fingerprints=fingerprints), photos)
        vector, verdict = conclude(fused, each_alone(readings, hand_tests))
        doubtful = frozenset(cue for cue in CUES if fused.cues[cue].evidence and not vector.cues[cue].evidence)
        asked = (manifold, arrester, wanted) != (None, None, None)
        firm = to_act_on(vector, verdict)
        try:
            return Answer(
                model=self._model_id(photos),
                photos=tuple(_unsure(p, doubtful) for p in photos),
                cues=vector,
                verdict=verdict,
                next_looks=rank(vector, verdict, _views(photos), [h.test for h in hand_tests], most=LOOKS_ASKED),
                parts=match(self._parts(), firm),
                fit=plan(firm.era, _era(wanted), manifold or "unknown", arrester or "unknown") if asked else (),
                findings=(
                    *findings(vector, firm, manifold=manifold or "unknown", arrester=arrester or "unknown"),
                    *remarks(hand_tests),
                ),
                cautions=cautions(),
            )
        except ValueError as error:  # a word that the fit plan or the findings do not know
            raise EvidenceError(str(error)) from error

    def _look(self, photo: Photo) -> Readings:
        """The two looks: the whole photo, then the subject's box with a margin."""
        network = self.network
        spec = network.spec
        net, frame = photo.look(None, spec.find_size)
        first = first_look(network.run(net), frame, spec)
        if not first.found:
            return nothing(first)
        net, frame = photo.look(first.box, spec.read_size, margin=spec.margin)
        return read(network.run(net), frame, spec, first)

    def _model_id(self, photos: Sequence[PhotoAnswer]) -> ModelId:
        return self.network.model_id if any(p.readings is not None for p in photos) else NO_MODEL

    def _parts(self) -> Catalogue:
        with self._lock:
            if self._catalogue is None:
                self._catalogue = load_catalogue()
            return self._catalogue


def _views(photos: Sequence[PhotoAnswer]) -> tuple[str, ...]:
    """Sides from which the subject was photographed, so that they are not asked for again."""
    return tuple(p.readings.view for p in photos if p.readings is not None and p.readings.subject.found)


def _unsure(photo: PhotoAnswer, cues: Collection[Cue]) -> PhotoAnswer:
    """The photo as it counts: what was taken back (``certainty``) is unsure in the photo that said it, too."""
    if photo.readings is None or not any(c.accepted for cue, c in photo.readings.cues.items() if cue in cues):
        return photo
    said = {
        cue: replace(c, reading=UNSURE, accepted=False) if c.accepted and cue in cues else c
        for cue, c in photo.readings.cues.items()
    }
    return replace(photo, readings=replace(photo.readings, cues=MappingProxyType(said)))


def _vector(vector: CueVector, photos: Sequence[PhotoAnswer]) -> CueVector:
    """Add the findings of single photos that concern the whole unit."""
    more = [f for f in UNIT_FINDINGS if any(f in p.findings for p in photos) and f not in vector.findings]
    return replace(vector, findings=(*vector.findings, *more)) if more else vector


def _era(word: str | None) -> Era | None:
    if word is None:
        return None
    try:
        return Era(word)
    except ValueError as error:
        raise EvidenceError(f"wanted: expected one of {', '.join(Era)}, got {word!r}") from error
