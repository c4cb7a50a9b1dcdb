"""Keeps the translation catalogues: ``python -m updraft_key.app.extract update|check|compile``.

``update`` collects every English text (marked ones of ``app/``, and the texts that ``model/`` says) and merges them
into each ``.po``; ``compile`` writes the ``.mo`` beside it; ``check`` tells what is missing. Needs ``polib``, which is
in the ``[test]`` extra.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from updraft_key.model import claims, measure, parts, safety
from updraft_key.model.errors import MissingExtra

from .card import STEPS, SUBTITLE, TITLE
from .guide import captions
from .language import DOMAIN, LANGUAGES, LOCALE_FOLDER

APP = Path(__file__).parent
MODEL = Path(parts.__file__).parent
TOML_TEXTS = {
    "key.toml": ("text", "magnet"),
    "next_look.toml": ("how",),
    "fit.toml": ("text", "edition"),
    "hand_tests.toml": ("question", "caveat", "notes", "light", "heavy", "iron_or_zinc", "magnetless", "odd"),
    "catalogue.toml": ("part", "note", "replaces"),
}
"""Which keys of which rule file hold sentences; everything below such a key counts."""
FILLED = (
    "{source} ({edition}; check the current text)",
    "{note} Replaces: {replaces}",
    "expected {taken}, got {what}; save or export it as a JPEG and try again",
    "expected a whole {kind} picture, got one that is broken or cut short; copy it again from the camera or phone",
    "expected at most {most} MB, got more; send it at a smaller size",
    "expected at most {most} megapixels of a {kind} picture, got {width} x {height}; make it smaller and try again",
    "expected at most {most} megapixels of a HEIF picture, got {width} x {height}; save it as a JPEG and try again",
    "expected at most {most} megapixels, got a {kind} picture that needs more memory than there is; make it smaller "
    "and try again",
    "expected a picture, got an empty file; copy it again",
    "expected a picture file, got {what}; check the name",
    "expected a readable file, got: {why}; check the name and rights",
    "weigh: expected a weight and a volume above zero, got {grams} g and {millilitres} ml",
    "weigh: expected grams and millilitres of the bare body, got {said}: {low} to {high} g/cm3 is no metal that "
    "carburetors are cast of; check the units",
)
"""Texts that ``model/`` fills in before they reach us; recognised by their holes and said again."""


def messages() -> dict[str, str]:
    """Every English text, with where it stands."""
    out: dict[str, str] = {}
    for file in sorted(APP.glob("*.py")):
        for text in _said(ast.parse(file.read_text("utf-8"))):
            out.setdefault(text, f"app/{file.name}")
    for name, keys in TOML_TEXTS.items():
        for text in _sentences(tomllib.loads((MODEL / name).read_text("utf-8")), keys):
            out.setdefault(text, f"model/{name}")
    for text in (*safety.CAUTIONS.values(), *(text for _kind, text in safety.FINDINGS.values())):
        out.setdefault(text, "model/safety.py")
    for text in claims.WHY.values():
        out.setdefault(text, "model/claims.py")
    for text in parts.WHY.values():
        out.setdefault(text, "model/parts.py")
    for text in measure.NOTES.values():
        out.setdefault(text, "model/measure.py")
    for text in (TITLE, SUBTITLE, *STEPS):
        out.setdefault(text, "app/card.py")
    for text in FILLED:
        out.setdefault(text, "model/")
    for _file, text in captions():
        out.setdefault(text, "app/assets/examples/captions.json")
    return {text: where for text, where in out.items() if text.strip()}


def _said(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not node.args:
            continue
        first = node.args[0]
        spoken = isinstance(node.func, ast.Attribute) and node.func.attr == "say"
        if spoken or (isinstance(node.func, ast.Name) and node.func.id in ("_", "mark")):
            yield from (n.value for n in _choices(first) if isinstance(n.value, str))


def _choices(node: ast.expr) -> Iterator[ast.Constant]:
    if isinstance(node, ast.Constant):
        yield node
    elif isinstance(node, ast.IfExp):
        yield from _choices(node.body)
        yield from _choices(node.orelse)


def _sentences(value: Any, keys: tuple[str, ...], under: bool = False) -> Iterator[str]:
    if isinstance(value, str):
        if under:
            yield value
    elif isinstance(value, dict):
        for key, inner in value.items():
            # A table under such a key holds sentences; a list of tables ([[part]]) only names its rows.
            yield from _sentences(inner, keys, not isinstance(inner, list) and (under or key in keys))
    elif isinstance(value, list):
        for inner in value:
            yield from _sentences(inner, keys)


def _catalogue(code: str) -> Any:
    try:
        import polib  # type: ignore[import-untyped]
    except ImportError as error:
        raise MissingExtra("keeping the translations", "test") from error
    file = LOCALE_FOLDER / code / "LC_MESSAGES" / f"{DOMAIN}.po"
    found = polib.pofile(str(file), wrapwidth=110) if file.is_file() else polib.POFile(wrapwidth=110)
    found.metadata = {
        "Content-Type": "text/plain; charset=UTF-8",
        "Content-Transfer-Encoding": "8bit",
        "Language": code,
    }
    return found


def update(code: str) -> int:
    """Merge all texts into a catalogue; texts that are gone leave it. Returns how many have no translation."""
    import polib

    book, known = _catalogue(code), messages()
    old = {e.msgid: e.msgstr for e in book}
    fresh = polib.POFile(wrapwidth=110)
    fresh.metadata = book.metadata
    for text, where in sorted(known.items(), key=lambda row: (row[1], row[0])):
        fresh.append(polib.POEntry(msgid=text, msgstr=old.get(text, ""), comment=where))
    fresh.save(str(LOCALE_FOLDER / code / "LC_MESSAGES" / f"{DOMAIN}.po"))
    return sum(not e.msgstr for e in fresh)


def compile_catalogue(code: str) -> None:
    """Write the ``.mo`` beside the ``.po``."""
    _catalogue(code).save_as_mofile(str(LOCALE_FOLDER / code / "LC_MESSAGES" / f"{DOMAIN}.mo"))


def missing(code: str) -> tuple[str, ...]:
    """Texts without a translation in a catalogue."""
    said = {e.msgid for e in _catalogue(code) if e.msgstr}
    return tuple(text for text in messages() if text not in said)


def main(arguments: list[str]) -> int:
    """Run one command for every language but English. Exit 1 when texts are missing."""
    if arguments not in (["update"], ["check"], ["compile"]):
        sys.stderr.write("usage: python -m updraft_key.app.extract update|check|compile\n")
        return 2
    left = 0
    for code in LANGUAGES:
        if code == "en":
            continue
        if arguments == ["update"]:
            left += update(code)
        elif arguments == ["compile"]:
            compile_catalogue(code)
        gone = missing(code)
        left = max(left, len(gone))
        sys.stderr.write(f"{code}: {len(messages())} texts, {len(gone)} without translation\n")
        sys.stderr.writelines(f"  {text[:100]}\n" for text in gone if arguments == ["check"])
    return 1 if left else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
