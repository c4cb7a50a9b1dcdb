"""``kill -9`` at random moments of ``screen``: run again, it ends with the bytes of a run that nobody disturbed."""

import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

EXAMPLES = Path(__file__).parent.parent / "app" / "assets" / "examples"
COMMAND = (sys.executable, "-m", "updraft_key.app.cli", "screen")


@pytest.fixture(scope="module")
def inbox(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seven named pictures, one twin, one broken file beside a good one, one case of a broken file, a hostile name."""
    folder = tmp_path_factory.mktemp("inbox")
    pictures = sorted(EXAMPLES.glob("*.jpg"))
    for picture in pictures:
        shutil.copy(picture, folder / picture.name)
    (folder / "ann").mkdir()
    shutil.copy(pictures[0], folder / "ann" / "=cmd()<b>.jpg")
    (folder / "ann" / "broken.jpg").write_bytes(b"\xff\xd8\xff broken")
    (folder / "lost.jpg").write_bytes(pictures[0].read_bytes()[:300])
    return folder


def made(out: Path) -> dict[str, bytes]:
    """Every result's bytes; the work table and the lock are not results."""
    return {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file() and ".sqlite" not in p.name}


@pytest.fixture(scope="module")
def undisturbed(inbox: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, bytes], float]:
    out, began = tmp_path_factory.mktemp("whole"), time.monotonic()
    subprocess.run([*COMMAND, inbox, "--out", out], check=True, capture_output=True)
    return made(out), time.monotonic() - began


@pytest.mark.parametrize("kills", [5, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_and_resumed(
    kills: int, inbox: Path, undisturbed: tuple[dict[str, bytes], float], tmp_path: Path
) -> None:
    whole, seconds = undisturbed
    moments = random.Random(kills)
    hit = 0
    for n in range(4 * kills):
        out = tmp_path / f"out{n // 3}"  # three blows to the same run, then it is finished and compared
        run = subprocess.Popen([*COMMAND, inbox, "--out", out], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(moments.uniform(0.1, 0.9) * seconds)
        hit += run.poll() is None
        run.send_signal(signal.SIGKILL)
        run.wait()
        if n % 3 == 2 or hit == kills:
            subprocess.run([*COMMAND, inbox, "--out", out], check=True, capture_output=True)
            assert made(out) == whole
        if hit == kills:
            break
    assert hit == kills
