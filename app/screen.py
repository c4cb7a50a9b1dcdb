"""The inbox, sorted: every case gets a state, a question to ask back, and a drafted reply.

The run is a ledger (``ledger.py``) that only this process writes; ``run`` may be stopped and started again at
any moment and ends with the same files. Nothing of the result depends on the order in which cases finish.
"""

from __future__ import annotations

import base64
import hashlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from updraft_key.model.answer import Answer
from updraft_key.model.cues import Outcome
from updraft_key.model.errors import StoreError, UpdraftKeyError

from .crew import Engine, LocalCrew
from .inbox import Case, Inbox, Item, Reader
from .ledger import Ledger


class State(StrEnum):
    """What the seller does with a case."""

    ANSWER_NOW = "answer_now"
    ASK_PICTURE = "ask_picture"
    ASK_MAGNET = "ask_magnet"
    LOOK_YOURSELF = "look_yourself"
    NOT_OURS = "not_ours"


STATES: tuple[State, ...] = tuple(State)

_FAULTS = frozenset(
    {
        "scavenge_tube_missing",
        "scavenge_tube_disputed",
        "tube_fitting_missing",
        "throat_plug_missing",
        "signs_disagree",
        "two_units",
        "two_units_suspected",
    }
)
"""Findings (``model/safety.py``, ``model/fuse.py``) that a person at the counter must look at before answering."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What a run needs besides its inbox; travels to every worker.

    Attributes:
        inbox: URL of the folder, zip or CSV.
        language: of the drafted replies.
        template: text of the reply with ``$holes`` (see ``reply.py``), or None for the shipped one.
        catalogue: path of the seller's parts catalogue, or None for the shipped one.
        thumb: longest side of a thumbnail in pixels.
    """

    inbox: str
    language: str = "en"
    template: str | None = None
    catalogue: str | None = None
    thumb: int = 320


@dataclass(frozen=True, slots=True)
class Task:
    """One case on its way to a worker."""

    settings: Settings
    case: Case


def state_of(answer: Answer) -> State:
    """Return what to do with an answered case; a documented order, first match wins.

    1. no such carburetor in any picture -> not ours
    2. conflict, or a fault that a person must see -> look at it yourself
    3. named, and the catalogue has something that fits -> answer now
    4. the magnet leads the list of next looks -> ask for the magnet
    5. anything else -> ask for a picture
    """
    verdict = answer.verdict
    if verdict.outcome is Outcome.NOT_SEEN:
        return State.NOT_OURS
    if verdict.outcome is Outcome.CONFLICT or any(f.id in _FAULTS for f in answer.findings):
        return State.LOOK_YOURSELF
    if verdict.outcome is Outcome.NAMED:
        return State.ANSWER_NOW if any(p.order == "fits" for p in answer.parts) else State.LOOK_YOURSELF
    if answer.next_looks and answer.next_looks[0].look == "magnet":
        return State.ASK_MAGNET
    return State.ASK_PICTURE


def answer_case(task: Task) -> dict[str, Any]:
    """Do one case, in whatever process: read its files, answer, draft the reply.

    Returns a plain row (JSON-ready): case, state, outcome, era, candidates, ask, reply, files, thumbs, answer.
    A file that cannot be used is listed with its reason; it never stops the case.
    """
    from . import words
    from .bench import workbench
    from .reply import reply

    bench = workbench(task.settings.inbox, task.settings.catalogue)
    photos, files, thumbs = [], [], {}
    for item in task.case.items:
        photo, record = _open(bench.reader, item)
        files.append(record)
        if photo is not None:
            photos.append((item.label, photo))
            thumbs[record["sha256"]] = base64.b64encode(bench.thumbnail(photo, task.settings.thumb)).decode()
            record["fingerprint"] = bench.fingerprint(photo)
    answer = bench.identify(photos)
    # A broken file among good ones is a row in the list; only a case without any usable picture changes state.
    state = state_of(answer) if photos else State.LOOK_YOURSELF
    first = answer.next_looks[0] if answer.next_looks else None
    return {
        "case": task.case.name,
        "state": str(state),
        "outcome": str(answer.verdict.outcome),
        "era": None if answer.verdict.era is None else str(answer.verdict.era),
        "candidates": [str(e) for e in answer.verdict.candidates],
        "ask": None if first is None or state in (State.ANSWER_NOW, State.NOT_OURS) else first.look,
        "sentence": words.verdict_sentence(answer, task.settings.language),
        "reply": reply(answer, task.settings.language, task.settings.template) if photos else "",
        "files": files,
        "thumbs": thumbs,
        "answer": answer.to_json(),
    }


