"""Commands about sets of pictures: make one, look at one, measure how fast they are made.

``python -m updraft_key.synthetic_data.cli COMMAND``; ``app`` mounts it without importing it before it is asked for.
"""

from __future__ import annotations

import json
import logging
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import click
import typer
from updraft_key.model.cues import ERAS
from updraft_key.model.errors import UpdraftKeyError

from . import gallery as pages
from .blocks import Settings
from .camera import encode
from .coco import to_coco
from .generate import generate
from .sample import VIEWS_PER_SCENE
from .set_folder import unpack

app = typer.Typer(
    name="pictures",
    help="Render labelled sets of pictures, and look at them.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Folder = Annotated[Path, typer.Argument(help="Folder of a set (with labels.jsonl).")]
Split = Annotated[str, typer.Option("--split", help="train, or held: ranges and surroundings kept out of training.")]
Size = Annotated[int, typer.Option("--size", help="Side of the pictures in pixels.")]
Samples = Annotated[int, typer.Option("--samples", help="Light paths a pixel.")]
Variant = Annotated[
    str | None, typer.Option("--variant", help="Mitsuba variant; the fastest that starts if not given.")
]
Processes = Annotated[int, typer.Option("--processes", min=0, help="Workers; 0 works in this process.")]
Gpus = Annotated[int, typer.Option("--gpus", min=0, help="CUDA devices to spread the workers over.")]


@app.command()
def render(
    out: Annotated[Path, typer.Option("--out", help="Folder of the set; run again to go on with it.")],
    count: Annotated[int, typer.Option("--count", min=1, help="Pictures.")] = 12,
    split: Split = "train",
    first: Annotated[int, typer.Option("--first", min=0, help="Number of the first scene.")] = 0,
    size: Size = 448,
    samples: Samples = 32,
    views: Annotated[int, typer.Option("--views", min=1, help="Pictures a scene.")] = VIEWS_PER_SCENE,
    camera: Annotated[bool, typer.Option("--camera/--clean", help="With the faults of a phone, or clean.")] = False,
    quality: Annotated[int, typer.Option("--quality", help="JPEG quality; from 95 up without colour sampling.")] = 95,
    ablation: Annotated[
        bool, typer.Option("--ablation", help="Each shot whole, and again without each ingredient.")
    ] = False,
    variant: Variant = None,
    processes: Processes = 0,
    gpus: Gpus = 0,
    engine: Annotated[str, typer.Option("--engine", help="local, or dask:tcp://host:port.")] = "local",
    block: Annotated[int, typer.Option("--block", min=1, help="Scenes a job.")] = 8,
    shards: Annotated[bool, typer.Option("--shards", help="Write tars of at most 15 MiB.")] = False,
    stop_after: Annotated[float, typer.Option("--stop-after", help="Seconds after which no new job starts.")] = 1e12,
) -> None:
    """Render a labelled set; interrupted sets are gone on with."""
    phone = 1.0 if camera else 0.0
    settings = Settings(split, size, samples, views, camera=phone, quality=quality, variant=variant, ablation=ablation)
    tally = generate(
        out,
        settings,
        count,
        first=first,
        block=block,
        processes=processes,
        gpus=gpus,
        engine=engine,
        shards=shards,
        stop_after=stop_after,
    )
    sys.stderr.write("\n".join(tally.lines()) + "\n")


@app.command()
def join(
    shards: Annotated[Path, typer.Argument(help="Folder of shards.")],
    out: Annotated[Path, typer.Option("--out", help="Folder of the set.")],
) -> None:
    """Unpack shards into a set folder."""
    sys.stderr.write(f"{unpack(shards, out)} labels in {out}\n")


@app.command()
def sheet(
    folder: Folder,
    out: Annotated[Path, typer.Option("--out", help="Picture to write (JPEG).")],
    count: Annotated[int, typer.Option("--count", min=1, help="Pictures.")] = 24,
    columns: Annotated[int, typer.Option("--columns", min=1)] = 6,
    size: Annotated[int, typer.Option("--size", min=32, help="Side of a tile in pixels.")] = 224,
    era: Annotated[str | None, typer.Option("--era", help="Only this generation.")] = None,
    view: Annotated[str | None, typer.Option("--view", help="Only this side.")] = None,
    kind: Annotated[str | None, typer.Option("--kind", help="Only this kind of thing.")] = None,
    labels: Annotated[bool, typer.Option("--labels/--bare", help="With labels drawn, or without.")] = True,
) -> None:
    """Write a contact sheet of a set."""
    chosen = pages.pick(pages.read_labels(folder), count, era, view, kind)
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_bytes(encode(pages.sheet(folder, chosen, columns, size, labels), 88))
    sys.stderr.write(f"{len(chosen)} pictures on {out}\n")


@app.command()
def sides(
    folder: Folder,
    out: Annotated[Path, typer.Option("--out", help="Folder for one JPEG a generation.")],
) -> None:
    """Write a sheet for each generation: a row of pictures for each side."""
    records = pages.read_labels(folder)
    out.mkdir(parents=True, exist_ok=True)
    for era in ERAS:
        (out / f"sides_{era}.jpg").write_bytes(encode(pages.sides(folder, records, era), 80))
    sys.stderr.write(f"{len(ERAS)} sheets in {out}\n")


@app.command()
def gallery(
    folder: Folder,
    out: Annotated[Path, typer.Option("--out", help="Folder to write; open index.html in it.")],
    page: Annotated[int, typer.Option("--page", min=1, help="Pictures a page.")] = 48,
) -> None:
    """Write a small HTML gallery of a set, labels drawn."""
    sys.stderr.write(f"{pages.write_gallery(folder, out, page)} pages; open {out / 'index.html'}\n")


@app.command()
def coco(
    folder: Folder,
    out: Annotated[Path, typer.Option("--out", help="JSON file to write.")],
) -> None:
    """Write a set's labels in COCO's form."""
    records = pages.read_labels(folder)
    out.write_text(json.dumps(to_coco(records)), "utf-8")
    sys.stderr.write(f"{len(records)} pictures in {out}\n")


@app.command("bench-render")
def bench_render(
    count: Annotated[int, typer.Option("--count", min=1, help="Pictures.")] = 16,
    size: Size = 448,
    samples: Samples = 32,
    variant: Variant = None,
    processes: Processes = 0,
    gpus: Gpus = 0,
) -> None:
    """Render some pictures away and print how many a second, and where the time goes."""
    settings = Settings("train", size, samples, variant=variant)
    with tempfile.TemporaryDirectory() as away:
        warm = Path(away) / "warm"
        generate(warm, settings, settings.views, first=10**6, block=1, quiet=True)  # compiles, fills the disk cache
        tally = generate(Path(away) / "set", settings, count, block=2, processes=processes, gpus=gpus, quiet=True)
    sys.stdout.write(f"{size} px, {samples} samples, {processes} processes, {gpus} GPUs\n")
    sys.stdout.write("\n".join(tally.lines()) + "\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the person's mistakes give one line and exit code 1, wrong usage 2."""
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        typer.main.get_command(app).main(args=words or ["--help"], prog_name="pictures", standalone_mode=False)
    except click.UsageError as error:
        sys.stderr.write(error.format_message() + "\n")
        return 2
    except (ValueError, OSError, UpdraftKeyError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
