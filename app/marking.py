"""Marks that a person drew in a kept photo: what a box may be called, and the way between the page and the store.

In the store a mark is ``{"part", "box": [x0, y0, x1, y1]}`` in pixels of the kept photo; a box that also says what
is read there carries ``cue`` and ``reading``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from updraft_key.model.cues import Cue

from .language import LANGUAGES, tongue
from .language import mark as _

MOST_BOXES = 60
"""Of one photo; more than that is not a drawing by hand."""
SMALLEST = 3.0
"""A box less wide or high than this many pixels of the photo was a slip of the finger."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What a box can be: the part in the export, what is read there (if anything), how it is said, its colour."""

    part: str
    text: str
    colour: str
    cue: Cue | None = None
    reading: str = ""


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "screw": Kind("joint_screw", _("joint screw"), "#f0e442"),
        "ear_bare": Kind("front_ear", _("ear, no screw in it"), "#e69f00", Cue.FRONT_EAR, "bare"),
        "ear_screwed": Kind("front_ear", _("ear with a screw"), "#d55e00", Cue.FRONT_EAR, "screwed"),
        "handle_sloping": Kind("handle", _("T-handle, sloping"), "#56b4e9", Cue.MAIN_JET, "handle_sloping"),
        "handle_level": Kind("handle", _("T-handle, level"), "#0072b2", Cue.MAIN_JET, "handle_level"),
        "jet_plug": Kind("jet_plug", _("plug of the main jet"), "#56b4e9", Cue.MAIN_JET, "plug"),
        "tube": Kind("scavenge_tube", _("scavenge tube"), "#cc79a7", Cue.SCAVENGE_LINE, "external"),
        "big_plug": Kind("throat_plug", _("big plug under the throat"), "#009e73", Cue.THROAT_BOTTOM, "big_plug"),
        "fitting": Kind(
            "tube_fitting", _("tube fitting under the throat"), "#cc79a7", Cue.THROAT_BOTTOM, "tube_fitting"
        ),
        "unit": Kind("carburetor", _("the whole carburetor"), "#ffffff"),
    }
)  # fmt: skip
"""Every kind by its id. Colours (Okabe and Ito 2008) only help; the word stands at each box."""


def kind_name(kind: str, lang: str) -> str:
    """How a kind is said."""
    return tongue(lang).say(KINDS[kind].text)


_BY_NAME: Mapping[str, str] = MappingProxyType({kind_name(k, lang): k for lang in LANGUAGES for k in KINDS})


def to_board(marks: Sequence[Mapping[str, Any]], scale: float, lang: str) -> list[dict[str, Any]]:
    """Boxes as the drawing board takes them.

    Args:
        marks: of the store; those of no kind that is known here are left out.
        scale: pixels of the shown picture per pixel of the photo.
        lang: of the words at the boxes.
    """
    out = []
    for mark in marks:
        kind = kind_of(mark)
        if kind is not None:
            x0, y0, x1, y1 = (round(float(v) * scale) for v in mark["box"])
            colour = tuple(int(KINDS[kind].colour[i : i + 2], 16) for i in (1, 3, 5))
            out.append(
                {"xmin": x0, "ymin": y0, "xmax": x1, "ymax": y1, "label": kind_name(kind, lang), "color": colour}
            )
    return out


def from_board(value: object, scale: float, size: tuple[int, int]) -> tuple[dict[str, Any], ...]:
    """Marks for the store out of what the drawing board sent. It comes from a browser, so nothing of it is believed.

    Args:
        value: as sent: ``{"boxes": [{"xmin", .., "label", "scaleFactor"}]}``.
        scale: pixels of the shown picture per pixel of the photo.
        size: width and height of the photo, pixels; boxes are cut to it.

    Raises:
        ValueError: for anything that the board does not send.
    """
    boxes = value.get("boxes") if isinstance(value, dict) else None
    if not isinstance(boxes, list) or len(boxes) > MOST_BOXES:
        raise ValueError(f"expected a list of at most {MOST_BOXES} boxes")
    marks = (_mark(box, scale, size) for box in boxes)
    return tuple(m for m in marks if m is not None)


def _mark(box: object, scale: float, size: tuple[int, int]) -> dict[str, Any] | None:
    if not isinstance(box, dict):
        raise ValueError("expected a box with its corners and its name")
    kind = _BY_NAME.get(str(box.get("label")))
    corners = [_number(box.get(name)) for name in ("xmin", "ymin", "xmax", "ymax")]
    shown = _number(box.get("scaleFactor", 1))
    if kind is None or shown <= 0:
        raise ValueError("expected a box with its corners and its name")
    x0, y0, x1, y1 = (v / shown / scale for v in corners)
    x0, x1 = (min(max(v, 0.0), float(size[0])) for v in sorted((x0, x1)))
    y0, y1 = (min(max(v, 0.0), float(size[1])) for v in sorted((y0, y1)))
    if x1 - x0 < SMALLEST or y1 - y0 < SMALLEST:
        return None
    return mark_of(kind, (x0, y0, x1, y1))


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("expected a box with its corners and its name")
    return float(value)


def mark_of(kind: str, box: Sequence[float]) -> dict[str, Any]:
    """A mark as the store keeps it; ``box`` is left, top, right, bottom in pixels of the photo."""
    it = KINDS[kind]
    mark: dict[str, Any] = {"part": it.part, "box": [round(v, 1) for v in box]}
    if it.cue is not None:
        mark |= {"cue": str(it.cue), "reading": it.reading}
    return mark


def kind_of(mark: Mapping[str, Any]) -> str | None:
    """The kind of a kept mark; None for one of another tool."""
    for name, kind in KINDS.items():
        if mark.get("part") == kind.part and (mark.get("reading") or "") == kind.reading:
            return name
    return None
