"""``kill -9`` at random moments, for any command that can be run again until it is done.

Each output folder gets up to three blows, then one run that is left in peace; what it then holds must be, byte for
byte, what an undisturbed run leaves. Half of the blows hit the command alone, as ``kill -9`` by hand does, half hit it
and all its workers in one stroke, as a machine that loses power does. Processes that outlive their run by the given
patience are counted and ended.

How many: ``UPDRAFT_KEY_KILLS`` in the environment, else what the test says.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

PATIENCE = 20.0
BLOWS_A_FOLDER = 3
ARTEFACTS = Path(__file__).resolve().parent.parent / "artefacts"

Command = Callable[[Path], Sequence[str | Path]]
Results = Callable[[Path], dict[str, bytes]]
Progress = Callable[[Path], float]


@dataclass(slots=True)
class Blows:
    """What happened: ``at`` are the shares of the work on the disk when a blow fell, ``orphans`` outlived their run."""

    landed: int = 0
    too_late: int = 0
    folders: int = 0
    whole_group: int = 0
    orphans: int = 0
    at: list[float] = field(default_factory=list)

    @property
    def midway(self) -> int:
        """Blows that fell when some of the work, but not all, was on the disk."""
        return sum(0.0 < a < 1.0 for a in self.at)


def wanted(default: int) -> int:
    """How many kills this run is to make."""
    return int(os.environ.get("UPDRAFT_KEY_KILLS", default))


def processes_of(session: int) -> list[int]:
    """Living processes of a session (Linux): the command and whatever it started."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            state, _, _, sid = (folder / "stat").read_text().rpartition(")")[2].split()[:4]
        except (OSError, ValueError):
            continue
        if int(sid) == session and state not in "ZX":
            found.append(int(folder.name))
    return found


def _all_gone(session: int, patience: float) -> list[int]:
    end = time.monotonic() + patience
    while (left := processes_of(session)) and time.monotonic() < end:
        time.sleep(0.02)
    return left


def _wait(run: subprocess.Popen[bytes], out: Path, progress: Progress, moments: random.Random, seconds: float) -> None:
    """Let time pass until the blow: by the clock, or until a random share of the work is done and a moment more.

    The clock alone would mostly hit the start on a busy machine; the share alone would spare start and end.
    """
    if moments.random() < 0.4:
        # A run that goes on has less to do, so its moments are drawn from what is left, and its start.
        time.sleep(moments.random() * seconds * max(1.0 - progress(out), 0.25))
        return
    done = progress(out)
    share = moments.uniform(done, 1.0)
    while progress(out) < share and run.poll() is None:
        time.sleep(0.01)
    time.sleep(moments.uniform(0.0, 0.1) * seconds)


def strike(
    command: Command,
    kills: int,
    seconds: float,
    results: Results,
    progress: Progress,
    home: Path,
    name: str,
    patience: float = PATIENCE,
) -> Blows:
    """Kill a command ``kills`` times and compare what it leaves in the end.

    Args:
        command: the command line for an output folder.
        kills: blows that must land on a running command.
        seconds: about how long an undisturbed run takes.
        results: everything under an output folder that is a result, with its bytes.
        progress: share of the work, 0 to 1, that an output folder holds.
        home: where output folders are made; ``home/whole`` must hold the undisturbed run.
        name: of the record, ``artefacts/kills_<name>.json``.
        patience: seconds in which the processes of a killed run must be gone, else they are orphans.

    Raises:
        AssertionError: results differ.
    """
    whole = results(home / "whole")
    moments = random.Random(kills)
    told = Blows()
    while told.landed < kills:
        told.folders += 1
        out = home / f"out{told.folders}"
        for _ in range(min(BLOWS_A_FOLDER, kills - told.landed)):
            run = subprocess.Popen(
                [str(c) for c in command(out)],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
            _wait(run, out, progress, moments, seconds)
            group = moments.random() < 0.5
            running = run.poll() is None
            if running and group:
                os.killpg(run.pid, signal.SIGKILL)
            elif running:
                run.send_signal(signal.SIGKILL)
            struck = run.wait() == -signal.SIGKILL
            for straggler in _all_gone(run.pid, patience):
                told.orphans += 1
                os.kill(straggler, signal.SIGKILL)
            told.landed += struck
            told.too_late += not struck
            if struck:
                told.whole_group += group
                told.at.append(round(progress(out), 3))
            if not struck:
                break
        done = subprocess.run([str(c) for c in command(out)], capture_output=True, text=True)
        assert done.returncode == 0, done.stderr[-2000:]
        left_there = results(out)
        assert left_there.keys() == whole.keys()
        assert [n for n in whole if left_there[n] != whole[n]] == []
        ARTEFACTS.mkdir(exist_ok=True)
        (ARTEFACTS / f"kills_{name}.json").write_text(json.dumps({**asdict(told), "midway": told.midway}))
    return told
