"""What makes a mesh with fewer triangles no manifold is found, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from moldsmith.geometry import topology
from moldsmith.geometry.deviation import faulty

Ints = NDArray[np.int64]


def ball(level: int = 2) -> Ints:
    return np.array(trimesh.creation.icosphere(level).faces, dtype=np.int64)


def at_fault(faces: Ints) -> list[int]:
    return np.flatnonzero(faulty(faces, int(faces.max()) + 1)).tolist()


def test_a_whole_ball_and_one_cut_open_are_without_fault() -> None:
    assert at_fault(ball()) == []
    mesh = trimesh.creation.icosphere(2)
    assert at_fault(ball()[mesh.triangles_center[:, 2] < 0.3]) == []


def test_two_balls_that_share_a_vertex_are_at_fault_there() -> None:
    other = ball() + 162
    other[other == 162] = 7
    assert at_fault(np.concatenate([ball(), other])) == [7]


def test_an_edge_of_three_faces_and_a_face_that_is_there_twice_are_faults() -> None:
    fin = np.array([[*ball()[30, :2], 162]])
    assert at_fault(np.concatenate([ball(), fin])) == sorted(ball()[30, :2].tolist())
    pillow = np.array([[162, 163, 164], [164, 163, 162]])
    assert at_fault(np.concatenate([ball(), pillow])) == [162, 163, 164]


@pytest.mark.parametrize("flipped", [0.0, 0.2])
def test_the_faults_are_where_splitting_corners_would_part_vertices(flipped: float) -> None:
    rng = np.random.default_rng(4)
    for _ in range(60):
        faces = ball()[rng.random(320) > rng.uniform(0, 0.3)]
        number = np.arange(162)
        one, other = rng.integers(162, size=(2, 5))
        number[one] = other
        faces = number[faces]
        turn = rng.random(len(faces)) < flipped
        faces = np.where(turn[:, None], faces[:, ::-1], faces)
        pairs = topology.mated_edges(rng.normal(size=(162, 3)), faces)
        _, source = topology.split_corners(faces, pairs)
        expected = np.bincount(source, minlength=162) > 1
        expected |= _crowded(faces)
        for wrong in (topology.repeated, topology.degenerate):
            expected[faces[wrong(faces)]] = True
        assert np.array_equal(faulty(faces, 162), expected)


def _crowded(faces: Ints) -> NDArray[np.bool_]:
    edges = np.sort(topology.half_edges(faces), axis=1)
    named, count = np.unique(edges, axis=0, return_counts=True)
    found = np.zeros(162, dtype=bool)
    found[named[count > 2]] = True
    return found
