"""Cuts along the zero line of a field."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from moldsmith.geometry import clipping, topology

Floats = NDArray[np.float64]


def ball(level: int = 3) -> tuple[Floats, NDArray[np.int64]]:
    mesh = trimesh.creation.icosphere(level, 10.0)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64)


def test_corner_angles_of_a_right_triangle() -> None:
    angles = clipping.corner_angles(
        np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]])
    )
    assert angles[0] == pytest.approx([90, 45, 45])


def test_both_sides_of_a_cut_without_snapping_add_up() -> None:
    vertices, faces = ball()

    def field(points: Floats) -> Floats:
        return points @ np.array([0.3, 0.5, 0.8]) - 1.234

    area = 0.0
    for sign in (1, -1):
        v, f, _ = clipping.clip(vertices, faces, lambda p, s=sign: s * field(p), snap=0.0)
        area += trimesh.Trimesh(v, f, process=False).area
    assert area == pytest.approx(trimesh.Trimesh(vertices, faces, process=False).area, rel=1e-12)


def test_a_curved_cut_is_met_on_long_edges() -> None:
    """Bisection on the field itself: the cut lies on the cylinder, not on chords' estimates."""
    vertices, faces = ball(2)
    v, f, made = clipping.clip(vertices, faces, lambda p: p[:, 0] ** 2 + p[:, 1] ** 2 - 36)
    assert np.linalg.norm(v[made][:, :2], axis=1) == pytest.approx(6, abs=1e-8)
    border = np.unique(topology.border_edges(f))
    assert made[border].all()


def test_vertices_on_the_cut_are_used_as_they_are() -> None:
    vertices, faces = ball()
    v, f, made = clipping.clip(vertices, faces, lambda p: np.round(p[:, 2], 9))
    assert len(topology.border_loops(f)) == 1
    assert np.abs(v[made][:, 2]).max() < 1e-8
    assert v[:, 2].max() < 1e-8


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(-9.5, 9.5))
def test_a_plane_leaves_one_loop_and_no_slivers(seed: int, offset: float) -> None:
    vertices, faces = ball()
    normal = np.random.default_rng(seed).normal(size=3)
    normal /= np.linalg.norm(normal)
    v, f, made = clipping.clip(vertices, faces, lambda p: p @ normal - offset)
    assert len(topology.border_loops(f)) == 1
    assert np.abs(v[made] @ normal - offset).max() < 1e-8
    assert clipping.corner_angles(v, f).min() > 8


def test_needles_on_the_cut_are_collapsed_along_it() -> None:
    along = np.array([0, 1, 2, 2.02, 3, 4, 5.0])
    lower = np.stack([along, 0 * along, 0 * along], axis=1)
    upper = np.stack([along, 0 * along + 1, 0 * along], axis=1)
    number = np.arange(6)
    faces = np.concatenate(
        [
            np.stack([number, number + 1, number + 7], axis=1),
            np.stack([number + 1, number + 8, number + 7], axis=1),
        ]
    )
    on_cut = np.arange(14) < 7
    v, f, made = clipping.without_needles(np.concatenate([lower, upper]), faces, on_cut)
    assert made.sum() == 6
    assert np.abs(v[made][:, 1]).max() == 0
    assert trimesh.Trimesh(v, f, process=False).area == pytest.approx(5.0)
