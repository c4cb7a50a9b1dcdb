"""The answer's JSON is what ``answer.schema.json`` says, for every kind of answer, and the schema says enough."""

from __future__ import annotations

import json
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import jsonschema
import pytest
from hostile.pictures import jpeg
from raw import ALLOY4, ALLOY5, IRON, NOTHING, bench
from updraft_key.model import SCHEMA, Answer, Identifier, hand_test, open_photo
from updraft_key.model.cues import CUES, ERAS, Outcome
from updraft_key.model.errors import PhotoError
from updraft_key.model.runtime import WEIGHTS

TEXT = (WEIGHTS.parent / "answer.schema.json").read_text(encoding="utf-8")
DOCUMENT = json.loads(TEXT)
PHOTO = open_photo(jpeg(bench(800, 600)))


def answers() -> Iterator[tuple[str, Answer]]:
    """One answer of each kind."""
    yield "iron", Identifier(IRON.network()).identify([("a.jpg", PHOTO)])
    yield "alloy4", Identifier(ALLOY4.network()).identify([("a.jpg", PHOTO), ("b.jpg", PhotoError("broken"))])
    yield (
        "fit",
        Identifier(ALLOY5.network()).identify([("a.jpg", PHOTO)], manifold="plain", arrester="iron", wanted="alloy5"),
    )
    yield "not_seen", Identifier(NOTHING.network()).identify([("a.jpg", PHOTO)])
    yield "retake", Identifier(NOTHING.network()).identify([("a.jpg", PhotoError("broken"))])
    yield "shortlist", Identifier().identify([], [hand_test("magnet", "falls")])
    yield "conflict", Identifier(ALLOY5.network()).identify([("a.jpg", PHOTO)], [hand_test("magnet", "holds")])


ANSWERS = {name: answer.to_json() for name, answer in answers()}


def valid(document: Any) -> bool:
    return jsonschema.Draft202012Validator(DOCUMENT).is_valid(document)


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(DOCUMENT)
    assert DOCUMENT["$id"] == DOCUMENT["properties"]["schema"]["const"] == SCHEMA


@pytest.mark.parametrize("name", ANSWERS)
def test_every_kind_of_answer_is_valid(name: str) -> None:
    jsonschema.validate(ANSWERS[name], DOCUMENT, jsonschema.Draft202012Validator)
    assert json.loads(json.dumps(ANSWERS[name], allow_nan=False)) == ANSWERS[name]


def test_all_outcomes_were_tried() -> None:
    assert {a["verdict"]["outcome"] for a in ANSWERS.values()} == set(Outcome)


def test_the_schema_knows_the_vocabulary() -> None:
    assert DOCUMENT["$defs"]["era"]["enum"] == [str(e) for e in ERAS]
    assert DOCUMENT["$defs"]["cue"]["enum"] == [str(c) for c in CUES]


@pytest.mark.parametrize("key", DOCUMENT["required"])
def test_every_key_is_needed(key: str) -> None:
    assert not valid({k: v for k, v in ANSWERS["iron"].items() if k != key})


def test_wrong_answers_are_invalid() -> None:
    wrong = deepcopy(ANSWERS["not_seen"])
    wrong["verdict"]["era"] = "iron"
    assert not valid(wrong), "a generation without being named"
    wrong = deepcopy(ANSWERS["iron"])
    wrong["photos"][0]["cues"]["metal"]["probabilities"]["iron"] = 1.2
    assert not valid(wrong), "a probability above one"
    wrong = deepcopy(ANSWERS["iron"])
    wrong["cues"]["metal"]["from"] = ["somebody"]
    assert not valid(wrong), "evidence from nowhere"


def test_every_key_of_the_answer_is_described() -> None:
    """Walk an answer beside the schema: no key that the schema does not name."""

    def walk(value: Any, schema: dict[str, Any], path: str) -> None:
        schema = DOCUMENT["$defs"][schema["$ref"].rsplit("/", 1)[1]] if "$ref" in schema else schema
        if "oneOf" in schema and "properties" not in schema:
            schema = next(s for s in schema["oneOf"] if s.get("type") != "null") if value is not None else {}
            schema = DOCUMENT["$defs"][schema["$ref"].rsplit("/", 1)[1]] if "$ref" in schema else schema
        if isinstance(value, dict):
            for key, inner in value.items():
                known = schema.get("properties", {}).get(key, schema.get("additionalProperties"))
                assert known is not None, f"{path}.{key}"
                walk(inner, known, f"{path}.{key}")
        elif isinstance(value, list):
            for inner in value:
                walk(inner, schema["items"], f"{path}[]")

    for name, answer in ANSWERS.items():
        walk(answer, DOCUMENT, name)
