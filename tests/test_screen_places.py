"""The same inbox through every engine and every kind of place: the same bytes come out."""

import csv
import io
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import fsspec
import pytest
from screened import EXAMPLES, fill, made, screened, states
from updraft_key.app.delivery import work_folder
from updraft_key.app.store import Store
from updraft_key.model.errors import StoreError, UpdraftKeyError


@pytest.fixture(scope="module")
def inbox(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("places") / "inbox")


@pytest.fixture(scope="module")
def plain(inbox: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What the processes of this machine make of it."""
    out = tmp_path_factory.mktemp("plain")
    counts, said = screened(inbox, out)
    assert sum(counts.values()) == 9 and counts["look_yourself"] == 2
    assert said[-1].startswith("open ") and (out / "overview.html").is_file()
    return made(out)


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def memory() -> Iterator[fsspec.AbstractFileSystem]:
    fs = fsspec.filesystem("memory")
    yield fs
    for name in ("/inbox", "/sorted", "/in.zip"):
        if fs.exists(name):
            fs.rm(name, recursive=True)


def delivered(fs: fsspec.AbstractFileSystem, root: str) -> dict[str, bytes]:
    return {path[len(root) :].lstrip("/"): fs.cat_file(path) for path in fs.find(root)}


def test_this_process_alone(inbox: Path, plain: dict[str, bytes], tmp_path: Path) -> None:
    screened(inbox, tmp_path, engine="here")
    assert made(tmp_path) == plain


def test_file_urls(inbox: Path, plain: dict[str, bytes], tmp_path: Path) -> None:
    screened(f"file://{inbox}", f"file://{tmp_path}/out")
    assert made(tmp_path / "out") == plain


def test_memory_in_and_out(
    inbox: Path, plain: dict[str, bytes], cache: Path, memory: fsspec.AbstractFileSystem
) -> None:
    memory.put(str(inbox), "/inbox", recursive=True)
    screened("memory://inbox", "memory://sorted")
    assert delivered(memory, "/sorted") == plain
    assert work_folder("memory://sorted").is_relative_to(cache)


def test_a_place_elsewhere_follows_what_changed(
    inbox: Path, cache: Path, tmp_path: Path, memory: fsspec.AbstractFileSystem
) -> None:
    copy = tmp_path / "inbox"
    shutil.copytree(inbox, copy)
    screened(copy, "memory://sorted", engine="here")
    memory.pipe("/sorted/replies/mine.txt", b"the seller's own")
    before = delivered(memory, "/sorted")
    (copy / "lost.jpg").unlink()
    screened(copy, "memory://sorted", engine="here")
    gone = before.keys() - delivered(memory, "/sorted").keys()
    assert len(gone) == 1 and next(iter(gone)).startswith("replies/lost-")
    assert memory.cat_file("/sorted/replies/mine.txt") == b"the seller's own"


def test_a_zip_gives_what_its_folder_gives(inbox: Path, plain: dict[str, bytes], tmp_path: Path) -> None:
    shutil.make_archive(str(tmp_path / "in"), "zip", inbox)
    screened(tmp_path / "in.zip", tmp_path / "out", engine="here")
    assert made(tmp_path / "out") == plain


def test_only_what_is_new_or_changed_is_done_again(inbox: Path, tmp_path: Path) -> None:
    copy, out = tmp_path / "inbox", tmp_path / "out"
    shutil.copytree(inbox, copy)
    screened(copy, out, engine="here")
    shutil.copy(EXAMPLES / "iron_from_below.jpg", copy / "bo.jpg")  # a new customer
    shutil.copy(EXAMPLES / "iron_from_below.jpg", copy / "lost.jpg")  # one who sent a whole picture at last
    (copy / "something_else.jpg").unlink()  # and one who is done with
    _, said = screened(copy, out, engine="here")
    assert "7 of 9 cases were done before; going on" in said
    found = states((out / "results.jsonl").read_bytes())
    assert found["bo"] == found["lost"] == "answer_now" and "something_else" not in found
    fresh = tmp_path / "fresh"
    screened(copy, fresh, engine="here")
    assert made(out) == made(fresh)


def test_another_template_does_no_case_again(inbox: Path, tmp_path: Path) -> None:
    screened(inbox, tmp_path / "out", engine="here")
    (tmp_path / "mine.txt").write_text("Ahoy!\n\n$verdict\n\n$ask\n\nThe counter")
    _, said = screened(inbox, tmp_path / "out", engine="here", template=tmp_path / "mine.txt")
    assert "9 of 9 cases were done before; going on" in said
    replies = [p.read_text() for p in (tmp_path / "out" / "replies").iterdir()]
    assert len(replies) == 9 and all(r.startswith("Ahoy!") and r.endswith("The counter\n") for r in replies)
    with pytest.raises(UpdraftKeyError, match=r"mine\.txt: "):
        screened(inbox, tmp_path / "out", template=tmp_path / "no" / "mine.txt")


def test_the_sheets_are_written_under_the_lock_too(
    inbox: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from updraft_key.app import sorting

    def meanwhile(*_given: object) -> dict[str, int]:
        with pytest.raises(StoreError, match="another run may be at work"):
            screened(inbox, tmp_path)
        return {"seen": 1}

    monkeypatch.setattr(sorting, "write", meanwhile)
    assert screened(inbox, tmp_path, engine="here")[0] == {"seen": 1}


def test_every_case_is_kept_once(inbox: Path, plain: dict[str, bytes], tmp_path: Path) -> None:
    """A kill between the database and the ledger brings the case a second time; the database knows it by its origin."""
    cases = tmp_path / "cases.sqlite"
    for out in ("one", "two"):  # the second folder knows of nothing, so every case comes again
        screened(inbox, tmp_path / out, keep=str(cases))
        assert made(tmp_path / out) == plain
    store = Store(cases)
    kept = {case.title: store.get(case.id) for case in store.cases()}
    shown = {c: s for c, s in states(plain["results.jsonl"]).items() if s != "not_ours"}
    assert kept.keys() == shown.keys() - {"lost", "odd"}  # nothing of those could be opened
    assert len(list(store.cases())) == len(kept)
    assert [p.label for p in kept["ann"].photos] == ["ann/=cmd()<b>.jpg"]
    told = {row["case"]: row["outcome"] for row in map(json.loads, plain["results.jsonl"].splitlines())}
    assert kept["ann"].photos[0].jpeg.startswith(b"\xff\xd8") and kept["ann"].outcome == told["ann"]
    store.close()


def test_tables_name_every_file_and_reason(plain: dict[str, bytes]) -> None:
    files = list(csv.DictReader(io.StringIO(plain["files.csv"].decode())))
    assert len(files) == 10
    bad = {r["file"]: r["error"] for r in files if r["error"]}
    assert bad.keys() == {"ann/broken.jpg", "lost.jpg", "odd.png"} and all(len(e) > 20 for e in bad.values())


# --- a Dask cluster


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as local:
        yield local.scheduler_address


def test_a_dask_cluster_gives_the_same_bytes(
    cluster: str, inbox: Path, plain: dict[str, bytes], tmp_path: Path
) -> None:
    screened(inbox, tmp_path, engine=f"dask:{cluster}")
    assert made(tmp_path) == plain


def test_workers_that_cannot_see_the_inbox_say_so(
    cluster: str, cache: Path, memory: fsspec.AbstractFileSystem, tmp_path: Path
) -> None:
    memory.pipe("/inbox/a.jpg", b"only this process has it")
    with pytest.raises(UpdraftKeyError, match="expected every worker to see the inbox"):
        screened("memory://inbox", tmp_path, engine=f"dask:{cluster}")


def test_workers_of_another_version_are_refused(
    cluster: str, inbox: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from updraft_key.app import sorting

    monkeypatch.setattr(sorting, "what_answers", lambda: {"model": "f" * 64, "rules": "9"})
    with pytest.raises(UpdraftKeyError, match="install the same version everywhere"):
        screened(inbox, tmp_path, engine=f"dask:{cluster}")


def test_a_scheduler_on_another_port(inbox: Path, plain: dict[str, bytes], tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    place = tmp_path / "scheduler.json"
    told = {**os.environ, "OMP_NUM_THREADS": "1"}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": told}
    tool = [sys.executable, "-m"]
    started = [
        subprocess.Popen(
            [
                *tool,
                "distributed.cli.dask_scheduler",
                "--host",
                "127.0.0.1",
                "--port",
                "0",
                "--no-dashboard",
                "--scheduler-file",
                str(place),
            ],
            **quiet,
        )
    ]
    try:
        for _ in range(200):
            if place.is_file() and place.read_text().strip().endswith("}"):
                break
            time.sleep(0.1)
        address = json.loads(place.read_text())["address"]
        with pytest.raises(UpdraftKeyError, match="has no worker"):
            from updraft_key.app.crew import DaskCrew

            list(DaskCrew(address, patience=1.0).run(len, ["x"]))  # type: ignore[arg-type]
        started.append(
            subprocess.Popen(
                [
                    *tool,
                    "distributed.cli.dask_worker",
                    address,
                    "--nthreads",
                    "1",
                    "--no-dashboard",
                    "--local-directory",
                    str(tmp_path / "spill"),
                ],
                **quiet,
            )
        )
        screened(inbox, tmp_path / "out", engine=f"dask:{address}")
        assert made(tmp_path / "out") == plain
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait(20)


def test_nobody_answers(inbox: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    from updraft_key.app.crew import DaskCrew

    with pytest.raises(UpdraftKeyError, match="nobody answered"):
        list(DaskCrew("tcp://127.0.0.1:9", patience=1.0).run(len, ["x"]))  # type: ignore[arg-type]
