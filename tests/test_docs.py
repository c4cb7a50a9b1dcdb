"""README and DEVELOPERS say what is there: files and commands exist, and what they tell to type works as typed.

Every line of every code block is either run here, or stands in ``NOT_RUN`` with the reason. A line that is in
neither, and a reason for a line that is no longer there, fail.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from itertools import takewhile
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
COMMANDS = sorted(set(re.findall(r"updraft-key ([a-z][a-z-]+)", README + DEVELOPERS)))
EXAMPLES = sorted((ROOT / "app" / "assets" / "examples").glob("*.jpg"))

FIRST = "installs into a fresh environment from the registry for minutes: .ci/run runs it as its first step"
INSTALL = "installs from the registry for minutes: .ci/run does the same from the lock files"
OURSELVES = "is what runs this test"
LINT = "the first part of .ci/test, minutes of type checking"
NOT_RUN = {
    "bash .ci/try": FIRST,
    "bash .ci/test": OURSELVES,
    "python3 -m venv .venv": INSTALL,
    ".venv/bin/pip install": INSTALL,
    ".venv/bin/python -m pytest": OURSELVES,
    ".venv/bin/ruff check": LINT,
    ".ci/campaign": "needs the lent machine with its graphics cards",
    "updraft-key ablate": "measures runs that came back from the lent machine; its help is asked for",
    "updraft-key rival": "measures a run that came back from the lent machine; its help is asked for",
    "updraft-key benchmarks": "measures for half an hour; its help is asked for",
    "updraft-key pictures bench-render": "renders at full size for minutes on a processor; its help is asked for",
}  # fmt: skip
"""Start of a line -> why it is not run."""

SMALLER = (
    (r"--count \d+", "--count 24 --size 64 --samples 1"),
    (r"--processes \d+ --gpus \d+", "--processes 0"),
    (r"--era \w+ --view \w+", ""),
)
"""What is changed in a line for makers of sets before it is run: fewer and smaller pictures, no graphics card."""


def blocks(text: str) -> list[tuple[str, list[str]]]:
    """(language or "", lines) of every code block, fenced or indented."""
    found = [(m[1], m[2].splitlines()) for m in re.finditer(r"^```(\w*)\n(.*?)^```$", text, re.M | re.S)]
    plain = re.sub(r"^```.*?^```$", "", text, flags=re.M | re.S)
    for m in re.finditer(r"(?:^ {4}\S.*\n(?:^ {5,}\S.*\n)*)+", plain, re.M):
        found.append(("", [line[4:] for line in m[0].splitlines()]))
    return found


def typed(text: str) -> list[str]:
    """Every line that is a command, without its comment."""
    starts = ("bash ", "python", "updraft-key ", ".venv/", ".ci/")
    lines = [line for language, block in blocks(text) if language in ("", "bash") for line in block]
    return [re.sub(r"\s+# .*$", "", line) for line in lines if line.startswith(starts)]


SETS = [line for line in typed(DEVELOPERS) if line.startswith("updraft-key ")]
RUN_ALONE = [line for line in typed(README) if line.startswith("updraft-key ")]
RUN_HERE = [".ci/link_view"]


def shell(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a line as a person would type it, in a folder, with this environment's programs."""
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    return subprocess.run(
        ["bash", "-c", line], cwd=folder, env={**os.environ, "PATH": path}, capture_output=True, text=True
    )


def test_every_line_is_run_or_excused() -> None:
    lines = typed(README) + typed(DEVELOPERS)
    assert len(lines) >= 15
    run = {*SETS, *RUN_ALONE, *RUN_HERE}
    excused = {line for line in lines if line.startswith(tuple(NOT_RUN))}
    assert [line for line in lines if line not in run | excused] == []
    assert [start for start in NOT_RUN if not any(line.startswith(start) for line in lines)] == []


def test_every_other_block_is_known() -> None:
    """What is no command: one Python block, the data flow, one record. Each is held to the code below or elsewhere."""
    others = [
        (language, block)
        for text in (README, DEVELOPERS)
        for language, block in blocks(text)
        if not any(line.startswith(("bash ", "python3 ", "updraft-key ", ".ci/")) for line in block)
    ]
    starts = [(language, block[0].split()[0]) for language, block in others]
    assert starts == [("python", "from"), ("", "photo"), ("", "UnitSpec"), ("", '{"file",')]


@pytest.mark.parametrize("line", RUN_ALONE)
def test_what_readme_tells_to_type_works(line: str, tmp_path: Path) -> None:
    (tmp_path / "inbox" / "ann").mkdir(parents=True)
    for name, picture in zip(("front", "below", "one", "two"), EXAMPLES, strict=False):
        shutil.copy(picture, tmp_path / f"{name}.jpg")
    shutil.copy(EXAMPLES[0], tmp_path / "inbox" / "ann" / "a.jpg")
    shutil.copy(EXAMPLES[1], tmp_path / "inbox" / "b.jpg")
    before = {p.name for p in tmp_path.iterdir()}
    done = shell(line, tmp_path)
    assert done.returncode == 0, done.stderr
    made = {p.name for p in tmp_path.iterdir()} - before
    if " identify " in line:
        assert made == {"marked-1.jpg", "marked-2.jpg"} and done.stdout.strip()
    elif " screen " in line:
        there = {p.name for p in (tmp_path / "sorted").iterdir()}
        promised = README[README.index("`sorted/") : README.index("**Surveyor.**")]
        assert {
            "overview.html",
            "replies",
            "results.csv",
            "results.jsonl",
            "results.parquet",
            "files.csv",
            "twins.csv",
        } <= there
        assert all(name in promised for name in ("overview.html", "replies/", "results.csv", "twins.csv"))
    elif " listing " in line:
        assert made == {"report.pdf", "updraft-key-cases.sqlite"} and (tmp_path / "report.pdf").read_bytes().startswith(
            b"%PDF-1.7"
        )
    else:
        pytest.fail(f"say what {line} must leave behind")


