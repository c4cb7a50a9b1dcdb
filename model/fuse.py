"""Several photos and hand tests of one unit become one ``CueVector``.

Two things are kept apart. *Evidence* is what the rule layer may use: each accepted statement with its source, never
averaged, disagreement included. *Probabilities* are for showing and for ``certainty``: a product of likelihoods in
which a photo that does not show a cue takes no part.

A photo counts once however often it was sent; a statement that was not accepted in any photo becomes evidence only if
several photos from different sides say the same. An accepted statement stands: what is not accepted decides nothing
here, so it takes nothing back either (taking back one side of a conflict would name the other; ``certainty`` takes back
only what stands behind a name). A photo that strongly contradicts is told as a finding, ``two_units``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from .cues import CUES, OUT_OF_SIGHT, READINGS, UNSURE, Cue, CueReading, CueVector, Evidence, FusedCue, Readings
from .fingerprint import Fingerprint, near_duplicates
from .hands import HandTest

FLOOR = 0.01
"""No single photo or test argues more than 100 to 1: it can be of something else, or misread as a whole."""
AGREE_PHOTOS = 2
AGREE_EACH = 0.85
AGREE_TOGETHER = 0.995
"""Statements that no photo settles alone count if at least ``AGREE_PHOTOS`` photos from different sides give the
same reading at ``AGREE_EACH`` or more, no photo that shows the cue says otherwise, and together they reach
``AGREE_TOGETHER``. Photos of one unit share paint, light and camera, so this is set high; own judgement."""
DISAGREE = 0.95
"""Two photos disagree strongly when the chance that both are right, were they of one unit, is below 1 in 20."""
DIFFERENT_UNITS = frozenset((Cue.FRONT_EAR, Cue.MAIN_JET, Cue.SCAVENGE_LINE, Cue.THROAT_BOTTOM))
"""Cues whose strong disagreement hints at two units. Not the metal, whose look changes with light and paint, and not
the count of screws, which a hidden fifth one changes."""

TWO_UNITS = "two_units"
SAME_TWICE = "same_picture_twice"
BY_HAND_ALONE = "by_hand_alone"


@dataclass(frozen=True, slots=True)
class _Said:
    """What one photo (with its duplicates) says of one cue."""

    photo: int
    view: str
    reading: str
    accepted: bool
    probabilities: Mapping[str, float]

    @property
    def source(self) -> str:
        return f"photo:{self.photo}"

    @property
    def hidden(self) -> float:
        return min(1.0, max(0.0, self.probabilities.get(OUT_OF_SIGHT, 0.0)))


def fuse(
    photos: Sequence[Readings | None],
    hands: Sequence[HandTest] = (),
    *,
    fingerprints: Sequence[Fingerprint | None] = (),
) -> CueVector:
    """Fuse what is known of one unit.

    Args:
        photos: readings of each photo in the order given; None for a photo that could not be used.
        hands: hand tests done, in any order.
        fingerprints: of the photos' pixels, in the same order, to find near-duplicates; may be left out.

    Returns:
        The vector for the rule layer. Its findings may hold ``two_units``, ``same_picture_twice`` and
        ``by_hand_alone`` (photos were given, none shows such a carburetor, and hand tests told something).

    Raises:
        ValueError: if fingerprints are given, but not one for each photo.
    """
    if fingerprints and len(fingerprints) != len(photos):
        raise ValueError(f"expected one fingerprint for each of {len(photos)} photos, got {len(fingerprints)}")
    groups = _groups(photos, fingerprints)
    seen = [group for group in groups if any(_found(photos[i]) for i in group)]
    findings: dict[str, None] = {}
    cues: dict[Cue, FusedCue] = {}
    for cue in CUES:
        said = [s for group in seen if (s := _merged(cue, group, photos)) is not None]
        if cue in DIFFERENT_UNITS and _disagree(said):
            findings[TWO_UNITS] = None
        cues[cue] = _fused(cue, said, [h for h in hands if h.cue is cue])
    if any(len(group) > 1 for group in groups):
        findings[SAME_TWICE] = None
    if groups and not seen and any(h.evidence is not None for h in hands):
        findings[BY_HAND_ALONE] = None
    return CueVector(
        MappingProxyType(cues),
        photos_given=len(photos),
        photos_usable=sum(p is not None for p in photos),
        subject_found=bool(seen) or not photos,
        findings=tuple(findings),
    )


def each_alone(photos: Sequence[Readings | None], hands: Sequence[HandTest] = ()) -> tuple[CueVector, ...]:
    """What each photo that shows a subject says by itself, beside the hand tests; numbered as among all."""
    found = [i for i, readings in enumerate(photos) if _found(readings)]
    return tuple(fuse([r if k == i else None for k, r in enumerate(photos)], hands) for i in found)


def posterior(
    prior: Mapping[str, float], likelihoods: Sequence[Mapping[str, float]], floor: float = FLOOR
) -> dict[str, float]:
    """Bayes' rule for independent observations.

    Args:
        prior: weight of each hypothesis; at least one is positive.
        likelihoods: for each observation, its probability under each hypothesis.
        floor: smallest likelihood, as a share of the observation's largest.

    Raises:
        ValueError: if nothing has a positive weight.
    """
    logs = {h: math.log(p) for h, p in prior.items() if p > 0}
    for likelihood in likelihoods:
        least = floor * max(likelihood.get(h, 0.0) for h in logs)
        for h in logs:
            value = max(likelihood.get(h, 0.0), least)
            logs[h] += math.log(value) if value > 0 else -math.inf
    top = max(logs.values(), default=-math.inf)
    if not math.isfinite(top):
        raise ValueError("expected a hypothesis that is possible, got none")
    weights = {h: math.exp(v - top) for h, v in logs.items()}
    total = sum(weights.values())
    return {h: weights.get(h, 0.0) / total for h in prior}


def disagreement(p: Mapping[str, float], q: Mapping[str, float]) -> float:
    """The weight of Dempster's rule on "cannot both be right": one minus the sum of ``p(r) * q(r)``.

    Only what is in sight counts; 0 if either shows nothing of it.
    """
    seen_p = {r: v for r, v in p.items() if r != OUT_OF_SIGHT}
    seen_q = {r: v for r, v in q.items() if r != OUT_OF_SIGHT}
    total = sum(seen_p.values()) * sum(seen_q.values())
    return 1.0 - sum(v * seen_q.get(r, 0.0) for r, v in seen_p.items()) / total if total > 0 else 0.0


def _found(readings: Readings | None) -> bool:
    return readings is not None and readings.subject.found


def _groups(photos: Sequence[Readings | None], fingerprints: Sequence[Fingerprint | None]) -> list[tuple[int, ...]]:
    """Indices of usable photos, near-duplicates together under the first of them."""
    groups: list[list[int]] = []
    for i, readings in enumerate(photos):
        if readings is None:
            continue
        mine = fingerprints[i] if fingerprints else None
        for group in groups:
            first = fingerprints[group[0]] if fingerprints else None
            if mine is not None and first is not None and near_duplicates(mine, first):
                group.append(i)
                break
        else:
            groups.append([i])
    return [tuple(g) for g in groups]


def _merged(cue: Cue, group: Sequence[int], photos: Sequence[Readings | None]) -> _Said | None:
    """One statement for a photo and its duplicates.

    Where one picture, sent twice, is read in two ways, neither reading is accepted.
    """
    told: list[tuple[int, Readings, CueReading]] = []
    for i in group:
        readings = photos[i]
        if readings is not None and readings.subject.found and cue in readings.cues:
            told.append((i, readings, readings.cues[cue]))
    if not told:
        return None
    accepted = [(i, r, c) for i, r, c in told if c.accepted and c.reading in READINGS[cue]]
    agreed = len({c.reading for _, _, c in accepted}) == 1
    photo, readings, best = accepted[0] if accepted else told[0]
    shares = {r: sum(c.probabilities.get(r, 0.0) for _, _, c in told) / len(told) for r in _all(cue)}
    reading = best.reading if agreed else (UNSURE if accepted else best.reading)
    return _Said(photo, readings.view, reading, agreed, shares)


def _all(cue: Cue) -> tuple[str, ...]:
    return (*READINGS[cue], OUT_OF_SIGHT)


def _fused(cue: Cue, said: Sequence[_Said], hands: Sequence[HandTest]) -> FusedCue:
    evidence = [Evidence(cue, s.reading, s.source, s.probabilities.get(s.reading, 0.0)) for s in said if s.accepted]
    if not evidence:
        evidence = _agreed(cue, said)
    evidence += [e for h in hands if (e := h.evidence) is not None]
    words = {e.reading for e in evidence}
    in_sight = [s.source for s in said if s.reading != OUT_OF_SIGHT]
    told = [f"hand:{h.test}" for h in hands]
    shown = UNSURE if words or in_sight or told else OUT_OF_SIGHT
    reading = next(iter(words)) if len(words) == 1 else shown
    sources = tuple(e.source for e in evidence) if evidence else (*in_sight, *told)
    return FusedCue(
        cue, reading, len(words) == 1, MappingProxyType(_shown(cue, said, hands)), tuple(sources), tuple(evidence)
    )


def _likelihood(cue: Cue, said: _Said) -> dict[str, float]:
    """The share that is hidden is spread evenly, so that a photo without the cue changes nothing."""
    even = said.hidden / len(READINGS[cue])
    return {r: max(0.0, said.probabilities.get(r, 0.0)) + even for r in READINGS[cue]}


def _shown(cue: Cue, said: Sequence[_Said], hands: Sequence[HandTest]) -> dict[str, float]:
    """Probabilities for showing; ``out_of_sight`` is the chance that no photo and no test tells anything."""
    likelihoods = [_likelihood(cue, s) for s in said]
    hidden = math.prod((s.hidden for s in said), start=1.0)
    others = len(READINGS[cue]) - 1
    for h in hands:
        if h.reading in READINGS[cue]:
            hidden = 0.0
            likelihoods.append(
                {r: h.reliability if r == h.reading else (1 - h.reliability) / others for r in READINGS[cue]}
            )
    shares = posterior(dict.fromkeys(READINGS[cue], 1.0), [x for x in likelihoods if max(x.values()) > 0])
    return {**{r: v * (1.0 - hidden) for r, v in shares.items()}, OUT_OF_SIGHT: hidden}


def _against(a: _Said, b: _Said) -> bool:
    """Strong disagreement; what is mostly hidden in either photo says nothing against the other."""
    if a.hidden >= 0.5 or b.hidden >= 0.5:
        return False
    return disagreement(a.probabilities, b.probabilities) >= DISAGREE


def _disagree(said: Sequence[_Said]) -> bool:
    for k, a in enumerate(said):
        for b in said[k + 1 :]:
            if a.accepted and b.accepted and a.reading != b.reading:
                return True
            if (a.accepted or b.accepted) and _against(a, b):
                return True
    return False


def _agreed(cue: Cue, said: Sequence[_Said]) -> list[Evidence]:
    """Evidence from photos that are each not sure enough, but see the same from different sides."""
    in_sight = [s for s in said if s.hidden < 0.5]
    tops = {max(READINGS[cue], key=lambda r: s.probabilities.get(r, 0.0)) for s in in_sight}
    if len(tops) != 1:
        return []
    (top,) = tops
    strong = [s for s in in_sight if s.probabilities.get(top, 0.0) >= AGREE_EACH]
    if len({s.view for s in strong}) < AGREE_PHOTOS:
        return []
    together = posterior(dict.fromkeys(READINGS[cue], 1.0), [_likelihood(cue, s) for s in in_sight])[top]
    return [Evidence(cue, top, s.source, together) for s in strong] if together >= AGREE_TOGETHER else []
