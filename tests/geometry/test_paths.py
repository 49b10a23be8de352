"""The shortest way along a surface is as long as the closed form says."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith import BadParameter
from moldsmith.geometry.paths import SurfacePaths, path_length_mm, shortest_path

CENTRE = (1 / 3, 1 / 3, 1 / 3)


def sheet(steps: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """A flat square of 120 mm, 10 mm cells."""
    x, y = np.meshgrid(np.arange(steps + 1.0), np.arange(steps + 1.0), indexing="ij")
    vertices = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=1) * 10
    a = (np.arange(steps)[:, None] * (steps + 1) + np.arange(steps)).ravel()
    b, c, d = a + steps + 1, a + steps + 2, a + 1
    return vertices, np.concatenate([np.c_[a, b, c], np.c_[a, c, d]])


def place(vertices: np.ndarray, faces: np.ndarray, x: float, y: float) -> tuple[int, np.ndarray]:
    corners = vertices[faces].transpose(0, 2, 1).copy()
    corners[:, 2] = 1
    weights = np.linalg.solve(corners, np.array([[x], [y], [1.0]]))[..., 0]
    face = int(np.argmax(weights.min(axis=1)))
    return face, np.clip(weights[face], 0, 1)


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ((3.1, 4.2), (111.7, 88.3)),
        ((20, 30), (90, 100)),  # both in vertices
        ((25, 30), (97, 40)),  # both on edges
        ((21, 33), (22, 39)),  # in neighbouring or the same face
        ((25, 25), (26, 24)),  # on an edge and beside it
        ((24, 24), (26, 26)),  # both on one edge
    ],
)
def test_on_a_flat_sheet_the_way_is_straight(
    start: tuple[float, float], end: tuple[float, float]
) -> None:
    vertices, faces = sheet()
    path = shortest_path(
        vertices, faces, place(vertices, faces, *start), place(vertices, faces, *end)
    )
    assert path[0] == pytest.approx((*start, 0))
    assert path[-1] == pytest.approx((*end, 0))
    straight = np.hypot(end[0] - start[0], end[1] - start[1])
    assert path_length_mm(path) == pytest.approx(straight, rel=1e-6)


def test_an_open_surface_is_gone_round_at_its_border() -> None:
    vertices, faces = sheet()
    middle = vertices[faces].mean(axis=1)
    slit = (np.abs(middle[:, 0] - 60) < 10) & (middle[:, 1] > 40)
    open_faces = faces[~slit]
    path = shortest_path(
        vertices,
        open_faces,
        place(vertices, open_faces, 20, 100),
        place(vertices, open_faces, 100, 100),
    )
    exact = 2 * np.hypot(30, 60) + 20  # round the corners at (50, 40) and (70, 40)
    assert path_length_mm(path) == pytest.approx(exact, rel=1e-6)


def test_the_way_does_not_depend_on_the_mesh() -> None:
    coarse = trimesh.creation.icosphere(2, 100)
    coarse = trimesh.Trimesh(coarse.vertices * [1, 0.7, 1.6], coarse.faces, process=False)
    fine = coarse.subdivide()
    ends = coarse.triangles_center[[3, 200]]
    lengths = []
    for mesh in (coarse, fine):
        faces = [int(np.argmin(np.linalg.norm(mesh.triangles_center - p, axis=1))) for p in ends]
        weights = trimesh.triangles.points_to_barycentric(mesh.triangles[faces], ends)
        path = shortest_path(mesh.vertices, mesh.faces, *zip(faces, weights, strict=True))
        lengths.append(path_length_mm(path))
    assert lengths[0] == pytest.approx(lengths[1], rel=1e-9)


def test_random_places_are_joined_no_longer_than_by_edges() -> None:
    ball = trimesh.creation.icosphere(3, 50)
    paths = SurfacePaths(ball.vertices, ball.faces)
    rng = np.random.default_rng(5)
    for _ in range(60):
        faces = rng.integers(len(ball.faces), size=2)
        corner = np.array([[1.0, 0, 0], [0, 0.5, 0.5], [0.1, 0.2, 0.7]])[rng.integers(3, size=2)]
        path = paths.shortest((int(faces[0]), corner[0]), (int(faces[1]), corner[1]))
        assert path_length_mm(path) >= np.linalg.norm(path[0] - path[-1]) - 1e-9
        apart = paths.edge_distance(ball.faces[faces[0], :1])[ball.faces[faces[1], 0]]
        assert path_length_mm(path) <= apart + 20  # the corners are off the places by an edge


def test_places_off_the_surface_and_apart_are_refused() -> None:
    vertices, faces = sheet()
    twice = np.concatenate([vertices, vertices + np.array([0, 0, 50])])
    both = np.concatenate([faces, faces + len(vertices)])
    with pytest.raises(BadParameter, match="no way along the surface"):
        shortest_path(twice, both, (0, CENTRE), (len(faces) + 3, CENTRE))
    with pytest.raises(BadParameter, match=r"start lies on face 999"):
        shortest_path(vertices, faces, (999, CENTRE), (3, CENTRE))
    with pytest.raises(BadParameter, match=r"end has barycentric weights"):
        shortest_path(vertices, faces, (0, CENTRE), (3, (1, 1, 0)))
