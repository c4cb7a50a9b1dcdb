"""The tab of kept cases: find one, record what it proved to be, draw where the parts are in its photos.

It is there only where the server was given a store, since every visitor of such a server sees every case.

The drawing board takes its default name of a new box when it appears and keeps it. So there are two boards, and
choosing another part swaps them: the other one appears with the boxes drawn so far and the new name.
"""

from __future__ import annotations

import io
import os
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from itertools import islice
from pathlib import Path
from typing import Any

import gradio as gr
from gradio_image_annotation import image_annotator
from PIL import Image
from updraft_key.model.cues import ERAS
from updraft_key.model.errors import StoreError

from . import box_form, case_panels, panels
from .box_form import BoxForm
from .choices import UNKNOWN
from .controls import Controls, Update, html, spoken
from .desk_case import now
from .labels import era_name
from .language import mark as _
from .language import tongue
from .marking import KINDS, from_board, kind_name, to_board
from .store import KeptCase, Store

SHOWN = 30
"""Cases in the list."""
LONGEST = 1600
"""Longest side of the picture that is drawn on, pixels."""
PICTURES = 16
"""Pictures for drawing that lie on the disk at once, over all visitors."""
FIRST_KIND = "screw"
NO_BOX = _("That is no box: the edges go from 0 to 100, left before right and top before bottom.")


@dataclass(frozen=True, slots=True)
class Opened:
    """What one visitor has open: the case, the photo, the marks as drawn so far, and which board shows."""

    case: int | None = None
    photo: int = 0
    marks: tuple[dict[str, Any], ...] = ()
    board: int = 0


