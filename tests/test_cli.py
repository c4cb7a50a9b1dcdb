"""The command line: data on stdout, messages on stderr, exit codes, no traceback for the person's mistakes."""

from __future__ import annotations

import inspect
import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
import typer
from hostile.pictures import GPS, NAMES, SERIAL, broken, foreign, jpeg, saved, scene, tagged
from PIL import Image
from raw import ALLOY4, ALLOY5, IRON, NOTHING, bench
from test_schema import DOCUMENT
from updraft_key.app import cli
from updraft_key.app.console import harmless
from updraft_key.app.makers import MAKERS
from updraft_key.model.runtime import FakeNetwork

PICTURE = jpeg(bench(800, 600))


@pytest.fixture(autouse=True)
def _plain_surroundings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [n for n in os.environ if n.startswith("UPDRAFT_KEY_")]:
        monkeypatch.delenv(name)


def use(monkeypatch: pytest.MonkeyPatch, network: FakeNetwork) -> None:
    monkeypatch.setattr("updraft_key.model.runtime.packaged_network", lambda _threads: network)


@pytest.fixture
def alloy4(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, ALLOY4.network())


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    path = tmp_path / "front.jpg"
    path.write_bytes(PICTURE)
    return path


Captured = pytest.CaptureFixture[str]


def test_identify_says_what_it_is(alloy4: None, photo: Path, capsys: Captured) -> None:
    assert cli.main(["identify", str(photo)]) == 0
    out, err = capsys.readouterr()
    assert "alloy body and four screws" in out.splitlines()[0] and err == ""


def test_json_is_the_schema_and_alone_on_stdout(alloy4: None, photo: Path, capsys: Captured) -> None:
    assert cli.main(["identify", str(photo), "--json"]) == 0
    out, err = capsys.readouterr()
    jsonschema.validate(json.loads(out), DOCUMENT)
    assert err == "" and json.loads(out)["verdict"]["era"] == "alloy4"
    assert str(photo.parent) not in out


def test_an_unreadable_file_gives_one_line_and_one(alloy4: None, photo: Path, capsys: Captured) -> None:
    bad = photo.with_name("bad.jpg")
    for _name, data in [*broken(), *foreign()]:
        bad.write_bytes(data)
        assert cli.main(["identify", str(bad)]) == 1
        out, err = capsys.readouterr()
        assert out == "" and len(err.splitlines()) == 1
        assert err.startswith("updraft-key: bad.jpg: expected ")


def test_the_others_are_still_answered(alloy4: None, photo: Path, capsys: Captured) -> None:
    bad = photo.with_name("bad.jpg")
    bad.write_bytes(PICTURE[:500])
    assert cli.main(["identify", str(bad), str(photo), str(photo.parent / "none.jpg")]) == 1
    out, err = capsys.readouterr()
    assert "alloy body and four screws" in out.splitlines()[0]
    assert [line.split(": ")[1] for line in err.splitlines()] == ["bad.jpg", "none.jpg"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["identify"],
        ["identify", "--magnet", "sticks"],
        ["identify", "--hand", "ear"],
        ["identify", "--hand", "ear=perhaps not"],
        ["identify", "--hand", "ear=bare", "--hand", "front_ear=none"],
        ["identify", "--magnet", "holds", "--manifold", "round"],
        ["identify", "--nonsense"],
        ["identifi"],
        ["listing", "x.jpg"],
        ["listing", "x.jpg", "--claim", "alloy6"],
        ["fit"],
        ["cases", "confirm", "1", "iron"],
        ["serve", "--port", "99999"],
        [],
    ],
)
def test_misuse_is_two(arguments: list[str], capsys: Captured) -> None:
    assert cli.main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == "" and err and "Traceback" not in err
    assert not arguments or len(err.splitlines()) == 1


