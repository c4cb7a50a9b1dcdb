"""From photos and hand tests to the generation of an updraft carburetor. This is the whole public door.

>>> from updraft_key.model import Identifier, hand_test
>>> answer = Identifier().identify([], [hand_test("magnet", "holds")])
>>> answer.verdict.outcome, answer.verdict.era
(<Outcome.NAMED: 'named'>, <Era.IRON: 'iron'>)

Names are imported when first used, so that a face that needs only the vocabulary starts without the decoders.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .answer import SCHEMA, Answer
    from .cues import Cue, Era, Outcome
    from .errors import PhotoError, UpdraftKeyError
    from .hands import hand_test, parse_hand
    from .identify import Identifier
    from .photo import Limits, Photo, open_photo

__all__ = [
    "SCHEMA",
    "Answer",
    "Cue",
    "Era",
    "Identifier",
    "Limits",
    "Outcome",
    "Photo",
    "PhotoError",
    "UpdraftKeyError",
    "hand_test",
    "open_photo",
    "parse_hand",
]

_HOMES = {
    "SCHEMA": "answer",
    "Answer": "answer",
    "Cue": "cues",
    "Era": "cues",
    "Identifier": "identify",
    "Limits": "photo",
    "Outcome": "cues",
    "Photo": "photo",
    "PhotoError": "errors",
    "UpdraftKeyError": "errors",
    "hand_test": "hands",
    "open_photo": "photo",
    "parse_hand": "hands",
}


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(import_module(f".{_HOMES[name]}", __name__), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
