"""What lies on disk of a set, and how it gets there: each file whole or not at all.

A set folder: ``set.json`` (how it was made), ``pictures/*.jpg`` or ``shards/*.tar``, ``blocks/*.jsonl`` (labels of
finished blocks), ``labels.jsonl`` (all of them, in order of seed). Each file is written under a temporary name
first and a block's labels last, so that a block is either there or not.
"""

from __future__ import annotations

import io
import json
import os
import tarfile
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path

from .blocks import Block, Job, Settings
from .spec import SceneError

SHARD_BYTES = 15 * 2**20


def open_set(out: Path, settings: Settings, shards: bool) -> None:
    """Write into a folder how its set is made, or find that the set there is made the same way.

    Raises:
        SceneError: the folder holds a set that was made differently.
    """
    described = json.dumps({**asdict(settings), "shards": shards}, indent=1)
    at = out / "set.json"
    if at.exists() and at.read_text("utf-8") != described:
        raise SceneError(f"{out} holds a set made with other settings: {at.read_text('utf-8')}")
    _write(at, described.encode())


def _labels_of(out: Path, job: Job) -> Path:
    return out / "blocks" / f"{job.name}.jsonl"


def is_finished(out: Path, job: Job) -> bool:
    """Whether a job's block is there, whole."""
    return _labels_of(out, job).exists()


def _write(path: Path, data: bytes, mark: str = "") -> None:
    """Write a file whole or not at all; ``mark`` keeps apart processes that write the same one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}{mark}.part")
    part.write_bytes(data)
    part.replace(path)


def write_block(out: Path, block: Block, shards: bool) -> None:
    """Write a block's pictures (or tars of at most 15 MiB), then its labels, which mark it as finished."""
    lines = [json.dumps(r, separators=(",", ":")) for r in block.records]
    labels = "".join(line + "\n" for line in lines).encode()
    if not shards:
        for name, data in block.pictures:
            _write(out / "pictures" / name, data)
    else:
        for number, members in enumerate(_portions(block.pictures, SHARD_BYTES - 65536 - len(labels))):
            raw = io.BytesIO()
            with tarfile.open(fileobj=raw, mode="w") as tar:
                rows = [("labels.jsonl", labels)] if number == 0 else []
                for name, data in [*rows, *((f"pictures/{n}", d) for n, d in members)]:
                    info = tarfile.TarInfo(name)
                    info.size = len(data)
                    tar.addfile(info, io.BytesIO(data))
            _write(out / "shards" / f"{block.job.name}-{number}.tar", raw.getvalue())
    _write(_labels_of(out, block.job), labels)


def _portions(pictures: Sequence[tuple[str, bytes]], limit: int) -> Iterator[list[tuple[str, bytes]]]:
    portion: list[tuple[str, bytes]] = []
    held = 0
    for name, data in pictures:
        if portion and held + len(data) + 1024 > limit:
            yield portion
            portion, held = [], 0
        portion.append((name, data))
        held += len(data) + 1024
    if portion:
        yield portion


def finish_labels(out: Path) -> int:
    """Join the labels of all finished blocks into ``labels.jsonl``, by seed; return how many.

    Several processes may fill one folder and end together; each leaves all that was finished by then.
    """
    rows = [line for path in (out / "blocks").glob("*.jsonl") for line in path.read_text("utf-8").splitlines()]
    rows.sort(key=lambda line: (json.loads(line)["split"], json.loads(line)["seed"]))
    _write(out / "labels.jsonl", "".join(line + "\n" for line in rows).encode(), f".{os.getpid()}")
    return len(rows)


def unpack(shards: Path, out: Path) -> int:
    """Unpack a folder of shards into a set folder; return how many labels it then has.

    Only plain members named ``labels.jsonl`` and ``pictures/<name>.jpg`` are taken.
    """
    for path in sorted(shards.glob("*.tar")):
        with tarfile.open(path) as tar:
            for member in tar:
                held = tar.extractfile(member) if member.isfile() else None
                name = Path(member.name).name
                if held is None:
                    continue
                if member.name == "labels.jsonl":
                    _write(out / "blocks" / f"{path.stem}.jsonl", held.read())
                elif member.name == f"pictures/{name}" and name.endswith(".jpg"):
                    _write(out / "pictures" / name, held.read())
    return finish_labels(out)
