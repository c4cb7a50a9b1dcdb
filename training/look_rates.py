"""How often a photo from each side is conclusive about each cue, measured: what ``next_look`` ranks by.

``evaluate`` counts over the held-out pictures and writes ``model/look_rates.json`` anew.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path

from updraft_key.model.cues import CUES, OUT_OF_SIGHT, VIEWS, Cue
from updraft_key.model.next_look import LOOKS_FILE, parse_looks

ASSUMED = 4.0
"""A view with few pictures is drawn toward the mean of all views, as if it had this many more of that mean."""

Rates = dict[str, dict[str, float]]


def measured_rates(pictures: Iterable[tuple[str, Mapping[Cue, bool]]]) -> Rates:
    """Count how often pictures are conclusive.

    Args:
        pictures: for each picture of a carburetor, its view and whether each cue was accepted with a reading (not
            out of sight, not unsure). A cue that is left out counts as not accepted.

    Returns:
        View -> cue -> rate from 0 to 1, three decimals; the metal is left out, since a photo never settles it.

    Raises:
        ValueError: for a view that does not exist, or no picture at all.
    """
    count: Counter[str] = Counter()
    told: Counter[tuple[str, Cue]] = Counter()
    for view, accepted in pictures:
        if view not in VIEWS:
            raise ValueError(f"expected a view of {', '.join(VIEWS)}, got {view!r}")
        count[view] += 1
        told.update((view, cue) for cue, yes in accepted.items() if yes)
    everything = count.total()
    if not everything:
        raise ValueError("expected at least one picture, got none")
    rates: Rates = {}
    for view in VIEWS:
        rates[view] = {}
        for cue in CUES:
            if cue is not Cue.METAL:
                mean = sum(told[v, cue] for v in VIEWS) / everything
                rate = (told[view, cue] + ASSUMED * mean) / (count[view] + ASSUMED)
                rates[view][str(cue)] = round(rate, 3)
    return rates


def rates_from_rows(rows: Path) -> Rates:
    """Count over ``rows.jsonl``, one line a picture, as ``evaluate`` writes it; pictures of a known true view only.

    Raises:
        ValueError: when no row has a view.
    """
    pictures = []
    for line in rows.read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        view = (row.get("view") or [None])[0]
        if row["era"] is not None and view in VIEWS:
            told = {Cue(c): v["accepted"] and v["top"] != OUT_OF_SIGHT for c, v in (row["cues"] or {}).items()}
            pictures.append((str(view), told))
    return measured_rates(pictures)


def write_rates(path: Path, rates: Rates, source: str) -> None:
    """Write the rates where ``next_look`` reads them, after checking that it can.

    Args:
        path: usually ``model.next_look.RATES_FILE``.
        rates: from ``measured_rates``.
        source: what was measured, in words; kept in the file.

    Raises:
        EvidenceError: if ``next_look`` could not use them.
    """
    parse_looks(LOOKS_FILE.read_text(encoding="utf-8"), rates)
    lines = [f'  "source": {json.dumps(source)}']
    lines += [f"  {json.dumps(view)}: {json.dumps(row)}" for view, row in rates.items()]
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