@pytest.mark.parametrize("line", RUN_HERE)
def test_what_developers_tells_to_type_works(line: str) -> None:
    done = shell(line, ROOT)
    assert done.returncode == 0, done.stderr
    assert (ROOT / "build" / "view" / "updraft_key" / "model").resolve() == ROOT / "model"


@pytest.mark.render
@pytest.mark.train
def test_the_lines_about_sets_work_in_their_order(tmp_path: Path) -> None:
    for needed in ("mitsuba", "torch"):
        pytest.importorskip(needed)
    for line in SETS:
        smaller = line
        for pattern, instead in SMALLER:
            smaller = re.sub(pattern, instead, smaller)
        if line.startswith(tuple(NOT_RUN)):
            smaller = " ".join(takewhile(lambda word: not word.startswith("-"), line.split())) + " --help"
        done = shell(smaller, tmp_path)
        # So few pictures cannot hold every cue often enough; the audit then says so, in its own words.
        assert done.returncode == 0 or (" audit " in line and done.returncode == 1 and done.stdout), done.stderr
    assert (tmp_path / "sets" / "train" / "labels.jsonl").is_file()
    assert (tmp_path / "sheet.jpg").is_file() and (tmp_path / "gallery" / "index.html").is_file()


@pytest.mark.parametrize(
    "name",
    [
        f"{folder}/{name}"
        for files in re.findall(r"^ {4}((?:model|synthetic_data)/.*\.py.*)$", DEVELOPERS, re.M)
        for folder in [files.split("/")[0]]
        for name in files.removeprefix(f"{folder}/").split()
    ],
)
def test_the_files_of_the_data_flow_are_there(name: str) -> None:
    folder, _, file = name.partition("/")
    assert (ROOT / (file if "/" in file else f"{folder}/{file}")).is_file()


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_that_is_named_has_help(command: str) -> None:
    if command in (
        "train",
        "mean",
        "evaluate",
        "export",
        "calibrate",
        "ablate",
        "rival",
        "model-card",
        "render",
        "pictures",
        "audit",
    ):
        pytest.importorskip("torch", reason="a command for makers of networks")
    done = shell(f"updraft-key {command} --help", ROOT)
    assert done.returncode == 0 and "usage:" in done.stdout.lower(), done.stderr


@pytest.mark.parametrize("name", sorted(set(re.findall(r"\((app/[^)]+|DEVELOPERS\.md|model/[^)]+)\)", README))))
def test_every_linked_file_is_there(name: str) -> None:
    assert (ROOT / name).is_file()


def promises() -> list[tuple[str, list[str]]]:
    """(promise, files that prove it) of README's reliability table."""
    table = README[README.index("## Reliability") :]
    rows = re.findall(r"^\| (?!promise)([^|-][^|]*) \| ([^|]+) \|$", table, re.M)
    return [(promise, re.findall(r"`([^`]+)`", proof)) for promise, proof in rows]


@pytest.mark.parametrize(("promise", "proofs"), promises())
def test_every_promise_has_a_proof_that_runs(promise: str, proofs: list[str]) -> None:
    """Each named file is there and holds tests; a folder holds what other named tests use."""
    assert proofs
    for proof in proofs:
        file, _, test = proof.partition("::")
        if (ROOT / file).is_dir():
            assert any((ROOT / file).glob("*.py"))
            continue
        text = (ROOT / file).read_text("utf-8")
        assert re.search(rf"^def {re.escape(test) or 'test_'}", text, re.M), proof


def test_the_reliability_table_is_read() -> None:
    assert len(promises()) >= 7


def test_the_python_block_runs(tmp_path: Path) -> None:
    block = re.search(r"```python\n(.*?)```", README, re.S)
    assert block is not None
    Image.new("RGB", (640, 480), (90, 90, 90)).save(tmp_path / "front.jpg")
    code = block[1] + "\nprint(answer.verdict.outcome)"
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0 and done.stdout.strip() in ("shortlist", "named", "not_seen", "retake"), done.stderr


def test_the_scripts_of_the_two_commands_are_there() -> None:
    for script in re.findall(r"bash (\.ci/\w+)", README):
        assert (ROOT / script).is_file()
    first, *rest = [line for line in (ROOT / ".ci" / "run").read_text("utf-8").splitlines() if line.startswith("bash ")]
    assert first == "bash .ci/try" and "bash .ci/test" in rest  # CI types what README tells to type
