"""Sheets at a distance: where they end, and where they lie. Volumes: tests/reference."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from crossings import crossing_pairs
from moldsmith.geometry.crossings import crossing_faces
from moldsmith.geometry.distance import SurfaceIndex
from moldsmith.geometry.offset import offset_sheet
from moldsmith.geometry.topology import border_loops
from shapes import brute_distance, heightfield, manifold_and_oriented


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_sheet_over_a_plane_is_the_plane_moved_and_ends_on_its_border(side: float) -> None:
    plane = heightfield(lambda x, y: 0 * x, (60, 40), 2)
    index = SurfaceIndex(plane.vertices, plane.faces, 1.0)
    sheet = offset_sheet(index, np.full(len(plane.vertices), 5.0), side=side, cell_mm=1.0)
    assert sheet.vertices[:, 2] == pytest.approx(5 * side, abs=1e-3)
    (rim,) = border_loops(sheet.faces)
    x, y = np.abs(sheet.vertices[rim, :2]).T
    assert np.minimum(np.abs(x - 30), np.abs(y - 20)).max() < 1.0
    assert manifold_and_oriented(sheet.faces, closed=False)
    a, b, c = (sheet.vertices[sheet.faces[:, k]] for k in range(3))
    assert (np.cross(b - a, c - a)[:, 2] * side > 0).all()  # looks away from the surface


def test_error_that_is_told_is_the_true_distance_from_the_level() -> None:
    wave = heightfield(lambda x, y: 3 * np.sin(x / 3), (60, 30), 1)
    index = SurfaceIndex(wave.vertices, wave.faces, 1.0)
    sheet = offset_sheet(index, np.full(len(wave.vertices), 6.0), side=1.0, cell_mm=1.0)
    some = np.random.default_rng(0).permutation(len(sheet.vertices))[:300]
    true = brute_distance(sheet.vertices[some], wave.vertices, np.asarray(wave.faces)) - 6
    assert np.quantile(np.abs(true - sheet.error_mm[some]), 0.99) < 1e-6
    assert np.quantile(np.abs(true), 0.99) < 0.02


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_sheet_over_a_scan_that_noise_folds_through_itself_is_whole_and_on_its_side(
    side: float,
) -> None:
    """Its nearest place often looks the wrong way there."""
    plane = heightfield(lambda x, y: 0 * x, (40, 30), 1)
    crumpled = np.array(plane.vertices)
    some = np.hypot(crumpled[:, 0], crumpled[:, 1]) < 6
    crumpled[some] += np.random.default_rng(0).normal(size=(some.sum(), 3))
    faces = np.asarray(plane.faces)
    assert crossing_faces(crumpled, faces, np.ones(len(faces), dtype=bool)).sum() > 100
    index = SurfaceIndex(crumpled, faces, 1.0)
    sheet = offset_sheet(index, np.full(len(crumpled), 4.0), side=side, cell_mm=1.0)
    assert len(border_loops(sheet.faces)) == 1
    assert manifold_and_oriented(sheet.faces, closed=False)
    assert len(crossing_pairs(sheet.vertices, sheet.faces)) == 0
    assert (side * sheet.vertices[:, 2]).min() > 3.9
    over = np.hypot(sheet.vertices[:, 0], sheet.vertices[:, 1]) < 12
    true = brute_distance(sheet.vertices[over], crumpled, faces) - 4
    assert np.quantile(np.abs(true), 0.99) < 0.02


def test_sheet_over_a_closed_surface_is_closed_and_may_be_of_several_pieces() -> None:
    pair = trimesh.util.concatenate(
        [
            trimesh.creation.icosphere(3, 10),
            trimesh.creation.icosphere(3, 10).apply_translation((40, 0, 0)),
        ]
    )
    index = SurfaceIndex(pair.vertices, pair.faces, 1.0)
    for distance, pieces in ((4.0, 2), (12.0, 1)):
        wanted = np.full(len(pair.vertices), distance)
        sheet = offset_sheet(index, wanted, side=1.0, cell_mm=1.0)
        assert manifold_and_oriented(sheet.faces)
        mesh = trimesh.Trimesh(sheet.vertices, sheet.faces, process=False)
        assert mesh.body_count == pieces


def test_nothing_is_left_where_the_offset_is_deeper_than_the_body() -> None:
    ball = trimesh.creation.icosphere(3, 10)
    index = SurfaceIndex(ball.vertices, ball.faces, 1.0)
    sheet = offset_sheet(index, np.full(len(ball.vertices), 13.0), side=-1.0, cell_mm=1.0)
    assert len(sheet.faces) == 0
