"""The benchmarks' arithmetic on given numbers, and that the table is whole. Nothing is timed here."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from updraft_key.app import cli
from updraft_key.app.bars import (
    RIVALS,
    Row,
    cold_of,
    flat_row,
    growth_row,
    photos_row,
    rivals_of,
    screen_row,
    steady_rate,
    table,
    warm_row,
)
from updraft_key.app.benchmarks import FULL, IMAGE_SIZES, QUICK, SCHEMA, SECTIONS, Bench, Plan, measure, surroundings
from updraft_key.app.growth import fit_growth
from updraft_key.app.probes import PROBES, alternating
from updraft_key.app.specimens import catalogue_csv, photo_jpeg, write_cases
from updraft_key.model.errors import UpdraftKeyError
from updraft_key.model.parts import parse_catalogue
from updraft_key.model.photo import Limits, open_photo


@pytest.mark.parametrize("exponent", [0.0, 0.5, 1.0, 2.0, -1.0])
def test_the_exponent_of_a_power_law_is_exact(exponent: float) -> None:
    sizes = [1.0, 3.0, 10.0, 200.0]
    found = fit_growth(sizes, [0.02 * s**exponent for s in sizes])
    assert found.exponent == pytest.approx(exponent, abs=1e-12)
    assert found.factor == pytest.approx(0.02) and found.worst == pytest.approx(1.0)


def test_the_exponent_is_the_least_squares_line_of_the_logarithms() -> None:
    rng = np.random.default_rng(3)
    sizes = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    costs = sizes**1.3 * np.exp(rng.normal(0, 0.2, 5))
    slope, level = np.polyfit(np.log(sizes), np.log(costs), 1)
    found = fit_growth(sizes.tolist(), costs.tolist())
    assert found.exponent == pytest.approx(slope) and math.log(found.factor) == pytest.approx(level)


@pytest.mark.parametrize(
    "sizes, costs",
    [([1], [1]), ([2, 2], [1, 2]), ([1, 2], [0, 1]), ([1, 2], [1]), ([-1, 2], [1, 1])],
)
def test_what_cannot_be_fitted_is_refused(sizes: list[float], costs: list[float]) -> None:
    with pytest.raises(ValueError, match="two or more positive sizes"):
        fit_growth(sizes, costs)


def test_ratios_of_given_numbers() -> None:
    assert warm_row(0.09, 0.02, 0.04).value == pytest.approx(1.5)
    screened = screen_row([(17.0, 20.0), (9.0, 12.0), (19.0, 20.0)], 2, 0.812)
    assert screened.value == pytest.approx(85.0) and "81.2 % in processor time" in screened.about
    assert "17.0 against 20.0" in screened.about and "75 to 95 %" in screened.about
    cold, two, door = cold_of(
        {"identify": (0.35, 0.4), "two": (0.33, 0.36), "import": (0.021, 0.03), "bare": (0.018, 0.02)}
    )
    assert cold.value == 0.35 and cold.holds is True and two.value == 0.33 and two.holds is None
    assert door.value == pytest.approx(3.0) and door.unit == "ms"
    facts = {"identify": 0.1, "classifier": 0.2, "classifier_alone": 0.01, "torch": 0.3, "torch_alone": 0.2}
    values = {r.id: r.value for r in rivals_of(facts)}
    assert values["rival_classifier"] == pytest.approx(2.0) and values["rival_torch"] == pytest.approx(3.0)
    assert values["rival_detector"] is None and "torchvision" in rivals_of(facts)[2].about


def test_bars() -> None:
    assert Row("a", "a", 1.5, "x", most=1.5).holds is True and Row("a", "a", 1.51, "x", most=1.5).holds is False
    assert Row("a", "a", 85.0, "%", least=85.0).holds is True and Row("a", "a", 84.9, "%", least=85.0).holds is False
    assert Row("a", "a", 1.0, "s").holds is None and Row("a", "a", None, "s", most=1.0).holds is None


def test_the_start_of_the_workers_does_not_count() -> None:
    marks = [(0, 0.0), (1, 5.0), (2, 5.0), (3, 5.1), (4, 5.2), (13, 6.1)]
    assert steady_rate(marks, 3) == pytest.approx(10.0)
    row = photos_row([(n, 5.0 + 0.1 * n) for n in range(1, 1001)])
    assert row.value == pytest.approx(1.0) and row.holds


def test_memory_is_compared_between_the_second_and_the_last_tenth() -> None:
    flat = flat_row([(n, 300.0 if n < 100 else 400.0) for n in range(10, 1001, 10)])
    assert flat.value == pytest.approx(0.0) and flat.holds
    leaking = flat_row([(n, 400.0 + 0.1 * n) for n in range(10, 1001, 10)])
    assert leaking.value == pytest.approx(100 * (495.0 / 415.0 - 1), abs=0.2) and leaking.holds is False


def test_a_growth_row_tells_its_points() -> None:
    row = growth_row("growth_x", "x", [10, 1000], [0.1, 10.0])
    assert row.value == pytest.approx(1.0) and row.about == "10: 0.1 s, 1,000: 10 s"


class Stub(Bench):
    """Given numbers instead of processes."""

    def probe(self, name: str, about: dict[str, object]) -> dict[str, object]:
        assert name in PROBES
        if name == "warm":
            return {"identify": 0.09, "decode": 0.02, "passes": 0.04}
        if name == "identify_once":
            return {"code": 0, "peak_mb": 200.0}
        if name == "rivals":
            return {"identify": 0.1, **{k: 0.2 for n in RIVALS for k in (n, f"{n}_alone")}}
        if name == "case":
            return {"case": 0.1, "decode": 0.02, "passes": 0.06}
        if name == "screen":
            count = int(str(about["cases"]))
            return {
                "marks": [[n, n / 20] for n in range(1, count + 1)],
                "memory": [[n, 300.0] for n in range(count + 1)],
            }
        sizes = about.get("sizes") or about.get("photos") or about.get("files")
        return {str(s): float(s) for s in sizes}  # type: ignore[union-attr, arg-type]

    def starts(self, codes: dict[str, str]) -> dict[str, list[float]]:  # type: ignore[override]
        return {name: [0.3, 0.4, 0.5] for name in codes}


def test_the_table_is_whole(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("updraft_key.app.benchmarks.Bench", Stub)
    monkeypatch.setattr("updraft_key.app.benchmarks._floor", lambda _paths, _cores: 22.0)
    monkeypatch.setattr("updraft_key.app.benchmarks.photo_jpeg", lambda w, h, _rng, which=0: b"")
    monkeypatch.setattr("updraft_key.app.benchmarks.write_cases", lambda *_: None)
    monkeypatch.setattr("updraft_key.app.benchmarks.render_rows", lambda _b: [Row("render", "r", 0.5, "/s")])
    monkeypatch.setitem(SECTIONS, "render", lambda _b: [Row("render", "rendered", 0.5, "/s")])  # type: ignore[arg-type]
    inbox = [f"/x/{n}.jpg" for n in range(QUICK.cases)]
    monkeypatch.setattr("pathlib.Path.rglob", lambda _self, _pattern: iter(map(Path, inbox)))
    said: list[str] = []
    result = measure((), QUICK, said.append)
    assert result["schema"] == SCHEMA and result["quick"] is True and len(said) == len(SECTIONS)
    assert [r["id"] for r in result["rows"]] == [
        "warm", "cold", "cold_two", "import", "memory_12", "memory_200", "screen", "growth_photos_per_case",
        "growth_image", "growth_catalogue", "flat", "growth_photos", "rival_classifier", "rival_torch",
        "rival_detector", "render",
    ]  # fmt: skip
    assert all(r["value"] is not None for r in result["rows"])
    text = table(json.loads(json.dumps(result)))
    assert all(r["what"] in text for r in result["rows"]) and f"load {result['machine']['load_before']:.1f}" in text
    assert "warm identify of a 12 MP JPEG / (decode + passes)" in text and "1.50 x  <= 1.5   holds" in text


def test_bars_and_sizes_are_those_of_the_brief() -> None:
    assert FULL.batch == 10_000 and FULL.rows[0] == 10 and FULL.rows[-1] == 100_000
    assert [w * h // 10**6 + (w * h % 10**6 > 499_999) for w, h in IMAGE_SIZES.values()] == [1, 3, 12, 50, 200]
    assert "PYTHONDONTWRITEBYTECODE" not in surroundings()


def test_an_unknown_section_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["benchmarks", "--only", "nonsense"]) == 1
    assert "expected some of warm, cold" in capsys.readouterr().err


def test_rivals_without_torch_are_said_to_be_missing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def missing(_self: Bench, _name: str, _about: object) -> None:
        raise UpdraftKeyError("rivals: No module named 'torch'")

    monkeypatch.setattr(Bench, "probe", missing)
    monkeypatch.setattr(Bench, "photo", lambda _self: Path("x.jpg"))
    rows = SECTIONS["rivals"](Bench(tmp_path, Plan()))
    assert len(rows) == 3 and all(r.value is None and "[train]" in r.about for r in rows)


def test_every_job_runs_in_every_round() -> None:
    order: list[str] = []
    best = alternating({"a": lambda: order.append("a"), "b": lambda: order.append("b")}, 3)
    assert order == ["a", "b"] * 4 and set(best) == {"a", "b"} and all(0 <= t < 1 for t in best.values())


def test_specimens_are_what_they_say_and_their_seed_decides_them(tmp_path: Path) -> None:
    data = photo_jpeg(640, 480, np.random.default_rng(1))
    assert data == photo_jpeg(640, 480, np.random.default_rng(1)) != photo_jpeg(640, 480, np.random.default_rng(2))
    assert (open_photo(data).width, open_photo(data).height) == (640, 480)
    write_cases(tmp_path, 66, 64, 48)
    files = sorted(tmp_path.rglob("*.jpg"))
    assert len({f.read_bytes() for f in files}) == 66 and all(open_photo(f).width == 64 for f in files)
    assert len(parse_catalogue(catalogue_csv(50), "rows.csv", toml=False).rows) == 50


@pytest.mark.slow
def test_the_largest_specimen_is_taken() -> None:
    data = photo_jpeg(*IMAGE_SIZES["200"], np.random.default_rng(1))
    assert len(data) <= Limits().max_bytes and open_photo(data).width == IMAGE_SIZES["200"][0]
