"""Winding numbers tell inside from outside, exactly near and nearly exactly far."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from moldsmith.geometry.winding import WindingTree, solid_angles

Floats = NDArray[np.float64]


def exact(mesh: trimesh.Trimesh, points: Floats) -> Floats:
    """The sum of the solid angles of all faces, over 4 pi."""
    count = len(mesh.faces)
    each = solid_angles(
        np.repeat(points, count, axis=0), np.tile(mesh.triangles, (len(points), 1, 1))
    )
    return np.asarray(each.reshape(len(points), count).sum(axis=1) / (4 * np.pi))


def places(mesh: trimesh.Trimesh, count: int = 300) -> Floats:
    rng = np.random.default_rng(5)
    low, high = mesh.bounds
    return rng.uniform(low - 0.3 * (high - low), high + 0.3 * (high - low), size=(count, 3))


def test_an_octant_of_a_sphere_fills_an_eighth_of_all_directions() -> None:
    """Three right angles: solid angle pi / 2, by Girard's theorem."""
    corners = np.eye(3)[None] * 7.0
    assert solid_angles(np.zeros((1, 3)), corners) == pytest.approx([np.pi / 2])
    assert solid_angles(np.zeros((1, 3)), corners[:, ::-1]) == pytest.approx([-np.pi / 2])


def test_a_closed_body_winds_once_round_the_inside_and_never_round_the_outside() -> None:
    ball = trimesh.creation.icosphere(4, 100.0)
    points = places(ball)
    inside = np.linalg.norm(points, axis=1) < 99.5
    outside = np.linalg.norm(points, axis=1) > 100.5
    number = WindingTree(ball.vertices, ball.faces).number(points)
    assert number[inside] == pytest.approx(1.0, abs=0.08)
    assert number[outside] == pytest.approx(0.0, abs=0.08)


def test_an_open_bowl_winds_by_the_solid_angle_of_its_opening() -> None:
    """From the centre a hemisphere fills half; on its axis at height h the missing disc fills
    2 pi (1 - h / sqrt(h^2 + R^2))."""
    ball = trimesh.creation.icosphere(5, 100.0)
    bowl = ball.faces[(ball.triangles_center[:, 2] < 0)]
    height = np.array([0.0, -20.0, -50.0, -80.0])
    points = np.stack([0 * height, 0 * height, height], axis=1)
    missing = (1 - -height / np.hypot(height, 100.0)) / 2
    number = WindingTree(ball.vertices, bowl, accuracy=6.0).number(points)
    assert number == pytest.approx(1 - missing, abs=0.02)  # the mesh's brim is ragged


@pytest.mark.parametrize("fault", ["whole", "holed", "overlapping", "part flipped", "needles"])
def test_the_tree_agrees_with_the_sum_over_all_faces(fault: str) -> None:
    rng = np.random.default_rng(2)
    mesh = trimesh.creation.icosphere(3, 50.0)
    if fault == "holed":
        mesh = trimesh.Trimesh(mesh.vertices, mesh.faces[rng.random(len(mesh.faces)) < 0.8])
    if fault == "overlapping":
        mesh = trimesh.util.concatenate([mesh, mesh.copy().apply_translation((30, 10, 5))])
    if fault == "part flipped":
        turn = rng.random(len(mesh.faces)) < 0.3
        faces = np.where(turn[:, None], mesh.faces[:, ::-1], mesh.faces)
        mesh = trimesh.Trimesh(mesh.vertices, faces, process=False)
    if fault == "needles":
        mesh = trimesh.creation.cylinder(10, 300, sections=7)
    points = places(mesh)
    tree = WindingTree(mesh.vertices, mesh.faces)
    assert np.abs(tree.number(points) - exact(mesh, points)).max() < 0.08
    strict = WindingTree(mesh.vertices, mesh.faces, accuracy=6.0)
    assert np.abs(strict.number(points) - exact(mesh, points)).max() < 0.01


def test_points_close_to_a_face_are_exact() -> None:
    ball = trimesh.creation.icosphere(3, 50.0)
    near = ball.triangles_center * 0.9999
    number = WindingTree(ball.vertices, ball.faces, accuracy=6.0).number(near)
    assert number == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("count", [1, 2, 7, 8, 9, 17])
def test_few_triangles_need_no_tree(count: int) -> None:
    ball = trimesh.creation.icosphere(1, 10.0)
    few = trimesh.Trimesh(ball.vertices, ball.faces[:count], process=False)
    points = places(few, 40)
    number = WindingTree(few.vertices, few.faces).number(points)
    assert number == pytest.approx(exact(few, points), abs=0.05)
