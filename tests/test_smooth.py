"""Smoothing takes the grain of few paths and leaves edges; what it gives is nearer to many paths than what it got."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from stand_in import StandIn
from updraft_key.model.errors import MissingExtra
from updraft_key.synthetic_data.sample import scene_of
from updraft_key.synthetic_data.scene import build_stage, pose_of

pytestmark = pytest.mark.render
SIDE = 48


@pytest.fixture(scope="module")
def backend() -> tuple[Any, Any]:
    """Mitsuba with a variant set, and Dr.Jit."""
    pytest.importorskip("skimage")
    mi, dr = pytest.importorskip("mitsuba"), pytest.importorskip("drjit")
    from updraft_key.synthetic_data.render import Renderer

    try:
        Renderer(32, 1)
    except MissingExtra as error:
        pytest.skip(str(error))
    return mi, dr


def flat(mi: Any, normal: np.ndarray, colour: np.ndarray) -> Any:
    """Guides of a wall at z = 0 seen from a metre away: its normals (n*n, 3) and colours (n*n, 3)."""
    from updraft_key.synthetic_data.smooth import Guides

    y, x = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    place = np.stack([x.ravel(), y.ravel(), np.zeros(SIDE * SIDE, np.float32)])
    return Guides(
        colour=mi.Color3f(*colour.T.astype(np.float32)),
        normal=mi.Vector3f(*normal.T.astype(np.float32)),
        point=mi.Vector3f(*place),
        distance=mi.Float(np.full(SIDE * SIDE, 1000.0, np.float32)),
    )


def smoothed(backend: tuple[Any, Any], light: np.ndarray, variance: float, guides: Any) -> np.ndarray:
    """Smooth grey light (n*n,); return the red channel as (n, n)."""
    from updraft_key.synthetic_data.smooth import smooth

    mi, dr = backend
    noise = mi.Float(np.full(SIDE * SIDE, variance, np.float32))
    out = smooth(mi, dr, mi.Color3f(mi.Float(light.astype(np.float32))), noise, guides, SIDE)
    return np.array(out)[0].reshape(SIDE, SIDE)


def test_noise_on_one_surface_goes_and_its_mean_stays(backend: tuple[Any, Any]) -> None:
    n = SIDE * SIDE
    noisy = np.random.default_rng(1).normal(0.5, 0.1, n)
    front = np.tile([0.0, 0.0, 1.0], (n, 1))
    out = smoothed(backend, noisy, 0.04, flat(backend[0], front, np.full((n, 3), 0.5)))
    assert out.std() < 0.15 * noisy.std()
    assert out.mean() == pytest.approx(noisy.mean(), rel=0.01)


@pytest.mark.parametrize("by", ["normal", "colour"])
def test_another_surface_lends_no_light(backend: tuple[Any, Any], by: str) -> None:
    n = SIDE * SIDE
    right = np.tile(np.arange(SIDE) >= SIDE // 2, SIDE)
    normal = np.tile([0.0, 0.0, 1.0], (n, 1))
    colour = np.full((n, 3), 0.5)
    if by == "normal":
        normal[right] = [1.0, 0.0, 0.0]
    else:
        colour[right] = 0.05
    light = np.where(right, 0.2, 0.8) * colour[:, 0] / 0.5
    out = smoothed(
        backend, light + np.random.default_rng(2).normal(0.0, 0.004, n), 1.0, flat(backend[0], normal, colour)
    )
    edge = light.reshape(SIDE, SIDE)
    assert np.abs(out - edge).max() < 0.02


def test_an_edge_that_shows_two_surfaces_loses_its_grain_too(backend: tuple[Any, Any]) -> None:
    n = SIDE * SIDE
    column = np.tile(np.arange(SIDE), SIDE)
    middle, right = column == SIDE // 2, column > SIDE // 2
    cover = np.where(right, 0.0, 1.0)
    cover[middle] = np.random.default_rng(3).random(SIDE)  # of few paths some meet one side, some the other
    normal = cover[:, None] * np.array([[0.0, 0.0, 1.0]]) + (1.0 - cover[:, None]) * np.array([[1.0, 0.0, 0.0]])
    light = 0.2 + 0.6 * cover
    out = smoothed(backend, light, 0.04, flat(backend[0], normal, np.full((n, 3), 0.5)))
    edge = out[:, SIDE // 2]
    assert edge.std() < 0.5 * light[middle].std()
    assert edge.min() > 0.2 and edge.max() < 0.8
    assert np.abs(out[:, : SIDE // 2 - 1] - 0.8).max() < 0.02 and np.abs(out[:, SIDE // 2 + 2 :] - 0.2).max() < 0.02


def test_light_that_differs_by_more_than_its_noise_stays(backend: tuple[Any, Any]) -> None:
    n = SIDE * SIDE
    light = np.where(np.tile(np.arange(SIDE) >= SIDE // 2, SIDE), 0.2, 0.8)
    guides = flat(backend[0], np.tile([0.0, 0.0, 1.0], (n, 1)), np.full((n, 3), 0.5))
    assert np.abs(smoothed(backend, light, 1e-6, guides) - light.reshape(SIDE, SIDE)).max() < 0.01
    assert np.abs(smoothed(backend, light, 4.0, guides) - light.reshape(SIDE, SIDE)).max() > 0.1


def test_a_real_scene_is_nearer_to_many_paths_and_has_no_holes(
    backend: tuple[Any, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from updraft_key.synthetic_data import render

    spec = replace(scene_of("train", 16), place="hand", distractors=False, backdrop="photograph")
    stage = build_stage(spec, StandIn())
    shot = replace(spec.shots[0], azimuth=30.0, elevation=25.0, fraction=0.8, shift=(0.0, 0.0), distance=500.0)
    pose = pose_of(stage, shot)

    def error(samples: int) -> float:
        renderer = render.Renderer(96, samples)
        renderer.load(stage)
        picture = renderer.shoot(pose, 7)
        assert np.isfinite(picture.linear).all()
        solid = picture.behind < 0.01
        return float(np.sqrt(np.mean((np.sqrt(picture.linear) - np.sqrt(true))[solid] ** 2)))

    many = render.Renderer(96, 512)
    many.load(stage)
    monkeypatch.setattr(render, "smooth", lambda mi, dr, light, *others: light)
    true = many.shoot(pose, 11).linear
    grainy = error(4)
    monkeypatch.undo()
    assert error(4) < 0.6 * grainy
