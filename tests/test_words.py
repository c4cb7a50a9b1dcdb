"""The wording: traceable, complete in both languages, units always in pairs, and a golden set read by a person."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from answers import Shot, case, magnet
from golden_cases import CASES, FOLDER, text_of
from hypothesis import given
from hypothesis import strategies as st
from updraft_key.app import extract, labels, words
from updraft_key.app.language import LANGUAGES, LOCALE_FOLDER, preferred, tongue
from updraft_key.app.reply import HOLES, check_template, letter, nothing_opened, reply, what_to_say
from updraft_key.app.sketch import names
from updraft_key.app.verdict_words import NAMED_SENTENCES
from updraft_key.app.words import as_text, blocks, plain_name, verdict_sentence
from updraft_key.model.answer import PartLine
from updraft_key.model.cues import ERAS, READINGS, Cue, Outcome
from updraft_key.model.errors import UpdraftKeyError
from updraft_key.model.key import load_rules
from updraft_key.model.next_look import load_looks
from updraft_key.model.units import agree, pairs, twinless

HOLE = re.compile(r"\{(\w+)\}|\$(\w+)")


class TestGolden:
    @pytest.mark.parametrize("name", CASES)
    def test_the_answer_reads_as_it_was_read(self, name: str) -> None:
        assert text_of(name) == (FOLDER / f"{name}.txt").read_text("utf-8")

    def test_there_are_thirty_and_no_leftover(self) -> None:
        assert len(CASES) == 30
        assert {p.stem for p in FOLDER.glob("*.txt")} == set(CASES)

    def test_every_outcome_is_among_them(self) -> None:
        assert {a.verdict.outcome for a, _lang in CASES.values()} == set(Outcome)

    @pytest.mark.parametrize("name", CASES)
    def test_nothing_is_certified_and_nobody_is_left_without_a_next_step(self, name: str) -> None:
        answer, lang = CASES[name]
        text = as_text(answer, lang)
        wrong = {"en": "it can be wrong", "de": "kann sich irren"}[lang]
        assert wrong in " ".join(text.split())
        if answer.verdict.outcome is not Outcome.NAMED:
            assert answer.next_looks
            assert tongue(lang).again(answer.next_looks[0].how).split(",")[0] in " ".join(text.split())


class TestTrace:
    def test_every_reason_carries_a_rule_of_the_file(self) -> None:
        known = {r.id for r in load_rules().rules}
        for answer, lang in CASES.values():
            why = [b for b in blocks(answer, lang) if b.id == "why"]
            refs = [line.ref for b in why for line in b.lines]
            assert set(refs) <= known
            assert len(refs) == len(answer.verdict.reasons)
            for ref in refs:
                assert f"[{ref}]" in as_text(answer, lang)

    def test_settling_reasons_come_before_hints(self) -> None:
        answer = case(Shot({Cue.METAL: "iron", Cue.FRONT_EAR: "none"}))
        kinds = [line.kind for line in words.reason_lines(answer)]
        assert kinds == ["settles", "hint"]

    def test_every_look_has_a_drawing(self) -> None:
        wanted = {look.drawing for look in load_looks().looks}
        assert wanted <= set(names())

    def test_every_reading_and_mark_has_a_name(self) -> None:
        for cue, readings in READINGS.items():
            for reading in (*readings, "unsure", "out_of_sight"):
                for lang in LANGUAGES:
                    assert labels.reading_name(cue, reading, lang)
        assert labels.mark_name("screw_3") == "joint screw 3"
        assert labels.mark_name("something_new") == "something new"

    def test_sources_are_said_in_words(self) -> None:
        assert labels.sources_name(("photo:0", "hand:magnet", "photo:0")) == "photo 1, magnet test"
        assert labels.source_name("photo:9", "de") == "Foto 10"


class TestVerdict:
    @pytest.mark.parametrize("lang", LANGUAGES)
    def test_a_name_is_said_only_when_named(self, lang: str) -> None:
        named = {tongue(lang).say(s) for s in NAMED_SENTENCES.values()}
        for answer, _lang in CASES.values():
            said = verdict_sentence(answer, lang)
            assert (said in named) == (answer.verdict.outcome is Outcome.NAMED)

    def test_an_open_answer_says_what_is_left_and_what_is_ruled_out(self) -> None:
        lines = [line.text for line in words.verdict_lines(case(Shot({Cue.SCAVENGE_LINE: "external"})))]
        assert lines[0].count("alloy body") == 2
        assert lines[1] == "Ruled out: “iron body”."

    def test_a_conflict_shows_both_sides_and_forbids_ordering(self) -> None:
        answer = case(Shot({Cue.FRONT_EAR: "bare"}), hand=[magnet(holds=True)])
        text = " ".join(line.text for line in words.verdict_lines(answer))
        assert "“iron body”" in text and "“alloy body, four screws”" in text
        assert "Order nothing" in text

    def test_four_or_five_is_never_left_to_the_magnet(self) -> None:
        answer = case(hand=[magnet(holds=False)])
        text = " ".join(line.text for line in words.magnet_lines(answer))
        assert "settles nothing between four and five screws" in text


class TestParts:
    def test_a_catalogue_of_thousands_stays_readable(self) -> None:
        answer = case(Shot({Cue.FRONT_EAR: "bare"}))
        many = tuple(PartLine(f"part {i}", order, ("alloy4",), why=order)
                     for i in range(3000) for order in ("fits", "do_not_order"))  # fmt: skip
        from dataclasses import replace

        lines = words.part_lines(replace(answer, parts=many))
        assert len(lines) < 50
        assert any("2960 more" in line.text for line in lines)

    def test_what_must_not_be_ordered_is_named(self) -> None:
        lines = words.part_lines(case(Shot({Cue.FRONT_EAR: "bare"})))
        text = " ".join(line.text for line in lines if line.kind == "do_not_order")
        assert "Rebuild kit, iron body" in text and "Rebuild kit, alloy body with five joint screws" in text


class TestReply:
    @pytest.mark.parametrize("lang", LANGUAGES)
    @pytest.mark.parametrize("name", CASES)
    def test_every_case_makes_a_letter(self, name: str, lang: str) -> None:
        text = reply(CASES[name][0], lang)
        assert text.startswith({"en": "Hello", "de": "Guten Tag"}[lang])
        assert "$" not in text and "\n\n\n" not in text
        answer = CASES[name][0]
        named = [tongue(lang).say(sentence) for sentence in NAMED_SENTENCES.values()]
        assert [n for n in named if n in text] == ([verdict_sentence(answer, lang)] if answer.verdict.era else [])
        assert what_to_say(answer, lang)["verdict"] in text
        wait = tongue(lang).say("Please do not order a kit or inside parts yet: which ones fit depends on it.")
        assert (wait in text) == (answer.verdict.outcome in ("shortlist", "conflict"))

    def test_a_customer_is_not_sent_two_ways(self) -> None:
        for name in ("21_a_cat", "22_blurred_and_dark"):
            text = reply(CASES[name][0])
            assert text.lower().count("take a photo") == 1, text
        assert "Under Photos" not in reply(CASES["22_blurred_and_dark"][0])  # a letter has no such part

    def test_nothing_could_be_opened(self) -> None:
        text = letter(nothing_opened([f"{n}.jpg" for n in range(9)]))
        assert "- 0.jpg\n" in text and "- and 3 more" in text and "9.jpg" not in text
        assert "as JPEG files" in text and "What" not in text

    def test_it_asks_for_one_thing_only(self) -> None:
        text = reply(CASES["09_magnet_falls_after_a_vague_photo"][0])
        asked = text.split("To settle it, please send us or try this:")[1].split("\n\n")[0]
        assert asked.count("\n- ") == 1
        assert "do not order a kit" in text

    def test_the_seller_s_own_template(self) -> None:
        answer = CASES["02_front_shows_screwed_ear"][0]
        assert reply(answer, template="Hi. $verdict Bye.").startswith("Hi. This is the carburetor")

    @pytest.mark.parametrize("bad", ["$verdikt", "costs $ 5", "${ask", "$verdict $name"])
    def test_a_template_with_other_holes_is_refused(self, bad: str) -> None:
        with pytest.raises(UpdraftKeyError, match="reply template"):
            check_template(bad)
        for hole in HOLES:
            check_template(f"${hole} and $$5")


class TestCatalogues:
    OTHERS = tuple(code for code in LANGUAGES if code != "en")

    @pytest.fixture(params=OTHERS)
    def book(self, request: pytest.FixtureRequest):  # type: ignore[no-untyped-def]
        polib = pytest.importorskip("polib")
        return polib.pofile(str(LOCALE_FOLDER / request.param / "LC_MESSAGES" / "updraft_key.po"))

    @pytest.mark.parametrize("code", OTHERS)
    def test_nothing_is_missing(self, code: str) -> None:
        pytest.importorskip("polib")
        assert extract.missing(code) == ()

    def test_nothing_is_left_over(self, book) -> None:  # type: ignore[no-untyped-def]
        assert {e.msgid for e in book} == set(extract.messages())

    def test_holes_match(self, book) -> None:  # type: ignore[no-untyped-def]
        for e in book:
            assert sorted(HOLE.findall(e.msgid)) == sorted(HOLE.findall(e.msgstr)), e.msgid

    def test_figures_match(self, book) -> None:  # type: ignore[no-untyped-def]
        """Every figure of the English text stands in the translation (decimal comma for point)."""
        figure = re.compile(r"\d+(?:[.,/]\d+)*")
        for e in book:
            english = sorted(figure.findall(e.msgid.replace(",000", "000")))
            other = sorted(figure.findall(re.sub(r"(\d),(\d)", r"\1.\2", e.msgstr)))
            assert [f for f in english if f not in other] == [], e.msgid

    @pytest.mark.parametrize("code", OTHERS)
    def test_the_compiled_file_is_the_written_one(self, code: str) -> None:
        polib = pytest.importorskip("polib")
        folder = LOCALE_FOLDER / code / "LC_MESSAGES"
        written = {e.msgid: e.msgstr for e in polib.pofile(str(folder / "updraft_key.po"))}
        compiled = {e.msgid: e.msgstr for e in polib.mofile(str(folder / "updraft_key.mo"))}
        assert written == compiled

    def test_no_english_is_left_in_a_german_answer(self) -> None:
        """Texts of rules, looks, fit plan, parts, findings and errors come out of ``model/``; none may stay English."""
        english = re.compile(r"\b(the|and|with|of the|is|are|not|screws|without)\b")
        for name, (answer, _lang) in CASES.items():
            for block in blocks(answer, "de"):
                for line in block.lines:
                    text = re.sub(r"\S+\.(jpg|png)\S*", "", line.text)
                    assert not english.search(text), (name, block.id, line.text)

    def test_filled_texts_are_recognised(self) -> None:
        said = "expected at most 25 MB, got more; send it at a smaller size"
        assert tongue("de").again(said) == "erwartet wurden höchstens 25 MB, gekommen ist mehr; kleiner senden"
        assert tongue("en").again(said) == said
        assert tongue("de").again("a seller's own words") == "a seller's own words"

    @pytest.mark.parametrize(("tag", "code"), [("de-CH", "de"), ("de_AT.UTF-8", "de"), ("fr", "en"), ("EN", "en")])
    def test_language_tags(self, tag: str, code: str) -> None:
        assert tongue(tag).code == code


class TestUnits:
    """A length in one unit stands beside the same length in the other, to its last digit."""

    @staticmethod
    def check(text: str) -> None:
        assert twinless(text) == (), text
        for mm, inch in pairs(text):
            assert agree(mm, inch), (mm, inch, text)

    def test_every_english_text(self) -> None:
        for text in extract.messages():
            self.check(text)

    def test_every_translation(self) -> None:
        polib = pytest.importorskip("polib")
        for code in LANGUAGES:
            if code == "en":
                continue
            for e in polib.pofile(str(LOCALE_FOLDER / code / "LC_MESSAGES" / "updraft_key.po")):
                self.check(re.sub(r"(\d),(\d)", r"\1.\2", e.msgstr.replace("Zoll", "in")))

    def test_every_golden_answer(self) -> None:
        for name in CASES:
            text = " ".join(text_of(name).split())
            self.check(re.sub(r"(\d),(\d)", r"\1.\2", text.replace("Zoll", "in")))

    def test_the_big_plug_is_among_them(self) -> None:
        """1 1/8 in is 28.575 mm (exact, 25.4 mm an inch): said as 28.6 mm."""
        assert ("28.6", "1 1/8") in pairs(labels.reading_name("throat_bottom", "big_plug"))


class TestNames:
    @given(st.text(max_size=300))
    def test_a_file_name_is_always_safe_to_show(self, name: str) -> None:
        said = plain_name(name)
        assert 1 <= len(said) <= 60
        assert said.isprintable() or all(c.isspace() or c.isprintable() for c in said)
        assert not re.search("[\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]", said)

    def test_no_line_of_an_answer_holds_a_control_mark(self) -> None:
        text = text_of("29_screenshot_with_hostile_name")
        assert "\x1b" not in text and "\u202e" not in text


def test_texts_are_plain() -> None:
    """At a boat owner's level: no text names a class, a probability in bits, or a program's internals."""
    for text in extract.messages():
        assert not re.search(r"\b(NaN|[Bb]its?|softmax|logits?|tensor|JSON|json|boolean)\b", text), text


def test_era_names_are_those_of_the_trade() -> None:
    assert [labels.era_name(e) for e in ERAS] == ["iron body", "alloy body, four screws", "alloy body, five screws"]


def test_the_folder_of_catalogues_is_complete() -> None:
    assert {p.name for p in Path(LOCALE_FOLDER).iterdir()} == {c for c in LANGUAGES if c != "en"}


@pytest.mark.parametrize(
    ("header", "lang"),
    [
        ("", "en"), ("de-CH,de;q=0.9,en;q=0.8", "de"), ("en-GB,en;q=0.9,de;q=0.5", "en"), ("fr-CH, de;q=0.4", "de"),
        ("en;q=0.2, de;q=0.7", "de"), ("de;q=0", "en"), ("de;q=9", "en"), ("*", "en"), ("DE", "de"),
        (";,;q=,\x00", "en"),
        ("x" * 9000 + ",de", "en"),
    ],
)  # fmt: skip
def test_a_browser_is_spoken_to_in_the_language_it_asks_for(header: str, lang: str) -> None:
    assert preferred(header) == lang
