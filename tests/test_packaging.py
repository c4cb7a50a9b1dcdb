"""What is installed is what is in git, once, and the first command starts without what it does not need."""

import subprocess
import sys
import zipfile
from importlib.metadata import distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ("model", "training", "app", "synthetic_data")


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The wheel built twice from a clean export of git, at a fixed date."""
    built = []
    for turn in ("one", "two"):
        source, out = tmp_path_factory.mktemp(f"source_{turn}"), tmp_path_factory.mktemp(f"wheel_{turn}")
        archive = subprocess.run(["git", "-C", ROOT, "archive", "HEAD"], check=True, capture_output=True).stdout
        subprocess.run(["tar", "-x", "-C", source], input=archive, check=True)
        subprocess.run(
            [sys.executable, "-m", "build", "--wheel", "--outdir", out, source],
            check=True,
            capture_output=True,
            env={"PATH": "/usr/bin:/bin", "SOURCE_DATE_EPOCH": "1760000000", "HOME": str(out)},
        )
        built.append(next(out.glob("*.whl")))
    return built


def test_the_wheel_holds_what_git_holds(wheels: list[Path]) -> None:
    listed = subprocess.run(
        ["git", "-C", ROOT, "ls-tree", "-r", "--name-only", "HEAD", *FOLDERS],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split("\n")
    wanted = {f"updraft_key/{name}" for name in listed if name}
    with zipfile.ZipFile(wheels[0]) as wheel:
        held = {n for n in wheel.namelist() if n.startswith("updraft_key/")}
    assert held == wanted


def test_the_same_source_gives_the_same_wheel(wheels: list[Path]) -> None:
    assert wheels[0].read_bytes() == wheels[1].read_bytes()


def test_exactly_one_opencv() -> None:
    names = sorted(
        d.metadata["Name"].lower() for d in distributions() if d.metadata["Name"].lower().startswith("opencv")
    )
    assert names == ["opencv-python-headless"]


@pytest.mark.parametrize("heavy", ["torch", "gradio", "mitsuba", "sqlalchemy", "fpdf", "pyarrow"])
def test_identify_starts_without_what_it_does_not_need(heavy: str) -> None:
    code = (
        "import sys; from updraft_key.app.cli import main\n"
        "sys.argv = ['updraft-key', 'identify', '--magnet', 'holds']\n"
        "try: main()\nexcept SystemExit: pass\n"
        f"sys.exit({heavy!r} in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
