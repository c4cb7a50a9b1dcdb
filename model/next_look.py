"""What to look at next: the expected information, in bits, of every look not taken and every hand test not done.

Belief is over the generations that the rule layer still allows. A look is conclusive about a cue at a known rate, and
right when conclusive all but a known rate; only readings that *settle* something count, since nothing else moves
the rule layer. What a look is worth is how much the entropy of the belief falls on average.

Order (``rank``): looks for which nothing has to come off go before all others; between the two alloy bodies the
front of the joint goes first; then bits for each point of effort, the most first, less for a look that is wrong more
often (``Looks.caution``): bits weigh every answer alike, but a wrong name ships a wrong kit. The rates come from some
hundred pictures a side, so looks within a tenth of a bit are equals: the easier goes first, then the order of the file.

Rates, errors and what each generation shows are data (``next_look.toml``, ``look_rates.json``).
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .answer import NextLook
from .certainty import RESERVE
from .cues import CUES, ERAS, READINGS, VIEWS, Cue, CueVector, Era, Evidence, Outcome, Verdict, check_reading
from .errors import EvidenceError
from .hands import reliability
from .key import RuleSet, load_rules, speaks_for_iron

LOOKS_FILE = Path(__file__).with_name("next_look.toml")
RATES_FILE = Path(__file__).with_name("look_rates.json")
REMOVAL = 4
"""From this effort on, something has to be taken off first."""
EQUAL = 0.1
"""Bits for a point of effort by which looks must differ to be told apart."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Look:
    """One thing that can be asked for; the meaning of each field is at the head of ``next_look.toml``."""

    id: str
    shows: Mapping[Cue, float]
    effort: int
    how: str
    drawing: str
    view: str | None = None
    test: str | None = None
    after: str | None = None
    twin: str | None = None

    @property
    def source(self) -> str:
        """The source that evidence from this look would have."""
        return f"hand:{self.test}" if self.test else "photo:0"


@dataclass(frozen=True, slots=True)
class Looks:
    """All looks and the figures that go with them; the meaning of each is in ``next_look.toml``."""

    looks: tuple[Look, ...]
    seen: Mapping[Era, Mapping[Cue, Mapping[str, float]]]
    photo_error: Mapping[Cue, float]
    worth_asking: float
    again: float
    doubt: float
    hints: float
    caution: float


def parse_looks(text: str, rates: Mapping[str, Any]) -> Looks:
    """Read the looks.

    Args:
        text: TOML, as ``next_look.toml``.
        rates: view -> cue -> how often a photo from there is conclusive about it; other keys are remarks.

    Raises:
        EvidenceError: for a rate outside 0 to 1, a view without rates, shares that do not sum to one, or a name that
            is not in the vocabulary.
    """
    raw = tomllib.loads(text)
    try:
        seen = {era: {cue: _shares(cue, raw["seen"][era][cue]) for cue in CUES} for era in ERAS}
        looks = tuple(_look(row, rates) for row in raw["look"])
        errors = {cue: _rate(raw["photo_error"][cue]) for cue in CUES}
        numbers = [_rate(raw[name]) for name in ("worth_asking", "again", "doubt", "hints")]
        numbers.append(float(raw["caution"]))
    except (KeyError, ValueError) as error:
        raise EvidenceError(f"looks: {error}") from error
    return Looks(looks, MappingProxyType(seen), MappingProxyType(errors), *numbers)


@cache
def load_looks() -> Looks:
    """The shipped looks, read once."""
    return parse_looks(LOOKS_FILE.read_text(encoding="utf-8"), json.loads(RATES_FILE.read_text(encoding="utf-8")))


def entropy(weights: Floats) -> float:
    """Entropy in bits of weights that need not sum to one. Shape (n,), none negative, some positive."""
    p = weights[weights > 0] / weights.sum()
    return float(-(p * np.log2(p)).sum())


def information(prior: Floats, likelihood: Floats) -> float:
    """Expected information of an observation, in bits.

    Args:
        prior: (h,) weight of each hypothesis.
        likelihood: (h, o) probability of each outcome under each hypothesis; rows sum to one.
    """
    joint = (prior / prior.sum())[:, None] * likelihood
    alone = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    some = joint > 0
    return max(0.0, float((joint[some] * np.log2(joint[some] / alone[some])).sum()))


