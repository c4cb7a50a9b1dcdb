"""The report: what must be on page one, the same bytes twice, any script of the world, nothing of the customer's."""

import io
import shutil
import subprocess
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pypdf
import pytest
from updraft_key.app.filing import claim_section, photo_lines
from updraft_key.app.report import ClaimSection, DoneTest, Picture, ReportInput, make_pdf, number_of
from updraft_key.app.words import Line
from updraft_key.model.claims import check_claim
from updraft_key.model.cues import Cue, Era

from tests.answers import Shot, case, magnet


def report(name: str = "photo.jpg", reference: str = "ref 12") -> ReportInput:
    answer = case(
        Shot({Cue.FRONT_EAR: "bare", Cue.SCAVENGE_LINE: "external"}, file=name),
        Shot({Cue.MAIN_JET: "handle_level"}, view="rear", file="two.jpg"),
        hand=[magnet(False)],
    )
    grey = np.full((90, 120, 3), 140, np.uint8)
    return ReportInput(
        answer,
        tuple(Picture(p.file, p.sha256, grey, ("Front ear: bare",)) for p in answer.photos),
        date(2026, 11, 25),
        ClaimSection(
            "The listing says: alloy body, five screws.",
            "contradicted",
            (Line("Contradicted: the front ear has no screw in it (photo 1)."),),
        ),
        (DoneTest("Magnet on bare casting: falls", "the surveyor"),),
        reference,
    )


def pages(data: bytes) -> list[str]:
    return [" ".join(p.extract_text().split()) for p in pypdf.PdfReader(io.BytesIO(data)).pages]


def test_page_one_holds_claim_and_finding() -> None:
    first = pages(make_pdf(report()))[0]
    for words in ("five screws", "Contradicted", "alloy body and four screws", "ear_bare", "2026-11-25", "ref 12"):
        assert words in first
    assert number_of(report()) in first


@pytest.mark.parametrize("lang", ["en", "de"])
def test_the_claim_s_panel_keeps_for_against_and_unseen_apart(lang: str) -> None:
    """A conflict: each side stands under its own heading, what no photo shows under a third, nothing in two places."""
    answer = case(
        Shot({Cue.FRONT_EAR: "bare", Cue.SCAVENGE_LINE: "external"}, file="one.jpg"),
        Shot({Cue.MAIN_JET: "handle_sloping"}, view="rear", file="two.jpg"),
    )
    section = claim_section(check_claim(Era.IRON, answer), answer, lang)
    groups = {g.id: g for g in section.groups}
    assert {line.ref for line in groups["supports"].lines} == {"jet_sloping"}
    assert {line.ref for line in groups["contradicts"].lines} == {"ear_bare", "tube_external"}
    assert len(groups["unseen"].lines) == 3, "screws, metal, underside"
    grey = np.full((90, 120, 3), 140, np.uint8)
    pictures = tuple(
        Picture(p.file, p.sha256, grey, photo_lines(answer, i, Era.IRON, lang)) for i, p in enumerate(answer.photos)
    )
    said = pages(make_pdf(ReportInput(answer, pictures, date(2026, 11, 25), section, language=lang)))
    at = [said[0].index(groups[name].title) for name in ("supports", "contradicts", "unseen")]
    assert at == sorted(at)
    assert said[0].index("jet_sloping") < at[1] < said[0].index("ear_bare") < at[2]
    words = "contradicts the claim" if lang == "en" else "widerspricht der Behauptung"
    assert " ".join(said).count(f"({words})") == 2, "beside the photo that shows it"


@pytest.mark.parametrize(("claim", "empty"), [(Era.ALLOY5, "contradicts"), (Era.ALLOY4, "supports")])
def test_a_side_with_nothing_on_it_says_so(claim: Era, empty: str) -> None:
    answer = case(Shot({Cue.FRONT_EAR: "screwed"}))
    section = claim_section(check_claim(claim, answer), answer, "en")
    group = next(g for g in section.groups if g.id == empty)
    assert [line.text for line in group.lines] == ["Nothing."]


def test_the_rest_holds_what_it_was_made_from() -> None:
    said, whole = report(), " ".join(pages(make_pdf(report())))
    for photo in said.answer.photos:
        assert photo.sha256 in whole.replace(" ", "") or photo.sha256 in whole
    for words in ("the surveyor", "Rules version", "it can be wrong", "Petrol vapour"):
        assert words in whole


def test_same_input_same_bytes() -> None:
    assert make_pdf(report()) == make_pdf(report())


def test_another_day_changes_only_the_date() -> None:
    later = replace(report(), day=date(2027, 1, 2))
    first, second = pages(make_pdf(report())), pages(make_pdf(later))
    assert [p.replace("2026-11-25", "") for p in first] == [p.replace("2027-01-02", "") for p in second]
    assert number_of(report()) == number_of(later)


@pytest.mark.parametrize(
    "text", ["Øster — µ Ж Ω.jpg", "日本.jpg", "\u202egpj.exe", "<b>&amp;", "\x1b[31m", "(\\)\r\n/JS"]
)
def test_any_name_can_be_printed(text: str) -> None:
    data = make_pdf(report(text, reference=text))
    assert pages(data) and b"/JavaScript" not in data


def test_it_says_that_it_is_pdf_a() -> None:
    metadata = pypdf.PdfReader(io.BytesIO(make_pdf(report()))).xmp_metadata
    assert metadata is not None and metadata.pdfaid_part == "2" and metadata.pdfaid_conformance == "U"


def test_every_font_is_embedded(tmp_path: Path) -> None:
    if shutil.which("pdffonts") is None:
        pytest.fail("install Debian's poppler-utils: .ci/system test")
    (tmp_path / "r.pdf").write_bytes(make_pdf(report()))
    listed = subprocess.run(["pdffonts", tmp_path / "r.pdf"], check=True, capture_output=True, text=True).stdout
    rows = listed.splitlines()[2:]
    assert rows and all(r.split()[-5] == "yes" for r in rows)
