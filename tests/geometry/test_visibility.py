"""Heights along upright rays are exact."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.visibility import (
    Grid,
    grid_over,
    highest,
    highest_on_line,
    lowest,
    lowest_on_line,
)


def test_top_and_bottom_of_a_box_are_met_at_their_heights_and_nothing_beside_it() -> None:
    box = trimesh.creation.box((20, 10, 6))
    grid = grid_over(np.array([-15.0, -15.0]), np.array([15.0, 15.0]), 1.0)
    top, bottom = highest(box.vertices, box.faces, grid), lowest(box.vertices, box.faces, grid)
    places = grid.places(np.arange(top.size)).reshape(*grid.shape, 2)
    over = (np.abs(places) < [10, 5]).all(axis=2)
    assert top[over] == pytest.approx(3)
    assert bottom[over] == pytest.approx(-3)
    assert np.isneginf(top[~over]).all()
    assert np.isposinf(bottom[~over]).all()


def test_heights_of_a_sphere_are_on_it_but_for_the_sagitta_of_its_triangles() -> None:
    ball = trimesh.creation.icosphere(5, 30)
    grid = grid_over(np.array([-25.0, -25.0]), np.array([25.0, 25.0]), 0.7)
    top = highest(ball.vertices, ball.faces, grid)
    places = grid.places(np.arange(top.size)).reshape(*grid.shape, 2)
    square = 900 - (places**2).sum(axis=2)
    inside = square > 200
    exact = np.sqrt(square[inside])
    assert (top[inside] <= exact + 1e-9).all()
    assert top[inside] == pytest.approx(exact, abs=0.03)


def test_the_hole_of_a_ring_is_seen_through() -> None:
    ring = trimesh.creation.torus(30, 8)
    grid = grid_over(np.array([-40.0, -40.0]), np.array([40.0, 40.0]), 1.0)
    top = highest(ring.vertices, ring.faces, grid)
    away = np.linalg.norm(grid.places(np.arange(top.size)), axis=1).reshape(grid.shape)
    assert np.isneginf(top[away < 21]).all()
    assert np.isfinite(top[(away > 23) & (away < 37)]).all()


def test_of_two_bodies_the_upper_is_highest_and_the_lower_lowest() -> None:
    low = trimesh.creation.box((10, 10, 2))
    both = trimesh.util.concatenate([low, low.copy().apply_translation((0, 0, 9))])
    grid = grid_over(np.array([-4.0, -4.0]), np.array([3.0, 3.0]), 1.0)
    assert highest(both.vertices, both.faces, grid)[1:, 1:] == pytest.approx(10)
    assert lowest(both.vertices, both.faces, grid)[1:, 1:] == pytest.approx(-1)


def test_close_rays_on_a_line_meet_what_a_grid_meets_and_end_where_the_body_does() -> None:
    ball = trimesh.creation.icosphere(3, 30)
    turn = trimesh.transformations.rotation_matrix(0.4, (0, 0, 1))[:3, :3]
    start, way = np.array([3.0, -1.0]), turn[:2, 0]
    along = 0.01 * np.arange(-4000, 4001)
    top = highest_on_line(ball.vertices, ball.faces, start, way, along)
    bottom = lowest_on_line(ball.vertices, ball.faces, start, way, along)
    grid = Grid(np.array([-40.0, 0.0]), 0.01, (len(along), 1))
    turned = (ball.vertices - [*start, 0]) @ turn
    for seen, wanted in (
        (top, highest(turned, ball.faces, grid)),
        (bottom, lowest(turned, ball.faces, grid)),
    ):
        assert (np.isfinite(seen) == np.isfinite(wanted.ravel())).all()
        assert seen[np.isfinite(seen)] == pytest.approx(wanted[np.isfinite(wanted)], abs=1e-9)
    assert 0 < np.isfinite(top).sum() * 0.01 < 60
