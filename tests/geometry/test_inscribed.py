"""Largest balls against surfaces whose radii are known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.distance import SurfaceIndex
from moldsmith.geometry.inscribed import inner_radius


def radii(mesh: trimesh.Trimesh, side: float, limit: float, spacing: float = 1.0) -> np.ndarray:
    return inner_radius(SurfaceIndex(mesh.vertices, mesh.faces, spacing), side, limit)


def test_inside_a_sphere_it_is_the_spheres_radius() -> None:
    found = radii(trimesh.creation.icosphere(3, 50), -1.0, 200.0, 5.0)
    assert found.max() < 50  # the mesh is inscribed
    assert found.min() > 50 - 2 * 0.25 * 5 - 0.5  # what a quarter of the spacing leaves undecided


def test_it_is_never_over_the_limit_and_outside_a_convex_body_it_is_the_limit() -> None:
    ball = trimesh.creation.icosphere(4, 50)
    assert (radii(ball, -1.0, 20.0) == 20.0).all()
    assert (radii(ball, 1.0, 20.0) == 20.0).all()


def test_in_a_plate_it_is_half_the_plates_thickness() -> None:
    plate = trimesh.creation.box((80, 80, 12)).subdivide().subdivide().subdivide().subdivide()
    found = radii(plate, -1.0, 40.0)
    middle = (np.abs(plate.vertices[:, :2]) < 20).all(axis=1)
    assert found[middle] == pytest.approx(6, rel=0.02)


def test_noise_of_the_surface_does_not_read_as_thinness() -> None:
    ball = trimesh.creation.icosphere(4, 50)
    noise = np.random.default_rng(0).normal(scale=0.3, size=(len(ball.vertices), 1))
    rough = trimesh.Trimesh(ball.vertices * (1 + noise / 50), ball.faces, process=False)
    found = radii(rough, -1.0, 60.0, 6.0)
    assert np.quantile(found, 0.02) > 40