def rank(
    vector: CueVector,
    verdict: Verdict,
    views_taken: Collection[str] = (),
    tests_done: Collection[str] = (),
    looks: Looks | None = None,
    most: int | None = None,
) -> tuple[NextLook, ...]:
    """Rank what to look at next, most useful first; empty when nothing is open.

    A generation that is named leaves nothing open, except the magnet when the metal looks like the other kind; named
    with a reserve (``certainty.RESERVE``), all that no hand has felt is open to a look that was not taken.
    A conflict asks for the cues that disagree again, and for the magnet if iron and alloy disagree. A magnet test
    that told nothing is asked for again.

    Args:
        vector: what is known. Hand tests in its sources count as done.
        verdict: of the rule layer on that vector.
        views_taken: views of the photos in which the subject was found.
        tests_done: ids of hand tests done, whatever they told.
        looks: other looks than the shipped ones.
        most: give a short list of at most this many (1 or more), without the lesser of two looks that mirror each
            other. The magnet is on it whenever the verdict asks for it.
    """
    table, rules = looks or load_looks(), load_rules()
    views, tests = frozenset(views_taken), frozenset(tests_done) | _tests_in(vector)
    reserved = RESERVE in vector.findings
    belief = _belief(verdict, table, reserved)
    again = _cues_to_check(verdict)
    if belief is None:
        return ()
    found = []
    for order, look in enumerate(table.looks):
        cues = _open_cues(look, vector, verdict, views, tests, again, rules, belief, reserved)
        if not cues:
            continue
        bits = information(belief, _likelihood(look, cues, table, rules, views, vector))
        if bits < table.worth_asking:
            continue
        settles = tuple(str(c) for c in sorted(cues, key=lambda c: -look.shows[c]))
        worth = bits * max(0.0, 1.0 - table.caution * max(_error(c, look.source, table) for c in cues))
        key = (_turn(look, verdict, views), worth / look.effort, look.effort, order)
        found.append((key, NextLook(look.id, bits, settles, look.how, look.effort, look.drawing)))
    ranked = [found.pop(_first([key for key, _ in found]))[1] for _ in range(len(found))]
    if most is None:
        return tuple(ranked)
    twins = {k.id: k.twin for k in table.looks}
    short = [n for i, n in enumerate(ranked) if twins[n.look] not in {m.look for m in ranked[:i]}]
    magnet = [n for n in short[most:] if n.look == "magnet" and verdict.magnet_test.flagged]
    return (*short[: most - len(magnet)], *magnet)


_Key = tuple[tuple[bool, bool], float, int, int]


def _turn(look: Look, verdict: Verdict, views: frozenset[str]) -> tuple[bool, bool]:
    """Whether a look has to wait for all that need no removal, and for the front of the joint."""
    joint_first = speaks_for_iron(verdict.candidates) is False and len(verdict.candidates) > 1
    front = look.view == "front" or (look.after == "front" and look.effort < REMOVAL)
    return look.effort >= REMOVAL, not (joint_first and front)


def _first(keys: list[_Key]) -> int:
    """Place of the look that goes first: its turn, then its worth, where as good as equal its effort and order."""
    turn = min(key[0] for key in keys)
    most = max(key[1] for key in keys if key[0] == turn)
    equals = [i for i, key in enumerate(keys) if key[0] == turn and key[1] >= most - EQUAL]
    return min(equals, key=lambda i: keys[i][2:])


def _belief(verdict: Verdict, table: Looks, reserved: bool) -> Floats | None:
    """Weights of the generations in the order of ``ERAS``, or None if nothing is open."""
    flagged = verdict.magnet_test.flagged
    if verdict.outcome is Outcome.NAMED:
        if not flagged and not reserved:
            return None
        rest = table.doubt / (len(ERAS) - 1)
        return np.array([1 - table.doubt if e is verdict.era else rest for e in ERAS])
    if verdict.outcome is Outcome.CONFLICT:
        meant = {e for r in verdict.conflict for e in r.keeps}
        if flagged:
            meant |= {Era.IRON}
        return np.array([float(e in meant) for e in ERAS])
    weights = np.array([float(e in verdict.candidates or not verdict.candidates) for e in ERAS])
    hinted = weights.copy()
    for r in verdict.reasons:  # each hint once, however often it was given
        if not r.settles:
            error = _error(r.cue, r.sources[0], table)
            hinted *= [_reads(r.reading, r.cue, era, error, table) for era in ERAS]
    mixed: Floats = table.hints * hinted / hinted.sum() + (1 - table.hints) * weights / weights.sum()
    return mixed


def _cues_to_check(verdict: Verdict) -> frozenset[Cue]:
    cues = {r.cue for r in verdict.conflict}
    if verdict.outcome in (Outcome.CONFLICT, Outcome.NAMED) and verdict.magnet_test.flagged:
        cues.add(Cue.METAL)
    return frozenset(cues)


def _open_cues(
    look: Look,
    vector: CueVector,
    verdict: Verdict,
    views: frozenset[str],
    tests: frozenset[str],
    again: frozenset[Cue],
    rules: RuleSet,
    belief: Floats,
    reserved: bool,
) -> tuple[Cue, ...]:
    """Cues about which this look may still tell something; empty if it is not to be asked for."""
    if look.after is not None and look.after not in views:
        return ()
    shown = tuple(c for c, rate in look.shows.items() if rate > 0 and _can_settle(look, c, rules, belief))
    if verdict.outcome is Outcome.CONFLICT:
        # A third witness cannot end a conflict; only another look at what disagrees can.
        return () if look.view == "front" and look.view in views else tuple(c for c in shown if c in again)
    if verdict.outcome is Outcome.NAMED and not reserved:
        return tuple(c for c in shown if c in again and look.test == "magnet")
    if look.view in views or (look.test in tests and not _worth_repeating(look, vector)):
        return ()
    if reserved:
        return tuple(c for c in shown if not any(e.by_hand and e.cue is c for e in vector.evidence))
    return tuple(c for c in shown if not _known(c, look, vector, rules))


