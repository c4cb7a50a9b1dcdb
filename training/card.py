"""MODEL_CARD.md from measured figures: every number in it is read from metrics.json or the file's description."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from updraft_key.model.certainty import ABSENCE_BEYOND_DOUBT, BEYOND_DOUBT, SURE
from updraft_key.model.cues import CUES, READINGS
from updraft_key.model.spec import ModelSpec

_HEAD = """\
---
license: apache-2.0
library_name: onnx
pipeline_tag: image-classification
tags:
- onnx
- object-identification
- selective-prediction
- synthetic-training-data
model-index:
{index}
---

# Updraft Key: the network that reads cues

Written by `updraft-key model-card` from `metrics.json`; a test compares the two. Version {version}, SHA-256 `{sha}`,
{bytes:,} bytes in float32. Exported at commit `{commit}`;
label files' SHA-256 (of a mean of networks: its first) `{data}`.

## What it does
It looks twice at one photo: where an updraft carburetor is, then at a crop for six cues (metal, joint screws, front
ear, main jet, scavenge line, throat bottom), each with a reading of its own for "out of sight". It does **not** name a
generation: a rule layer does. A reading is accepted only when its conformal set
holds nothing else and its probability reaches a floor found on calibration pictures; everything else is "unsure".
A name stands only where all cues together, accepted or not, make it {sure} sure. Without reserve it stands where
accepted readings give it, from {beyond} on, {missed} where nothing behind it was seen but something missed; several
photos share the doubt that one may leave. With a reserve (nothing is to be ordered before one look more) it may rest
on readings of one photo that are not accepted (`model/certainty.py`).

## What it is for, and what not
For telling the three generations apart from phone photos, with reasons, for people who will check by hand as told.
It certifies nothing, can be wrong, and must not be the only ground for a part that carries petrol. Not for other
carburetors, not for judging wear, safety or legality.

