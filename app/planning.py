"""The fit plan and the parts list asked for by themselves, without a photo."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path

from updraft_key.model.answer import Answer, FitStep, ModelId, PartLine
from updraft_key.model.cues import CueVector, Era, MagnetTest, Outcome, Verdict
from updraft_key.model.fit import plan
from updraft_key.model.parts import load_catalogue, match

from .words import Line, fit_lines, line_text, part_lines

_NOBODY = ModelId("none", "", "")


def plan_steps(now: Era | None, wanted: Era, manifold: str | None, arrester: str | None) -> tuple[FitStep, ...]:
    """The plan from what is on the engine to what is wanted."""
    return plan(now, wanted, manifold or "unknown", arrester or "unknown")


def plan_lines(steps: Sequence[FitStep], lang: str, width: int = 88) -> str:
    """The plan as numbered plain text."""
    answer = Answer(_NOBODY, (), CueVector.from_evidence(), _verdict(tuple(Era)), fit=tuple(steps))
    return _set(fit_lines(answer, lang), width, numbered=True)


def part_rows(eras: Sequence[Era], catalogue: Path | None) -> tuple[PartLine, ...]:
    """Every part of the catalogue as it bears on one of ``eras`` being on the engine.

    Raises:
        CatalogueError: the catalogue cannot be used; each bad row is told.
    """
    candidates = tuple(e for e in Era if e in eras)
    return match(load_catalogue(catalogue), _verdict(candidates))


def part_text(rows: Sequence[PartLine], lang: str, width: int = 88) -> str:
    """The parts as plain text."""
    answer = Answer(_NOBODY, (), CueVector.from_evidence(), _verdict(tuple(Era)), parts=tuple(rows))
    return _set(part_lines(answer, lang), width, numbered=False)


def _verdict(candidates: tuple[Era, ...]) -> Verdict:
    named = len(candidates) == 1
    outcome = Outcome.NAMED if named else Outcome.SHORTLIST
    return Verdict(outcome, candidates[0] if named else None, candidates, (), MagnetTest(False, False, ""))


def _set(lines: Sequence[Line], width: int, *, numbered: bool) -> str:
    out = []
    for n, line in enumerate(lines, start=1):
        lead = f"{n:2}. " if numbered else "  - "
        out.append(textwrap.fill(line_text(line), width, initial_indent=lead, subsequent_indent="    "))
    return "\n".join(out) + "\n"
