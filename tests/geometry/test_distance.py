"""Closest points are exact: held against looking at every triangle."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.distance import SurfaceIndex, vertex_normals
from shapes import brute_distance, heightfield


def index_of(mesh: trimesh.Trimesh, spacing: float) -> SurfaceIndex:
    return SurfaceIndex(mesh.vertices, mesh.faces, spacing)


def rough(seed: int) -> trimesh.Trimesh:
    """A ball with triangles of all sizes, dented at random."""
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(60, 3))
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    ball = trimesh.convex.convex_hull(points)
    dents = rng.uniform(20, 30, size=(len(ball.vertices), 1))
    return trimesh.Trimesh(ball.vertices * dents, ball.faces, process=False)


@pytest.mark.parametrize("seed", range(3))
def test_distance_is_that_to_the_nearest_of_all_triangles(seed: int) -> None:
    mesh = rough(seed)
    points = np.random.default_rng(seed).uniform(-40, 40, size=(600, 3))
    found = index_of(mesh, 1.0).closest(points)
    sure = brute_distance(points, mesh.vertices, mesh.faces)
    assert (found.distance > sure - 1e-9).all()  # a point of the surface is never too near
    # Close to where two places are as near as each other the samples may name the other one.
    assert (found.distance - sure < 1e-9).mean() > 0.98
    assert (found.distance - sure).max() < 0.5


def test_closest_point_lies_on_the_face_it_names() -> None:
    mesh = rough(4)
    points = np.random.default_rng(4).uniform(-40, 40, size=(300, 3))
    found = index_of(mesh, 2.0).closest(points)
    corners = mesh.vertices[mesh.faces[found.face]]
    assert (found.weights >= 0).all()
    assert found.weights.sum(axis=1) == pytest.approx(1.0)
    assert np.einsum("ij,ijk->ik", found.weights, corners) == pytest.approx(found.point)
    assert np.linalg.norm(points - found.point, axis=1) == pytest.approx(found.distance)


def test_a_walk_from_far_away_ends_at_the_same_point_of_a_convex_body() -> None:
    mesh = trimesh.creation.icosphere(3, 30)
    index = index_of(mesh, 2.0)
    points = 40 * np.random.default_rng(1).normal(size=(200, 3))
    points = points[np.linalg.norm(points, axis=1) > 35]
    start = np.zeros(len(points), dtype=np.int64)
    walked, looked_up = index.closest(points, start), index.closest(points)
    assert walked.distance == pytest.approx(looked_up.distance, abs=1e-9)


@pytest.mark.parametrize(
    "mesh",
    [trimesh.creation.box((20, 30, 40)), trimesh.creation.icosphere(2, 20), rough(1)],
    ids=["box", "ball", "rough"],
)
def test_side_is_that_of_the_winding(mesh: trimesh.Trimesh) -> None:
    """Also past edges and corners, where no single face tells it."""
    points = np.random.default_rng(2).uniform(-35, 35, size=(800, 3))
    index = index_of(mesh, 1.0)
    found = index.closest(points)
    winding = np.zeros(len(points))
    for a, b, c in mesh.vertices[mesh.faces] - 0.0:
        winding += solid_angle(a - points, b - points, c - points)
    inside = np.abs(winding) > 2 * np.pi
    clear = found.distance > 1e-6
    assert np.array_equal(index.side_of(points, found)[clear] < 0, inside[clear])


def solid_angle(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Van Oosterom and Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125."""
    la, lb, lc = (np.linalg.norm(side, axis=1) for side in (a, b, c))
    over = np.einsum("ij,ij->i", a, np.cross(b, c))
    under = la * lb * lc
    for one, two, length in ((a, b, lc), (b, c, la), (c, a, lb)):
        under += np.einsum("ij,ij->i", one, two) * length
    return 2 * np.arctan2(over, under)


def test_border_is_told_from_the_inside() -> None:
    plane = heightfield(lambda x, y: 0 * x, (40, 40), 5)
    points = np.array([[0, 0, 9.0], [30, 0, 1], [30, 30, 1], [20, 3, 4], [19, 3, 4]])
    found = index_of(plane, 2.0).closest(points)
    assert found.on_border.tolist() == [False, True, True, True, False]
    assert found.distance == pytest.approx([9, np.hypot(10, 1), np.sqrt(201), 4, 4])


def test_vertex_normals_of_a_corner_do_not_depend_on_how_its_faces_are_cut() -> None:
    """Angle weights: each of the three sides of a cube's corner counts a right angle."""
    box = trimesh.creation.box((2, 2, 2))
    normals = vertex_normals(box.vertices, box.faces)
    assert normals == pytest.approx(box.vertices / np.sqrt(3))


def test_values_are_interpolated_linearly() -> None:
    plane = heightfield(lambda x, y: 0 * x, (40, 40), 5)
    index = index_of(plane, 2.0)
    points = np.random.default_rng(0).uniform(-19, 19, size=(50, 3))
    value = index.interpolate(
        2 * plane.vertices[:, 0] - plane.vertices[:, 1], index.closest(points)
    )
    assert value == pytest.approx(2 * points[:, 0] - points[:, 1])


def test_no_point_of_the_surface_is_far_from_a_sample() -> None:
    mesh = rough(2)
    index = index_of(mesh, 1.5)
    rng = np.random.default_rng(0)
    face = rng.integers(len(mesh.faces), size=3000)
    weights = rng.dirichlet((1, 1, 1), size=3000)
    points = np.einsum("ij,ijk->ik", weights, mesh.vertices[mesh.faces[face]])
    assert index.nearest_samples(points)[0].max() < 0.61 * 1.5