## Training
EfficientNet-Lite0 trunk (ImageNet weights as published, Apache-2.0), light decoder, attention for
each cue; {parameters}.
Trained on rendered pictures alone. No picture of `second_look` and no real photo was trained on.
"""

_LIMITS = """\
## What the guarantee does not cover
Conformal coverage ({level:.0%} a label) holds for pictures that come from where the calibration pictures came from.
These are renders: **on real photos nothing is guaranteed**. No real photo of these carburetors has been measured; until
`evaluate --cases` reports on some, accuracy on real photos is unknown. Labels with few calibration cases
({few}) take their cue's threshold as a whole, or none at all. Coverage is by reading, not by photo or person.
Metal from a photo only supports; it never settles.
"""


def card_of(figures: Mapping[str, Any], spec: ModelSpec) -> str:
    """Return the card's text.

    Args:
        figures: metrics.json as ``evaluate`` wrote it.
        spec: description of the same file.

    Raises:
        ValueError: when the figures are not those of a measured file.
    """
    if figures.get("schema") != "updraft-key/metrics/1" or not figures.get("sets"):
        raise ValueError("expected metrics.json as evaluate writes it, with at least one set")
    model = figures["model"]
    parts = [
        _HEAD.format(
            index=_index(figures),
            version=model["version"],
            sha=model["sha256"],
            bytes=model["bytes"],
            commit=model["commit"] or "unknown",
            sure=f"{100 * SURE:g} %",
            beyond=f"{100 * BEYOND_DOUBT:g} %",
            missed=f"{100 * ABSENCE_BEYOND_DOUBT:g} %",
            data=model["data_hash"] or "unknown",
            parameters=f"{spec.training.get('channels', 'unknown')} decoder channels, "
            f"looks at {spec.find_size} and {spec.read_size} px",
        )
    ]
    for name, figure in figures["sets"].items():
        parts.append(_set_section(name, figure))
    if "corruptions" in figures:
        parts.append(_corruption_section(figures["corruptions"]))
    if "several_photos" in figures:
        parts.append(_several_section(figures["several_photos"]))
    few = sorted(k for k, n in spec.calibration.cases.items() if "." in k and n < 1.0 / spec.calibration.alpha)
    parts.append(
        _LIMITS.format(level=1.0 - spec.calibration.alpha, few=", ".join(f"`{k}`" for k in few) or "none here")
    )
    parts.append(f"## How the figures were made\n`{figures['command'] or 'updraft-key evaluate'}`\n")
    return "\n".join(parts)


def _index(figures: Mapping[str, Any]) -> str:
    results = [
        {
            "task": {"type": "image-classification", "name": "generation named from one photo"},
            "dataset": {"name": name, "type": name},
            "metrics": [
                {"type": "precision", "name": "named precision", "value": f["verdict"]["named_precision"]["value"]},
                {"type": "recall", "name": "answer rate", "value": f["verdict"]["answer_rate"]["value"]},
            ],
        }
        for name, f in figures["sets"].items()
        if f["units"]
    ]
    # JSON is YAML: nothing to escape, and a reader of the card finds plain numbers.
    return "- " + json.dumps({"name": "updraft-key cues", "results": results})


def share_text(share: Mapping[str, Any] | None) -> str:
    """A share as a reader wants it: percent, counts, interval."""
    if not share or share["value"] is None:
        return "none"
    low, high = share["wilson95"]
    return f"{100 * share['value']:.1f} % ({share['k']}/{share['n']}, {100 * low:.1f} to {100 * high:.1f})"


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _without_reserve(figure: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [
        ("right, of those named without reserve", share_text(figure["named_precision"])),
        ("named without reserve, of those that a perfect reader can name", share_text(figure["answer_rate"])),
    ]


def _set_section(name: str, figure: Mapping[str, Any]) -> str:
    verdict, found = figure["verdict"], figure["found"]
    lines = [f"## Measured on `{name}` ({figure['pictures']} pictures, {figure['units']} with a carburetor)"]
    if figure["units"]:
        lines.append(
            table(
                ("figure", "value (95 % interval)"),
                [
                    ("right, of those named", share_text(verdict["named_precision"])),
                    ("named, of those that a perfect reader can name", share_text(verdict["answer_rate"])),
                    *_without_reserve(verdict["without_reserve"]),
                    (
                        "iron or alloy settled, of those where a perfect reader can",
                        share_text(verdict["metal_settled"]),
                    ),
                    ("true generation ruled out", share_text(verdict["true_one_ruled_out"])),
                    ("carburetors found", share_text(found["units_found"])),
                    ("screws counted exactly, all visible at 12 px", share_text(figure["count"]["exact_all_visible"])),
                    ("median error of the handle's angle, degrees", _number(figure["angle"]["median_error_deg"])),
                    ("true angle inside its interval", share_text(figure["angle"]["inside_interval"])),
                    *(
                        [("int8 file gives the same verdict", share_text(figure["int8"]["same_verdict"]))]
                        if "int8" in figure
                        else []
                    ),
                ],
            )
        )
        rows = []
        for cue in CUES:
            f = figure["cues"][str(cue)]
            if not f["n"]:
                continue
            for reading in READINGS[cue]:
                r = f["readings"][reading]
                rows.append((f"`{cue}`", f"`{reading}`", share_text(r["precision"]), share_text(r["recall"])))
        lines.append(table(("cue", "reading", "right when accepted", "accepted when visible"), rows))
        silent = [
            (
                f"`{cue}`",
                share_text(f["claims_about_unseen"]),
                f"{f['reliability']['ece']:.3f} ({f['ece_bootstrap95'][0]:.3f} to {f['ece_bootstrap95'][1]:.3f})",
                f"{f['ece_by_chance']:.3f}",
            )
            for cue in CUES
            if (f := figure["cues"][str(cue)])["n"]
        ]
        lines.append(
            table(
                ("cue", "claims about unseen parts", "calibration error", "of a perfect one on as many cases"), silent
            )
        )
    strangers = [
        (
            kind,
            str(o["n"]),
            share_text(o["named"]),
            share_text(o["found"]),
            _number(o["auroc_score"]),
            _number(o["fpr95_score"]),
        )
        for kind, o in figure["others"].items()
        if o["n"]
    ]
    if strangers:
        head = ("other things", "pictures", "named", "taken for one", "AUROC", "false alarms at 95 %")
        lines.append(table(head, strangers))
    return "\n".join(lines)


def _number(value: float | None) -> str:
    return "none" if value is None else f"{value:.3f}"


def _corruption_section(figures: Mapping[str, Any]) -> str:
    rows = [
        (
            title,
            str(figures[key]["pictures"]),
            *_mean_and_all(figures[key], "named_precision"),
            *_mean_and_all(figures[key], "without_reserve"),
        )
        for key, title in (("standard15", "15 standard kinds"), ("extra4", "4 kinds never used in augmentation"))
        if key in figures
    ]
    return "## Under corruption (imagecorruptions-imaug 1.1.5, five severities)\n" + table(
        (
            "kinds",
            "pictures",
            "mean named precision",
            "all names together",
            "mean of names without reserve",
            "all of them together",
        ),
        rows,
    )


def _mean_and_all(figure: Mapping[str, Any], what: str) -> tuple[str, str]:
    mean = figure[f"mean_{what}"]
    return "none" if mean is None else f"{100 * mean:.2f} %", share_text(figure[f"pooled_{what}"])


def _several_section(figures: Mapping[str, Any]) -> str:
    rows = [
        (photos, share_text(f["named_precision"]), share_text(f["without_reserve"]), share_text(f["answer_rate"]))
        for photos, f in figures["photos"].items()
    ]
    head = (
        "photos",
        "right, of those named",
        "right, of those named without reserve",
        "named right, of those that a perfect reader can name",
    )
    return f"## Several photos of one unit ({figures['units']} units)\n" + table(head, rows)


def main(arguments: Sequence[str]) -> int:
    """The command ``card``; returns the exit code."""
    from .cli import run

    return run("model-card", arguments)
