"""The command ``updraft-key``. Thin: each command gathers what was typed and calls what does the work.

Everything heavy is imported inside the command that needs it, so that ``identify`` starts quickly and never loads
the page's, the database's or the trainer's packages.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from updraft_key.model.cues import Era
from updraft_key.model.errors import UpdraftKeyError

from .confine import leave_quickly
from .console import DONE, NAME, REFUSED, USAGE, code_of, put, put_json, say, say_all, write_file
from .language import LANGUAGES
from .makers import MAKERS
from .settings import Settings, from_environment

if TYPE_CHECKING:
    from .asking import Asked, Question

app = typer.Typer(
    name="updraft-key",
    help="From photos and hand tests to the generation of an updraft carburetor, with reasons, the next look, parts "
    "and a safe fit plan. It can be wrong; local rules and a qualified marine technician come first.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Magnet(StrEnum):
    """What the magnet did on the bare casting."""

    HOLDS = "holds"
    FALLS = "falls"
    WEAK = "weak"


class Manifold(StrEnum):
    """The intake manifold: without or with a scavenge port."""

    PLAIN = "plain"
    PORTED = "ported"


class Arrester(StrEnum):
    """The body that the arrester housing was made for."""

    IRON = "iron"
    ALLOY = "alloy"
    NONE = "none"


Photos = Annotated[
    list[Path] | None, typer.Argument(help="Photos (or short clips) of one carburetor.", metavar="PHOTO...")
]
MagnetOption = Annotated[Magnet | None, typer.Option(help="A magnet on the bare casting, away from steel parts.")]
HandOption = Annotated[
    list[str] | None,
    typer.Option(help="A hand test, such as ear=bare, screws=5, handle=sloping, weigh=890/320; again for more.",
                 metavar="CUE=READING"),
]  # fmt: skip
ManifoldOption = Annotated[Manifold | None, typer.Option(help="The manifold, for the fit plan.")]
ArresterOption = Annotated[Arrester | None, typer.Option(help="The arrester housing, for the fit plan.")]
WantedOption = Annotated[Era | None, typer.Option(help="The generation to be fitted, for the fit plan.")]
JsonOption = Annotated[bool, typer.Option("--json", help="JSON on stdout (schema updraft-key/answer/1).")]
MarkedOption = Annotated[
    Path | None,
    typer.Option(help="Write the photo with what was seen drawn on it (JPEG); numbered if there are several."),
]
LanguageOption = Annotated[str | None, typer.Option(help=f"Language of the words: {', '.join(LANGUAGES)}.")]
ClaimOption = Annotated[Era | None, typer.Option(help="The generation that the listing claims.")]
ByOption = Annotated[str, typer.Option(help="Who did the hand tests.")]
ReferenceOption = Annotated[str, typer.Option(help="Your own reference, printed on the first page.")]
DayOption = Annotated[str | None, typer.Option(help="Date on the report, YYYY-MM-DD; today if left out.")]
KeepOption = Annotated[str | None, typer.Option(help="Keep the case under this title (see 'cases').", metavar="TITLE")]
CatalogueOption = Annotated[
    Path | None, typer.Option(help="A parts catalogue (CSV or TOML) instead of the shipped one.")
]


@app.command()
def identify(
    photos: Photos = None,
    magnet: MagnetOption = None,
    hand: HandOption = None,
    manifold: ManifoldOption = None,
    arrester: ArresterOption = None,
    wanted: WantedOption = None,
    json: JsonOption = False,
    marked: MarkedOption = None,
    keep: KeepOption = None,
    language: LanguageOption = None,
) -> int:
    """Say which generation it is, and why.

    If nothing settles it, say what would. Also: matching parts, what is unsafe, and, if asked, the fit plan.
    """
    from .asking import Question

    settings = _settings(language)
    question = Question(tuple(photos or ()), magnet, tuple(hand or ()), manifold, arrester, wanted)
    asked = _ask(question, settings, keep=marked is not None or keep is not None)
    if json:
        put_json(asked.answer.to_json())
    elif asked.anything:
        from .words import as_text

        put(as_text(asked.answer, settings.language))
    if marked is not None:
        _write_marked(asked, marked, settings.language)
    if keep is not None:
        from .casework import keep_case

        say(f"kept as case {keep_case(settings.cases, asked, keep)}")
    return say_all(asked.refused)


@app.command()
def listing(
    photos: Photos = None,
    claim: Annotated[Era, typer.Option(help="The generation that the listing claims.")] = ...,  # type: ignore[assignment]
    magnet: MagnetOption = None,
    hand: HandOption = None,
    json: JsonOption = False,
    marked: MarkedOption = None,
    pdf: Annotated[Path | None, typer.Option(help="Write the report that can be filed (PDF) as well.")] = None,
    by: ByOption = "",
    reference: ReferenceOption = "",
    day: DayOption = None,
    keep: KeepOption = None,
    language: LanguageOption = None,
) -> int:
    """Check what a listing claims.

    Supported, contradicted or open, with the evidence and what would close it. With --pdf as a report that can be
    filed, with --keep as a case that takes the confirmed truth later.
    """
    from updraft_key.model.claims import check_claim

    from .asking import Question
    from .listing import kept_note, listing_text

    settings = _settings(language)
    question = Question(tuple(photos or ()), magnet, tuple(hand or ()))
    asked = _ask(question, settings, keep=any(x is not None for x in (marked, pdf, keep)))
    check = check_claim(claim, asked.answer)
    if pdf is not None:
        from .filing import report_pdf

        write_file(pdf, report_pdf(asked, claim, by, reference, day, settings.language))
    if json:
        put_json({"schema": "updraft-key/listing/1", "claim": check.to_json(), "answer": asked.answer.to_json()})
    else:
        put(listing_text(check, asked.answer, settings.language))
    if marked is not None:
        _write_marked(asked, marked, settings.language)
    if keep is not None:
        from .casework import keep_case

        say(f"kept as case {keep_case(settings.cases, asked, keep, by, kept_note(check, reference))}")
    return say_all(asked.refused)


@app.command()
def report(
    out: Annotated[Path, typer.Option(help="The PDF to write.")],
    photos: Photos = None,
    claim: ClaimOption = None,
    magnet: MagnetOption = None,
    hand: HandOption = None,
    by: ByOption = "",
    reference: ReferenceOption = "",
    day: DayOption = None,
    language: LanguageOption = None,
) -> int:
    """Write a report that can be filed (PDF).

    Claim and finding on page one, the evidence photo by photo, the limits.
    """
    from .asking import Question
    from .filing import report_pdf

    settings = _settings(language)
    asked = _ask(Question(tuple(photos or ()), magnet, tuple(hand or ())), settings, keep=True)
    write_file(out, report_pdf(asked, claim, by, reference, day, settings.language))
    return say_all(asked.refused)


@app.command()
def fit(
    wanted: Annotated[Era, typer.Option(help="The generation to be fitted.")],
    now: Annotated[Era | None, typer.Option(help="The generation on the engine now.")] = None,
    manifold: ManifoldOption = None,
    arrester: ArresterOption = None,
    json: JsonOption = False,
    language: LanguageOption = None,
) -> int:
    """Plan how to fit one generation.

    Parts, steps and checks, in order.
    """
    from .planning import plan_lines, plan_steps

    settings = _settings(language)
    steps = plan_steps(now, wanted, manifold, arrester)
    if json:
        put_json({"schema": "updraft-key/fit/1", "fit": [{"id": s.id, "kind": s.kind, "text": s.text,
                                                          "source": s.source} for s in steps]})  # fmt: skip
    else:
        put(plan_lines(steps, settings.language))
    return DONE


@app.command()
def parts(
    era: Annotated[list[Era] | None, typer.Option(help="A generation that it may be; again for more.")] = None,
    catalogue: CatalogueOption = None,
    json: JsonOption = False,
    language: LanguageOption = None,
) -> int:
    """List what fits and what must not be ordered.

    With --catalogue the seller's own list is checked, and every bad row is told.
    """
    from .planning import part_rows, part_text

    settings = _settings(language)
    rows = part_rows(tuple(era or Era), catalogue)
    if json:
        put_json({"schema": "updraft-key/parts/1", "parts": [
            {"part": p.part, "order": p.order, "fits": list(p.fits), "quantity": p.quantity, "note": p.note,
             "sku": p.sku, "price": p.price, "why": p.why} for p in rows]})  # fmt: skip
    else:
        put(part_text(rows, settings.language))
    return DONE


@app.command()
def measure(
    photo: Annotated[Path, typer.Argument(help="A photo with the scale card or a thing of known size beside it.")],
    what: Annotated[str, typer.Argument(help="length, diameter or angle.")],
    points: Annotated[list[str], typer.Argument(help="Points in photo pixels, each X,Y: 2, 5 or more, or 4.")],
    known: Annotated[str | None, typer.Option(help="A known thing instead of the card, such as id1 or a4.")] = None,
    scale_point: Annotated[
        list[str] | None, typer.Option(help="A point of the known thing: card corners in order, or a coin's rim.")
    ] = None,
    printed_100: Annotated[float | None, typer.Option(help="What the card's 100 mm ruler measures, mm.")] = None,
    thing: Annotated[
        str | None,
        typer.Option("--of", help="What it is: screw-head, pipe-thread or throat-plug; says what size allows."),
    ] = None,
    style: Annotated[str, typer.Option(help="Of a screw head: fillister, pan, binding or unknown.")] = "unknown",
    above: Annotated[
        tuple[float, float] | None, typer.Option(help="Lowest and highest place of it over the card's plane, mm.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="JSON on stdout (schema updraft-key/measure/1).")] = False,
    language: LanguageOption = None,
) -> int:
    """Measure a length, diameter or angle.

    The photo must show the scale card, or a thing of known size, in the plane of what is measured.
    """
    from .language import tongue
    from .measuring import Ruler, Thing, measure_photo, to_json

    ruler = Ruler(known, tuple(scale_point or ()), printed_100)
    result, notes = measure_photo(photo, what, points, ruler, Thing(thing, style, above))
    if json:
        put_json(to_json(what, result, notes))
    else:
        tell = tongue(_settings(language).language).say
        put("\n".join([f"{what}: {result.text}", *(f"  - {tell(n)}" for n in notes)]))
    return DONE


@app.command()
def card(
    out: Annotated[Path, typer.Option(help="The PDF to write.")] = Path("updraft-key-scale-card.pdf"),
    letter: Annotated[bool, typer.Option("--letter", help="US Letter paper instead of A4.")] = False,
    language: LanguageOption = None,
) -> int:
    """Write the scale card to print (PDF)."""
    from .card import card_pdf
    from .language import tongue

    write_file(out, card_pdf("letter" if letter else "a4", tongue(_settings(language).language).say))
    say(f"wrote {out.name}; print it at 100 % and check its ruler")
    return DONE


@app.command()
def screen(
    inbox: Annotated[str, typer.Argument(help="A folder, a zip, or a CSV with the columns case and file (or a URL).")],
    out: Annotated[str, typer.Option(help="Folder (or URL) for the results; an interrupted run goes on there.")],
    engine: Annotated[
        str, typer.Option(help="local (one process a core), here (this process alone), or dask:tcp://HOST:PORT.")
    ] = "local",
    processes: Annotated[int, typer.Option(help="Worker processes; 0 means one a core.", min=0, max=512)] = 0,
    catalogue: CatalogueOption = None,
    template: Annotated[
        Path | None,
        typer.Option(help="Text of the reply, with $verdict, $reasons, $ask, $order and $safety where they belong."),
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep every case but those that are not ours (see 'cases').")
    ] = False,
    language: LanguageOption = None,
) -> int:
    """Sort a whole inbox of customer pictures.

    Every case gets a state, the question to ask back, and a drafted reply. A case is a sub-folder, what the CSV says,
    or, in a flat folder, the part of the name before a number (ann_1.jpg and ann_2.jpg are ann). Stopped at any
    moment, it goes on where it was; run again later, it does only what is new or changed. With another --template the
    replies are drafted anew in seconds.
    """
    from .sorting import Wish, screen_inbox

    settings = _settings(language)
    store = settings.cases if keep else None
    wish = Wish(inbox, out, engine, processes, catalogue, template, settings.language, store)
    put_json(screen_inbox(wish, say))
    return DONE


@app.command()
def benchmarks(
    only: Annotated[list[str] | None, typer.Option(help="Measure this section alone; again for more.")] = None,
    quick: Annotated[
        bool, typer.Option("--quick", help="Fewer rounds and a batch of 400: a look, not a figure.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="JSON on stdout (schema updraft-key/benchmarks/1).")] = False,
) -> int:
    """Measure speed, memory and growth on this machine.

    Sections: warm, cold, memory, screen, growth, batch, rivals, render. Takes 15 minutes, --quick five.
    """
    from .bars import table
    from .benchmarks import FULL, QUICK, measure

    result = measure(only or (), QUICK if quick else FULL, say)
    if json:
        put_json(result)
    else:
        put(table(result))
    return DONE


@app.command()
def serve(
    host: Annotated[
        str, typer.Option(help="Address to listen on; other than this machine only with a token.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="TCP port.", min=0, max=65535)] = 8765,
    token: Annotated[str | None, typer.Option(help="Asked of every visitor (or set UPDRAFT_KEY_TOKEN).")] = None,
    name: Annotated[list[str] | None, typer.Option(help="A further name of this server, such as boat.local.")] = None,
    workers: Annotated[int, typer.Option(help="Photos read at the same time.", min=1, max=64)] = 2,
    root_path: Annotated[str, typer.Option(help="Prefix under which a reverse proxy shows it.")] = "",
    behind_proxy: Annotated[bool, typer.Option("--behind-proxy", help="Believe the proxy about addresses.")] = False,
    store: Annotated[
        str | None, typer.Option(help="Keep answers as cases in this SQLite file or database; all visitors see them.")
    ] = None,
) -> int:
    """Open the page on this machine.

    Programs use POST /v1/identify there. Nothing is sent anywhere.
    """
    settings = _settings(None)
    from .server import ServerSettings
    from .server import serve as run_server

    wanted = ServerSettings(
        host, port, token or settings.token, tuple(name or ()), workers, root_path=root_path, behind_proxy=behind_proxy,
        cases=str(Path(store).resolve()) if store and "://" not in store else store,
    )  # fmt: skip
    say(f"the page is at http://{host}:{port}{root_path or '/'}; stop it with Ctrl-C")
    run_server(wanted)
    return DONE


def _settings(language: str | None) -> Settings:
    from dataclasses import replace

    settings = from_environment()
    return settings if language is None else replace(settings, language=language)


def _ask(question: Question, settings: Settings, *, keep: bool) -> Asked:
    from .asking import ask

    return ask(question, settings.threads, keep=keep)


def _write_marked(asked: Asked, out: Path, language: str) -> None:
    from .overlay import draw_marks, jpeg

    usable = [(p, a) for p, a in zip(asked.photos, asked.answer.photos, strict=True) if p is not None]
    for n, (photo, answer) in enumerate(usable, start=1):
        name = out if len(usable) == 1 else out.with_name(f"{out.stem}-{n}{out.suffix}")
        write_file(name, jpeg(draw_marks(photo, answer, language)))


def _mount() -> None:
    """Add the cases commands and the makers' commands."""
    from .casework import cases

    app.add_typer(cases, name="cases", help="Kept cases: list, search, confirm, score.")
    for name, maker in MAKERS.items():
        app.command(
            name,
            help=f"{maker.about} (needs the [{maker.extra}] extra)",
            add_help_option=False,
            context_settings={"allow_extra_args": True, "ignore_unknown_options": True},
        )(_maker(name))


