"""Look-alikes: every kind builds, the same bytes for the same description, and no finish gives them away."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("skimage")
pytestmark = pytest.mark.render

from updraft_key.synthetic_data import lookalikes  # noqa: E402
from updraft_key.synthetic_data.lookalikes import HELD_KINDS, KINDS, LookalikeSpec, build, sample, shape  # noqa: E402
from updraft_key.synthetic_data.sample_unit import sample_unit  # noqa: E402
from updraft_key.synthetic_data.unit import SpecError  # noqa: E402


def test_at_least_fourteen_kinds_of_which_some_are_kept_from_training() -> None:
    assert len(KINDS) - len(HELD_KINDS) >= 14
    drawn = {sample(np.random.default_rng(i)).kind for i in range(400)}
    assert drawn == set(KINDS) - set(HELD_KINDS)
    held = {sample(np.random.default_rng(i), "held").kind for i in range(400)}
    assert set(HELD_KINDS) <= held


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_builds_a_sound_mesh_of_the_subjects_size(kind: str) -> None:
    for seed in (3, 11):
        model = build(LookalikeSpec(kind, seed, "alloy" if seed == 3 else "iron", seed))
        assert model.facts["kind"] == kind
        assert len(model.parts) >= 2
        for part in model.parts:
            n = len(part.vertices)
            assert part.faces.min() >= 0 and part.faces.max() < n
            assert part.vertices.dtype == part.normals.dtype == part.colour.dtype == np.float32
            for values in (part.vertices, part.normals, part.colour, part.roughness, part.metallic):
                assert len(values) == n and np.isfinite(values).all()
            assert part.colour.min() >= 0 and part.colour.max() <= 1
            used = np.unique(part.faces)
            assert np.abs(np.linalg.norm(part.normals[used], axis=1) - 1).max() < 0.02
        everything = np.concatenate([p.vertices for p in model.parts])
        size = everything.max(0) - everything.min(0)
        assert 60 < size.max() < 260  # the subject is about 120 mm wide
        assert np.abs(everything.max(0) + everything.min(0)).max() < 0.5  # centred


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_surfaces_face_outward(kind: str) -> None:
    """The signed volume of a casting is positive when its triangles run counter-clockwise seen from outside."""
    castings = [r for r in shape(LookalikeSpec(kind, 5, "iron", 5)) if len(r.faces) > 2000]
    for raw in castings:
        a, b, c = (raw.vertices[raw.faces[:, i]].astype(np.float64) for i in range(3))
        assert np.einsum("ij,ij->i", a, np.cross(b, c)).sum() > 0


def test_the_same_description_gives_the_same_bytes() -> None:
    spec = sample(np.random.default_rng(8))
    again = LookalikeSpec.from_json(spec.to_json())
    assert again == spec
    for one, other in zip(build(spec).parts, build(again).parts, strict=True):
        assert one.vertices.tobytes() == other.vertices.tobytes()
        assert one.colour.tobytes() == other.colour.tobytes()
        assert one.roughness.tobytes() == other.roughness.tobytes()


def test_proportions_vary_within_a_kind() -> None:
    sizes = []
    for seed in range(6):
        points = np.concatenate([r.vertices for r in shape(LookalikeSpec("fuel_pump", seed, "iron", 0))])
        sizes.append(points.max(0) - points.min(0))
    assert np.ptp(sizes, axis=0).max() > 8


@pytest.mark.parametrize(
    "text", ['{"kind": "teapot", "shape": 1, "metal": "iron", "surface": 1}', "[]", "{", '{"kind": "valve"}']
)
def test_a_wrong_description_is_refused(text: str) -> None:
    with pytest.raises(SpecError):
        LookalikeSpec.from_json(text)


def test_finish_and_metal_say_nothing_of_what_it_is() -> None:
    """Shares of each finish among look-alikes and among the subject's own units differ by chance only."""
    mine, subject = [], []
    for i in range(700):
        spec = sample(np.random.default_rng([i, 1]))
        era = "iron" if spec.metal == "iron" else "alloy4"
        mine.append(sample_unit(era, np.random.default_rng(spec.surface)).finish)
        subject.append(sample_unit(("iron", "alloy4")[i % 2], np.random.default_rng([i, 2])).finish)
    words = sorted(set(mine) | set(subject))
    table = np.array([[group.count(w) for w in words] for group in (mine, subject)], float)
    expected = table.sum(1, keepdims=True) * table.sum(0, keepdims=True) / table.sum()
    v = np.sqrt(((table - expected) ** 2 / expected).sum() / table.sum())
    assert v < 0.1  # Cramer's V, as the issue asks of every nuisance


def test_marks_are_strokes_and_kinds_are_plain_words() -> None:
    assert all(k.replace("_", "").isalpha() and k.islower() for k in lookalikes.KINDS)
