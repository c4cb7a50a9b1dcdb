"""What the page is put together from: each makes one component and remembers how it is said in any language."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import gradio as gr

from .choices import UNKNOWN
from .language import LANGUAGES, tongue

Update = dict[Any, Any]
Say = Callable[[str], Any]


class Controls:
    """Makes the components of a page; ``said`` is the whole page in another language, as one update."""

    def __init__(self) -> None:
        self.rows: list[tuple[Any, Say]] = []

    def add(self, component: Any, say: Say) -> Any:
        """Register how a component is said."""
        self.rows.append((component, say))
        return component

    def said(self, lang: str) -> Update:
        """Every registered component in a language."""
        return {component: say(lang) for component, say in self.rows}

    def tab(self, text: str, name: str) -> Any:
        """A tab to be entered with ``with``."""
        return self.add(gr.Tab(text, id=name), lambda lang: gr.Tab(label=tongue(lang).say(text)))

    def panel(self, make: Callable[[str], str], name: str = "") -> Any:
        """Markup that depends on nothing but the language."""
        return self.add(html(make("en"), name), make)

    def button(self, text: str, variant: str = "secondary", name: str = "", size: str = "lg") -> Any:
        """A button."""
        button = gr.Button(text, variant=variant, elem_id=name or None, size=size)
        return self.add(button, lambda lang: gr.Button(value=tongue(lang).say(text)))

    def numbered(self, text: str, number: int) -> Any:
        """A small button whose text holds ``{number}``."""

        def say(lang: str) -> str:
            return tongue(lang).say(text, {"number": number})

        button = gr.Button(say("en"), size="sm", elem_classes=["uk-small"])
        return self.add(button, lambda lang: gr.Button(value=say(lang)))

    def radio(
        self, label: Callable[[str], str], choices: Callable[[str], list[tuple[str, str]]], name: str = ""
    ) -> Any:
        """A question with one answer; ``UNKNOWN`` is chosen at first."""
        radio = gr.Radio(
            choices("en"), value=UNKNOWN, label=label("en"), elem_classes=["uk-radio"], elem_id=name or None
        )
        return self.add(radio, lambda lang: gr.Radio(choices=choices(lang), label=label(lang)))

    def accordion(self, text: str, opened: bool = False) -> Any:
        """A fold to be entered with ``with``."""
        box = gr.Accordion(text, open=opened, elem_classes=["uk-fold"])
        return self.add(box, lambda lang: gr.Accordion(label=tongue(lang).say(text)))

    def number(self, text: str) -> Any:
        """A field for a number of zero or more."""
        number = gr.Number(label=text, minimum=0, elem_classes=["uk-number"])
        return self.add(number, lambda lang: gr.Number(label=tongue(lang).say(text)))

    def line(self, text: str, name: str, most: int = 120) -> Any:
        """A field for one line of text."""
        box = gr.Textbox(label=text, max_lines=1, max_length=most, elem_id=name, elem_classes=["uk-line-field"])
        return self.add(box, lambda lang: gr.Textbox(label=tongue(lang).say(text)))


def html(value: str = "", name: str = "", visible: bool = True) -> Any:
    """Our own markup. A Markdown component, unlike the HTML one, needs no script that is made from text."""
    return gr.Markdown(
        value, sanitize_html=False, latex_delimiters=[], elem_id=name or None, visible=visible,
        elem_classes=["uk-html"], container=False,
    )  # fmt: skip


def known(word: str | None, table: Mapping[str, Any]) -> str | None:
    """The word if the table has it; a forged request may carry anything."""
    return word if isinstance(word, str) and word in table else None


def spoken(lang: object) -> str:
    """A language that the page has; a forged request may carry anything."""
    return lang if isinstance(lang, str) and lang in LANGUAGES else "en"
