"""What is joined to what, on meshes small enough to check by hand."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from moldsmith.geometry import topology


def test_half_edges_stand_in_the_order_of_their_faces() -> None:
    faces = np.array([[0, 1, 2], [2, 1, 3]])
    assert topology.half_edges(faces).tolist() == [[0, 1], [1, 2], [2, 0], [2, 1], [1, 3], [3, 2]]
    assert topology.border_edges(faces).tolist() == [[0, 1], [2, 0], [1, 3], [3, 2]]
    assert [loop.tolist() for loop in topology.border_loops(faces)] == [[0, 1, 3, 2]]


def test_border_loops_refuse_what_has_no_clear_border() -> None:
    with pytest.raises(ValueError, match="two borders"):
        topology.border_loops(np.array([[0, 1, 2], [0, 3, 4]]))
    with pytest.raises(ValueError, match=r"two borders|not oriented alike"):
        topology.border_loops(np.array([[0, 1, 2], [1, 2, 3]]))


def test_weld_near_joins_only_what_is_near() -> None:
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1.005, 0, 0], [1, 1, 0], [0, 1.5, 0]])
    faces = np.array([[0, 1, 2], [2, 3, 4], [5, 4, 3]])
    assert topology.weld_near(vertices, faces, 0.01).tolist() == [[0, 1, 2], [2, 1, 4], [5, 4, 1]]
    assert topology.weld_near(vertices, faces, 0.001) is faces


def test_degenerate_and_repeated_faces_are_found() -> None:
    faces = np.array([[0, 1, 2], [1, 1, 2], [2, 0, 1], [2, 1, 0], [1, 2, 3]])
    assert topology.degenerate(faces).tolist() == [False, True, False, False, False]
    assert topology.repeated(faces).tolist() == [False, False, True, True, False]


def test_compact_drops_unnamed_vertices() -> None:
    vertices, faces = topology.compact(np.arange(15.0).reshape(5, 3), np.array([[4, 2, 1]]))
    assert vertices[:, 0].tolist() == [3, 6, 12]
    assert faces.tolist() == [[2, 1, 0]]


def test_the_flattest_pair_goes_on_across_a_crowded_edge() -> None:
    """Two faces in a plane and a fin standing on their edge."""
    vertices = np.array([[0, 0, 0], [0, 1, 0], [1, 0, 0], [-1, 0, 0], [0, 0, 1]], dtype=float)
    faces = np.array([[1, 0, 2], [0, 1, 3], [0, 1, 4]])
    pairs = topology.mated_edges(vertices, faces)
    assert (pairs // 3).tolist() == [[0, 1]]
    split, source = topology.split_corners(faces, pairs)
    assert topology.components(split)[0] == 2
    assert len(source) == 4 + 3


def test_a_vertex_of_two_fans_becomes_two() -> None:
    faces = np.array([[0, 1, 2], [0, 3, 4]])
    split, source = topology.split_corners(faces, topology.mated_edges(np.eye(5, 3), faces))
    assert source.tolist() == [0, 1, 2, 0, 3, 4]
    assert split.tolist() == [[0, 1, 2], [3, 4, 5]]


def test_vertices_at_one_place_are_pulled_apart_beyond_float32() -> None:
    ball = trimesh.creation.icosphere(1, 50.0)
    top = (
        ball.vertices[np.argmax(ball.vertices[:, 2])]
        - ball.vertices[np.argmin(ball.vertices[:, 2])]
    )
    vertices = np.concatenate([ball.vertices, ball.vertices + top]) + 1500
    faces = np.concatenate([ball.faces, ball.faces + len(ball.vertices)])
    apart, moved = topology.pulled_apart(vertices, faces, 0.02)
    assert moved == 2
    assert len(np.unique(apart.astype(np.float32), axis=0)) == len(vertices)
    assert np.abs(apart - vertices).max() <= 0.02 + 1e-12


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(4, 30), st.integers(2, 80))
def test_split_corners_leaves_one_fan_a_vertex(seed: int, points: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    vertices = rng.normal(size=(points, 3))
    faces = rng.integers(points, size=(count, 3))
    faces = faces[~topology.degenerate(faces)]
    faces = faces[~topology.repeated(faces)]
    if len(faces) == 0:
        return
    split, source = topology.split_corners(faces, topology.mated_edges(vertices, faces))
    assert (source[split] == faces).all()
    again, _ = topology.split_corners(split, topology.mated_edges(vertices[source], split))
    assert again.max() == split.max()
