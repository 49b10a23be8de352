"""Volume against height: the fill curve's kernel against closed forms.

Sources: spherical cap pi h^2 (3 R - h) / 3 and cone frustum pi h / 3 (R^2 + R r + r^2)
(Archimedes, Heron; any book of formulas). R 50: h 10 gives 14660.76572, 25 gives
81812.30869, 50 gives 261799.38780 mm³, worked from the form.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry import solid
from moldsmith.geometry.levels import volumes_below


def cap_mm3(radius: float, height: float) -> float:
    return float(np.pi * height**2 * (3 * radius - height) / 3)


@pytest.mark.parametrize(
    ("height", "volume"), [(10, 14660.76572), (25, 81812.30869), (50, 261799.38780)]
)
def test_a_bowl_fills_as_the_spherical_cap(height: float, volume: float) -> None:
    assert cap_mm3(50, height) == pytest.approx(volume, abs=5e-6)
    ball = trimesh.creation.icosphere(5, 50.0)
    (found,) = volumes_below(ball.vertices, ball.faces, [height - 50])
    # The mesh is inscribed: it holds a little less, never more.
    assert volume * 0.996 < found < volume


def test_any_level_of_any_mesh_is_exact_against_the_boolean_engine() -> None:
    ring = trimesh.creation.torus(30, 11, 40, 24)
    turn = trimesh.transformations.rotation_matrix(0.7, (1, 2, 0.5))
    ring.apply_transform(turn)
    levels = np.linspace(ring.bounds[0, 2] - 5, ring.bounds[1, 2] + 5, 23)
    body = solid.from_mesh(ring)
    wanted = [solid.volume_mm3(solid.trim_by_plane(body, (0, 0, -1), -level)) for level in levels]
    found = volumes_below(ring.vertices, ring.faces, levels)
    assert found == pytest.approx(wanted, abs=1e-6 * ring.volume)
    assert (np.diff(found) >= -1e-9).all()


def test_a_box_on_a_level_of_its_own_corners_is_exact() -> None:
    box = trimesh.creation.box((10, 20, 30))
    found = volumes_below(box.vertices, box.faces, [-20, -15, 0, 7.5, 15, 99])
    assert found == pytest.approx([0, 0, 3000, 4500, 6000, 6000])


def test_a_funnel_fills_as_the_frustum() -> None:
    sides = 64
    funnel = solid.to_mesh(solid.frustum((0, 0, 0), (0, 0, 6), 3, 5, sides))
    inscribed = sides / (2 * np.pi) * np.sin(2 * np.pi / sides)
    found = volumes_below(funnel.vertices, funnel.faces, [3, 6])
    wanted = [np.pi * 3 / 3 * (9 + 12 + 16), np.pi * 6 / 3 * (25 + 15 + 9)]
    assert wanted[1] == pytest.approx(307.87608, abs=5e-6)
    assert found == pytest.approx(np.array(wanted) * inscribed, rel=1e-9)


def test_far_from_the_origin_the_digits_stay() -> None:
    ball = trimesh.creation.icosphere(3, 5.0)
    near = volumes_below(ball.vertices, ball.faces, [1.0])
    far = volumes_below(ball.vertices + 5000, ball.faces, [5001.0])
    assert far == pytest.approx(near, rel=1e-8)
