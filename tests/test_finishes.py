"""Surfaces: plausible values, every finish on every generation, and nothing that gives the generation away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

pytest.importorskip("skimage", reason="needs the [render] extra")

from scipy.spatial import cKDTree
from updraft_key.model.cues import ERAS, FINISHES
from updraft_key.synthetic_data.castings import build
from updraft_key.synthetic_data.finishes import METALS, STAIN_MM, casting_metal
from updraft_key.synthetic_data.mesh import Model
from updraft_key.synthetic_data.noise import fbm
from updraft_key.synthetic_data.sample_unit import sample_unit
from updraft_key.synthetic_data.unit import UnitSpec

pytestmark = pytest.mark.render


def body(model: Model) -> np.ndarray:
    return np.concatenate([p.colour for p in model.parts if p.part in ("upper", "lower")])


def unit(era: str, seed: int = 1, **change: object) -> UnitSpec:
    return replace(sample_unit(era, np.random.default_rng(seed)), present="upper", **change)


@pytest.mark.parametrize("era", ERAS)
@pytest.mark.parametrize("finish", FINISHES)
def test_every_finish_on_every_generation(era: str, finish: str) -> None:
    model = build(unit(era, finish=finish, rust=0.6, bloom=0.4, oil=0.5, grime=0.5))
    colour = body(model)
    assert np.isfinite(colour).all() and colour.min() > 0 and colour.max() <= 0.95
    assert model.facts["finish"] == finish


def test_painted_iron_and_painted_alloy_look_alike() -> None:
    same = {
        "finish": "painted",
        "paint": (0.05, 0.1, 0.2),
        "paint_hardware": True,
        "chips": 0.0,
        "grime": 0.1,
    }
    a, b = (body(build(unit(era, **same))).mean(axis=0) for era in ("iron", "alloy4"))
    assert np.abs(a - b).max() < 0.01
    assert len(build(unit("iron", **same)).zones["body_bare"].points) == 0


def test_paint_covers_screws_only_when_the_spec_says_so() -> None:
    colours = []
    for covered in (True, False):
        model = build(
            unit(
                "alloy5",
                finish="painted",
                paint=(0.02, 0.3, 0.02),
                paint_hardware=covered,
                chips=0.0,
                grime=0.0,
            )
        )
        colours.append(next(p for p in model.parts if p.part == "joint_screw_5").colour.mean(axis=0))
    assert colours[0][1] > 3 * colours[0][0]
    assert colours[1][1] < 1.5 * colours[1][0]


def redness(model: Model) -> np.ndarray:
    colour = body(model)
    return colour[:, 0] / colour[:, 2]


CLEAN = {"bloom": 0.0, "grime": 0.0, "varnish": 0.0, "chromate": 0.0, "oil": 0.0}


def test_iron_rusts_all_over_and_alloy_is_stained_beside_steel_alone() -> None:
    rusty = {"finish": "rusty", "rust": 0.9, "hardware_rust": 0.9, "hardware": "steel", **CLEAN}
    share = {}
    for era in ("iron", "alloy5"):
        clean = redness(build(unit(era, finish="bare", rust=0.0, hardware_rust=0.0, hardware="steel", **CLEAN)))
        share[era] = float(np.mean(redness(build(unit(era, **rusty))) > 1.8 * clean))
    assert share["iron"] > 0.6 and 0.005 < share["alloy5"] < 0.35


def test_rusty_steel_stains_alloy_though_nothing_else_is_rusty() -> None:
    clean, stained = (
        redness(build(unit("alloy5", finish="bare", rust=0.0, hardware_rust=h, hardware="steel", **CLEAN)))
        for h in (0.0, 0.9)
    )
    assert np.mean(stained > 1.8 * clean) > 0.005


def test_no_stain_lies_far_from_steel() -> None:
    rusty = {"finish": "rusty", "rust": 0.9, "hardware_rust": 0.9, "hardware": "steel", **CLEAN}
    model = build(unit("alloy4", **rusty))
    clean = build(unit("alloy4", finish="bare", rust=0.0, hardware_rust=0.0, hardware="steel", **CLEAN))
    castings = ("upper", "lower", "front_ear")
    steel = np.concatenate([p.vertices for p in model.parts if p.part not in castings])
    runs = np.concatenate([steel - np.float32([0, down, 0]) for down in range(17)])
    for part, before in zip(model.parts, clean.parts, strict=True):
        if part.part in castings:
            far = cKDTree(runs).query(part.vertices)[0] > STAIN_MM + 1.0
            assert far.any() and np.allclose(part.colour[far], before.colour[far])


def test_white_bloom_is_alloys_own() -> None:
    for era, whiter in (("iron", False), ("alloy4", True)):
        plain = body(build(unit(era, finish="bare", rust=0.0, hardware_rust=0.0, **CLEAN)))
        bloomed = body(build(unit(era, finish="oxidised", rust=0.0, hardware_rust=0.0, **{**CLEAN, "bloom": 0.9})))
        assert (float(np.mean(bloomed.min(axis=1) > plain.min(axis=1) + 0.02)) > 0.2) == whiter


def test_oxide_tells_the_metal_as_bare_metal_does() -> None:
    for era, word in (("iron", "rusty"), ("alloy5", "oxidised")):
        model = build(unit(era, **{**CLEAN, "finish": word, "rust": 0.9, "bloom": 0.9}))
        assert len(model.zones["body_bare"].points) > 20


def test_bare_metals_overlap() -> None:
    # colour may support the metal and must never settle it: the shades of iron and alloy overlap
    light = {
        era: np.array([casting_metal(sample_unit(era, np.random.default_rng(i)))[0][1] for i in range(300)])
        for era in ("iron", "alloy4")
    }
    assert light["iron"].mean() < light["alloy4"].mean()
    assert np.quantile(light["iron"], 0.85) > np.quantile(light["alloy4"], 0.15)


def test_metal_colours_are_ordered_as_metals_are() -> None:
    for (r, g, b), rough in METALS.values():
        assert min(r, g, b) > 0 and max(r, g, b) < 0.95 and 0 < rough < 1
    copper, brass = METALS["copper"][0], METALS["brass"][0]
    assert copper[0] / copper[1] > brass[0] / brass[1] > 1  # copper is redder than brass
    assert brass[1] / brass[2] > 1.5


def test_without_materials_everything_is_one_grey() -> None:
    model = build(unit("iron", finish="rusty"), materials=False)
    for p in model.parts:
        assert (p.colour == p.colour[0, 0]).all() and (p.roughness == p.roughness[0]).all() and (p.metallic == 0).all()
    other = build(unit("iron", finish="rusty"))
    assert [p.part for p in model.parts] == [p.part for p in other.parts]
    assert all(p.vertices.tobytes() == q.vertices.tobytes() for p, q in zip(model.parts, other.parts, strict=True))


def test_noise_is_seeded_centred_and_bounded() -> None:
    points = np.random.default_rng(0).uniform(-50, 50, (20000, 3)).astype(np.float32)
    a = fbm(points, 8.0, 3, 5)
    assert a.tobytes() == fbm(points, 8.0, 3, 5).tobytes() != fbm(points, 8.0, 3, 6).tobytes()
    assert abs(float(a.mean())) < 0.12 and 0.2 < float(a.std()) < 0.8
    assert float(np.mean(np.abs(a) < 1.3)) > 0.95
