"""Hand tests: what a person finds out by hand, in the person's own words, with how far it can be trusted.

The tests, their words, reliabilities and caveats are data (``hand_tests.toml``). A test can be wrong and says
so: every ``HandTest`` carries the caveat that is shown beside it.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from .answer import Finding
from .cues import OUT_OF_SIGHT, UNSURE, Cue, Evidence, check_reading
from .errors import EvidenceError
from .units import both

TESTS_FILE = Path(__file__).with_name("hand_tests.toml")

OF_CUE: Mapping[str, str] = MappingProxyType(
    {
        Cue.METAL: "metal",
        Cue.JOINT_SCREWS: "screws",
        Cue.FRONT_EAR: "ear",
        Cue.MAIN_JET: "handle",
        Cue.SCAVENGE_LINE: "tube",
        Cue.THROAT_BOTTOM: "plug",
    }
)
"""Which test a person means who names a cue (``front_ear=bare``)."""


@dataclass(frozen=True, slots=True)
class HandTest:
    """One test done by hand.

    ``reading`` is a reading of ``cue``, or ``unsure`` for a test that told nothing. ``reliability`` is how often
    such a reading is right (an estimate). ``note`` is what else must be said after this very outcome.
    """

    test: str
    cue: Cue
    reading: str
    said: str
    reliability: float
    accepted: bool
    caveat: str
    provenance: str
    note: str = ""

    @property
    def evidence(self) -> Evidence | None:
        """The statement that the rule layer may use, or None if the test told nothing."""
        if not self.accepted:
            return None
        return Evidence(self.cue, self.reading, f"hand:{self.test}", self.reliability)


@dataclass(frozen=True, slots=True)
class _Kind:
    """One row of ``hand_tests.toml``."""

    id: str
    cue: Cue
    question: str
    words: Mapping[str, str]
    notes: Mapping[str, str]
    reliability: float
    caveat: str
    provenance: str


@dataclass(frozen=True, slots=True)
class _Table:
    kinds: Mapping[str, _Kind]
    accept_from: float
    weigh: Mapping[str, Any]


@cache
def _table() -> _Table:
    raw = tomllib.loads(TESTS_FILE.read_text(encoding="utf-8"))
    kinds = {}
    for row in raw["test"]:
        cue = Cue(row["cue"])
        for reading in row["words"].values():
            check_reading(cue, reading)
        kinds[row["id"]] = _Kind(
            row["id"], cue, row["question"], row["words"], row.get("notes", {}),
            float(row["reliability"]), row["caveat"], row["provenance"],
        )  # fmt: skip
    return _Table(kinds, float(raw["accept_from"]), raw["weigh"])


def hand_tests() -> tuple[str, ...]:
    """Ids of all hand tests, in the order of the file."""
    return tuple(_table().kinds)


def question(test: str) -> str:
    """The question that a face asks for a test.

    Raises:
        EvidenceError: for a test that does not exist.
    """
    return _kind(test).question


def words(test: str) -> tuple[str, ...]:
    """The answers that a test takes, in the order of the file; empty for tests answered with numbers.

    Raises:
        EvidenceError: for a test that does not exist.
    """
    return tuple(_kind(test).words)


def reliability(test: str) -> float:
    """How often a test is right when it tells anything (an estimate). A name that is not known gets the lowest."""
    kinds = _table().kinds
    return kinds[test].reliability if test in kinds else min(k.reliability for k in kinds.values())


def hand_test(test: str, said: str) -> HandTest:
    """A test by name and the person's word: ``hand_test("magnet", "holds")``, ``hand_test("screws", "5")``.

    Raises:
        EvidenceError: for a test or a word that is not known, or a test that is answered with numbers.
    """
    kind = _kind(test)
    word = said.strip().lower()
    if not kind.words:
        raise EvidenceError(f"{kind.id}: expected numbers with their units, got {said!r}; see weigh() and throat()")
    if word not in kind.words:
        raise EvidenceError(f"{kind.id}: expected one of {', '.join(kind.words)}, got {said!r}")
    return _made(kind, kind.words[word], word)


def parse_hand(text: str) -> HandTest:
    """One hand test from the command line.

    Takes ``TEST=WORD`` (``magnet=holds``, ``screws=5``, ``ear=none``), ``CUE=READING`` (``front_ear=bare``),
    ``weigh=GRAMS/MILLILITRES`` (``weigh=890/320``) and ``throat=MILLIMETRES``.

    Raises:
        EvidenceError: for anything else.
    """
    name, equals, said = (part.strip().lower() for part in text.partition("="))
    if not equals or not said:
        raise EvidenceError(f"expected TEST=ANSWER such as ear=bare, got {text!r}; tests: {', '.join(hand_tests())}")
    if name == "weigh":
        grams, slash, millilitres = said.partition("/")
        if not slash:
            raise EvidenceError(f"weigh: expected GRAMS/MILLILITRES such as 890/320, got {said!r}")
        return weigh(_number("weigh", grams), _number("weigh", millilitres))
    if name == "throat":
        return throat(_number("throat", said))
    return hand_test(OF_CUE.get(name, name), said)


def density(grams: float, millilitres: float) -> tuple[float, float]:
    """Lowest and highest density, g/cm3, that a weight and a volume of displaced water allow.

    Raises:
        EvidenceError: unless both numbers are positive and finite.
    """
    if not (math.isfinite(grams) and math.isfinite(millilitres) and grams > 0 and millilitres > 0):
        raise EvidenceError(f"weigh: expected a weight and a volume above zero, got {grams} g and {millilitres} ml")
    weigh_table = _table().weigh
    up, down = 1 + weigh_table["weight_error"], 1 - weigh_table["weight_error"]
    wide, narrow = 1 + weigh_table["volume_error"], 1 - weigh_table["volume_error"]
    return grams * down / (millilitres * wide), grams * up / (millilitres * narrow)


def weigh(grams: float, millilitres: float) -> HandTest:
    """The weight of the bare body and the volume of water it pushes aside.

    As light as aluminium settles the metal. As heavy as iron does not: zinc casting alloy (6.6-6.7 g/cm3) lies
    inside the band of grey iron (6.6-7.4), so only the magnet tells those two apart; a body clearly heavier than
    zinc is a hint for iron. Bands: see ``hand_tests.toml``.

    Raises:
        EvidenceError: unless both numbers are positive and finite, or for a density that no metal of the table has.
    """
    low, high = density(grams, millilitres)
    table, kind = _table().weigh, _kind("weigh")
    said = f"{grams:g} g, {millilitres:g} ml"
    if high < table["aluminium"][0] * 0.5 or low > 12.0:
        raise EvidenceError(
            f"weigh: expected grams and millilitres of the bare body, got {said}: {low:.1f} to {high:.1f} g/cm3 "
            "is no metal that carburetors are cast of; check the units"
        )
    if low >= table["aluminium"][0] * 0.85 and high <= table["aluminium_fitted"]:
        return _made(kind, "alloy", said, table["light"])
    if low > table["zinc"][1] and low <= table["iron"][1] and high <= table["iron"][1] * 1.07:
        return _made(kind, "iron", said, table["heavy"])
    if high >= table["iron"][0] and low <= table["iron"][1]:
        return _made(kind, UNSURE, said, table["iron_or_zinc"])
    return _made(kind, UNSURE, said, table["odd"])


def throat(millimetres: float) -> HandTest:
    """The throat's measured diameter. Kept, but it settles nothing: no published figure is known.

    Raises:
        EvidenceError: unless the number can be a throat of such a carburetor at all (10 to 100 mm).
    """
    if not (math.isfinite(millimetres) and 10.0 <= millimetres <= 100.0):
        raise EvidenceError(f"throat: expected 10 to 100 mm (0.4 to 3.9 in), got {millimetres:g}")
    return _made(_kind("throat"), UNSURE, both(millimetres))


def remarks(hands: Sequence[HandTest]) -> tuple[Finding, ...]:
    """What has to be said beside the tests done: first what their outcomes mean, then how each may be wrong.

    A magnet that falls off a body as heavy as iron is a sign of zinc, and only the two tests together show it.
    """
    said: dict[tuple[str, str], None] = {}
    heavy = any(h.test == "weigh" and h.note in (_weighed("heavy"), _weighed("iron_or_zinc")) for h in hands)
    if heavy and any(h.test == "magnet" and h.reading == "alloy" for h in hands):
        said["zinc_suspected", _weighed("magnetless")] = None
    said |= {
        (f"hand_{h.test}_note", h.note): None
        for h in hands
        if h.note and not (h.test == "weigh" and ("zinc_suspected", _weighed("magnetless")) in said)
    }
    said |= {(f"hand_{h.test}_caveat", h.caveat): None for h in hands}
    return tuple(Finding(name, "note", text) for name, text in said)


def _weighed(name: str) -> str:
    return str(_table().weigh[name])


def _number(test: str, text: str) -> float:
    number = text.strip().lower()
    for unit in ("grams", "millilitres", "ml", "mm", "g"):
        number = number.removesuffix(unit)
    try:
        return float(number.strip())
    except ValueError as error:
        raise EvidenceError(f"{test}: expected a number, got {text!r}") from error


def _kind(test: str) -> _Kind:
    kinds = _table().kinds
    if test not in kinds:
        raise EvidenceError(f"expected one of the hand tests {', '.join(kinds)}, got {test!r}")
    return kinds[test]


def _made(kind: _Kind, reading: str, said: str, note: str = "") -> HandTest:
    told = reading not in (UNSURE, OUT_OF_SIGHT)
    accepted = told and kind.reliability >= _table().accept_from
    # A metal judged without a magnet is a hint whatever its reliability: the rules say so, so it may be told.
    accepted = accepted or (told and kind.id == "metal")
    note = note or kind.notes.get(said, kind.notes.get(reading, ""))
    return HandTest(kind.id, kind.cue, reading, said, kind.reliability, accepted, kind.caveat, kind.provenance, note)
