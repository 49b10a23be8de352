"""Level sections of bodies whose sections are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

from moldsmith.errors import BadParameter
from moldsmith.geometry import solid
from moldsmith.geometry.sectioning import level_sections


def sections(mesh: trimesh.Trimesh, heights: list[float], tolerance: float = 0.0) -> np.ndarray:
    return level_sections(mesh.vertices, mesh.faces, heights, tolerance_mm=tolerance)


def test_ball_is_cut_in_circles() -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=20.0)
    heights = [-19.0, -12.0, 0.0, 3.3, 16.0]
    found = shapely.area(sections(ball, heights))
    np.testing.assert_allclose(found, np.pi * (400 - np.square(heights)), rtol=0.01)
    assert shapely.area(sections(ball, [-21.0, 21.0])).sum() == 0


def test_rings_within_rings_are_holes_and_islands() -> None:
    walls = [solid.frustum((0, 0, 0), (0, 0, 10), r, r, 64) for r in (30, 25, 15, 10)]
    nested = solid.union(solid.difference(walls[0], walls[1]), solid.difference(walls[2], walls[3]))
    (found,) = sections(solid.to_mesh(nested), [4.0])
    assert found.area == pytest.approx(solid.section(nested, 4.0).area)
    assert len(found.geoms) == 2
    assert [len(part.interiors) for part in found.geoms] == [1, 1]


def test_all_heights_at_once_give_what_each_gives_alone() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=20.0)
    torus = trimesh.creation.torus(30, 8)
    torus.apply_transform(trimesh.transformations.rotation_matrix(0.7, (1, 2, 0)))
    both = solid.union(solid.from_mesh(ball), solid.from_mesh(torus))
    mesh = solid.to_mesh(both)
    heights = np.linspace(*(mesh.bounds[:, 2] + [0.1, -0.1]), 40).tolist()
    alone = [solid.section(both, height).area for height in heights]
    np.testing.assert_allclose(shapely.area(sections(mesh, heights)), alone, atol=1e-6)


def test_a_height_at_vertices_counts_them_as_above() -> None:
    step = solid.union(solid.box((0, 0, 0), (10, 10, 5)), solid.box((0, 0, 5), (5, 10, 9)))
    mesh = solid.to_mesh(step)
    np.testing.assert_allclose(shapely.area(sections(mesh, [0.0, 5.0, 9.0])), [0, 100, 50])


def test_outline_keeps_its_area_within_the_tolerance() -> None:
    ball = trimesh.creation.icosphere(subdivisions=6, radius=20.0)
    (full,), (less,) = sections(ball, [1.0]), sections(ball, [1.0], 0.02)
    assert shapely.get_num_coordinates(less) < shapely.get_num_coordinates(full) / 3
    assert abs(full.area - less.area) < 0.02 * full.length


def test_open_mesh_and_falling_heights_are_refused() -> None:
    ball = trimesh.creation.icosphere(subdivisions=2, radius=20.0)
    holed = trimesh.Trimesh(ball.vertices, ball.faces[5:], process=False)
    with pytest.raises(BadParameter, match="not closed"):
        sections(holed, np.linspace(-19, 19, 30).tolist())
    with pytest.raises(BadParameter, match="do not ascend"):
        sections(ball, [3.0, 2.0])


def test_a_fin_thinner_than_the_tolerance_keeps_its_area() -> None:
    fin = trimesh.creation.box((30, 0.05, 10))
    (section,) = level_sections(fin.vertices, fin.faces, [1.0], tolerance_mm=0.2)
    assert section.area == pytest.approx(1.5)
