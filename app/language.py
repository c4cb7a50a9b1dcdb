"""One tongue for every face: English msgids, gettext catalogues under ``assets/locale``.

Texts of our own are said with ``Tongue.say``; texts that come out of ``model/`` (rules, looks, cautions, fit
steps, errors) are English and are said again with ``Tongue.again``. English needs no catalogue.
"""

from __future__ import annotations

import gettext
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

DOMAIN = "updraft_key"
LOCALE_FOLDER = Path(__file__).parent / "assets" / "locale"
LANGUAGES: Mapping[str, str] = MappingProxyType({"en": "English", "de": "Deutsch"})

_HOLE = re.compile(r"\{(\w+)\}")
_NOTHING: Mapping[str, object] = MappingProxyType({})


def mark(text: str) -> str:
    """Return ``text`` unchanged; the mark by which ``extract`` finds the msgids of tables."""
    return text


@dataclass(frozen=True, slots=True)
class Tongue:
    """A language that texts are said in.

    ``templates`` holds the msgids with holes, longest first, so that a text whose holes were already filled
    in ``model/`` can be recognised and said again.
    """

    code: str
    catalogue: gettext.NullTranslations
    templates: tuple[tuple[tuple[re.Pattern[str], ...], str], ...] = field(default=(), repr=False)

    def say(self, text: str, values: Mapping[str, object] = _NOTHING) -> str:
        """Say ``text`` (an English msgid) in this language and fill its ``{holes}`` from ``values``.

        Raises:
            KeyError: if a hole of the text has no value.
        """
        said = self.catalogue.gettext(text) if text else ""
        return _HOLE.sub(lambda hole: str(values[hole.group(1)]), said) if values else said

    def again(self, text: str) -> str:
        """Say an English text from ``model/`` in this language; a text that no catalogue knows stays English.

        What fills a hole is said again as well, since it is often a text of its own (a part, a view).
        """
        if self.code == "en" or not text:
            return text
        said = self.catalogue.gettext(text)
        if said != text:
            return said
        for patterns, msgid in self.templates:
            fits = [found.groupdict() for pattern in patterns if (found := pattern.fullmatch(text))]
            if fits:
                # Brackets inside a hole let the text be cut in two ways: take the one whose pieces are known.
                best = max(fits, key=lambda holes: sum(self.catalogue.gettext(v) != v for v in holes.values()))
                return self.say(msgid, {name: self.catalogue.gettext(value) for name, value in best.items()})
        return text


def _pattern(msgid: str, some: str) -> re.Pattern[str]:
    """Turn a msgid with holes into a pattern; a hole that stands twice must hold the same text twice.

    ``some`` is what a hole matches: ``.+?`` as little as fits, ``.+`` as much.
    """
    out, at, seen = "", 0, set[str]()
    for hole in _HOLE.finditer(msgid):
        name = hole.group(1)
        out += re.escape(msgid[at : hole.start()]) + (f"(?P={name})" if name in seen else f"(?P<{name}>{some})")
        seen.add(name)
        at = hole.end()
    return re.compile(out + re.escape(msgid[at:]), re.DOTALL)


@lru_cache(maxsize=8)
def tongue(lang: str = "en") -> Tongue:
    """Return the tongue for a language code; an unknown code gives English.

    Args:
        lang: ``en``, ``de``, or a longer tag such as ``de-CH`` or ``de_AT.UTF-8``.
    """
    code = re.split(r"[-_.]", lang.lower(), maxsplit=1)[0]
    if code == "en" or code not in LANGUAGES:
        return Tongue("en", gettext.NullTranslations())
    file = LOCALE_FOLDER / code / "LC_MESSAGES" / f"{DOMAIN}.mo"
    with file.open("rb") as stream:
        catalogue = gettext.GNUTranslations(stream)
    known: Mapping[object, str] = getattr(catalogue, "_catalog", {})
    msgids = sorted((m for m in known if isinstance(m, str) and _HOLE.search(m)), key=len, reverse=True)
    return Tongue(code, catalogue, tuple(((_pattern(m, ".+?"), _pattern(m, ".+")), m) for m in msgids))


def preferred(header: str) -> str:
    """The language of ours that a browser asks for in its ``Accept-Language`` (RFC 9110, 12.5.4); else English."""
    best, found = 0.0, "en"
    for part in header[:500].split(","):
        tag, _sep, rest = part.partition(";")
        weight = re.fullmatch(r"\s*q\s*=\s*([01](?:\.\d{0,3})?)\s*", rest)
        liking = float(weight[1]) if weight else 0.0 if rest.strip() else 1.0
        code = tag.strip().lower().partition("-")[0]
        if code in LANGUAGES and liking > best:
            best, found = liking, code
    return found
