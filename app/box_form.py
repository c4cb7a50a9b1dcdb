"""Boxes as words and numbers: the way to mark a photo by keyboard, kept in step with what is drawn on the board."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import gradio as gr

from .controls import Controls, Update
from .language import mark as _
from .language import tongue
from .marking import MOST_BOXES, SMALLEST, kind_name, kind_of, mark_of

NEW = -1
"""Chosen in the list where the numbers are for a box that is not there yet."""
EDGES = (_("Left edge, % of the width"), _("Top edge, % of the height"),
         _("Right edge, % of the width"), _("Bottom edge, % of the height"))  # fmt: skip
Mark = Mapping[str, Any]


class BoxForm:
    """The list of the boxes, four numbers, and the buttons that put a box in or take it out."""

    def __init__(self, make: Controls) -> None:
        self.make = make

    def lay_out(self) -> None:
        """Make the components."""
        with self.make.accordion(_("Boxes as numbers, for the keyboard")):
            self.boxes = gr.Radio(
                [(_new("en"), NEW)], value=NEW, label=_here("en"), elem_id="uk-box-list", elem_classes=["uk-radio"]
            )
            self.make.add(self.boxes, lambda lang: gr.Radio(label=_here(lang)))
            with gr.Row(elem_classes=["uk-pair"]):
                self.edges = [self.make.line(text, f"uk-box-{i}", 8) for i, text in enumerate(EDGES)]
            self.put = self.make.button(_("Put the box in"), name="uk-box-put")
            self.away = self.make.button(_("Take the chosen box out"), name="uk-box-away")

    @property
    def shown(self) -> list[Any]:
        """What depends on the boxes."""
        return [self.boxes, *self.edges]

    def listed(self, marks: Sequence[Mark], size: tuple[int, int], lang: str) -> Update:
        """The boxes as they are now, with none chosen."""
        empty: Update = dict.fromkeys(self.edges, "")
        return empty | {self.boxes: gr.Radio(choices=_choices(marks, size, lang), value=NEW)}

    def said_again(self, marks: Sequence[Mark], size: tuple[int, int], lang: str) -> Update:
        """The same boxes, in this language; what is chosen and what is being typed stays."""
        return {self.boxes: gr.Radio(choices=_choices(marks, size, lang))}

    def filled(self, index: object, marks: Sequence[Mark], size: tuple[int, int]) -> Update:
        """The numbers of the chosen box; empty for a new one."""
        mark = chosen(index, marks)
        values = [""] * 4 if mark is None else [f"{v:g}" for v in percent(mark, size)]
        return dict(zip(self.edges, values, strict=True))


def unmoved(marks: Sequence[Mark], before: Sequence[Mark], size: tuple[int, int]) -> bool:
    """Whether these are the boxes of before, but for what a board's coarser pixels change."""
    pairs = zip(marks, before, strict=False)
    near = (
        abs(a - b) <= 0.5 for one, other in pairs for a, b in zip(percent(one, size), percent(other, size), strict=True)
    )
    return len(marks) == len(before) and all(near)


def chosen(index: object, marks: Sequence[Mark]) -> Mark | None:
    """The box of this place in the list; None for a new one and for what no list offers."""
    there = isinstance(index, int) and not isinstance(index, bool) and 0 <= index < len(marks)
    return marks[index] if there else None  # type: ignore[call-overload]


def percent(mark: Mark, size: tuple[int, int]) -> list[float]:
    """Left, top, right and bottom of a box in percent of the photo."""
    return [round(float(v) / size[i % 2] * 100, 1) for i, v in enumerate(mark["box"])]


def put_in(
    index: object, kind: str, edges: Sequence[object], marks: Sequence[Mark], size: tuple[int, int]
) -> tuple[dict[str, Any], ...]:
    """The marks with one box put in, or the chosen one moved; a moved one stays what it is.

    Args:
        index: place in the list, or ``NEW``.
        kind: of a new box.
        edges: left, top, right, bottom in percent of the photo, as they were sent.
        marks: as drawn so far.
        size: of the photo, pixels.

    Raises:
        ValueError: for numbers that are no box inside the photo, or one box too many.
    """
    x0, y0, x1, y1 = (_share(e) * size[i % 2] for i, e in enumerate(edges))
    if x1 - x0 < SMALLEST or y1 - y0 < SMALLEST:
        raise ValueError("expected the right edge right of the left one, and the bottom below the top")
    box = (x0, y0, x1, y1)
    if chosen(index, marks) is not None:
        moved = [round(v, 1) for v in box]
        return tuple({**m, "box": moved} if i == index else dict(m) for i, m in enumerate(marks))
    if len(marks) >= MOST_BOXES:
        raise ValueError(f"expected at most {MOST_BOXES} boxes")
    return (mark_of(kind, box), *(dict(m) for m in marks))  # in front, as the board does it


def _share(typed: object) -> float:
    """A typed percentage as a share; with a point or a comma, with or without its sign."""
    number = float(typed.strip(" %").replace(",", ".")) if isinstance(typed, str) else math.nan
    if not 0 <= number <= 100:
        raise ValueError("expected numbers from 0 to 100")
    return number / 100


def _choices(marks: Sequence[Mark], size: tuple[int, int], lang: str) -> list[tuple[str, int]]:
    return [(_new(lang), NEW), *((f"{i + 1} \u00b7 {_row(m, size, lang)}", i) for i, m in enumerate(marks))]


def _row(mark: Mark, size: tuple[int, int], lang: str) -> str:
    kind = kind_of(mark)
    names = ("left", "top", "right", "bottom")
    values = {n: f"{v:.0f}" for n, v in zip(names, percent(mark, size), strict=True)}
    where = tongue(lang).say("{left} to {right} % across, {top} to {bottom} % down", values)
    return f"{kind_name(kind, lang) if kind else mark.get('part', '')}: {where}"


def _new(lang: str) -> str:
    return tongue(lang).say("a new box, of the part chosen above")


def _here(lang: str) -> str:
    return tongue(lang).say("Boxes in this photo")
