"""What to look at next. Facts of the trade: common practice, no source."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from updraft_key.model.answer import NextLook
from updraft_key.model.cues import CUES, ERAS, READINGS, VIEWS, Cue, CueVector, Evidence, Outcome
from updraft_key.model.errors import EvidenceError
from updraft_key.model.fuse import fuse
from updraft_key.model.hands import hand_test, hand_tests
from updraft_key.model.key import decide
from updraft_key.model.next_look import (
    LOOKS_FILE,
    RATES_FILE,
    REMOVAL,
    entropy,
    information,
    load_looks,
    parse_looks,
    rank,
)

RATES = json.loads(RATES_FILE.read_text(encoding="utf-8"))
DRAWINGS = Path(__file__).parents[1] / "app" / "assets" / "drawings"


def ask(said: str = "", views: tuple[str, ...] = (), tests: tuple[str, ...] = ()) -> tuple[NextLook, ...]:
    """The ranked looks after words such as ``"front_ear=bare@photo:0 metal=iron@hand:magnet"``."""
    evidence = []
    for word in said.split():
        cue, _, rest = word.partition("=")
        reading, _, source = rest.partition("@")
        evidence.append(Evidence(Cue(cue), reading, source or "photo:0"))
    vector = CueVector.from_evidence(*evidence)
    return rank(vector, decide(vector), views, tests)


def names(looks: tuple[NextLook, ...]) -> list[str]:
    return [n.look for n in looks]


# ---- the arithmetic, against published figures ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("yes", "no", "gain"),
    [
        ([2, 4, 3], [3, 0, 2], 0.246750),  # outlook: sunny, overcast, rain
        ([3, 6], [4, 1], 0.151836),  # humidity: high, normal
        ([6, 3], [2, 3], 0.048127),  # wind: weak, strong
        ([2, 4, 3], [2, 2, 1], 0.029223),  # temperature: hot, mild, cool
    ],
)
def test_the_fourteen_days_of_tennis(yes: list[int], no: list[int], gain: float) -> None:
    """Textbook table of 14 days, 9 yes and 5 no. Source: outside checks, section 7.2; it allows 0.001, since the
    textbook rounds in between.
    """
    assert entropy(np.array([9.0, 5.0])) == pytest.approx(0.940286, abs=1e-6)
    likelihood = np.array([np.array(yes) / 9.0, np.array(no) / 5.0])
    assert information(np.array([9.0, 5.0]), likelihood) == pytest.approx(gain, abs=0.001)


def test_entropies_of_the_same_table() -> None:
    """Source: outside checks, section 7.2."""
    for pair, bits in (((3, 4), 0.985228), ((6, 1), 0.591673), ((2, 3), 0.970951), ((6, 2), 0.811278)):
        assert entropy(np.array(pair, float)) == pytest.approx(bits, abs=1e-6)


@pytest.mark.parametrize(
    ("prior", "sensitivity", "specificity", "bits"),
    [(0.5, 0.9, 0.9, 0.531004), (0.5, 1.0, 1.0, 1.0), (0.01, 0.8, 0.904, 0.019715), (0.25, 1.0, 1.0, 0.8113)],
)
def test_a_yes_no_look(prior: float, sensitivity: float, specificity: float, bits: float) -> None:
    """Source: outside checks, section 7.2."""
    likelihood = np.array([[sensitivity, 1 - sensitivity], [1 - specificity, specificity]])
    assert information(np.array([prior, 1 - prior]), likelihood) == pytest.approx(bits, abs=1e-4)


@pytest.mark.parametrize(("on_each_side", "bits"), [(4, 1.585), (6, 1.0), (1, 0.817)])
def test_twelve_coins_on_a_balance(on_each_side: int, bits: float) -> None:
    """One of 12 coins is heavy or light: 24 hypotheses. Source: outside checks, section 7.2."""
    rows = []
    for coin in range(12):
        for heavy in (True, False):
            if coin >= 2 * on_each_side:
                rows.append([0.0, 0.0, 1.0])
            else:
                left_down = (coin < on_each_side) == heavy
                rows.append([float(left_down), float(not left_down), 0.0])
    assert information(np.ones(24), np.array(rows)) == pytest.approx(bits, abs=5e-4)


@given(
    st.lists(st.tuples(st.floats(0.001, 1), st.floats(0, 1)), min_size=2, max_size=24),
)
def test_no_yes_no_look_is_worth_more_than_one_bit_or_less_than_nothing(rows: list[tuple[float, float]]) -> None:
    prior = np.array([p for p, _ in rows])
    likelihood = np.array([[q, 1 - q] for _, q in rows])
    bits = information(prior, likelihood)
    assert 0.0 <= bits <= min(1.0, entropy(prior)) + 1e-9


# ---- what is asked for ---------------------------------------------------------------------------------------


def test_with_nothing_known_the_front_comes_first_and_removal_last() -> None:
    looks = ask()
    assert looks[0].look == "look_front" and looks[0].effort == 1
    assert looks[-1].effort == 5 and names(looks).index("magnet") < names(looks).index("weigh")
    efforts = [n.effort >= REMOVAL for n in looks]
    assert efforts == sorted(efforts), "nothing has to come off before all else has been asked for"


@pytest.mark.parametrize(
    "said",
    ["metal=alloy@hand:magnet", "scavenge_line=external", "main_jet=handle_level throat_bottom=tube_fitting"],
)
def test_between_the_alloy_bodies_it_is_the_front_of_the_joint_never_the_magnet(said: str) -> None:
    for views in ((), ("left",), ("below", "rear", "front_left"), ("front",), VIEWS):
        looks = ask(said, views)
        assert looks[0].look == ("look_front_close" if "front" in views else "look_front")
        assert "magnet" not in names(looks) and "weigh" not in names(looks)
        assert all(set(n.settles) <= {"front_ear", "joint_screws"} for n in looks)


def test_iron_against_alloy_offers_the_magnet() -> None:
    looks = ask("", VIEWS, ("ear", "handle", "tube", "plug", "screws"))
    assert names(looks)[:2] == ["look_front_close", "magnet"]


def test_what_was_done_is_not_asked_again() -> None:
    assert "look_front" not in names(ask("", ("front",)))
    assert "look_below" not in names(ask("", ("below",)))
    assert "feel_ear" not in names(ask("", (), ("ear",)))
    vector = fuse([], [hand_test("ear", "unsure")])
    assert "feel_ear" not in names(rank(vector, decide(vector))), "a test in the vector counts as done"


def test_a_weak_magnet_is_asked_for_again_on_bare_metal() -> None:
    vector = fuse([], [hand_test("magnet", "weak")])
    assert "magnet" in names(rank(vector, decide(vector)))


def test_the_arrester_comes_off_only_after_the_front_was_tried() -> None:
    assert "arrester_off" not in names(ask()) and "look_front_close" not in names(ask())
    looks = names(ask("", ("front",)))
    assert looks.index("look_front_close") < looks.index("arrester_off")


def test_a_named_generation_leaves_nothing_to_ask_unless_the_metal_is_in_doubt() -> None:
    assert ask("front_ear=bare") == ()
    assert names(ask("front_ear=bare metal=iron")) == ["magnet"]
    assert names(ask("main_jet=handle_sloping metal=alloy", VIEWS)) == ["magnet"]


def test_a_conflict_asks_for_what_disagrees_again() -> None:
    looks = ask("front_ear=bare front_ear=screwed@photo:1", ("front", "front_left"))
    assert looks[0].look == "look_front_close" and "magnet" not in names(looks)
    assert all("front_ear" in n.settles for n in looks)
    looks = ask("front_ear=none scavenge_line=external@photo:1", ("front", "left"))
    assert "magnet" in names(looks)
    for n in looks:
        assert set(n.settles) <= {"front_ear", "scavenge_line", "metal"}, "a third witness cannot end a conflict"
    looks = ask("metal=iron@hand:magnet throat_bottom=tube_fitting", ("left",), ("magnet",))
    assert {"magnet", "look_below", "look_plug"} <= set(names(looks)[:8])


def test_a_look_that_is_wrong_more_often_comes_later_and_what_is_as_good_as_equal_keeps_its_order() -> None:
    text, vector = LOOKS_FILE.read_text(encoding="utf-8"), CueVector.from_evidence()

    def order(rates: object = RATES, caution: str = "caution = 4.0") -> list[str]:
        looks = parse_looks(text.replace("caution = 4.0", caution), rates)  # type: ignore[arg-type]
        return names(rank(vector, decide(vector), looks=looks))

    far = order(caution="caution = 24.0").index("feel_ear")
    assert order(caution="caution = 0.0").index("feel_ear") < far
    same = {**RATES, **{v: dict.fromkeys(RATES[v], 0.5) for v in ("front", "left", "right", "top")}}
    assert order(same)[:1] == ["look_front"]
    slightly = {**same, "left": {**same["left"], "main_jet": 0.52}}
    assert order(slightly)[0] == "look_front", "what a few pictures more or less would turn round decides nothing"
    plainly = {**same, "front": dict.fromkeys(RATES["front"], 0.1), "left": dict.fromkeys(RATES["left"], 0.9)}
    assert order(plainly)[0] == "look_left"


def test_a_short_list_keeps_the_magnet_when_it_is_asked_for() -> None:
    vector = CueVector.from_evidence()
    few = rank(vector, decide(vector), most=3)
    assert len(few) == 3 and few[0].look == "look_front" and few[-1].look == "magnet"
    six = names(rank(vector, decide(vector), most=6))
    assert len(six) == 6 and len({"look_front_left", "look_front_right"} & set(six)) == 1
    assert len(rank(vector, decide(vector), most=1)) == 1


def test_a_photo_of_something_else_is_answered_with_a_first_look() -> None:
    vector = CueVector(CueVector.from_evidence().cues, 1, 1, False)
    verdict = decide(vector)
    assert verdict.outcome == Outcome.NOT_SEEN and rank(vector, verdict)[0].look == "look_front"


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_ranking_properties(data: st.DataObject) -> None:
    evidence = []
    for _ in range(data.draw(st.integers(0, 4))):
        cue = data.draw(st.sampled_from(CUES))
        source = data.draw(st.sampled_from(["photo:0", "photo:1", "hand:magnet", "hand:ear"]))
        evidence.append(Evidence(cue, data.draw(st.sampled_from(READINGS[cue])), source))
    views = data.draw(st.sets(st.sampled_from(VIEWS)))
    vector = CueVector.from_evidence(*evidence)
    verdict = decide(vector)
    looks = rank(vector, verdict, views)
    assert len(set(names(looks))) == len(looks)
    assert rank(vector, verdict, sorted(views, reverse=True)) == looks, "same question, same answer"
    for n in looks:
        assert load_looks().worth_asking <= n.bits <= np.log2(len(ERAS)) + 1e-9
        assert n.settles and 1 <= n.effort <= 5 and n.how.endswith((".", "?"))
    if verdict.outcome is Outcome.SHORTLIST:
        assert looks, "an open question always has something to ask for"
        assert not {f"look_{v}" for v in views} & set(names(looks))


# ---- the data ------------------------------------------------------------------------------------------------


def test_the_shipped_looks_name_real_views_tests_and_cues() -> None:
    looks = load_looks().looks
    assert {k.view for k in looks if k.view} == set(VIEWS)
    assert {k.test for k in looks if k.test} <= set(hand_tests())
    front = next(k for k in looks if k.view == "front")
    assert all(front.shows[Cue.FRONT_EAR] >= k.shows[Cue.FRONT_EAR] for k in looks if k.view)
    if any(DRAWINGS.glob("*.svg")):
        missing = {k.drawing for k in looks} - {p.stem for p in DRAWINGS.glob("*.svg")}
        assert not missing, f"looks without a drawing: {missing}"


def test_measured_rates_replace_the_estimates() -> None:
    text = LOOKS_FILE.read_text(encoding="utf-8")
    blind = {**RATES, "front": dict.fromkeys(RATES["front"], 0.0)}
    vector = CueVector.from_evidence()
    assert rank(vector, decide(vector), looks=parse_looks(text, blind))[0].look == "look_front_left"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('view = "front"', 'view = "inside"'),
        ("effort = 1", "effort = 9"),
        ("four = 1.0", "four = 0.9"),
        ("metal = 0.10", "metal = 1.10"),
        ("[seen.iron]", "[seen.brass]"),
    ],
)
def test_a_broken_file_is_refused(old: str, new: str) -> None:
    text = LOOKS_FILE.read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(EvidenceError, match="looks"):
        parse_looks(text.replace(old, new, 1), RATES)