class CaseTab:
    """Lays out the tab and does what is asked for in it."""

    def __init__(self, make: Controls, store: Store) -> None:
        self.make, self.store = make, store
        self.folder = Path(os.environ["GRADIO_TEMP_DIR"]) / "cases"
        self.folder.mkdir(mode=0o700, exist_ok=True)
        # Ours to remove: the framework's own cache would drop a picture while somebody still draws on it.
        gr.set_static_paths([self.folder])

    # ------------------------------------------------------------------ layout

    def lay_out(self) -> None:
        """Make the components."""
        self.opened = gr.State(Opened())
        self.make.panel(case_panels.intro)
        with gr.Row(elem_classes=["uk-seek"]):
            self.words = self.make.line(_("Words of the title or the notes"), "uk-case-words")
            self.seek = self.make.button(_("Search"), name="uk-case-seek")
        self.found = gr.Radio([], label="-", show_label=False, elem_id="uk-case-list", elem_classes=["uk-radio"])
        self.none = html("", "uk-case-none")
        with gr.Column(visible=False, elem_id="uk-case", elem_classes=["uk-area"]) as self.area:
            self.head = html("", "uk-case-head")
            self.truth = self.make.radio(
                lambda lang: tongue(lang).say("What did it prove to be?"),
                lambda lang: [
                    *((era_name(e, lang), str(e)) for e in ERAS), (tongue(lang).say("not known yet"), UNKNOWN),
                ],
                "uk-case-truth",
            )  # fmt: skip
            self.how = self.make.line(_("How it was found out, such as: kit fitted"), "uk-case-how")
            self.record = self.make.button(_("Record it"), name="uk-case-record")
            self.photo = self.make.add(gr.Radio([], visible=False, elem_id="uk-case-photo"), _photo_label)
            with gr.Column(visible=False, elem_classes=["uk-area", "uk-card", "uk-drawing"]) as self.drawing:
                self.make.panel(case_panels.board_hint)
                self.kind = gr.Radio(
                    _kinds("en"), value=FIRST_KIND, label=_part("en"), elem_id="uk-case-kind", elem_classes=["uk-chips"]
                )
                self.make.add(self.kind, lambda lang: gr.Radio(choices=_kinds(lang), label=_part(lang)))
                self.boards = [_board(i) for i in (0, 1)]
                self.form = BoxForm(self.make)
                self.form.lay_out()
                self.save = self.make.button(_("Save the marks"), "primary", "uk-case-save")
            self.note = html("", "uk-case-note")

    def wire(self, tab: Any, lang: Any, light: Mapping[str, Any]) -> None:
        """Connect the events; ``light`` are the settings of events that need no network."""
        raw = {**light, "preprocess": False}
        listed = [self.found, self.none]
        whole = [
            self.opened, self.area, self.head, self.truth, self.how, self.photo, self.drawing, self.kind, *self.boards,
            *self.form.shown, self.note,
        ]  # fmt: skip
        tab.select(self._list, [self.words, lang], listed, **light)
        for event in (self.seek.click, self.words.submit):
            event(self._list, [self.words, lang], listed, **light)
        self.found.input(self._open, [self.found, lang], whole, **light)
        lang.input(self._again, [self.words, self.opened, lang], [*listed, self.head, self.photo, self.note], **light)
        self.record.click(
            self._record, [self.truth, self.how, self.words, self.opened, lang],
            [*listed, self.head, self.photo, self.note], **light,
        )  # fmt: skip
        drawn = [*self.boards, self.opened, lang]
        laid = [self.opened, self.kind, *self.boards, *self.form.shown, self.note]
        self.photo.input(self._turn_to, [self.photo, *drawn], laid, **raw)
        self.kind.input(self._draw, [self.kind, *drawn], laid, **raw)
        self.save.click(self._save, drawn, [self.opened, self.note], **raw)
        for board in self.boards:
            # While one answer is under way, only the last of further changes is sent.
            board.change(self._follow, drawn, [*self.form.shown, self.note], **raw, trigger_mode="always_last")
        lang.input(self._follow, drawn, [*self.form.shown, self.note], **raw)
        self.form.boxes.input(self._pick, [self.form.boxes, *drawn], self.form.edges, **raw)
        self.form.put.click(self._put, [self.form.boxes, self.kind, *self.form.edges, *drawn], laid, **raw)
        self.form.away.click(self._take_out, [self.form.boxes, self.kind, *drawn], laid, **raw)

    # ------------------------------------------------------------------ events

    def _list(self, words: str | None, lang: str) -> Update:
        lang = spoken(lang)
        try:
            cases = self.store.search(words) if words and words.strip() else list(self.store.cases())
        except StoreError as error:
            return {self.found: gr.Radio(choices=[]), self.none: panels.notice(tongue(lang).again(str(error)))}
        newest = list(islice(reversed(cases), SHOWN))
        rows = [(case_panels.row(c, lang), c.id) for c in newest]
        return {self.found: gr.Radio(choices=rows), self.none: "" if rows else case_panels.none_found(lang)}

    def _open(self, number: object, lang: str) -> Update:
        lang = spoken(lang)
        case = self._case(number)
        if case is None:
            return {self.area: gr.Column(visible=False), self.opened: Opened()}
        opened = Opened(case.id)
        return {
            self.area: gr.Column(visible=True),
            self.head: case_panels.head(case, lang),
            self.truth: gr.Radio(value=case.truth or UNKNOWN),
            self.how: gr.Textbox(value=case.truth_how or ""),
            self.photo: _photo_radio(case, 0, lang),
            self.drawing: gr.Column(visible=bool(case.photos)),
            **self._lay(replace(opened, marks=_kept(case, 0)), case, FIRST_KIND, lang),
        }

    def _again(self, words: str | None, opened: Opened, lang: str) -> Update:
        """The same in another language; boxes keep the words that they were drawn with."""
        out, case = self._list(words, lang), self._case(opened.case)
        if case is not None:
            out |= {
                self.head: case_panels.head(case, spoken(lang)),
                self.photo: _photo_radio(case, opened.photo, spoken(lang)),
            }
        return out | {self.note: ""}

    def _record(self, truth: str, how: str | None, words: str | None, opened: Opened, lang: str) -> Update:
        t = tongue(spoken(lang))
        how = " ".join((how or "").split())[:200]
        if truth not in list(ERAS) or not how:
            return {self.note: panels.notice(t.say("Say what it proved to be, and how it was found out."))}
        try:
            self.store.confirm(opened.case or 0, truth, how, now())
        except StoreError as error:
            return {self.note: panels.notice(t.again(str(error)))}
        return self._again(words, opened, lang) | {self.note: _done(t.say("Recorded."))}

    def _turn_to(self, photo: object, one: object, other: object, opened: Opened, lang: str) -> Update:
        """Another photo of the case; what was drawn in this one is saved first."""
        saved = self._save(one, other, opened, lang)
        case = self._case(opened.case)
        if case is None or not isinstance(photo, int) or not 0 <= photo < len(case.photos):
            return {self.note: saved[self.note]}
        there = replace(opened, photo=photo, marks=_kept(case, photo))
        return saved | self._lay(there, case, FIRST_KIND, spoken(lang))

    def _draw(self, kind: object, one: object, other: object, opened: Opened, lang: str) -> Update:
        """Go on with another part: the boxes drawn so far move to the other board."""
        case = self._case(opened.case)
        if case is None or kind not in KINDS:
            return {self.note: ""}
        marks = self._drawn_or_kept(one, other, case, opened)
        return self._lay(replace(opened, marks=marks), case, str(kind), spoken(lang))

    def _follow(self, one: object, other: object, opened: Opened, lang: str) -> Update:
        """The list of boxes, and how many wait to be saved, after something was drawn.

        A board says so as well when it has only appeared: then numbers that are being typed must stay.
        """
        case = self._case(opened.case)
        if case is None or not case.photos:
            return dict.fromkeys(self.form.edges, "")
        marks = self._drawn_or_kept(one, other, case, opened)
        size = _size(case, opened)
        if box_form.unmoved(marks, opened.marks, size):
            return self.form.said_again(marks, size, spoken(lang))
        listed = self.form.listed(marks, size, spoken(lang))
        return listed if len(marks) == len(opened.marks) else listed | {self.note: _done(_not_yet(marks, lang))}

    def _pick(self, index: object, one: object, other: object, opened: Opened, lang: str) -> Update:
        """A box was chosen in the list: its numbers."""
        case = self._case(opened.case)
        if case is None or not case.photos:
            return dict.fromkeys(self.form.edges, "")
        return self.form.filled(index, self._drawn_or_kept(one, other, case, opened), _size(case, opened))

    def _put(self, index: object, kind: object, left: object, top: object, right: object, bottom: object,
             one: object, other: object, opened: Opened, lang: str) -> Update:  # fmt: skip
        """A box given in numbers."""
        t, case = tongue(spoken(lang)), self._case(opened.case)
        if case is None or not case.photos or kind not in KINDS:
            return {self.note: ""}
        marks = self._drawn_or_kept(one, other, case, opened)
        try:
            new = box_form.put_in(index, str(kind), (left, top, right, bottom), marks, _size(case, opened))
        except ValueError:
            return {self.note: panels.notice(t.say(NO_BOX))}
        laid = self._lay(replace(opened, marks=new), case, str(kind), spoken(lang))
        return laid | {self.note: _done(_not_yet(new, lang))}

    def _take_out(self, index: object, kind: object, one: object, other: object, opened: Opened, lang: str) -> Update:
        """The chosen box is removed."""
        t, case = tongue(spoken(lang)), self._case(opened.case)
        if case is None or not case.photos or kind not in KINDS:
            return {self.note: ""}
        marks = self._drawn_or_kept(one, other, case, opened)
        if box_form.chosen(index, marks) is None:
            return {self.note: panels.notice(t.say("Choose a box in the list first."))}
        left = tuple(m for i, m in enumerate(marks) if i != index)
        laid = self._lay(replace(opened, marks=left), case, str(kind), spoken(lang))
        return laid | {self.note: _done(_not_yet(left, lang))}

    def _save(self, one: object, other: object, opened: Opened, lang: str) -> Update:
        t, case = tongue(spoken(lang)), self._case(opened.case)
        try:
            if case is None or not case.photos:
                raise ValueError("no case is open")
            marks = self._drawn((one, other)[opened.board], case, opened)
            self.store.correct(case.id, opened.photo, marks)
        except StoreError as error:
            return {self.note: panels.notice(t.again(str(error)))}
        except ValueError:  # only a forged request gets here
            return {self.note: panels.notice(t.say("The marks did not arrive whole. Draw them once more."))}
        values = {"count": len(marks), "number": opened.photo + 1}
        said = t.say("Saved for photo {number}. Boxes: {count}.", values)
        if case.truth is None:
            said += " " + t.say("They are exported once the case is confirmed.")
        return {self.opened: replace(opened, marks=marks), self.note: _done(said)}

    # ------------------------------------------------------------------ the board

    def _drawn(self, value: object, case: KeptCase, opened: Opened) -> tuple[dict[str, Any], ...]:
        photo = case.photos[opened.photo]
        return from_board(value, _scale(photo.width, photo.height), (photo.width, photo.height))

    def _drawn_or_kept(self, one: object, other: object, case: KeptCase, opened: Opened) -> tuple[dict[str, Any], ...]:
        try:
            return self._drawn((one, other)[opened.board], case, opened)
        except ValueError:  # the board has not appeared yet, or a forged request
            return opened.marks

    def _lay(self, opened: Opened, case: KeptCase, kind: str, lang: str) -> Update:
        """Swap the boards, so that the one that appears names new boxes after ``kind``."""
        if not case.photos:
            return {self.opened: opened, self.note: ""}
        shown, hidden = 1 - opened.board, opened.board
        photo = case.photos[opened.photo]
        boxes = to_board(opened.marks, _scale(photo.width, photo.height), lang)
        return {
            self.opened: replace(opened, board=shown),
            self.kind: gr.Radio(value=kind),
            self.boards[shown]: image_annotator(
                value={"image": str(self._picture(photo.jpeg)), "boxes": boxes, "orientation": 0},
                label_list=[kind_name(kind, lang)], label_colors=[KINDS[kind].colour], visible=True,
            ),
            self.boards[hidden]: image_annotator(visible=False),
            self.note: "",
            **self.form.listed(opened.marks, (photo.width, photo.height), lang),
        }  # fmt: skip

    def _picture(self, jpeg: bytes) -> Path:
        """Put the kept photo where the board can load it, under a name that cannot be guessed."""
        for old in sorted(self.folder.glob("*.jpg"), key=lambda p: p.stat().st_mtime_ns)[: -PICTURES + 1]:
            old.unlink(missing_ok=True)
        file = self.folder / f"{secrets.token_urlsafe(18)}.jpg"
        with Image.open(io.BytesIO(jpeg), formats=("JPEG",)) as image:
            small = image.convert("RGB")
        small.thumbnail((LONGEST, LONGEST))
        small.save(file, "JPEG", quality=88)
        return file

    def _case(self, number: object) -> KeptCase | None:
        if isinstance(number, bool) or not isinstance(number, int):
            return None
        try:
            return self.store.get(number)
        except StoreError:  # forgotten meanwhile
            return None


