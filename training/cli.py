"""Commands for makers of models. ``app`` finds them through the modules' ``main``; all end up here."""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import click
import numpy as np
import typer
from updraft_key.model.errors import UpdraftKeyError

from .config import TrainConfig, smoke_config

app = typer.Typer(
    name="updraft-key",
    help="Train, calibrate, measure and export the network.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Model = Annotated[Path, typer.Option("--model", help="Network file (ONNX, float32).")]
Sets = Annotated[list[Path], typer.Option("--set", help="A set of pictures with labels.jsonl; may be repeated.")]
Out = Annotated[Path, typer.Option("--out", help="Where to write.")]
Limit = Annotated[int, typer.Option("--limit", min=0, help="Most pictures of each set; 0 for all.")]
Keep = Annotated[float, typer.Option("--keep", help="Least share of subjects that must still be found.")]
Alpha = Annotated[float, typer.Option("--alpha", help="Error level of the conformal sets.")]
SecondLook = Annotated[Path | None, typer.Option("--second-look", help="Folder of the pictures from another hand.")]

WEIGHTS = Path("model/weights/cues.onnx")
CARD = Path("model/weights/MODEL_CARD.md")


@app.command()
def train(
    sets: Annotated[list[Path], typer.Option("--set", help="A set to train on; may be repeated.")] = [],  # noqa: B006
    held: Annotated[list[Path], typer.Option("--held", help="A set to watch, never trained on.")] = [],  # noqa: B006
    backdrops: Annotated[list[Path], typer.Option("--backdrops", help="A folder of pictures without a subject.")] = [],  # noqa: B006
    out: Out = Path("runs/cues"),
    config: Annotated[Path | None, typer.Option("--config", help="Configuration (JSON) to start from.")] = None,
    epochs: Annotated[
        int, typer.Option("--epochs", min=0, help="Epochs with everything trained; 0: as configured.")
    ] = 0,
    smoke: Annotated[
        bool, typer.Option("--smoke", help="Two minutes on 24 drawn pictures, to see that it runs.")
    ] = False,
    cases: Annotated[
        Path | None, typer.Option("--cases", help="Adapt the heads to labelled real photos instead.")
    ] = None,
    model: Model = WEIGHTS,
) -> None:
    """Train the network, or adapt its heads to real photos."""
    if cases is not None:
        from .cases import adapt

        _print(adapt(model, cases).to_json())
        return
    from .loop import here
    from .loop import train as run

    if smoke:
        from .smoke import draw_toy_set

        draw_toy_set(out / "toy", 24, np.random.default_rng(0))
        _print(run(smoke_config((str(out / "toy"),), str(out)), here()))
        return
    names = {"sets": tuple(map(str, sets)), "held": tuple(map(str, held)), "backdrops": tuple(map(str, backdrops))}
    chosen = TrainConfig.read(config) if config is not None else TrainConfig(sets=names["sets"])
    if sets:
        chosen = replace(chosen, sets=names["sets"])
    if held:
        chosen = replace(chosen, held=names["held"])
    if backdrops:
        chosen = replace(chosen, backdrops=names["backdrops"])
    chosen = replace(chosen, out=str(out), epochs_all=epochs or chosen.epochs_all)
    _print(run(chosen, here()))


@app.command()
def mean(
    weights: Annotated[list[Path], typer.Argument(help="weights.safetensors of runs from the same start.")],
    out: Out = Path("runs/mean/weights.safetensors"),
    share: Annotated[list[float], typer.Option("--share", help="Of each file in turn; equal if left out.")] = [],  # noqa: B006
) -> None:
    """Write the mean of several networks' weights."""
    from .mean import write_mean

    write_mean(weights, share or [1.0 / len(weights)] * len(weights), out)


@app.command()
def export(
    weights: Annotated[Path, typer.Argument(help="weights.safetensors of a run.")],
    out: Out = WEIGHTS,
    version: Annotated[str, typer.Option("--version", help="Version of the network.")] = "0",
    ranges: Annotated[
        Path | None, typer.Option("--int8-from", help="A set whose pictures give the int8 file its ranges.")
    ] = None,
    pictures: Annotated[int, typer.Option("--int8-pictures", min=1, help="How many of them.")] = 96,
) -> None:
    """Write the network file that ships, check it against torch, and its int8 sibling."""
    from .export import commit_of, quantize, write_sums
    from .export import export as write
    from .passage import both_looks, records_of

    spec = write(weights, out, version, commit_of(Path(__file__).parent))
    if ranges is not None:
        quantize(out, both_looks(spec, ranges, records_of(ranges, pictures)))
    write_sums(out.parent)
    _print({"file": str(out), "bytes": out.stat().st_size, "version": spec.version})


@app.command()
def calibrate(
    sets: Sets,
    model: Model = WEIGHTS,
    second_look: SecondLook = None,
    alpha: Alpha = 0.02,
    statement: Annotated[float, typer.Option("--statement", help="Largest share of wrong accepted readings.")] = 0.03,
    keep: Keep = 0.97,
    photos: Annotated[list[Path], typer.Option("--photos", help="A folder of photos of other things.")] = [],  # noqa: B006
    limit: Limit = 0,
) -> None:
    """Find temperatures, thresholds and floors on pictures that were not trained on, and write them into the file."""
    from .calibrate import Bars, summary
    from .calibrate import calibrate as run

    bars = Bars(alpha=alpha, statement=statement, keep=keep)
    _print(dict(summary(run(model, sets, second_look, bars, limit, photos))))


@app.command()
def evaluate(
    sets: Annotated[list[Path], typer.Option("--set", help="A set of held-out renders; may be repeated.")] = [],  # noqa: B006
    model: Model = WEIGHTS,
    second_look: SecondLook = None,
    cases: Annotated[list[Path], typer.Option("--cases", help="A folder of exported cases (real photos).")] = [],  # noqa: B006
    photos: Annotated[list[Path], typer.Option("--photos", help="A folder of photos of other things.")] = [],  # noqa: B006
    out: Out = Path("artefacts/evaluation"),
    corrupted: Annotated[int, typer.Option("--corrupted", min=0, help="Units for the corruption suite; 0: none.")] = 0,
    by_unit: Annotated[
        list[Path], typer.Option("--by-unit", help="A set with several pictures a scene, as photos of one unit.")
    ] = [],  # noqa: B006
    plots: Annotated[bool, typer.Option("--plots", help="Draw reliability and confusion as PNG.")] = False,
    rates: Annotated[
        Path | None,
        typer.Option("--rates", help="Write how often each view is conclusive (look_rates.json)."),
    ] = None,
    limit: Limit = 0,
) -> None:
    """Measure the product on labelled pictures and write metrics.json."""
    from .evaluate import evaluate as run
    from .evaluate import targets_from

    targets = targets_from(sets, second_look, cases, photos, limit)
    if not targets:
        raise ValueError("expected at least one of --set, --second-look, --cases, --photos")
    words = ["updraft-key evaluate", f"--model {model.name}", *(f"--set {s.name}" for s in sets)]
    words += ["--second-look second_look"] if second_look else []
    words += [f"--photos {p.name}" for p in photos] + ([f"--corrupted {corrupted}"] if corrupted else [])
    words += [f"--by-unit {s.name}" for s in by_unit]
    figures = run(model, targets, out, corrupted=corrupted, by_unit=by_unit, command=" ".join(words))
    if plots:
        from .plots import draw_plots

        draw_plots(figures, out)
    if rates is not None:
        from .look_rates import rates_from_rows, write_rates

        write_rates(rates, rates_from_rows(out / "rows.jsonl"), f"measured: {' '.join(words)}")
    _print({name: s["verdict"] for name, s in figures["sets"].items()})


@app.command("model-card")
def card(
    metrics: Annotated[Path, typer.Argument(help="metrics.json that evaluate wrote.")],
    out: Out = CARD,
    model: Model = WEIGHTS,
) -> None:
    """Write MODEL_CARD.md from measured figures."""
    from .card import card_of
    from .export import read_spec

    out.write_text(card_of(json.loads(metrics.read_text("utf-8")), read_spec(model)), "utf-8")


@app.command()
def ablate(
    config: Annotated[Path | None, typer.Option("--config", help="Configuration of the full recipe.")] = None,
    out: Out = Path("runs/ablation"),
    second_look: SecondLook = None,
    held: Annotated[list[Path], typer.Option("--held-set", help="Set for the figures; may be repeated.")] = [],  # noqa: B006
    pictures: Annotated[int, typer.Option("--pictures", min=1, help="Training pictures of every run.")] = 3000,
    trained: Annotated[
        list[Path], typer.Option("--trained", help="Folder of a run trained elsewhere, instead of --config; repeated.")
    ] = [],  # noqa: B006
    known: Annotated[
        list[Path], typer.Option("--calibrate-set", help="Set to calibrate each run on; may be repeated.")
    ] = [],  # noqa: B006
    harmed: Annotated[int, typer.Option("--harmed", min=0, help="Subjects to read under corruption too.")] = 0,
    alpha: Alpha = 0.02,
    keep: Keep = 0.97,
) -> None:
    """Train the recipe with one ingredient left out at a time, on equally many pictures, and compare."""
    from .ablate import measured, train_all
    from .calibrate import Bars

    if bool(trained) == bool(config):
        raise ValueError("expected either --config or --trained")
    runs = trained if config is None else train_all(TrainConfig.read(config), out, pictures)
    _print(measured(runs, out, held, second_look, known, Bars(alpha=alpha, keep=keep), harmed))


@app.command()
def rival(
    weights: Annotated[Path, typer.Argument(help="weights.safetensors of the rival's run.")],
    calibration: Annotated[list[Path], typer.Option("--calibrate-set", help="Set that the product was calibrated on.")],
    rows: Annotated[Path, typer.Option("--rows", help="rows.jsonl of the product's evaluation.")],
    sets: Annotated[list[Path], typer.Option("--set", help="Set to compare on; may be repeated.")] = [],  # noqa: B006
    second_look: SecondLook = None,
    alpha: Alpha = 0.02,
    out: Out = Path("artefacts/evaluation/rival.json"),
    limit: Limit = 0,
) -> None:
    """Compare a network that names the generation directly with the product, on the same pictures."""
    from .calibrate import Bars
    from .evaluate import Target, targets_from
    from .rival import contest
    from .second_look import read_second_look

    known = targets_from(calibration, None, [], [], limit)
    if second_look is not None:
        known.append(Target("second_look", second_look, tuple(read_second_look(second_look, "calibrate"))))
    _print(
        contest(weights, known, targets_from(sets, second_look, [], [], limit), rows, Bars(alpha=alpha), out)["sets"]
    )


def _print(value: object) -> None:
    sys.stdout.write(json.dumps(value, indent=1) + "\n")


def run(name: str, arguments: Sequence[str]) -> int:
    """Run one command; the person's mistakes give one line and exit code 1, wrong usage 2."""
    logging.basicConfig(level=logging.INFO, format="%(message)s", stream=sys.stderr)
    try:
        typer.main.get_command(app).main(args=[name, *arguments], prog_name="updraft-key", standalone_mode=False)
    except click.UsageError as error:
        sys.stderr.write(error.format_message() + "\n")
        return 2
    except (ValueError, OSError, UpdraftKeyError) as error:
        sys.stderr.write(f"{error}\n")
        return 1
    return 0


def main(arguments: Sequence[str] | None = None) -> int:
    """``python -m updraft_key.training.cli COMMAND ...``."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    return run(words[0], words[1:]) if words else run("--help", [])


if __name__ == "__main__":
    raise SystemExit(main())
