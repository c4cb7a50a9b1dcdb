"""README and DEVELOPERS say what is there: commands exist, files exist, the Python block runs."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
COMMANDS = sorted(set(re.findall(r"updraft-key ([a-z][a-z-]+)", README + DEVELOPERS)))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_that_is_named_has_help(command: str) -> None:
    if command in (
        "train",
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
    line = [sys.executable, "-m", "updraft_key.app.cli", command, "--help"]
    code = (
        f"import sys; sys.argv = ['updraft-key', {command!r}, '--help']; from updraft_key.app.cli import main; main()"
    )
    done = subprocess.run([line[0], "-c", code], capture_output=True, text=True)
    assert done.returncode == 0 and "usage:" in done.stdout.lower(), done.stderr


@pytest.mark.parametrize("name", sorted(set(re.findall(r"\((app/[^)]+|DEVELOPERS\.md|model/[^)]+)\)", README))))
def test_every_linked_file_is_there(name: str) -> None:
    assert (ROOT / name).is_file()


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`(tests/[a-z_/]+(?:\.py)?)`", README))))
def test_every_proof_that_is_named_is_there(name: str) -> None:
    assert (ROOT / name).exists()


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
