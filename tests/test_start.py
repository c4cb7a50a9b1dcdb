"""The command's beginning: a question of one photo never searches for cycles, everything else does."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import entry_points

import pytest


@pytest.mark.parametrize(("typed", "searched"), [("identify --help", "False"), ("screen --help", "True"), ("", "True")])
def test_only_a_process_of_one_question_does_without(typed: str, searched: str) -> None:
    code = (
        "import gc, sys; sys.argv[1:] = sys.argv[1].split()\n"
        "from updraft_key.app.start import main\n"
        "main(); print(gc.isenabled())\n"
    )
    done = subprocess.run([sys.executable, "-c", code, typed], capture_output=True, text=True)
    assert done.stdout.split()[-1] == searched, done.stderr


def test_the_installed_command_begins_there() -> None:
    (command,) = entry_points(group="console_scripts", name="updraft-key")
    assert command.value == "updraft_key.app.start:main"