def _worth_repeating(look: Look, vector: CueVector) -> bool:
    """A magnet that pulled weakly tells more on a spot scraped bare; other tests stay as they were."""
    return look.test == "magnet" and not any(e.source == look.source for e in vector.evidence)


def _known(cue: Cue, look: Look, vector: CueVector, rules: RuleSet) -> bool:
    """A cue that has settled, or a hint that another photo would only repeat."""
    for e in vector.evidence:
        if e.cue is cue:
            rule = rules.match(e)
            if (rule is not None and rule.settles) or (look.test is None and not e.by_hand):
                return True
    return False


def _can_settle(look: Look, cue: Cue, rules: RuleSet, belief: Floats) -> bool:
    """Whether some reading of the cue would rule out a part, not all, of what is still believed."""
    left = {e for e, weight in zip(ERAS, belief, strict=True) if weight > 0}
    return any(
        _settling(look, cue, r, rules) and not left <= set(kept := _keeps(look, cue, r, rules)) and left & set(kept)
        for r in READINGS[cue]
    )


def _keeps(look: Look, cue: Cue, reading: str, rules: RuleSet) -> tuple[Era, ...]:
    rule = rules.match(Evidence(cue, reading, look.source))
    return ERAS if rule is None else rule.keeps


def _settling(look: Look, cue: Cue, reading: str, rules: RuleSet) -> bool:
    rule = rules.match(Evidence(cue, reading, look.source))
    return rule is not None and rule.settles


def _likelihood(
    look: Look, cues: tuple[Cue, ...], table: Looks, rules: RuleSet, views: frozenset[str], vector: CueVector
) -> Floats:
    """(eras, outcomes): every combination of what the look may settle about its cues, or not."""
    joint = np.ones((len(ERAS), 1))
    for cue in cues:
        rate = look.shows[cue] * (table.again if _missed(cue, look, views, vector, table) else 1.0)
        error = _error(cue, look.source, table)
        columns = [
            [rate * _reads(reading, cue, era, error, table) for era in ERAS]
            for reading in READINGS[cue]
            if _settling(look, cue, reading, rules)
        ]
        told = np.array(columns).T
        told = np.concatenate([told, 1.0 - told.sum(axis=1, keepdims=True)], axis=1)
        joint = (joint[:, :, None] * told[:, None, :]).reshape(len(ERAS), -1)
    return joint


def _missed(cue: Cue, look: Look, views: frozenset[str], vector: CueVector, table: Looks) -> bool:
    """Whether a photo that should have shown the cue was taken and did not settle it."""
    if look.test is not None or look.after is not None:
        return False
    if any(e.cue is cue and not e.by_hand for e in vector.evidence):
        return False
    return any(k.view in views and k.shows.get(cue, 0.0) >= look.shows[cue] for k in table.looks)


def _reads(reading: str, cue: Cue, era: Era, error: float, table: Looks) -> float:
    """Chance that a conclusive look at a unit of ``era`` gives ``reading``."""
    true = table.seen[era][cue].get(reading, 0.0)
    return true * (1 - error) + (1 - true) * error / (len(READINGS[cue]) - 1)


def _error(cue: Cue, source: str, table: Looks) -> float:
    kind, _, name = source.partition(":")
    return 1.0 - reliability(name) if kind == "hand" else table.photo_error[cue]


def _tests_in(vector: CueVector) -> frozenset[str]:
    sources = (s for f in vector.cues.values() for s in f.sources)
    return frozenset(s.removeprefix("hand:") for s in sources if s.startswith("hand:"))


def _rate(value: object) -> float:
    if not isinstance(value, int | float) or not 0.0 <= value <= 1.0:
        raise ValueError(f"expected a rate from 0 to 1, got {value!r}")
    return float(value)


def _shares(cue: Cue, raw: Mapping[str, Any]) -> Mapping[str, float]:
    shares = {check_reading(cue, reading): _rate(share) for reading, share in raw.items()}
    if abs(sum(shares.values()) - 1.0) > 1e-9:
        raise ValueError(f"{cue}: expected shares that sum to one, got {raw}")
    return MappingProxyType(shares)


def _look(row: Mapping[str, Any], rates: Mapping[str, Any]) -> Look:
    view, test, after = row.get("view"), row.get("test"), row.get("after")
    if sum(x is not None for x in (view, test, after)) != 1 or (view or after or "front") not in VIEWS:
        raise ValueError(f"{row['id']}: expected one of view, test or after")
    shows = rates[view] if view is not None else row["shows"]
    effort = int(row["effort"])
    if not 1 <= effort <= 5:
        raise ValueError(f"{row['id']}: expected an effort from 1 to 5, got {effort}")
    rated = MappingProxyType({Cue(c): _rate(v) for c, v in shows.items()})
    return Look(row["id"], rated, effort, row["how"], row["drawing"], view, test, after, row.get("twin"))
