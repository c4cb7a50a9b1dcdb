"""The shipped network on pictures made by another hand: it may answer seldom, it may not lie.

24 pictures of the half marked ``calibrate`` (CC0, made for this project with another renderer, other geometry and other
materials). A regression test of the whole path, not a measurement: figures are in the model card.
"""

import json
from pathlib import Path

import pytest
from updraft_key.model import Identifier, Outcome, open_photo

PICTURES = Path(__file__).parent / "data" / "second_look"
ROWS = [json.loads(line) for line in (PICTURES / "labels.jsonl").read_text().splitlines()]


@pytest.fixture(scope="module")
def identifier() -> Identifier:
    return Identifier()


@pytest.mark.parametrize("row", ROWS, ids=[r["file"] for r in ROWS])
def test_no_wrong_name_and_the_true_one_is_never_ruled_out(identifier: Identifier, row: dict[str, str]) -> None:
    answer = identifier.identify([(row["file"], open_photo(PICTURES / row["file"]))])
    if row["era"] is None:
        assert answer.verdict.outcome in (Outcome.NOT_SEEN, Outcome.SHORTLIST)  # never a name
    elif answer.verdict.outcome is Outcome.NAMED:
        assert answer.verdict.era == row["era"]
    else:
        assert not answer.verdict.candidates or row["era"] in answer.verdict.candidates


def test_most_subjects_are_found(identifier: Identifier) -> None:
    units = [r for r in ROWS if r["era"]]
    outcomes = [identifier.identify([(r["file"], open_photo(PICTURES / r["file"]))]).verdict.outcome for r in units]
    assert sum(o is not Outcome.NOT_SEEN for o in outcomes) >= 0.8 * len(units)


def test_hardly_anything_else_is_taken_for_one(identifier: Identifier) -> None:
    others = [r for r in ROWS if not r["era"]]
    outcomes = [identifier.identify([(r["file"], open_photo(PICTURES / r["file"]))]).verdict.outcome for r in others]
    assert len(others) >= 4 and sum(o is not Outcome.NOT_SEEN for o in outcomes) <= 1
