"""Parts in their print pose, as their STL files are read back."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.gathering import posed
from moldsmith.geometry import solid
from moldsmith.geometry.topology import pinched

SLIT_MM = 5e-7  # a step of float32 near 4, less than one farther out


def test_a_part_stays_closed_where_its_pose_moves_it_far_from_the_origin() -> None:
    """Its walls are nearer to each other than float32 can tell there."""
    slit = solid.box((0, -20, 5), (SLIT_MM, 20, 20))
    part = solid.to_mesh(solid.difference(solid.box((-10, -10, 0), (10, 10, 10)), slit))
    assert part.is_watertight
    away = np.eye(4)
    away[:3, 3] = [150.0, 100.0, 0.0]
    mesh = posed(part, away)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert not pinched(np.asarray(mesh.faces))
    assert mesh.volume == pytest.approx(4000, rel=1e-4)
    assert mesh.bounds == pytest.approx(np.array([[140, 90, 0], [160, 110, 10]]), abs=1e-3)


def test_a_part_touches_itself_in_no_corner_where_its_pose_moves_it() -> None:
    """Two tips, told apart at the origin, would be one vertex where the part is printed."""
    tip = np.array([[0.0, 0.0, 5.0], [-5, -3, 0], [-5, 3, 0], [-5, 0, 9]])
    faces = np.array([[0, 2, 1], [0, 3, 2], [0, 1, 3], [1, 2, 3]])
    other = tip * [-1, -1, 1] + [SLIT_MM, 0, 0]
    part = trimesh.Trimesh(np.concatenate([tip, other]), np.concatenate([faces, faces + 4]))
    assert part.is_watertight
    away = np.eye(4)
    away[:3, 3] = [150.0, 100.0, 0.0]
    mesh = posed(part, away)
    assert mesh.is_watertight
    assert not pinched(np.asarray(mesh.faces))
    assert mesh.volume == pytest.approx(part.volume, rel=1e-3)
