"""Distance from the border along surfaces that unroll or have closed forms, within 1 %."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.geodesic import border_distance, point_distance
from shapes import cap, heightfield


def distances(mesh: trimesh.Trimesh, limit: float = 1000.0) -> np.ndarray:
    return border_distance(mesh.vertices, mesh.faces, limit)


def assert_within_1_percent(found: np.ndarray, exact: np.ndarray) -> None:
    inner = exact > 1.0
    assert (np.abs(found - exact)[inner] < 0.01 * exact[inner]).all()
    assert np.abs(found - exact)[~inner].max() < 0.02


def test_on_a_sphere_it_is_the_arc_of_the_great_circle() -> None:
    mesh = cap(50, 60)
    polar = np.arccos(np.clip(mesh.vertices[:, 2] / 50, -1, 1))
    assert_within_1_percent(distances(mesh), 50 * (np.radians(60) - polar))


def test_on_a_cone_it_is_the_rest_of_the_generator() -> None:
    plan = cap(50, 60)
    radius = np.hypot(plan.vertices[:, 0], plan.vertices[:, 1])
    cone = trimesh.Trimesh(
        np.column_stack([plan.vertices[:, :2], 60 - radius]), plan.faces, process=False
    )
    assert_within_1_percent(distances(cone), np.sqrt(2) * (radius.max() - radius))


@pytest.mark.parametrize("opening_deg", [40, 60])
def test_round_a_cylinder_it_is_the_arc(opening_deg: float) -> None:
    flat = heightfield(lambda x, y: 0 * x, (2 * opening_deg, 400), 1)
    turn = np.radians(flat.vertices[:, 0])
    bent = trimesh.Trimesh(
        np.column_stack([40 * np.sin(turn), flat.vertices[:, 1], 40 * np.cos(turn)]),
        flat.faces,
        process=False,
    )
    exact = np.minimum(
        40 * (np.radians(opening_deg) - np.abs(turn)), 200 - np.abs(flat.vertices[:, 1])
    )
    assert_within_1_percent(distances(bent), np.maximum(exact, 0))


def test_on_a_plane_it_is_the_distance_to_the_border_also_between_its_vertices() -> None:
    mesh = heightfield(lambda x, y: 0 * x, (60, 40), 3)
    exact = np.minimum(30 - np.abs(mesh.vertices[:, 0]), 20 - np.abs(mesh.vertices[:, 1]))
    assert_within_1_percent(distances(mesh), exact)


def test_it_stops_at_the_limit_and_is_the_limit_without_border() -> None:
    assert distances(cap(50, 60), 12.0).max() == 12.0
    assert (distances(trimesh.creation.icosphere(2, 20), 12.0) == 12.0).all()


def test_way_from_a_point_is_straight_on_a_plane_and_an_arc_on_a_sphere() -> None:
    flat = heightfield(lambda x, y: 0 * x, (60, 40), 3)
    weights = np.array([0.2, 0.5, 0.3])
    point = weights @ flat.vertices[flat.faces[200]]
    found = point_distance(flat.vertices, flat.faces, 200, weights, 1000.0)
    assert found == pytest.approx(np.linalg.norm(flat.vertices - point, axis=1), abs=1e-6)
    ball = trimesh.creation.icosphere(4, 50)
    found = point_distance(ball.vertices, ball.faces, 0, np.array([1.0, 0, 0]), 1000.0)
    pole = ball.vertices[ball.faces[0, 0]] / 50
    arc = 50 * np.arccos(np.clip(ball.vertices @ pole / 50, -1, 1))
    assert np.abs(found - arc).max() < 0.01 * 50 * np.pi


def test_over_a_wavy_sheet_it_is_the_length_of_the_waves() -> None:
    """S-curves, where a chord and its arc are both far off."""
    mesh = heightfield(lambda x, y: 6 * np.sin(x / 8), (100, 300), 2)
    x = np.linspace(-50, 50, 20001)
    along = np.r_[0, np.cumsum(np.hypot(np.diff(x), np.diff(6 * np.sin(x / 8))))]
    here = np.interp(mesh.vertices[:, 0], x, along)
    middle = np.abs(mesh.vertices[:, 1]) < 30
    exact = np.minimum(here, along[-1] - here)
    assert_within_1_percent(distances(mesh)[middle], exact[middle])
