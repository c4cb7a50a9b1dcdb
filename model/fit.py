"""The fit plan: from what is on the engine to what is wanted, in order, with nothing left open.

All of it is data in ``fit.toml``; this file selects the rules that apply and adds the cautions. Each rule may
say what it does to a port of the engine; ``port_states`` follows that, so that a test can hold every plan to
"every port connected or closed".
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from .answer import FitStep
from .cues import ERAS, Era
from .safety import CAUTIONS

MANIFOLDS: tuple[str, ...] = ("plain", "ported", "unknown")
ARRESTERS: tuple[str, ...] = ("iron", "alloy", "none", "unknown")
KINDS: tuple[str, ...] = ("part", "step", "check")
STATES: tuple[str, ...] = ("connected", "closed", "removed")
COMMON_PRACTICE = "common practice"

_GENERATIONS = (*(str(e) for e in ERAS), "unknown")
_INPUTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "now": _GENERATIONS,
        "wanted": _GENERATIONS,
        "manifold": MANIFOLDS,
        "arrester": ARRESTERS,
        "settled": ("yes", "no"),
    }
)


@dataclass(frozen=True, slots=True)
class Port:
    """A hole that a plan must not leave open. ``thread`` is empty where there is none."""

    id: str
    when: Mapping[str, tuple[str, ...]]
    thread: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """One line of the plan and when it applies.

    ``settles`` maps a port to ``connected``, ``closed`` or ``removed``; ``joins`` is the thread that is screwed
    into those ports.
    """

    id: str
    kind: str
    text: str
    when: Mapping[str, tuple[str, ...]]
    source: str = COMMON_PRACTICE
    settles: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    joins: str = ""


@dataclass(frozen=True, slots=True)
class FitRules:
    """The checked content of ``fit.toml``; ``rules`` in the order of the plan."""

    ports: tuple[Port, ...]
    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class PortState:
    """What becomes of one port. ``state`` is ``open`` if no rule settles it; ``by`` is the rule's id."""

    port: str
    state: str
    by: str = ""


@cache
def load_rules() -> FitRules:
    """Read and check the shipped rules.

    Raises:
        ValueError: if the file names a condition, kind, source, port or state that does not exist, joins another
            thread than the port has, or repeats an id.
    """
    document = tomllib.loads(Path(__file__).with_name("fit.toml").read_text(encoding="utf-8"))
    return parse_rules(document)


def parse_rules(document: Mapping[str, Any]) -> FitRules:
    """Check a parsed rules file, as ``load_rules``.

    Raises:
        ValueError: as ``load_rules``.
    """
    sources = {name: f"{s['text']} ({s['edition']}; check the current text)" for name, s in document["source"].items()}
    ports = tuple(Port(p["id"], _when(p), p.get("thread", "")) for p in document["port"])
    rules = tuple(_rule(r, sources, {p.id: p for p in ports}) for r in document["rule"])
    for what, ids in (("port", [p.id for p in ports]), ("rule", [r.id for r in rules])):
        twice = sorted({i for i in ids if ids.count(i) > 1})
        if twice:
            raise ValueError(f"fit rules: {what} id repeated: {', '.join(twice)}")
    return FitRules(ports, rules)


def plan(
    now: Era | None, wanted: Era | None, manifold: str = "unknown", arrester: str = "unknown"
) -> tuple[FitStep, ...]:
    """Return the ordered plan: questions, parts, steps, checks, then the cautions.

    While ``wanted``, ``manifold`` or ``arrester`` is unknown the plan only asks, says what each answer leads to,
    and holds; ``now`` unknown is asked first and the steps allow for either.

    Args:
        now: generation on the engine, None if it is not settled.
        wanted: generation to be fitted, None if it is not settled.
        manifold: ``plain``, ``ported`` (has a scavenge port) or ``unknown``.
        arrester: body that the arrester housing on the engine was made for, ``iron`` or ``alloy``; ``none`` if there
            is no arrester; or ``unknown``.

    Raises:
        ValueError: for any other word.
    """
    inputs = _inputs(now, wanted, manifold, arrester)
    steps = [FitStep(r.id, r.kind, r.text, r.source) for r in load_rules().rules if _applies(r.when, inputs)]
    steps += [FitStep(f"caution_{name}", "check", text, "") for name, text in CAUTIONS.items()]
    return tuple(steps)


def port_states(
    now: Era | None, wanted: Era | None, manifold: str = "unknown", arrester: str = "unknown"
) -> tuple[PortState, ...]:
    """Return what the plan for the same inputs does to every port; none while it only asks.

    Raises:
        ValueError: as ``plan``.
    """
    inputs = _inputs(now, wanted, manifold, arrester)
    loaded = load_rules()
    states = {p.id: PortState(p.id, "open") for p in loaded.ports if _applies(p.when, inputs)}
    for rule in loaded.rules:
        if _applies(rule.when, inputs):
            states |= {port: PortState(port, state, rule.id) for port, state in rule.settles.items()}
    return tuple(states.values())


def _inputs(now: Era | None, wanted: Era | None, manifold: str, arrester: str) -> Mapping[str, str]:
    inputs = {
        "now": "unknown" if now is None else str(now),
        "wanted": "unknown" if wanted is None else str(wanted),
        "manifold": manifold,
        "arrester": arrester,
    }
    for name, value in inputs.items():
        if value not in _INPUTS[name]:
            raise ValueError(f"{name}: expected one of {', '.join(_INPUTS[name])}, got {value!r}")
    open_ = "unknown" in (inputs["wanted"], manifold, arrester)
    return inputs | {"settled": "no" if open_ else "yes"}


def _applies(when: Mapping[str, tuple[str, ...]], inputs: Mapping[str, str]) -> bool:
    return all(inputs[name] in allowed for name, allowed in when.items())


def _when(entry: Mapping[str, Any]) -> Mapping[str, tuple[str, ...]]:
    when = {name: tuple(values) for name, values in entry["when"].items()}
    for name, values in when.items():
        if name not in _INPUTS or not values or not set(values) <= set(_INPUTS[name]):
            raise ValueError(f"fit rules: {entry['id']}: unknown condition {name} = {list(values)}")
    return MappingProxyType(when)


def _rule(entry: Mapping[str, Any], sources: Mapping[str, str], ports: Mapping[str, Port]) -> Rule:
    name, settles, joins = entry["id"], dict(entry.get("settles", {})), entry.get("joins", "")
    if entry["kind"] not in KINDS:
        raise ValueError(f"fit rules: {name}: kind {entry['kind']!r}, expected {', '.join(KINDS)}")
    unknown = [s for s in entry.get("sources", []) if s not in sources]
    if unknown:
        raise ValueError(f"fit rules: {name}: unknown source {', '.join(unknown)}")
    for port, state in settles.items():
        if port not in ports or state not in STATES:
            raise ValueError(f"fit rules: {name}: settles {port} = {state!r}; unknown port or state")
        if state != "removed" and ports[port].thread != joins:
            raise ValueError(f"fit rules: {name}: joins {joins!r} into {port}, which is {ports[port].thread!r}")
    source = "; ".join(sources[s] for s in entry.get("sources", [])) or COMMON_PRACTICE
    return Rule(name, entry["kind"], entry["text"], _when(entry), source, MappingProxyType(settles), joins)
