"""Offset volumes against closed forms.

Convex bodies, offset outward by r: V + S r + M r² + 4/3 π r³ (Steiner), with
M = 1/2 sum of edge length x (π − dihedral angle) for polytopes. Source:
Schneider, *Convex Bodies: the Brunn-Minkowski Theory*, §4; Gruber, *Convex and
Discrete Geometry*, §6 (from memory). Smooth closed surfaces, offset by less
than their reach: V + S r + r² ∫H + 4/3 π (χ/2) r³ (Weyl, Amer. J. Math. 61
(1939) 461, from memory). The values were checked by Monte Carlo integration.

Vertices of an offset sheet lie exactly on it, so over a convex body its mesh
is inscribed: it is never over the closed form.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.distance import SurfaceIndex
from moldsmith.geometry.offset import offset_sheet
from shapes import manifold_and_oriented


def offset_volume(mesh: trimesh.Trimesh, distance_mm: float, cell_mm: float) -> float:
    """Volume inside the sheet at a distance from a closed surface, negative for inward."""
    index = SurfaceIndex(mesh.vertices, mesh.faces, cell_mm)
    side = 1.0 if distance_mm > 0 else -1.0
    wanted = np.full(len(mesh.vertices), abs(distance_mm))
    sheet = offset_sheet(index, wanted, side=side, cell_mm=cell_mm)
    assert manifold_and_oriented(sheet.faces)
    assert np.abs(sheet.error_mm).max() < 1e-5
    return side * float(trimesh.Trimesh(sheet.vertices, sheet.faces, process=False).volume)


def steiner(mesh: trimesh.Trimesh, distance: float) -> float:
    """The closed form for a convex mesh."""
    turn = mesh.face_adjacency_angles  # π − dihedral
    ends = mesh.vertices[mesh.face_adjacency_edges]
    length = np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)
    mean = 0.5 * (length * turn).sum()
    ball = 4 / 3 * np.pi * distance**3
    return float(mesh.volume + mesh.area * distance + mean * distance**2 + ball)


def octahedron(edge: float) -> trimesh.Trimesh:
    return trimesh.convex.convex_hull(np.r_[np.eye(3), -np.eye(3)] * edge / np.sqrt(2))


def tetrahedron(edge: float) -> trimesh.Trimesh:
    corners = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]])
    return trimesh.convex.convex_hull(corners * edge / np.sqrt(8))


@pytest.mark.parametrize(
    ("mesh", "distance", "expected", "cell"),
    [
        (trimesh.creation.box((10, 20, 30)), 5.0, 22235.98776, 0.6),
        (trimesh.creation.box((100, 100, 100)), 4.0, 1255347.72731, 2.0),
        (tetrahedron(30), 4.0, 12436.75786, 0.4),
        (octahedron(30), 4.0, 29011.93357, 0.5),
    ],
    ids=["box", "cube", "tetrahedron", "octahedron"],
)
def test_offset_of_a_polytope_has_steiners_volume(
    mesh: trimesh.Trimesh, distance: float, expected: float, cell: float
) -> None:
    assert steiner(mesh, distance) == pytest.approx(expected, abs=1e-4)
    volume = offset_volume(mesh, distance, cell)
    assert volume <= expected
    assert volume == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("mesh", "distance", "smooth", "cell"),
    [
        (trimesh.creation.icosphere(4, 50), 4.0, 659583.66081, 1.5),
        (trimesh.creation.cylinder(20, 50, sections=128), 3.0, 92524.57418, 0.8),
    ],
    ids=["sphere", "cylinder"],
)
def test_offset_of_a_round_body_has_its_meshs_volume_and_nears_the_smooth_one(
    mesh: trimesh.Trimesh, distance: float, smooth: float, cell: float
) -> None:
    expected = steiner(mesh, distance)
    assert expected < smooth  # the mesh is inscribed
    volume = offset_volume(mesh, distance, cell)
    assert volume <= expected
    assert volume == pytest.approx(expected, rel=1e-3)
    assert volume == pytest.approx(smooth, rel=3e-3)


def test_shell_of_a_torus_has_weyls_volume() -> None:
    """Torus (χ = 0) of radii 30 and 8, offset by 2: 2 π² 30 (10² − 8²) = 21318.34551."""
    expected = 2 * np.pi**2 * 30 * (10**2 - 8**2)
    assert expected == pytest.approx(21318.34551, abs=1e-5)
    mesh = trimesh.creation.torus(30, 8, major_sections=384, minor_sections=128)
    shell = offset_volume(mesh, 2.0, 0.4) - mesh.volume
    assert shell == pytest.approx(expected, rel=1e-3)


def test_offset_of_a_torus_inward_has_weyls_volume() -> None:
    mesh = trimesh.creation.torus(30, 8, major_sections=384, minor_sections=128)
    expected = 2 * np.pi**2 * 30 * 6**2
    volume = offset_volume(mesh, -2.0, 0.4)
    assert volume < expected  # inscribed in an inscribed mesh
    assert volume == pytest.approx(expected, rel=2e-3)


def test_offset_of_a_box_inward_is_the_smaller_box() -> None:
    volume = offset_volume(trimesh.creation.box((10, 20, 30)), -2.0, 0.15)
    assert volume <= 6 * 16 * 26
    assert volume == pytest.approx(6 * 16 * 26, rel=1e-3)


def test_two_sided_layer_of_a_sphere_has_steiners_volume() -> None:
    """Sphere of 50 ± 5: 2 S r + 4/3 π 2 r³ = 315206.46291."""
    expected = 4 / 3 * np.pi * (55**3 - 45**3)
    assert expected == pytest.approx(315206.46291, abs=1e-4)
    mesh = trimesh.creation.icosphere(5, 50)
    layer = offset_volume(mesh, 5.0, 1.5) - offset_volume(mesh, -5.0, 1.5)
    assert layer == pytest.approx(expected, rel=1e-3)
