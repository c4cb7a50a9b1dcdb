"""The inbox, sorted: every case gets a state, a question to ask back, and a drafted reply.

The run is a ledger (``ledger.py``) that only this process writes; ``run`` may be stopped and started again at
any moment and ends with the same files. Nothing of the result depends on the order in which cases finish.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from updraft_key.model.answer import Answer
from updraft_key.model.cues import Outcome
from updraft_key.model.errors import UpdraftKeyError

from .crew import Engine, LocalCrew
from .inbox import Case, Inbox, Item, Reader
from .ledger import Ledger

if TYPE_CHECKING:
    from updraft_key.model.photo import Photo


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
        catalogue: path of the seller's parts catalogue, or None for the shipped one.
        thumb: longest side of a thumbnail in pixels.
        keep: bring the photos back too, re-encoded, for the database of cases.
        answers: what decides the answers where the run was started (``bench.what_answers``), as sorted pairs; a
            worker that would answer otherwise refuses.
        listing: hash of the inbox's files, set by ``run``.
    """

    inbox: str
    language: str = "en"
    catalogue: str | None = None
    thumb: int = 320
    keep: bool = False
    answers: tuple[tuple[str, str], ...] = ()
    listing: str = ""


@dataclass(frozen=True, slots=True)
class Task:
    """One case on its way to a worker."""

    settings: Settings
    case: Case


def state_of(answer: Answer) -> State:
    """Return what to do with an answered case; a documented order, first match wins.

    1. no such carburetor in any picture -> not ours
    2. conflict, or a fault that a person must see -> look at it yourself
    3. named without reserve, and the catalogue has something that fits -> answer now
    4. named with a reserve, and nothing is left to look at -> look at it yourself
    5. the magnet leads the list of next looks -> ask for the magnet
    6. anything else -> ask for a picture
    """
    verdict = answer.verdict
    if verdict.outcome is Outcome.NOT_SEEN:
        return State.NOT_OURS
    if verdict.outcome is Outcome.CONFLICT or any(f.id in _FAULTS for f in answer.findings):
        return State.LOOK_YOURSELF
    if verdict.outcome is Outcome.NAMED and not answer.reserved:
        return State.ANSWER_NOW if any(p.order == "fits" for p in answer.parts) else State.LOOK_YOURSELF
    if answer.reserved and not answer.next_looks:
        return State.LOOK_YOURSELF
    if answer.next_looks and answer.next_looks[0].look == "magnet":
        return State.ASK_MAGNET
    return State.ASK_PICTURE


def answer_case(task: Task) -> dict[str, Any]:
    """Do one case, in whatever process: read its files, answer, say what a reply should say.

    Returns a plain row (JSON-ready): case, state, outcome, era, candidates, ask, sentence, why, said, files, answer;
    and ``thumbs`` and ``kept`` (base64), which the caller takes out. A file that cannot be used is listed with its
    reason; it never stops the case.
    """
    from . import words
    from .bench import workbench
    from .reply import nothing_opened, what_to_say

    settings = task.settings
    bench = workbench(settings.inbox, settings.catalogue, settings.answers, settings.listing)
    photos: list[tuple[str, Photo]] = []
    files: list[dict[str, Any]] = []
    for item in task.case.items:
        for label, photo, record in _open(bench.reader, item):
            files.append(record)
            if photo is not None:
                photos.append((label, photo))
                record["fingerprint"] = bench.fingerprint(photo)
    answer = bench.identify(photos)
    # A broken file among good ones is a row in the list; only a case without any usable picture changes state.
    state = state_of(answer) if photos else State.LOOK_YOURSELF
    first = answer.next_looks[0] if answer.next_looks else None
    row: dict[str, Any] = {
        "case": task.case.name,
        "state": str(state),
        "outcome": str(answer.verdict.outcome) if photos else str(Outcome.RETAKE),
        "era": None if answer.verdict.era is None else str(answer.verdict.era),
        "candidates": [str(e) for e in answer.verdict.candidates] if photos else [],
        "ask": None if first is None or state in (State.ANSWER_NOW, State.NOT_OURS) or not photos else first.look,
        "sentence": words.verdict_sentence(answer, settings.language) if photos else _none_opened(settings.language),
        "why": _why(answer, settings.language) if state is State.LOOK_YOURSELF else [],
        "said": what_to_say(answer, settings.language),
        "files": files,
        "answer": answer.to_json(),
        "thumbs": {p.sha256: _base64(bench.thumbnail(p, settings.thumb)) for _, p in photos},
    }
    if not photos:
        row["said"] = nothing_opened([f["file"] for f in files], settings.language)
    if settings.keep and state is not State.NOT_OURS:
        row["kept"] = [
            {"label": label, "sha256": p.sha256, "jpeg": _base64(bench.whole(p)), "size": p.pixels.shape[1::-1]}
            for label, p in photos
        ]
    return row


