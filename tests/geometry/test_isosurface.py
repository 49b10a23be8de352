"""The marching table and what is extracted with it: always closed, oriented, manifold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from moldsmith.geometry import isosurface
from moldsmith.geometry.isosurface import Band, extract, narrow_band
from shapes import manifold_and_oriented


def volume(vertices: np.ndarray, faces: np.ndarray) -> float:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def marched(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The zero surface of values on a grid of unit cells, positive outside the grid."""
    shape = np.array(values.shape)

    def field(points: np.ndarray) -> np.ndarray:
        at = np.round(points).astype(int)
        inside = ((at >= 0) & (at < shape)).all(axis=1)
        found = np.ones(len(points))
        found[inside] = values[tuple(at[inside].T)]
        return found

    cells = np.stack(
        np.meshgrid(*[np.arange(-1, size // 2 + 1) for size in shape], indexing="ij"), axis=-1
    ).reshape(-1, 3)
    vertices, faces, _ = extract(field, Band(cells, np.zeros(3), 2.0))
    return vertices, faces


@pytest.mark.parametrize("case", range(1, 256))
def test_every_case_of_a_single_cube_is_closed(case: int) -> None:
    corners = np.array([(case >> k) & 1 for k in range(8)])
    values = np.where(corners, -1.0, 1.0).reshape(2, 2, 2).transpose(2, 1, 0)
    vertices, faces = marched(values)
    assert manifold_and_oriented(faces)
    assert volume(vertices, faces) > 0  # faces look to the positive side


@settings(max_examples=25, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), share=st.floats(0.15, 0.85), smooth=st.sampled_from([0, 0.6]))
def test_any_field_gives_a_closed_oriented_manifold(seed: int, share: float, smooth: float) -> None:
    """White noise has every ambiguous face and cube."""
    noise = np.random.default_rng(seed).normal(size=(9, 9, 9))
    noise = ndimage.gaussian_filter(noise, smooth) if smooth else noise
    _, faces = marched(noise - np.quantile(noise, share))
    assert manifold_and_oriented(faces)


def test_no_triangle_has_zero_area_where_the_level_runs_through_corners() -> None:
    vertices, faces = marched(np.where(np.indices((6, 6, 6)).sum(axis=0) % 2, 0.0, -1.0))
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    assert manifold_and_oriented(faces)
    assert np.linalg.norm(np.cross(b - a, c - a), axis=1).min() > 1e-5


def ball_field(points: np.ndarray) -> np.ndarray:
    return np.linalg.norm(points - [3.3, -2.1, 0.7], axis=1) - 10.0


def ball_band(cell: float) -> tuple[Band, list[int]]:
    asked = []

    def of_cells(points: np.ndarray, _: float) -> np.ndarray:
        asked.append(len(points))
        return ball_field(points)

    seeds = np.array([[3.3, -2.1, 0.7]]) + 4 * np.eye(3)
    return narrow_band(of_cells, seeds, 14.0, cell), asked


def test_a_ball_is_found_whole_and_its_volume_nears_the_closed_form_from_below() -> None:
    exact = 4 / 3 * np.pi * 1000
    errors = []
    for cell in (1.0, 0.5):
        vertices, faces, _ = extract(ball_field, ball_band(cell)[0])
        assert manifold_and_oriented(faces)
        errors.append(exact - volume(vertices, faces))
    assert 0 < errors[1] < 0.3 * errors[0]  # second order
    assert errors[1] < 0.005 * exact


def test_cost_grows_with_area_over_the_cells_square() -> None:
    counts = [len(ball_band(cell)[0].cells) for cell in (1.0, 0.5, 0.25)]
    assert 3.4 < counts[1] / counts[0] < 4.5
    assert 3.4 < counts[2] / counts[1] < 4.5


def test_each_vertex_names_a_nearby_place_the_field_was_asked_at() -> None:
    asked = np.empty((0, 3))

    def field(points: np.ndarray) -> np.ndarray:
        nonlocal asked
        asked = points
        return ball_field(points)

    vertices, _, source = extract(field, ball_band(1.0)[0])
    assert np.linalg.norm(vertices - asked[source], axis=1).max() < 0.51


def test_a_field_without_zero_gives_nothing() -> None:
    band = narrow_band(lambda points, _: np.full(len(points), np.inf), np.zeros((1, 3)), 5.0, 1.0)
    vertices, faces, source = extract(ball_field, band)
    assert len(vertices) == len(faces) == len(source) == 0


def test_the_table_covers_all_cases_and_complements_use_the_same_edges() -> None:
    table, counts = isosurface._table()
    assert table.shape[0] == 256
    assert counts[0] == counts[255] == 0
    assert counts.max() <= 5
