"""The public door is exactly this, and opening it costs nothing that is not used."""

from __future__ import annotations

import subprocess
import sys

import pytest
import updraft_key.model as door

NAMES = [
    "SCHEMA", "Answer", "Cue", "Era", "Identifier", "Limits", "Outcome", "Photo", "PhotoError", "UpdraftKeyError",
    "hand_test", "open_photo", "parse_hand",
]  # fmt: skip


def test_exactly_these_names() -> None:
    assert door.__all__ == NAMES and sorted(NAMES) == dir(door)
    assert all(getattr(door, name).__module__.startswith("updraft_key.model") for name in NAMES if name != "SCHEMA")


def test_every_name_is_documented() -> None:
    assert all(getattr(door, name).__doc__ for name in NAMES)


def test_anything_else_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        door.nonsense  # noqa: B018


def loaded_after(code: str) -> set[str]:
    """Top-level modules that a fresh interpreter has loaded after ``code``."""
    listing = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(*sorted(m.split('.')[0] for m in sys.modules))"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return set(listing.stdout.split())


def test_the_vocabulary_needs_no_third_party_package() -> None:
    heavy = {"numpy", "cv2", "PIL", "onnxruntime", "pillow_heif", "torch", "gradio", "sqlalchemy"}
    assert not loaded_after("from updraft_key.model import Era, Answer, hand_test") & heavy


def test_the_identifier_needs_no_trainer_page_database_or_heif() -> None:
    loaded = loaded_after("from updraft_key.model import Identifier, open_photo; Identifier()")
    assert not loaded & {"torch", "gradio", "sqlalchemy", "mitsuba", "pillow_heif", "pyarrow", "typer", "scipy"}


def test_a_question_starts_without_numpy_so_that_its_threads_can_still_be_spared() -> None:
    """``asking.ask`` sets OPENBLAS_NUM_THREADS and opens photos beside the network: too late once these are in."""
    loaded = loaded_after("import updraft_key.app.cli, updraft_key.app.asking")
    assert not loaded & {"numpy", "cv2", "PIL", "onnxruntime", "sqlalchemy", "gradio", "jsonschema", "pillow_heif"}
