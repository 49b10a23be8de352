"""Bands between loops close whatever the loops' counts are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moldsmith.geometry.zipping import zip_loops
from shapes import manifold_and_oriented


def ring(radius: float, height: float, count: int, start: float, wobble: float) -> np.ndarray:
    turn = start + 2 * np.pi * np.arange(count) / count
    reach = radius * (1 + wobble * np.sin(5 * turn))
    return np.stack([reach * np.cos(turn), reach * np.sin(turn), height + 0 * turn], axis=1)


def closed_drum(upper: np.ndarray, lower: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A lid fan on the upper loop, a floor fan on the lower, and the band that zips them."""
    m, n = len(upper), len(lower)
    vertices = np.concatenate([upper, lower, [upper.mean(axis=0)], [lower.mean(axis=0)]])
    top, bottom = np.arange(m), m + np.arange(n)
    lid = np.stack([top, np.roll(top, -1), np.full(m, m + n)], axis=1)
    floor = np.stack([np.roll(bottom, -1), bottom, np.full(n, m + n + 1)], axis=1)
    # Each loop in its own sheet's direction: the lid's anticlockwise, the floor's clockwise.
    band = zip_loops(vertices, top, bottom[::-1])
    return vertices, np.concatenate([lid, floor, band])


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.integers(3, 60), st.integers(3, 60), st.floats(0, 6.2), st.floats(0, 0.3), st.floats(0.5, 20)
)
def test_band_closes_two_loops_of_any_counts(
    m: int, n: int, start: float, wobble: float, height: float
) -> None:
    upper, lower = ring(20, height, m, 0.0, wobble), ring(22, 0, n, start, 0.0)
    _, faces = closed_drum(upper, lower)
    assert len(faces) == 2 * (m + n)
    assert manifold_and_oriented(faces)


def test_band_of_even_rings_is_a_plain_wall() -> None:
    upper, lower = ring(20, 10, 48, 0.0, 0.0), ring(20, 0, 64, 0.4, 0.0)
    vertices, faces = closed_drum(upper, lower)
    a, b, c = (vertices[faces[-112:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2
    assert area == pytest.approx(2 * np.pi * 20 * 10, rel=0.01)
    volume = np.einsum(
        "ij,ij->i", vertices[faces[:, 0]], np.cross(vertices[faces[:, 1]], vertices[faces[:, 2]])
    )
    assert volume.sum() / 6 == pytest.approx(np.pi * 400 * 10, rel=0.01)
