"""A seller's inbox of a thousand mixed files, killed several times: totals add up, and nothing is lost or done twice.

The default run takes 60 files; the whole thousand is marked ``slow`` and writes its figures into ``artefacts``.
"""

import csv
import io
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from mixed_inbox import BAD, Sent, build
from screened import made
from updraft_key.app.inbox import case_of
from updraft_key.app.screen import STATES

ROOT = Path(__file__).resolve().parent.parent
ARTEFACTS = ROOT / "artefacts"


def command(inbox: Path, out: Path) -> list[str]:
    return [sys.executable, "-m", "updraft_key.app.cli", "screen", str(inbox), "--out", str(out)]


def done_in(out: Path) -> int:
    """Cases that the work table holds."""
    if not (out / "work.sqlite").is_file():
        return 0
    try:
        db = sqlite3.connect(f"file:{out / 'work.sqlite'}?mode=ro", uri=True, timeout=5.0)
        try:
            return int(db.execute("SELECT count(*) FROM done").fetchone()[0])
        finally:
            db.close()
    except sqlite3.Error:  # struck before the table was there
        return 0


def killed(inbox: Path, out: Path, cases: int, times: int) -> list[int]:
    """Strike a run ``times`` times, each after some more cases; returns what was done at each blow."""
    moments, at = random.Random(times), []
    for blow in range(1, times + 1):
        wanted = cases * blow // (times + 1) + moments.randint(0, 2)
        run = subprocess.Popen(
            command(inbox, out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )
        while run.poll() is None and done_in(out) < wanted:
            time.sleep(0.02)
        assert run.poll() is None, "the run ended before it could be struck"
        if blow % 2:
            os.killpg(run.pid, signal.SIGKILL)  # as when the power goes
        else:
            run.kill()
        run.wait()
        at.append(done_in(out))
    return at


def check_totals(out: Path, sent: list[Sent], printed: dict[str, int]) -> dict[str, Counter[str]]:
    """Hold every sheet against what was put in; returns, for each kind of case, how often each state was given."""
    cases = {case_of(s.label) for s in sent}
    files = list(csv.DictReader(io.StringIO((out / "files.csv").read_text("utf-8"))))
    table = list(csv.DictReader(io.StringIO((out / "results.csv").read_text("utf-8"))))
    lines = [json.loads(line) for line in (out / "results.jsonl").read_text("utf-8").splitlines()]
    parquet = pq.read_table(out / "results.parquet").to_pylist()

    assert sum(printed.values()) == len(cases) == len(table) == len(lines) == len(parquet)
    assert printed == Counter(r["state"] for r in table) == Counter(r["state"] for r in parquet)
    assert printed.keys() <= set(map(str, STATES))
    assert [r["case"] for r in lines] == sorted(cases)
    assert len(files) == len(sent) == sum(len(r["files"]) for r in lines) == sum(int(r["photos"]) for r in table)
    assert sorted(f["file"] for r in lines for f in r["files"]) == sorted(s.label for s in sent)

    errors = {f["file"]: f["error"] for r in lines for f in r["files"]}
    assert {s.label for s in sent if s.kind == BAD} == {label for label, error in errors.items() if error}
    assert len(list((out / "replies").iterdir())) == len(cases)
    assert all((out / r["reply"]).read_text("utf-8").startswith("Hello,\n") for r in parquet)
    shown = {f["sha256"][:32] for r in lines for f in r["files"] if not f["error"]}
    assert {p.stem for p in (out / "thumbs").iterdir()} == shown

    exact = Counter()
    for row in csv.DictReader(io.StringIO((out / "twins.csv").read_text("utf-8"))):
        exact[row["kind"]] += 1
    copies = sum(s.copy_of is not None for s in sent)
    assert exact["same file"] == copies

    pages = "".join(p.read_text("utf-8") for p in sorted(out.glob("overview*.html")))
    assert pages.count("<article") == len(cases)
    for state in STATES:
        listed = "".join(p.read_text("utf-8") for p in sorted(out.glob(f"{state}*.html")))
        assert listed.count("<article") == printed.get(state, 0)

    kinds: dict[str, set[str]] = {}
    for s in sent:
        kinds.setdefault(case_of(s.label), set()).add(s.kind)
    told: dict[str, Counter[str]] = {}
    for row in lines:
        whole = kinds[row["case"]] - {BAD} or {BAD}
        told.setdefault("+".join(sorted(whole)), Counter())[row["state"]] += 1
    return told


@pytest.mark.parametrize(("count", "kills"), [(60, 2), pytest.param(1000, 6, marks=pytest.mark.slow)])
def test_a_mixed_inbox_killed_and_resumed(count: int, kills: int, tmp_path: Path) -> None:
    sent = build(tmp_path / "inbox", count)
    cases = len({case_of(s.label) for s in sent})

    began = time.monotonic()
    whole = subprocess.run(command(tmp_path / "inbox", tmp_path / "whole"), check=True, capture_output=True, text=True)
    seconds = time.monotonic() - began
    printed = json.loads(whole.stdout)
    told = check_totals(tmp_path / "whole", sent, printed)

    # Nothing else may be sold a kit: neither other things nor what could not be opened.
    assert not told.get("other", Counter())["answer_now"] and set(told.get(BAD, {})) <= {"look_yourself"}

    at = killed(tmp_path / "inbox", tmp_path / "out", cases, kills)
    assert at == sorted(at) and at[0] > 0 and at[-1] < cases
    before = done_in(tmp_path / "out")
    last = subprocess.run(command(tmp_path / "inbox", tmp_path / "out"), check=True, capture_output=True, text=True)
    assert f"{before} of {cases} cases were done before; going on" in last.stderr
    assert json.loads(last.stdout) == printed
    assert made(tmp_path / "out") == made(tmp_path / "whole")

    if count >= 1000:
        ARTEFACTS.mkdir(exist_ok=True)
        figures = {
            "files": len(sent), "cases": cases,
            "seconds": round(seconds, 1), "files_a_second": round(count / seconds, 2),
            "cores": len(os.sched_getaffinity(0)), "states": printed, "killed_at": at,
            "kinds": Counter(s.kind for s in sent), "states_by_kind": told,
        }  # fmt: skip
        (ARTEFACTS / "thousand.json").write_text(json.dumps(figures, indent=1, sort_keys=True) + "\n")