def _board(index: int) -> Any:
    return image_annotator(
        visible=False, sources=[], show_clear_button=False, show_download_button=False, show_share_button=False,
        show_remove_button=True, image_type="filepath", use_default_label=True, enable_keyboard_shortcuts=False,
        label_list=[kind_name(FIRST_KIND, "en")], label_colors=[KINDS[FIRST_KIND].colour], handle_size=12,
        boxes_alpha=0.15, box_min_size=6, show_label=False, elem_id=f"uk-board-{index}", elem_classes=["uk-board"],
    )  # fmt: skip


def _size(case: KeptCase, opened: Opened) -> tuple[int, int]:
    photo = case.photos[opened.photo]
    return photo.width, photo.height


def _not_yet(marks: Sequence[object], lang: str) -> str:
    return tongue(spoken(lang)).say("Boxes: {count}. They are not saved yet.", {"count": len(marks)})


def _kept(case: KeptCase, photo: int) -> tuple[dict[str, Any], ...]:
    return (case.photos[photo].marks or ()) if photo < len(case.photos) else ()


def _scale(width: int, height: int) -> float:
    """Pixels of the shown picture per pixel of the kept photo."""
    return min(1.0, LONGEST / max(width, height))


def _photo_radio(case: KeptCase, photo: int, lang: str) -> Any:
    names = [(tongue(lang).say("Photo {number}", {"number": i + 1}), i) for i in range(len(case.photos))]
    label = tongue(lang).say("Which photo")
    return gr.Radio(choices=names, value=photo, label=label, visible=len(names) > 1)


def _photo_label(lang: str) -> Any:
    return gr.Radio(label=tongue(lang).say("Which photo"))


def _kinds(lang: str) -> list[tuple[str, str]]:
    return [(kind_name(k, lang), k) for k in KINDS]


def _part(lang: str) -> str:
    return tongue(lang).say("What the next box shows")


def _done(text: str) -> str:
    return f'<p class="uk-done" role="status">\u2713 {escape(text)}</p>'