def _open(reader: Reader, item: Item) -> tuple[Any, dict[str, Any]]:
    from updraft_key.model.photo import open_photo

    record: dict[str, Any] = {
        "file": item.label,
        "sha256": "",
        "bytes": 0,
        "error": None,
        "fingerprint": None,
    }
    try:
        data = reader.read(item)
        record["bytes"] = len(data)
        record["sha256"] = hashlib.sha256(data).hexdigest()
        return open_photo(data), record
    except UpdraftKeyError as err:
        record["error"] = str(err)
        return None, record


def lost_case(case: Case) -> dict[str, Any]:
    """The row of a case whose work killed or outlasted its process twice: kept, said, and left to a person."""
    why = "reading this case stopped or outlasted its process; open its files one by one"
    return {
        "case": case.name,
        "state": str(State.LOOK_YOURSELF),
        "outcome": str(Outcome.RETAKE),
        "era": None,
        "candidates": [],
        "ask": None,
        "sentence": why,
        "reply": "",
        "files": [{"file": i.label, "sha256": "", "bytes": 0, "error": why, "fingerprint": None} for i in case.items],
        "thumbs": {},
        "answer": None,
    }


@dataclass(frozen=True, slots=True)
class Step:
    """Progress: cases done so far (earlier runs included), cases in all, and the state of the newest."""

    done: int
    total: int
    state: State


def run(
    settings: Settings, out: Path, engine: Engine | None = None, identity: dict[str, str] | None = None
) -> Iterator[Step]:
    """Screen an inbox into ``out``; yields a step after each case. Call ``sheets.write`` when it is exhausted.

    Args:
        settings: the inbox and how to answer.
        out: a local folder for the ledger and the thumbnails; made if missing.
        engine: who works; the processes of this machine by default.
        identity: further facts that must not change between stop and restart (model and rules version).

    Raises:
        UpdraftKeyError: an empty inbox, a ledger of another run in ``out``, or a run at work there this moment.
    """
    cases = Inbox(settings.inbox).cases()
    out.mkdir(parents=True, exist_ok=True)
    (out / "thumbs").mkdir(exist_ok=True)
    listing = hashlib.sha256(repr(cases).encode()).hexdigest()
    template = hashlib.sha256((settings.template or "").encode()).hexdigest()[:16]
    turn = _take_turn(out)
    ledger = Ledger(
        out / "work.sqlite",
        {
            "inbox": settings.inbox,
            "listing": listing,
            "language": settings.language,
            "template": template,
            "catalogue": settings.catalogue or "",
            **(identity or {}),
        },
    )
    try:
        done = ledger.names()
        count = len(done)
        tasks = (Task(settings, case) for case in cases if case.name not in done)
        for task, row in (engine or LocalCrew()).run(answer_case, tasks):
            row = lost_case(task.case) if row is None else row
            for sha, thumb in row.pop("thumbs").items():
                _write_whole(out / "thumbs" / f"{sha[:32]}.jpg", base64.b64decode(thumb))
            ledger.write(task.case.name, row["state"], row)
            count += 1
            yield Step(count, len(cases), State(row["state"]))
    finally:
        ledger.close()
        turn.close()


def _take_turn(out: Path) -> sqlite3.Connection:
    """Refuse a second run in the same folder. The lock is SQLite's own, so a killed run leaves none behind."""
    turn = sqlite3.connect(out / "running.sqlite", timeout=0.0, isolation_level=None)
    try:
        turn.execute("BEGIN EXCLUSIVE")
    except sqlite3.Error as err:
        turn.close()
        raise StoreError(f"another run may be at work in {out} ({err}): wait for it, or choose another --out") from err
    return turn


def _write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all."""
    partial = path.with_suffix(".part")
    partial.write_bytes(data)
    partial.replace(path)
