"""Which side is out."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from moldsmith.geometry import orientation, topology


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0, 0.45))
def test_the_fewer_faces_are_flipped_back(seed: int, share: float) -> None:
    ball = trimesh.creation.icosphere(2, 10.0)
    turned = np.random.default_rng(seed).random(len(ball.faces)) < share
    if turned.sum() * 2 >= len(turned):
        turned = ~turned
    faces = np.where(turned[:, None], ball.faces[:, ::-1], ball.faces)
    flips = orientation.consistent_flips(faces, topology.mated_edges(ball.vertices, faces))
    assert (flips == turned).all()


def test_a_half_sphere_encloses_its_half_ball() -> None:
    """Source: volume of a hemisphere, 2 pi r^3 / 3."""
    ball = trimesh.creation.icosphere(6, 10.0)
    upper = ball.faces[ball.triangles_center[:, 2] > 0]  # a zigzag border about the equator
    vertices, faces = topology.compact(np.asarray(ball.vertices), np.asarray(upper))
    half = 2 * np.pi / 3 * 1000
    assert orientation.capped_volume(vertices, faces) == pytest.approx(half, rel=0.01)
    assert orientation.capped_volume(vertices, faces[:, ::-1]) == pytest.approx(-half, rel=0.01)


def test_roundness_of_a_sphere_is_one() -> None:
    assert orientation.roundness(4 / 3 * np.pi, 4 * np.pi) == pytest.approx(1)