def _none_opened(language: str) -> str:
    from .language import tongue

    return tongue(language).say("None of the files could be opened.")


def _why(answer: Answer, language: str) -> list[str]:
    """What a person at the counter should look at: what does not agree, and the faults."""
    from . import words

    sides = [line.text for line in words.verdict_lines(answer, language) if line.kind == "side"]
    return sides + [line.text for line in words.finding_lines(answer, language) if line.ref in _FAULTS]


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _open(reader: Reader, item: Item) -> Iterator[tuple[str, Photo | None, dict[str, Any]]]:
    """The photos of one file: one, the chosen frames of a clip, or none and the reason."""
    from updraft_key.model.clip import MAX_BYTES, open_clip
    from updraft_key.model.photo import open_photo

    from .asking import CLIPS

    clip = item.label.lower().endswith(CLIPS)
    record: dict[str, Any] = {"file": item.label, "sha256": "", "bytes": 0, "error": None, "fingerprint": None}
    data = None
    try:
        data = reader.read(item, MAX_BYTES if clip else None)
        record["bytes"] = len(data)
        if not clip:
            photo = open_photo(data)
            yield item.label, photo, {**record, "sha256": photo.sha256}
            return
        for frame in open_clip(data):
            label = f"{item.label} {frame.seconds:.1f} s"
            yield label, frame.photo, {**record, "file": label, "sha256": frame.photo.sha256}
    except UpdraftKeyError as err:
        record["error"] = str(err)
        record["sha256"] = "" if data is None else hashlib.sha256(data).hexdigest()
        yield item.label, None, record


def lost_case(case: Case, language: str = "en") -> dict[str, Any]:
    """The row of a case whose work killed or outlasted its process twice: kept, said, and left to a person."""
    from .language import tongue
    from .reply import nothing_opened

    why = tongue(language).say("Reading this case stopped or outlasted its process; open its files one by one.")
    return {
        "case": case.name,
        "state": str(State.LOOK_YOURSELF),
        "outcome": str(Outcome.RETAKE),
        "era": None,
        "candidates": [],
        "ask": None,
        "sentence": why,
        "why": [],
        "said": nothing_opened([i.label for i in case.items], language),
        "files": [{"file": i.label, "sha256": "", "bytes": 0, "error": why, "fingerprint": None} for i in case.items],
        "thumbs": {},
        "answer": None,
    }


@dataclass(frozen=True, slots=True)
class Step:
    """Progress: cases done so far (earlier runs included), cases in all, and the state of the newest.

    The first step of a run tells what earlier runs did; its ``state`` is None.
    """

    done: int
    total: int
    state: State | None


Keep = Callable[[Case, dict[str, Any], list[dict[str, Any]]], None]
"""Keeps one case's row and photos somewhere else; called before the case counts as done, perhaps twice for one case."""


def run(
    settings: Settings,
    out: Path,
    engine: Engine | None = None,
    keep: Keep | None = None,
) -> Iterator[Step]:
    """Screen an inbox into ``out``; yields a step at once and after each case. ``sheets.write`` does the rest.

    The caller holds the folder's turn (``ledger.taking_turn``) from before this until the sheets are written.

    Args:
        settings: the inbox and how to answer.
        out: a local folder for the ledger.
        engine: who works; the processes of this machine by default.
        keep: called with each case that has photos to keep (``Settings.keep``).

    Raises:
        UpdraftKeyError: an empty inbox, or a ledger of another run in ``out``.
    """
    cases = Inbox(settings.inbox).cases()
    about = {"inbox": settings.inbox, "language": settings.language, "catalogue": settings.catalogue or ""}
    ledger = Ledger(out / "work.sqlite", {**about, **dict(settings.answers)})
    try:
        settings = replace(settings, listing=hashlib.sha256("".join(case.mark for case in cases).encode()).hexdigest())
        marks = ledger.marks()
        left = [case for case in cases if marks.get(case.name) != case.mark]
        # What is to be done again is dropped first, so that a stop half-way leaves no row of yesterday's files.
        ledger.drop(sorted(marks.keys() - {case.name for case in cases} | (marks.keys() & {c.name for c in left})))
        count = len(cases) - len(left)
        yield Step(count, len(cases), None)
        for task, found in (engine or LocalCrew()).run(answer_case, (Task(settings, case) for case in left)):
            row = lost_case(task.case, settings.language) if found is None else found
            thumbs = {sha: base64.b64decode(text) for sha, text in row.pop("thumbs").items()}
            photos = row.pop("kept", [])
            if keep is not None and photos:
                keep(task.case, row, photos)
            ledger.write(task.case.name, row["state"], row, task.case.mark, thumbs)
            count += 1
            yield Step(count, len(cases), State(row["state"]))
    finally:
        ledger.close()
