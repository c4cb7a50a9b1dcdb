"""Where the command ``updraft-key`` begins: what has to be settled before anything of size is imported.

Importing makes some hundred thousand objects, and the interpreter looks through them for cycles again and again. A
process of one question is over before cycles could matter, so it never looks; one that lives on does.
"""

from __future__ import annotations

import gc
import sys

ONE_QUESTION = ("identify", "listing", "measure", "card")
"""Commands that answer and end."""


def main() -> int:
    """Run the command with what was typed; returns the exit code."""
    if sys.argv[1:] and sys.argv[1] in ONE_QUESTION:
        gc.disable()
    from .cli import main as run

    return run()
