"""Holes filled with a surface that goes on from the edge."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from moldsmith.geometry import holes, topology


def sheet(steps: int = 25) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """A flat grid of 1 mm squares halved, z = 0."""
    x, y = np.meshgrid(np.arange(float(steps)), np.arange(float(steps)))
    vertices = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    first = (np.arange(steps - 1)[:, None] * steps + np.arange(steps - 1)).ravel()
    lower = np.stack([first, first + 1, first + steps + 1], axis=1)
    upper = np.stack([first, first + steps + 1, first + steps], axis=1)
    return vertices, np.concatenate([lower, upper])


def filled(
    vertices: NDArray[np.float64], faces: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """All but the longest border of the mesh's largest piece filled."""
    label = topology.components(faces)[1]
    faces = faces[label == np.argmax(np.bincount(label))]
    faces, source = topology.split_corners(faces, topology.mated_edges(vertices, faces))
    loops = topology.border_loops(faces)
    return holes.fill(vertices[source], faces, loops[1:])


def test_a_hole_in_a_plane_is_filled_flat() -> None:
    vertices, faces = sheet()
    keep = np.linalg.norm(vertices[faces].mean(axis=1) - (12, 12, 0), axis=1) > 6
    whole, closed = filled(vertices, faces[keep])
    assert np.abs(whole[:, 2]).max() < 1e-9
    a, b, c = (whole[closed[:, k]] for k in range(3))
    area = np.cross(b - a, c - a)[:, 2] / 2
    assert (area > 0).all()
    assert area.sum() == pytest.approx(24 * 24)


def test_a_hole_in_a_paraboloid_is_filled_close_to_it() -> None:
    """A paraboloid of revolution satisfies the thin-plate equation for small slopes."""
    vertices, faces = sheet(41)
    vertices = vertices - (20, 20, 0)
    vertices[:, 2] = (vertices[:, :2] ** 2).sum(axis=1) / 200
    keep = np.linalg.norm(vertices[faces].mean(axis=1)[:, :2], axis=1) > 8
    whole, _ = filled(vertices, faces[keep])
    off = whole[:, 2] - (whole[:, :2] ** 2).sum(axis=1) / 200
    assert np.abs(off).max() < 0.02  # of a sag of 0.32


def test_opening_is_the_longest_distance_across() -> None:
    turn = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    ring = np.stack([30 * np.cos(turn), 10 * np.sin(turn), 0 * turn], axis=1)
    assert 59.9 < holes.opening(ring) <= 60


def test_no_edge_of_a_filling_is_one_the_mesh_has_already() -> None:
    """A loop of four whose diagonal is already an edge outside it: a pyramid's roof, bent round."""
    vertices = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0.5, 0.5, -1]], dtype=float)
    present = np.unique(topology.edge_keys(np.array([[0, 2], [1, 3]])))
    points, triangles = holes._triangulated(vertices[:4], np.arange(4), present)
    assert len(points) == 5
    assert len(triangles) == 4


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.02, 0.5), st.floats(0, 3))
def test_every_ragged_hole_is_closed_without_crowded_edges(
    seed: int, gone: float, rough: float
) -> None:
    rng = np.random.default_rng(seed)
    vertices, faces = sheet(16)
    vertices[:, 2] = rough * rng.normal(size=len(vertices))
    whole, closed = filled(vertices, faces[rng.random(len(faces)) > gone])
    edges = topology.half_edges(closed)
    assert len(np.unique(edges, axis=0)) == len(edges)
    assert len(topology.border_loops(closed)) == 1
    assert np.isfinite(whole).all()
