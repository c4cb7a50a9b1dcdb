"""``listing`` files a report, keeps the case and says who did the hand tests, in one command."""

import io
import json
from pathlib import Path

import pytest
from pypdf import PdfReader
from updraft_key.app.cli import main
from updraft_key.app.store import Store

EXAMPLES = Path(__file__).resolve().parent.parent / "app" / "assets" / "examples"
ASKED = [
    "listing",
    str(EXAMPLES / "iron_from_below.jpg"),
    "--claim",
    "alloy5",
    "--magnet",
    "holds",
    "--by",
    "A. Surveyor",
]


@pytest.fixture
def cases(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    url = str(tmp_path / "cases.sqlite")
    monkeypatch.setenv("UPDRAFT_KEY_CASES", url)
    return url


def test_the_pdf_is_that_of_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    day = ["--day", "2026-11-25", "--reference", "Hull 7"]
    assert main([*ASKED, *day, "--pdf", str(tmp_path / "listing.pdf")]) == 0
    assert "contradicted" in capsys.readouterr().out
    report = ["report", *ASKED[1:], *day, "--out", str(tmp_path / "report.pdf")]
    assert main(report) == 0
    assert (tmp_path / "listing.pdf").read_bytes() == (tmp_path / "report.pdf").read_bytes()
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO((tmp_path / "listing.pdf").read_bytes())).pages)
    assert "A. Surveyor" in text and "Hull 7" in text


def test_the_case_is_kept_and_can_be_found_and_confirmed(cases: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*ASKED, "--keep", "boat on the hard", "--reference", "Hull 7", "--json"]) == 0
    told = capsys.readouterr()
    assert json.loads(told.out)["claim"]["result"] == "contradicted" and "kept as case 1" in told.err
    assert main(["cases", "search", "contradicted", "alloy5", "Hull", "--json"]) == 0
    assert [c["title"] for c in json.loads(capsys.readouterr().out)] == ["boat on the hard"]
    assert main(["cases", "confirm", "1", "iron", "--how", "seen by a yard"]) == 0
    store = Store(cases)
    case = store.get(1)
    store.close()
    assert [(t.test, t.outcome, t.by) for t in case.tests] == [("magnet", "holds", "A. Surveyor")]
    assert (case.truth, case.era, len(case.photos)) == ("iron", "iron", 1)


def test_a_pdf_that_cannot_be_written_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*ASKED, "--pdf", str(tmp_path / "no" / "folder.pdf")]) == 1
    assert "expected to write folder.pdf" in capsys.readouterr().err


def test_a_kept_inbox_is_found_in_the_cases(cases: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "in").mkdir()
    for name in ("iron_from_below.jpg", "something_else.jpg"):
        (tmp_path / "in" / name).write_bytes((EXAMPLES / name).read_bytes())
    argv = ["screen", str(tmp_path / "in"), "--out", str(tmp_path / "out"), "--engine", "here", "--keep"]
    assert main(argv) == 0 and main(argv) == 0  # again, it keeps nothing twice
    assert json.loads("[" + capsys.readouterr().out.replace("}\n{", "},{") + "]")[0] == {"answer_now": 1, "not_ours": 1}
    assert main(["cases", "list", "--json"]) == 0
    assert [(c["title"], c["era"]) for c in json.loads(capsys.readouterr().out)] == [("iron_from_below", "iron")]
