"""Photos to an answer, end to end, with drawn network outputs: no weights needed. Issue 2 point 7 is here."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from answers import Shot, photo_answer
from hostile.pictures import broken, jpeg, saved, scene, with_orientation
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image
from raw import ALLOY4, ALLOY5, IRON, NOTHING, Sight, bench
from updraft_key.model import Era, Identifier, Outcome, hand_test, open_photo
from updraft_key.model.answer import Answer
from updraft_key.model.cues import Cue
from updraft_key.model.errors import EvidenceError, ModelFileError, PhotoError
from updraft_key.model.frame import NetInput
from updraft_key.model.identify import NO_MODEL, NamedPhoto
from updraft_key.model.photo import Photo
from updraft_key.model.runtime import FakeNetwork, RawOutputs
from updraft_key.model.spec import ModelSpec

PLAIN = open_photo(jpeg(bench()))


def named(*photos: Photo | PhotoError) -> list[NamedPhoto]:
    return [(f"photo{i}.jpg", p) for i, p in enumerate(photos)]


def asked(sight: Sight, *photos: Photo | PhotoError) -> Answer:
    return Identifier(sight.network()).identify(named(*(photos or (PLAIN,))))


@pytest.mark.parametrize(
    ("sight", "era"), [(IRON, Era.IRON), (ALLOY4, Era.ALLOY4), (ALLOY5, Era.ALLOY5)], ids=["iron", "alloy4", "alloy5"]
)
def test_a_clear_photo_names_the_generation(sight: Sight, era: Era) -> None:
    answer = asked(sight)
    assert (answer.verdict.outcome, answer.verdict.era) == (Outcome.NAMED, era)
    assert answer.verdict.reasons and answer.cautions and answer.model.name == "fake"
    assert any(p.order == "fits" for p in answer.parts)
    assert all(r.sources for r in answer.verdict.reasons)


def test_no_carburetor_is_not_seen() -> None:
    answer = asked(NOTHING)
    assert answer.verdict.outcome is Outcome.NOT_SEEN and answer.parts == ()


def test_the_second_look_is_not_taken_where_the_first_finds_nothing() -> None:
    sizes: list[int] = []

    def watch(image: NetInput) -> RawOutputs:
        sizes.append(image.shape[-1])
        return NOTHING.outputs(image.shape[-1], second=False)

    Identifier(FakeNetwork(watch)).identify(named(PLAIN))
    assert sizes == [320]


def test_the_second_look_is_the_box_with_its_margin() -> None:
    """Box (0.25..0.75) of a 1600 x 1200 photo letterboxed to 320: x 400..1200, y 200..1000; 15 % more each side."""
    seen: list[NetInput] = []

    def watch(image: NetInput) -> RawOutputs:
        seen.append(image)
        return ALLOY4.outputs(image.shape[-1], second=image.shape[-1] == 448)

    answer = Identifier(FakeNetwork(watch)).identify(named(PLAIN))
    assert [s.shape for s in seen] == [(1, 3, 320, 320), (1, 3, 448, 448)]
    readings = answer.photos[0].readings
    assert readings is not None and readings.subject.box == pytest.approx((400, 200, 1200, 1000))
    # The crop runs from (280, 80) to (1320, 1120), 1040 on a side: network (200, 232) is there.
    x, y = readings.cues[Cue.FRONT_EAR].marks[0].points[0]  # type: ignore[index]
    assert (x, y) == pytest.approx((280 + 200 / 448 * 1040, 80 + 232 / 448 * 1040), abs=1.0)


class Looking:
    """A network that names a generation by where the yellow patch lies: a turned picture is misread."""

    spec = ModelSpec(name="looking")

    def __call__(self, image: NetInput) -> RawOutputs:
        size = image.shape[-1]
        yellow = (image[0, 0] > 0.5) & (image[0, 2] < 0)
        rows, columns = np.nonzero(yellow)
        upright = len(rows) > 0 and rows.mean() < 0.45 * size and columns.mean() < 0.45 * size
        return (ALLOY5 if upright else IRON).outputs(size, second=size == 448)


@pytest.fixture(scope="module")
def large() -> NDArray[np.uint8]:
    """Twelve megapixels."""
    return bench(4000, 3000)


@pytest.fixture(scope="module")
def upright(large: NDArray[np.uint8]) -> Answer:
    return Identifier(FakeNetwork(Looking())).identify(named(open_photo(jpeg(large))))


def same(a: Answer, b: Answer) -> bool:
    """Equal in everything but the hash of the bytes."""
    one, two = a.to_json(), b.to_json()
    for answer in (one, two):
        for photo in answer["photos"]:
            photo.pop("sha256")
    return one == two


@pytest.mark.parametrize("turn", range(1, 9))
def test_each_exif_orientation_gives_the_same_answer(turn: int, large: NDArray[np.uint8], upright: Answer) -> None:
    answer = Identifier(FakeNetwork(Looking())).identify(named(open_photo(with_orientation(large, turn))))
    assert answer.verdict.era is Era.ALLOY5 and same(answer, upright)
    assert (answer.photos[0].width, answer.photos[0].height) == (4000, 3000)


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "HEIF"])
def test_each_format_gives_the_same_answer(kind: str, large: NDArray[np.uint8], upright: Answer) -> None:
    data = saved(Image.fromarray(large), kind, **({} if kind == "PNG" else {"quality": 90}))
    assert same(Identifier(FakeNetwork(Looking())).identify(named(open_photo(data))), upright)


def test_a_broken_file_among_good_ones_takes_nothing_from_them() -> None:
    errors = []
    for _name, data in broken():
        with pytest.raises(PhotoError) as caught:
            open_photo(data)
        errors.append(caught.value)
    answer = asked(ALLOY4, errors[0], PLAIN, *errors[1:])
    assert answer.verdict.era is Era.ALLOY4
    assert [p.usable for p in answer.photos] == [False, True, *[False] * (len(errors) - 1)]
    assert all(p.error and p.readings is None for p in answer.photos if not p.usable)
    assert all(r.sources == ("photo:1",) for r in answer.verdict.reasons)


def test_only_broken_files_ask_for_another_photo() -> None:
    answer = asked(ALLOY4, PhotoError("expected a picture, got an empty file"))
    assert answer.verdict.outcome is Outcome.RETAKE and answer.model == NO_MODEL


def test_a_black_photo_is_not_read() -> None:
    black = Photo(np.zeros((600, 800, 3), np.uint8), "0" * 64, 800, 600, 1.0)
    answer = asked(ALLOY4, black)
    assert answer.verdict.outcome is Outcome.RETAKE
    assert answer.photos[0].findings == ("dark",) and not answer.photos[0].usable


def test_hand_tests_alone_need_no_network() -> None:
    def fails(image: NetInput) -> RawOutputs:
        raise AssertionError("the network was asked")

    answer = Identifier(FakeNetwork(fails)).identify([], [hand_test("magnet", "holds")])
    assert answer.verdict.era is Era.IRON and answer.model == NO_MODEL


def test_photo_against_magnet_is_a_conflict() -> None:
    answer = Identifier(ALLOY5.network()).identify(named(PLAIN), [hand_test("magnet", "holds")])
    assert answer.verdict.outcome is Outcome.CONFLICT and answer.parts == ()


def test_the_same_picture_twice_counts_once() -> None:
    answer = asked(ALLOY4, PLAIN, PLAIN)
    assert "same_picture_twice" in answer.cues.findings
    assert all(r.sources == ("photo:0",) for r in answer.verdict.reasons)


def test_the_fit_plan_comes_when_asked_for() -> None:
    identifier = Identifier(ALLOY5.network())
    assert identifier.identify(named(PLAIN)).fit == ()
    assert identifier.identify(named(PLAIN), manifold="plain", arrester="iron", wanted="alloy5").fit
    for wrong in ({"manifold": "oval"}, {"arrester": "none of it"}, {"wanted": "alloy6"}):
        with pytest.raises(EvidenceError, match="expected"):
            identifier.identify(named(PLAIN), **wrong)


@pytest.mark.parametrize("output", ["found", "front_ear", "heat", "box", "feature"])
def test_nonsense_from_the_network_is_an_error_not_an_answer(output: str) -> None:
    def mad(image: NetInput) -> RawOutputs:
        out = dict(ALLOY4.outputs(image.shape[-1], second=image.shape[-1] == 448))
        out[output] = np.full_like(out[output], np.nan)
        return out

    with pytest.raises(ModelFileError, match="not numbers"):
        Identifier(FakeNetwork(mad)).identify(named(PLAIN))


def test_one_identifier_serves_many_threads() -> None:
    identifier = Identifier(ALLOY5.network())
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _i: identifier.identify(named(PLAIN)).to_json(), range(8)))
    assert all(a == answers[0] for a in answers)


def test_same_input_same_bytes() -> None:
    one, two = (json.dumps(asked(IRON).to_json(), sort_keys=True) for _ in range(2))
    assert one == two


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 300), st.integers(1, 300))
def test_whatever_the_network_sees_there_is_an_answer(seed: int, width: int, height: int) -> None:
    rng = np.random.default_rng(seed)
    spec = ModelSpec(name="wild", find_size=64, read_size=96)

    def wild(image: NetInput) -> RawOutputs:
        size = image.shape[-1]
        out = {k: rng.normal(0, 5, v.shape).astype(np.float32) for k, v in Sight().outputs(size, second=False).items()}
        out["found"][:] = 9.0
        return out

    pixels = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    photo = Photo(pixels, "0" * 64, width, height, 1.0)
    answer = Identifier(FakeNetwork(wild, spec)).identify(named(photo))
    json.dumps(answer.to_json(), allow_nan=False)
    assert (answer.verdict.era is not None) == (answer.verdict.outcome is Outcome.NAMED)


def test_small_pictures_of_a_scene_still_work() -> None:
    assert asked(ALLOY4, open_photo(jpeg(scene()))).verdict.era is Era.ALLOY4


def test_what_is_taken_back_is_unsure_in_the_photo_that_said_it_too_and_comes_back_when_others_agree() -> None:
    engine = Identifier(IRON.network())
    shot = photo_answer(Shot({Cue.FRONT_EAR: "none"}))
    assert shot.readings is not None
    ear = shot.readings.cues[Cue.FRONT_EAR]
    shares = {**dict.fromkeys(ear.probabilities, 0.05), "none": 0.85}
    weak = replace(shot.readings, cues={**shot.readings.cues, Cue.FRONT_EAR: replace(ear, probabilities=shares)})
    doubtful = replace(shot, readings=weak)
    answer = engine.decide([doubtful])
    assert answer.verdict.outcome is Outcome.SHORTLIST and answer.photos[0].readings is not None
    assert not answer.photos[0].readings.cues[Cue.FRONT_EAR].accepted
    assert not answer.to_json()["photos"][0]["cues"]["front_ear"]["accepted"]
    # The same photo with a magnet that holds: now all is sure together, and the ear counts again.
    again = engine.decide([doubtful], [hand_test("magnet", "holds")])
    assert again.verdict.era is Era.IRON and again.photos[0].readings is not None
    assert again.photos[0].readings.cues[Cue.FRONT_EAR].accepted
