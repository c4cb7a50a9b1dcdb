"""``audit``: the rule layer fed with a set's labels, counts and confounds (see ``synthetic_data.audit``).

It lives here because renders may know only the vocabulary of ``model``, and this needs its rules.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from updraft_key.model.errors import UpdraftKeyError
from updraft_key.model.key import decide
from updraft_key.synthetic_data.audit import audit
from updraft_key.synthetic_data.gallery import read_labels
from updraft_key.synthetic_data.sample import VIEWS_PER_SCENE


def _views(folder: Path) -> int:
    """Pictures a scene, as the set was made."""
    made = folder / "set.json"
    return int(json.loads(made.read_text("utf-8"))["views"]) if made.is_file() else VIEWS_PER_SCENE


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the audit of one or several sets taken together; exit 1 if labels or confounds are unsound."""
    parser = argparse.ArgumentParser(prog="audit", description="Check a set's labels and count what it holds.")
    parser.add_argument("folders", type=Path, nargs="+", metavar="SET", help="folders with labels.jsonl")
    parser.add_argument("--json", type=Path, default=None, help="write the figures here as well")
    given = parser.parse_args(arguments)
    try:
        records = [r for folder in given.folders for r in read_labels(folder)]
        result = audit(records, decide, max(map(_views, given.folders)))
    except UpdraftKeyError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    if given.json is not None:
        given.json.write_text(json.dumps(result.to_json(), indent=1) + "\n", "utf-8")
    sys.stdout.write("\n".join(result.lines()) + "\n")
    return 0 if result.sound else 1


if __name__ == "__main__":
    raise SystemExit(main())
