"""The page: Gradio components for what is tapped, our own markup (``panels``) for what is read.

Every text-bearing component is made by ``Controls``, so that one event says the whole page in another language.
All markup goes through Markdown components: unlike the HTML component they need no evaluated scripts, so the
page runs under a content security policy without ``unsafe-eval``.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

# Must be set before gradio is imported: it reports to its makers otherwise.
os.environ["GRADIO_ANALYTICS_ENABLED"] = "False"
os.environ["HF_HUB_DISABLE_TELEMETRY"] = "1"

import gradio as gr
from updraft_key.model.errors import EvidenceError, StoreError

from . import guide, panels
from .choices import MAGNET_WORDS, UNKNOWN
from .clerk import Clerk
from .controls import Controls, Update, html, spoken
from .desk import MAX_PHOTOS, Desk
from .engine import with_hand
from .headers import VISIT
from .language import LANGUAGES, preferred, tongue
from .language import mark as _
from .telling import Telling, with_plan
from .theme import theme
from .uploads import MOST_FILES, Uploads, key_of

if TYPE_CHECKING:
    from .case_tab import CaseTab
    from .store import Store

MODEL_QUEUE = "model"
LIGHT: Mapping[str, Any] = {"queue": False, "api_visibility": "private", "show_progress": "hidden"}
"""Settings of events that need no network: answered at once, past the line."""
KEEP, KEPT = _("Keep as a case"), _("Kept as case {number}")
GONE = _("Earlier photos and answers are gone: the server was started again, or an hour went by. Send them once more.")
PHOTOS, MORE_PHOTOS = _("Take or choose photos"), _("Add more photos")


class Page:
    """Builds the Blocks and holds its components while the events are wired."""

    def __init__(
        self, clerk: Clerk, hand_question: Callable[[str], str], uploads: Uploads, store: Store | None = None
    ) -> None:
        self.clerk, self.uploads = clerk, uploads
        self.make = Controls()
        self.telling = Telling(self.make, hand_question)
        self.store = store

    def build(self, workers: int) -> gr.Blocks:
        """The whole page."""
        with gr.Blocks(analytics_enabled=False, title="Updraft Key") as blocks:
            self.token = gr.State(None, time_to_live=3600, delete_callback=self.clerk.desks.forget)
            with gr.Row(elem_id="uk-head"):
                html('<h1 class="uk-brand"><span aria-hidden="true">\u25b3</span> Updraft Key</h1>', "uk-brand")
                self.lang = gr.Radio(
                    [(name, code) for code, name in LANGUAGES.items()], value="en", elem_id="uk-lang",
                    label="Language / Sprache", container=True,
                )  # fmt: skip
            self.make.panel(panels.page_words, "uk-words")
            with gr.Tabs(elem_id="uk-tabs"):
                with self.make.tab(_("Identify"), "identify"):
                    self._identify()
                with self.make.tab(_("Examples"), "examples"):
                    self.make.panel(guide.examples)
                with self.make.tab(_("Photo guide"), "guide"):
                    self.make.panel(guide.photo_guide)
                cases = self._cases()
            self._wire(blocks, workers)
            if cases is not None:
                cases[0].wire(cases[1], self.lang, LIGHT)
        return blocks

    # ------------------------------------------------------------------ layout

    def _cases(self) -> tuple[CaseTab, Any] | None:
        """The tab of kept cases, where there is a store."""
        if self.store is None:
            return None
        from .case_tab import CaseTab

        made = CaseTab(self.make, self.store)
        with self.make.tab(_("Cases"), "cases") as tab:
            made.lay_out()
        return made, tab

    def _identify(self) -> None:
        with gr.Column(elem_id="uk-desk"):
            with gr.Column(elem_classes=["uk-area", "uk-take"]):
                self.intro = self.make.add(html(panels.intro("en"), "uk-intro"), panels.intro)
                self.upload = gr.UploadButton(
                    PHOTOS, file_count="multiple", file_types=["image", ".heic", ".heif"], type="filepath",
                    variant="primary", size="lg", elem_id="uk-upload",
                )  # fmt: skip
                self.notice = html("", "uk-notice")
            self.answer_areas: list[Any] = []
            self.verdict = self._answer_area("uk-verdict-area")
            with gr.Column(elem_classes=["uk-area", "uk-card", "uk-magnet-area"], visible=False) as self.magnet_area:
                self.make.panel(panels.magnet_question)
                with gr.Row(elem_id="uk-magnet-buttons"):
                    self.magnet_buttons = {
                        w: gr.Button(t, size="lg", elem_id=f"uk-magnet-{w}") for w, t in MAGNET_WORDS.items()
                    }
            self._photos()
            self.more = self._answer_area("uk-more-area")
            self.more_area = self.answer_areas[-1]
            with gr.Column(elem_classes=["uk-area", "uk-card", "uk-how-area"], visible=False) as self.how_area:
                self.magnet = html("", "uk-magnet")
            self.ask = self._answer_area("uk-ask-area")
            self.ask_area = self.answer_areas[-1]
            self.evidence = self._answer_area("uk-evidence-area")
            with gr.Column(elem_classes=["uk-area", "uk-hand-area"]):
                self.telling.lay_out_hand()
            with gr.Column(elem_classes=["uk-area", "uk-end-area"], visible=False) as self.end_area:
                with self.make.accordion(_("Parts")):
                    self.parts = html("", "uk-parts")
                with self.make.accordion(_("Fit plan")):
                    self.telling.lay_out_plan()
                    self.fit = html("", "uk-fit")
                self.cautions = html("", "uk-cautions")
                self.save = html("", "uk-save")
                if self.store is not None:
                    with gr.Column(elem_classes=["uk-area", "uk-card", "uk-keep"]):
                        self.title = self.make.line(_("Name or number of the customer's question"), "uk-case-title")
                        self.keep = gr.Button(KEEP, elem_id="uk-keep")
                self.reset = self.make.button(_("Start again"), name="uk-reset")

    def _answer_area(self, css: str) -> Any:
        with gr.Column(elem_classes=["uk-area", css], visible=False) as area:
            panel = html("", css.removesuffix("-area"))
        self.answer_areas.append(area)
        return panel

    def _photos(self) -> None:
        turn, away = _("Turn photo {number}"), _("Remove photo {number}")
        with gr.Column(elem_classes=["uk-area", "uk-photos-area"], visible=False) as self.photos_area:
            self.slots: list[tuple[Any, Any, Any, Any]] = []
            for i in range(MAX_PHOTOS):
                with gr.Column(elem_classes=["uk-card", "uk-slot"], visible=False) as slot:
                    picture = html("", f"uk-photo-{i + 1}")
                    with gr.Row(elem_classes=["uk-pair"]):
                        buttons = [self.make.numbered(text, i + 1) for text in (turn, away)]
                self.slots.append((slot, picture, buttons[0], buttons[1]))

    # ------------------------------------------------------------------ what is shown

    def _show(self, desk: Desk, lang: str, note: str = "") -> Update:
        """Everything that depends on the desk."""
        lang = spoken(lang)
        return self._show_answer(desk, lang, note) | self._show_photos(desk, lang)

    def _show_answer(self, desk: Desk, lang: str, note: str = "") -> Update:
        answer, there, lang = desk.answer, desk.answer is not None, spoken(lang)
        out: Update = {self.token: desk.token, self.notice: panels.notice(note)}
        out |= {area: gr.Column(visible=there) for area in (*self.answer_areas, self.end_area)}
        out[self.intro] = gr.Markdown(visible=not there and not desk.shots)
        out[self.upload] = gr.UploadButton(
            label=tongue(lang).say(MORE_PHOTOS if desk.shots else PHOTOS),
            variant="secondary" if desk.shots else "primary",
            interactive=len(desk.shots) < MAX_PHOTOS,
            value=None,
        )
        said = desk.told.hand.get("magnet")
        flagged = answer is not None and (answer.verdict.magnet_test.flagged or said is not None)
        out |= {self.magnet_area: gr.Column(visible=flagged), self.how_area: gr.Column(visible=flagged)}
        for word, button in self.magnet_buttons.items():
            text = tongue(lang).say(MAGNET_WORDS[word])
            out[button] = gr.Button(
                value=f"\u2713 {text}" if said == word else text,
                variant="primary" if said == word else "secondary",
            )
        if answer is not None:
            out[self.verdict] = panels.verdict(answer, lang)
            rest = panels.more(answer, lang)
            out |= {self.more: rest, self.more_area: gr.Column(visible=bool(rest))}
            out[self.magnet] = panels.magnet(answer, lang, said is not None)
            asked = panels.ask(answer, lang)
            out[self.ask], out[self.ask_area] = asked, gr.Column(visible=bool(asked))
            out[self.evidence] = panels.evidence(answer, lang)
            out[self.parts] = panels.parts(answer, lang)
            out[self.fit] = panels.fit(answer, lang)
            out[self.cautions] = panels.cautions(answer, lang)
            out[self.save] = panels.save(desk, lang)
        if self.store is not None:
            text = tongue(lang).say(KEEP) if desk.case is None else tongue(lang).say(KEPT, {"number": desk.case})
            out[self.keep] = gr.Button(value=text, interactive=there and desk.case is None)
        return out

    def _show_photos(self, desk: Desk, lang: str) -> Update:
        out: Update = {self.photos_area: gr.Column(visible=bool(desk.shots))}
        for i, (slot, picture, turn, _away) in enumerate(self.slots):
            there = i < len(desk.shots)
            out[slot] = gr.Column(visible=there)
            out[picture] = panels.photo(desk, i, lang) if there else ""
            out[turn] = gr.Button(visible=there and bool(desk.shots[i].full))
        return out

    # ------------------------------------------------------------------ events

    def _wire(self, blocks: gr.Blocks, workers: int) -> None:
        answer = [
            self.token, self.notice, self.upload, *self.answer_areas, self.end_area, self.intro, self.magnet_area,
            self.how_area, *self.magnet_buttons.values(), self.verdict, self.more, self.magnet, self.ask, self.evidence,
            self.parts, self.fit, self.cautions, self.save,
        ]  # fmt: skip
        if self.store is not None:
            answer.append(self.keep)
        photos = [self.photos_area, *(c for slot in self.slots for c in slot[:3])]
        here, asked = [self.token, self.lang], self.telling.radios
        whole = [*answer, *photos, *asked]
        if self.store is not None:
            self.keep.click(self._keep, [self.title, *here], whole, **LIGHT)
        slow: dict[str, Any] = {
            "concurrency_id": MODEL_QUEUE, "concurrency_limit": workers, "api_visibility": "private",
            "show_progress": "hidden",
        }  # fmt: skip
        # Not prepared by the framework, which would look for the files on the disk.
        self.upload.upload(self._add, [self.upload, *here], whole, **slow, preprocess=False)
        for i, (_slot, _picture, turn, away) in enumerate(self.slots):
            turn.click(self._on_photo(self.clerk.turn, i), here, whole, **slow)
            away.click(self._on_photo(self.clerk.remove, i), here, whole, **LIGHT)
        for word, button in self.magnet_buttons.items():
            button.click(self._on_magnet(word), here, whole, **LIGHT)
        for test, radio in self.telling.hand.items():
            radio.input(self._on_hand(test), [radio, *here], whole, **LIGHT)
        weighing = [self.telling.weight, self.telling.water, *here]
        self.telling.weighed.click(self._on_weigh, weighing, whole, **LIGHT)
        for radio in self.telling.plan:
            radio.input(self._plan, [*self.telling.plan, *here], whole, **LIGHT)
        self.reset.click(self._clear, here, whole, **LIGHT)
        said = [component for component, _say in self.make.rows]
        every = list(dict.fromkeys([*answer, *photos, *said]))
        self.lang.input(self._chosen, self.lang, None, **LIGHT)
        self.lang.input(self._speak, here, every, **LIGHT)
        # A page that is opened again is then said in the language that it was set to.
        blocks.load(self._return, here, [*whole, self.lang], **LIGHT).then(self._speak, here, every, **LIGHT)

    def _add(self, sent: object, token: str | None, lang: str, request: gr.Request) -> Iterator[Update]:
        lang, token = spoken(lang), token or self._own(request).token
        t, gone, desk = tongue(lang), self._gone(token, lang), self.clerk.desk(token)
        files = [self.uploads.take(key) for key in _keys(sent)]
        room = MAX_PHOTOS - len(desk.shots)
        note = "" if gone is None else t.say(GONE)
        if len(files) > room:
            note = t.say("A question takes {most} photos; the rest was left out.", {"most": MAX_PHOTOS})
        taken = files[: max(room, 0)]
        for i, file in enumerate(taken):
            where = {"number": i + 1, "total": len(taken)}
            text = t.say("Reading photo {number} of {total} \u2026", where)
            yield {self.token: desk.token, self.notice: panels.progress(text, i, len(taken))}
            if file is None:
                note = t.say("A photo did not arrive whole. Choose it once more.")
            else:
                desk = self.clerk.add(desk, file.name, file.data)
        desk = self.clerk.decide(desk)
        yield (gone or {}) | self._show(desk, lang, note)

    def _own(self, request: gr.Request, token: str | None = None) -> Desk:
        """The visitor's own desk, else the one of the token, else a new one; known as the visitor's from now on.

        A page may be quicker than its own first event, which will then find the same desk.
        """
        visitor = request.cookies.get(VISIT)
        desk = self.clerk.desk(self.clerk.desks.of_visitor(visitor) or token)
        self.clerk.desks.give(visitor, desk.token)
        return desk

    def _gone(self, token: str | None, lang: str) -> Update | None:
        """The page as it starts, where the server knows nothing of its desk any more; None if it is there.

        Without this the page would go on showing photos that the answer no longer rests on.
        """
        if not token or self.clerk.desks.get(token) is not None:
            return None
        desk = self.clerk.desks.new()
        return self._show(desk, lang, tongue(spoken(lang)).say(GONE)) | self.telling.shown(desk.told)

    def _on_photo(self, act: Callable[[Desk, int], Desk], index: int) -> Callable[..., Update]:
        def run(token: str | None, lang: str) -> Update:
            return self._gone(token, lang) or self._show(act(self.clerk.desk(token), index), lang)

        return run

    def _on_magnet(self, word: str) -> Callable[..., Update]:
        def run(token: str | None, lang: str) -> Update:
            if gone := self._gone(token, lang):
                return gone
            desk = self.clerk.tell(self.clerk.desk(token), lambda told: with_hand(told, "magnet", word, again=True))
            return self._show_answer(desk, lang)

        return run

    def _on_hand(self, test: str) -> Callable[..., Update]:
        def run(word: str | None, token: str | None, lang: str) -> Update:
            if gone := self._gone(token, lang):
                return gone
            desk = self.clerk.desk(token)
            try:
                said = None if word in (None, UNKNOWN) else word
                return self._show(self.clerk.tell(desk, lambda told: with_hand(told, test, said)), lang)
            except EvidenceError as error:  # a forged request; the page itself offers only known words
                return self._show(desk, lang, tongue(spoken(lang)).again(str(error)))

        return run

    def _on_weigh(self, grams: float | None, millilitres: float | None, token: str | None, lang: str) -> Update:
        """Both numbers count as one test; an empty one takes the test back."""
        word = f"{grams:g}/{millilitres:g}" if grams and millilitres else None
        return self._on_hand("weigh")(word, token, lang)

    def _plan(
        self, manifold: str | None, arrester: str | None, wanted: str | None, token: str | None, lang: str
    ) -> Update:
        if gone := self._gone(token, lang):
            return gone
        desk = self.clerk.tell(self.clerk.desk(token), lambda told: with_plan(told, manifold, arrester, wanted))
        return self._show_answer(desk, lang)

    def _keep(self, title: str | None, token: str | None, lang: str) -> Update:
        from .desk_case import keep_desk

        if gone := self._gone(token, lang):
            return gone
        desk, t = self.clerk.desk(token), tongue(spoken(lang))
        if self.store is None or desk.answer is None or desk.case is not None:
            return self._show_answer(desk, lang)
        try:
            kept = keep_desk(self.store, desk, title or "").kept
        except StoreError as error:
            return self._show_answer(desk, lang, t.again(str(error)))
        return self._show_answer(self.clerk.desks.change(desk.token, lambda now: replace(now, kept=kept)), lang)

    def _clear(self, token: str | None, lang: str, request: gr.Request) -> Update:
        desk = self.clerk.clear(self.clerk.desk(token))
        self.clerk.desks.give(request.cookies.get(VISIT), desk.token)
        return self._show(desk, lang) | self.telling.shown(desk.told)

    def _chosen(self, lang: str, request: gr.Request) -> None:
        """Remember a language that was chosen by hand."""
        self.clerk.desks.speak(request.cookies.get(VISIT), spoken(lang))

    def _speak(self, token: str | None, lang: str) -> Update:
        desk, lang = self.clerk.desk(token), spoken(lang)
        out = self.make.said(lang)
        for component, update in self._show(desk, lang).items():
            if component is self.intro:
                there = desk.answer is not None or bool(desk.shots)
                out[component] = gr.Markdown(value=panels.intro(lang), visible=not there)
            elif any(component is slot[2] for slot in self.slots):
                i = next(n for n, slot in enumerate(self.slots) if slot[2] is component)
                text = tongue(lang).say("Turn photo {number}", {"number": i + 1})
                there = i < len(desk.shots) and bool(desk.shots[i].full)
                out[component] = gr.Button(value=text, visible=there)
            else:
                out[component] = update
        return out

    def _return(self, token: str | None, lang: str, request: gr.Request) -> Update:
        """A page that is opened, or opened again: phones drop pages while their camera is in use."""
        desk = self._own(request, token)
        chosen = self.clerk.desks.language_of(request.cookies.get(VISIT))
        wanted = chosen or preferred(request.headers.get("accept-language", ""))
        # Left alone where it is right: a hand may have chosen another one meanwhile.
        other = {} if wanted == lang else {self.lang: gr.Radio(value=wanted)}
        return self._show(desk, wanted) | self.telling.shown(desk.told) | other


def _keys(sent: object) -> list[object]:
    """The keys of the uploads that an event names; what a forged one carries instead of keys takes nothing."""
    files = sent if isinstance(sent, list) else [sent]
    return [key_of(file.get("path")) for file in files[:MOST_FILES] if isinstance(file, dict)]


def build(
    clerk: Clerk, hand_question: Callable[[str], str], *, workers: int, uploads: Uploads, store: Store | None = None
) -> gr.Blocks:
    """Build the page.

    Args:
        clerk: does the work.
        hand_question: the English question of a hand test, by its id.
        workers: photos read at the same time, over all visitors.
        uploads: where the photos come in.
        store: where answers are kept as cases; every visitor then sees every case. None for no cases at all.
    """
    return Page(clerk, hand_question, uploads, store).build(workers)


__all__ = ["build", "theme"]
