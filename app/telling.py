"""What a person tells beside the photos, as questions: what eye and hand found, what is to be fitted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import gradio as gr
from updraft_key.model.cues import ERAS

from .choices import ARRESTERS, HAND_CHOICES, MANIFOLDS, UNKNOWN, choices_of
from .controls import Controls, Update, known
from .engine import Told
from .labels import era_name
from .language import mark as _
from .language import tongue


class Telling:
    """The questions and their answers. Lay out both halves before anything is shown or wired."""

    def __init__(self, make: Controls, hand_question: Callable[[str], str]) -> None:
        self.make, self.hand_question = make, hand_question
        self.hand: dict[str, Any] = {}
        self.plan: list[Any] = []

    @property
    def radios(self) -> list[Any]:
        """Every question with one answer."""
        return [*self.hand.values(), *self.plan]

    def lay_out_hand(self) -> None:
        """What can be checked by eye or by hand, and the weighing."""
        with self.make.accordion(_("What you can check by eye or by hand")):
            for test, choices in HAND_CHOICES.items():
                self.hand[test] = self.make.radio(
                    lambda lang, test=test: tongue(lang).again(self.hand_question(test)),  # type: ignore[misc]
                    lambda lang, choices=choices: choices_of(dict(choices), _("not checked"), lang),  # type: ignore[misc]
                )
            weight, water = _("Weight of the bare castings, in grams"), _("Water that they push aside, in millilitres")
            with gr.Row(elem_classes=["uk-pair"]):
                self.weight, self.water = (self.make.number(text) for text in (weight, water))
            self.weighed = self.make.button(_("Count the weighing"), name="uk-weigh")

    def lay_out_plan(self) -> None:
        """What the fit plan asks: manifold, arrester, and which kind is to be fitted."""
        manifold = self.make.radio(
            lambda lang: tongue(lang).say("Side of the intake manifold, close behind the carburetor flange"),
            lambda lang: choices_of(MANIFOLDS, _("not known"), lang),
        )
        arrester = self.make.radio(
            lambda lang: tongue(lang).say("Flame arrester housing on the engine"),
            lambda lang: choices_of(ARRESTERS, _("not known"), lang),
        )
        wanted = self.make.radio(
            lambda lang: tongue(lang).say("Carburetor that is to be fitted"),
            lambda lang: [
                (tongue(lang).say("the same kind as this one"), UNKNOWN),
                *((era_name(e, lang), str(e)) for e in ERAS),
            ],
        )
        self.plan = [manifold, arrester, wanted]

    def shown(self, told: Told) -> Update:
        """The questions as they were answered."""
        said: Mapping[Any, str | None] = {radio: told.hand.get(test) for test, radio in self.hand.items()}
        said = {**said, **dict(zip(self.plan, (told.manifold, told.arrester, told.wanted), strict=True))}
        return {radio: gr.Radio(value=word or UNKNOWN) for radio, word in said.items()}


def with_plan(told: Told, manifold: str | None, arrester: str | None, wanted: str | None) -> Told:
    """What was told, with the answers to the plan's questions; words that are not offered count as not known."""
    return replace(
        told,
        manifold=known(manifold, MANIFOLDS),
        arrester=known(arrester, ARRESTERS),
        wanted=known(wanted, {str(e): "" for e in ERAS}),
    )
