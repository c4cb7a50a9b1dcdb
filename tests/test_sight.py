"""What stands between a camera and the subject: counted by hand, and thinned out from the worst on."""

from __future__ import annotations

import numpy as np
import pytest
from stand_in import box
from updraft_key.synthetic_data.mesh import PartMesh
from updraft_key.synthetic_data.sight import cleared, covered

LOW, HIGH = np.array([-50.0, -50.0, -50.0]), np.array([50.0, 50.0, 50.0])
FRONT = np.array([0.0, 0.0, 1.0])


def wall(x0: float, x1: float, z: float = 100.0) -> PartMesh:
    """A wall of 2 mm squares from ``x0`` to ``x1``, as high as the subject, at a distance before it."""
    xs, ys = np.arange(x0, x1, 2.0), np.arange(-50.0, 50.0, 2.0)
    parts = [box("wall", (x, y, z), (x + 2.0, y + 2.0, z + 1.0)) for x in xs for y in ys]
    vertices = np.concatenate([p.vertices for p in parts])
    faces = np.concatenate([p.faces + 24 * i for i, p in enumerate(parts)])
    n = len(vertices)
    flat = np.zeros(n, np.float32)
    return PartMesh(
        "wall", vertices, faces.astype(np.int32), np.zeros((n, 3), np.float32), np.zeros((n, 3), np.float32), flat, flat
    )


@pytest.mark.parametrize(("x0", "x1", "share"), [(-50, 50, 1.0), (-50, 0, 0.5), (25, 50, 0.25), (60, 90, 0.0)])
def test_a_wall_hides_as_much_as_it_is_wide(x0: float, x1: float, share: float) -> None:
    assert covered(wall(x0, x1), LOW, HIGH, FRONT) == pytest.approx(share, abs=0.09), "cells of 9 mm"


def test_what_is_beside_or_behind_the_subject_hides_nothing() -> None:
    assert covered(wall(-50, 50, z=-100.0), LOW, HIGH, FRONT) == 0.0
    assert covered(wall(-50, 50), LOW, HIGH, -FRONT) == 0.0
    assert covered(wall(-50, 50, z=0.0), LOW, HIGH, FRONT) == 0.0, "it stands within the subject"


def test_the_worst_go_first_until_the_rest_hides_little_enough() -> None:
    narrow, half, far = wall(-50, -35), wall(-20, 30), wall(60, 90)
    assert cleared([narrow, half, far], LOW, HIGH, [FRONT], 0.3) == [narrow, far]
    assert cleared([narrow, half, far], LOW, HIGH, [FRONT], 0.9) == [narrow, half, far]
    assert cleared([narrow, half, far], LOW, HIGH, [FRONT], 0.0) == [far]
    assert cleared([], LOW, HIGH, [FRONT], 0.3) == []