def test_hand_tests_work_without_photos(capsys: Captured) -> None:
    assert cli.main(["identify", "--magnet", "falls", "--hand", "ear=bare"]) == 0
    assert "alloy body and four screws" in capsys.readouterr().out.splitlines()[0]
    assert cli.main(["identify", "--magnet", "weak", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"]["outcome"] == "shortlist"


def test_the_fit_plan_is_asked_for_by_its_options(alloy4: None, photo: Path, capsys: Captured) -> None:
    assert cli.main(["identify", str(photo), "--manifold", "plain", "--arrester", "iron", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["fit"]


def test_a_marked_picture_is_written(alloy4: None, photo: Path, capsys: Captured) -> None:
    out = photo.with_name("marked.jpg")
    assert cli.main(["identify", str(photo), "--marked", str(out)]) == 0
    with Image.open(out) as marked:
        assert marked.size == (900, 675) and not marked.info.get("exif")
    other = photo.with_name("other.png")
    other.write_bytes(saved(Image.fromarray(scene()), "PNG"))
    assert cli.main(["identify", str(photo), str(other), "--marked", str(out)]) == 0
    assert {p.name for p in photo.parent.glob("marked-*.jpg")} == {"marked-1.jpg", "marked-2.jpg"}


def test_where_nothing_can_be_written(alloy4: None, photo: Path, capsys: Captured) -> None:
    assert cli.main(["identify", str(photo), "--marked", str(photo.parent / "no" / "such" / "m.jpg")]) == 1
    assert "expected to write m.jpg" in capsys.readouterr().err


def test_listing(monkeypatch: pytest.MonkeyPatch, photo: Path, capsys: Captured) -> None:
    use(monkeypatch, ALLOY5.network())
    said = {}
    for claim in ("alloy5", "alloy4", "iron"):
        assert cli.main(["listing", str(photo), "--claim", claim, "--json"]) == 0
        said[claim] = json.loads(capsys.readouterr().out)["claim"]["result"]
    assert said == {"alloy5": "supported", "alloy4": "contradicted", "iron": "contradicted"}
    use(monkeypatch, NOTHING.network())
    assert cli.main(["listing", str(photo), "--claim", "iron"]) == 0
    assert "stays open" in capsys.readouterr().out.splitlines()[0]


def test_report(alloy4: None, photo: Path, capsys: Captured) -> None:
    out = photo.with_name("report.pdf")
    command = ["report", str(photo), "--out", str(out), "--claim", "alloy5", "--magnet", "falls", "--by", "me"]
    assert cli.main([*command, "--day", "2026-11-25"]) == 0
    first = out.read_bytes()
    assert first.startswith(b"%PDF-")
    assert cli.main([*command, "--day", "2026-11-25"]) == 0 and out.read_bytes() == first
    assert cli.main([*command, "--day", "yesterday"]) == 1
    assert "expected a date" in capsys.readouterr().err


def test_fit_and_parts(capsys: Captured) -> None:
    assert cli.main(["fit", "--now", "iron", "--wanted", "alloy5", "--manifold", "plain", "--arrester", "iron"]) == 0
    assert capsys.readouterr().out.startswith(" 1. ")
    assert cli.main(["fit", "--wanted", "iron", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["fit"]
    assert cli.main(["parts", "--era", "iron", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["parts"]
    assert {r["order"] for r in rows} == {"fits", "do_not_order"}
    assert all("iron" in r["fits"] for r in rows if r["order"] == "fits")
    assert cli.main(["parts", "--json"]) == 0
    assert {r["order"] for r in json.loads(capsys.readouterr().out)["parts"]} == {"fits", "wait"}


def test_a_bad_catalogue_is_told(tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "mine.csv").write_text("part,fits\nkit,alloy9\n")
    assert cli.main(["parts", "--catalogue", str(tmp_path / "mine.csv")]) == 1
    assert "alloy9" in capsys.readouterr().err


def test_measure_and_card(tmp_path: Path, capsys: Captured) -> None:
    from updraft_key.model.scale_card import draw_card

    picture = draw_card(8)
    path = tmp_path / "card.png"
    path.write_bytes(saved(Image.fromarray(picture).convert("RGB"), "PNG"))
    # The board's left edge is 10 mm from the picture's, so 100 mm along it run from x = 80 to x = 880.
    assert cli.main(["measure", str(path), "length", "80,200", "880,200", "--printed-100", "100", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["unit"] == "mm" and value["low"] <= 100.0 <= value["high"] and abs(value["value"] - 100) < 0.5
    for wrong in (
        ["length", "80,200"],
        ["length", "80;200", "9,9"],
        ["width", "1,1", "2,2"],
        ["length", "9,9", "9e9,9"],
    ):
        assert cli.main(["measure", str(path), *wrong]) == 1
    flat = ["--above", "0", "0"]
    assert cli.main(["measure", str(path), "length", "80,200", "162.3,200", "--of", "pipe-thread", *flat]) == 0
    assert "thread gauge" in capsys.readouterr().out  # 10.29 mm: 1/8 NPT and G 1/8 are never told apart in a photo
    assert cli.main(["measure", str(path), "length", "80,200", "308.8,200", "--of", "throat-plug", *flat]) == 0
    assert "28.6 mm" in capsys.readouterr().out
    head = ["measure", str(path), "length", "80,200", "136,200", "--of", "screw-head", *flat]
    assert cli.main(head) == 0 and "shape of the head must be known" in capsys.readouterr().out
    assert cli.main([*head, "--style", "round"]) == 1
    assert cli.main(["measure", str(path), "length", "80,200", "136,200", "--of", "nut"]) == 1
    path.write_bytes(PICTURE)
    capsys.readouterr()
    assert cli.main(["measure", str(path), "length", "80,200", "680,200"]) == 1
    assert "scale card" in capsys.readouterr().err
    assert cli.main(["card", "--out", str(tmp_path / "card.pdf")]) == 0
    english = (tmp_path / "card.pdf").read_bytes()
    assert english.startswith(b"%PDF-")
    assert cli.main(["card", "--out", str(tmp_path / "card.pdf"), "--language", "de"]) == 0
    assert (tmp_path / "card.pdf").read_bytes() != english


def test_cases(alloy4: None, photo: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("UPDRAFT_KEY_CASES", str(photo.parent / "cases.sqlite"))
    assert cli.main(["identify", str(photo), "--magnet", "falls", "--keep", "blue boat \x1b[2J"]) == 0
    assert "kept as case 1" in capsys.readouterr().err
    assert cli.main(["cases", "list"]) == 0
    listed = capsys.readouterr().out
    assert "alloy4" in listed and "\x1b" not in listed
    assert cli.main(["cases", "search", "blue", "--json"]) == 0
    assert [c["case"] for c in json.loads(capsys.readouterr().out)] == [1]
    assert cli.main(["cases", "confirm", "1", "alloy4", "--how", "kit fitted"]) == 0
    assert cli.main(["cases", "score"]) == 0
    assert json.loads(capsys.readouterr().out)["right"] == 1
    assert cli.main(["cases", "show", "1"]) == 0
    jsonschema.validate(json.loads(capsys.readouterr().out)["answer"], DOCUMENT)
    assert cli.main(["cases", "export", str(photo.parent / "set")]) == 0
    assert (photo.parent / "set" / "coco.json").exists()
    assert cli.main(["cases", "forget", "1"]) == 0
    assert cli.main(["cases", "show", "1"]) == 1
    (photo.parent / "cases.sqlite").write_bytes(b"no database" * 500)
    assert cli.main(["cases", "list"]) == 1


@pytest.mark.parametrize("name", NAMES)
def test_hostile_names_are_shown_and_not_obeyed(
    alloy4: None, name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    for data, code in ((PICTURE, 0), (b"broken", 1)):
        path.write_bytes(data)
        assert cli.main(["identify", "--", str(path)]) == code
        assert cli.main(["identify", "--json", "--", str(path)]) == code
        out, err = capfd.readouterr()
        assert all(c.isprintable() or c == "\n" for c in out + err)
        assert len(err.splitlines()) == (0 if code == 0 else 2)


def test_harmless() -> None:
    assert harmless("a\x1b[2J\u202eb\x07\r") == "a\\x1b[2J\\u202eb\\x07\\r"
    assert harmless("Ø — µ Ж\n") == "Ø — µ Ж\n"


def test_nothing_private_comes_out(
    alloy4: None, tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Position, serial number and comment of four formats, against every byte that the command writes."""
    pixels = bench(800, 600)
    source, results = tmp_path / "in", tmp_path / "out"
    source.mkdir()
    results.mkdir()
    monkeypatch.setenv("UPDRAFT_KEY_CASES", str(results / "cases.sqlite"))
    secrets = (*GPS, SERIAL, b"Demo Camera Works", b"GPSLatitude", b"Exif\0\0")
    for name, data in tagged(pixels).items():
        assert any(s in data for s in secrets), "the picture holds what is looked for"
        (source / name).write_bytes(data)
        path, picture = str(source / name), str(results / f"{name}.marked.jpg")
        assert cli.main(["identify", path, "--json", "--marked", picture, "--keep", "title"]) == 0
        assert cli.main(["identify", path]) == 0
        assert cli.main(["report", path, "--out", str(results / f"{name}.pdf")]) == 0
    assert cli.main(["cases", "export", "--all", str(results / "set")]) == 0
    said = "".join(capfd.readouterr()).encode()
    written = {"terminal": said, **{p.name: p.read_bytes() for p in results.rglob("*") if p.is_file()}}
    assert len(written) >= 12
    for place, data in written.items():
        assert not [s for s in secrets if s in data], place


def test_english_by_default_and_another_tongue_when_asked(alloy4: None, photo: Path, capsys: Captured) -> None:
    assert cli.main(["identify", str(photo), "--language", "de"]) == 0
    assert cli.main(["identify", str(photo), "--language", "tlh"]) == 1
    assert "expected one of" in capsys.readouterr().err


def test_settings_from_the_environment(monkeypatch: pytest.MonkeyPatch, photo: Path, capsys: Captured) -> None:
    asked: list[int] = []
    monkeypatch.setenv("UPDRAFT_KEY_THREADS", "3")
    monkeypatch.setattr("updraft_key.model.runtime.packaged_network", lambda n: (asked.append(n), IRON.network())[1])
    assert cli.main(["identify", str(photo)]) == 0 and asked == [3]
    for wrong in ("0", "many", "-1", "999"):
        monkeypatch.setenv("UPDRAFT_KEY_THREADS", wrong)
        assert cli.main(["identify", str(photo)]) == 1
        assert "UPDRAFT_KEY_THREADS" in capsys.readouterr().err


def test_a_foreign_network_is_told_in_one_line(monkeypatch: pytest.MonkeyPatch, photo: Path, capsys: Captured) -> None:
    from updraft_key.model.runtime import packaged_network

    monkeypatch.setattr("updraft_key.model.runtime.packaged_network", lambda _n: packaged_network(weights=photo.parent))
    assert cli.main(["identify", str(photo)]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1


COMMANDS = {
    **typer.main.get_command(cli.app).commands,  # type: ignore[attr-defined]
    **{f"cases {k}": v for k, v in typer.main.get_command(cli.app).commands["cases"].commands.items()},  # type: ignore[attr-defined]
}


@pytest.mark.parametrize("name", [n for n in COMMANDS if n not in MAKERS])
def test_every_command_has_help(name: str, capsys: Captured) -> None:
    assert COMMANDS[name].help
    assert all(getattr(p, "help", "") or p.name in ("help", "json") for p in COMMANDS[name].params), name
    assert cli.main([*name.split(), "--help"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Usage: updraft-key ") and err == ""
    assert inspect.cleandoc(COMMANDS[name].help or "").splitlines()[0] in " ".join(out.split())


@pytest.mark.parametrize("name", MAKERS)
def test_makers_commands_say_what_is_missing(name: str, monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    def missing(module: str) -> None:
        raise ImportError(name="torch")

    monkeypatch.setattr("updraft_key.app.makers.import_module", missing)
    assert cli.main([name, "--anything", "at all"]) == 1
    assert f"pip install 'updraft-key[{MAKERS[name].extra}]'" in capsys.readouterr().err


def run(*arguments: str, code: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "updraft_key.app.cli", *arguments] if not code else [sys.executable, "-c", code]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def test_identify_loads_nothing_it_does_not_need(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom updraft_key.app import cli\n"
        "assert cli.main(['identify', '--magnet', 'holds']) == 0\n"
        "print(*sorted({m.split('.')[0] for m in sys.modules}), file=sys.stderr)"
    )
    loaded = set(run(code=code).stderr.split())
    assert "updraft_key" in loaded
    assert not loaded & {
        "torch", "gradio", "sqlalchemy", "alembic", "pyarrow", "fsspec", "mitsuba", "fpdf", "pillow_heif", "fastapi",
        "rich", "scipy", "pandas", "onnx",
    }  # fmt: skip


def test_nothing_is_asked_of_the_network(
    alloy4: None, photo: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With every socket but loopback's refused, the commands work as before."""

    def refuse(_self: socket.socket, address: object) -> None:
        raise AssertionError(f"asked for {address!r}")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket.socket, "connect_ex", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    out = str(photo.with_name("out.pdf"))
    for command in (["identify", str(photo), "--json"], ["report", str(photo), "--out", out], ["card", "--out", out],
                    ["listing", str(photo), "--claim", "iron"], ["parts"], ["fit", "--wanted", "iron"]):  # fmt: skip
        assert cli.main(command) == 0


def test_as_a_process(tmp_path: Path) -> None:
    done = run("identify", "--magnet", "holds")
    assert done.returncode == 0 and "iron body" in done.stdout and done.stderr == ""
    assert run("identify", str(tmp_path / "none.jpg")).returncode == 1
    assert run("identify", "--magnet").returncode == 2


def test_a_reader_that_goes_away_is_no_error() -> None:
    done = subprocess.run(
        f"{sys.executable} -m updraft_key.app.cli parts | head -1",
        shell=True,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stdout.count("\n") == 1 and done.stderr == ""