def _maker(name: str):  # type: ignore[no-untyped-def]
    def command(context: typer.Context) -> int:
        from .makers import run

        return run(name, context.args)

    return command


_mount()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code. The person's mistakes give one line, never a traceback."""
    name, typed = NAME, list(sys.argv[1:] if arguments is None else arguments)
    asked = [c for c in app.registered_commands if typed and typed[0] in (c.name, getattr(c.callback, "__name__", ""))]
    chosen = app
    if len(asked) == 1:
        # Building all commands takes longer than doing most of them; a Typer of one command is that command.
        chosen = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
        chosen.registered_commands = asked
        name, typed = f"{NAME} {typed[0]}", typed[1:]
    leave_quickly()
    try:
        result = typer.main.get_command(chosen).main(args=typed, prog_name=name, standalone_mode=False)
        sys.stdout.flush()
    except UpdraftKeyError as error:
        say(str(error))
        return code_of(error)
    except KeyboardInterrupt:
        say("stopped")
        return 130
    except BrokenPipeError:
        # The reader has gone (as in "| head"): nothing is left to say, and closing must not complain either.
        sys.stderr.close()
        return DONE
    except Exception as error:
        return _usage(error)
    return result if isinstance(result, int) else DONE


def _usage(error: Exception) -> int:
    """Exit code of the parser's own complaints; anything else is a fault of the program and stays visible."""
    if type(error).__name__ == "NoArgsIsHelpError":
        sys.stderr.write(f"{error}\n")
        return USAGE
    show = getattr(error, "format_message", None)
    if show is None:
        code = getattr(error, "exit_code", None)
        if isinstance(code, int):
            return code
        raise error
    say(f"{show()} (see --help)")
    return USAGE if getattr(error, "exit_code", USAGE) != REFUSED else REFUSED


if __name__ == "__main__":
    raise SystemExit(main())
