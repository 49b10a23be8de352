"""The plane of symmetry is found wherever the body stands."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith import BadParameter
from moldsmith.geometry.symmetry import symmetry_plane


def half_and_mirror(seed: int = 3) -> trimesh.Trimesh:
    """A lump that only x = 0 mirrors."""
    ball = trimesh.creation.icosphere(4, 100)
    x, y, z = ball.vertices.T
    lump = 1 + 0.2 * np.sin(y / 40 + 1) + 0.15 * np.cos(z / 30 + 2) + 0.1 * np.abs(x) / 100
    return trimesh.Trimesh(ball.vertices * lump[:, None] * [0.8, 1, 1.5], ball.faces, process=False)


def turn(angle: float) -> np.ndarray:
    return trimesh.transformations.rotation_matrix(angle, (1, 2, 3), (50, -60, 70))


@pytest.mark.parametrize("angle", [0.0, 0.4, 1.1, 2.9])
def test_the_plane_is_found_however_the_body_lies(angle: float) -> None:
    lump, matrix = half_and_mirror(), turn(angle)
    lump.apply_transform(matrix)
    point, normal, residual = symmetry_plane(lump.vertices, lump.faces)
    assert abs(normal @ matrix[:3, 0]) == pytest.approx(1, abs=1e-9)
    assert (point - matrix[:3, 3]) @ normal == pytest.approx(0, abs=1e-3)
    assert residual < 1e-3


def test_a_hole_and_noise_move_the_plane_little() -> None:
    lump = half_and_mirror()
    rng = np.random.default_rng(0)
    vertices = lump.vertices + 0.5 * rng.normal(size=lump.vertices.shape)
    kept = np.linalg.norm(lump.triangles_center - lump.vertices[7], axis=1) > 40
    point, normal, residual = symmetry_plane(vertices, lump.faces[kept])
    assert np.degrees(np.arccos(abs(normal[0]))) < 0.2
    assert abs(point @ normal) < 0.3
    assert residual < 1.5


def test_a_guess_keeps_to_the_plane_near_it() -> None:
    brick = trimesh.creation.box((30, 50, 70)).subdivide().subdivide()
    for axis in np.eye(3):
        _, normal, residual = symmetry_plane(brick.vertices, brick.faces, axis + 0.05)
        assert abs(normal @ axis) == pytest.approx(1, abs=1e-9)
        assert residual < 1e-3


def test_a_lopsided_body_has_a_residual() -> None:
    lump = half_and_mirror()
    bump = np.exp(-((lump.vertices - [80, 0, 30]) ** 2).sum(axis=1) / 5000)
    vertices = lump.vertices + 25 * bump[:, None] * [1, 0, 0]
    assert symmetry_plane(vertices, lump.faces)[2] > 1


def test_a_surface_without_area_and_a_guess_without_length_are_refused() -> None:
    with pytest.raises(BadParameter, match="no area"):
        symmetry_plane(np.zeros((3, 3)), [[0, 1, 2]])
    box = trimesh.creation.box()
    with pytest.raises(BadParameter, match="no direction"):
        symmetry_plane(box.vertices, box.faces, (0, 0, 0))
