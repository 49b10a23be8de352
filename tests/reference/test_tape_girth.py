"""What a tape round a section reads.

Sources: a tape bridges hollows, so it reads the perimeter of the section's
convex hull (standard practice in anthropometry; ISO 7250-1 and ISO 8559-1
name the tape measures). Two circles of radius R, d apart: 2 pi R + 2 d.
Ellipse: Ramanujan's second formula (1914), good to 1e-11 here.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

import moldsmith as ms
from moldsmith.geometry.section import plane_section, tape_girth_mm


def circle(radius: float, centre: tuple[float, float], count: int = 4096) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.stack([np.cos(turn), np.sin(turn)], axis=1) * radius + centre


def test_tape_bridges_the_hollow_between_two_legs() -> None:
    legs = [circle(30, (-50, 0)), circle(30, (50, 0))]
    exact = 2 * np.pi * 30 + 2 * 100
    assert exact == pytest.approx(388.49556, abs=5e-6)
    assert tape_girth_mm(legs) == pytest.approx(exact, rel=1e-6)
    assert tape_girth_mm(legs) <= exact  # inscribed: never over


def test_tape_round_an_ellipse_reads_its_perimeter() -> None:
    points = circle(1, (0, 0)) * [150, 100]
    h = (50 / 250) ** 2
    ramanujan = np.pi * 250 * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    assert ramanujan == pytest.approx(793.27198, abs=5e-6)
    assert tape_girth_mm(points) == pytest.approx(ramanujan, rel=1e-6)


def test_tape_reads_the_same_in_a_leaning_plane() -> None:
    flat = np.c_[circle(1, (0, 0)) * [150, 100], np.zeros(4096)]
    turn = trimesh.transformations.rotation_matrix(1.1, (1, 2, 3), (5, 6, 7))
    leaning = trimesh.transform_points(flat, turn)
    assert tape_girth_mm(leaning) == pytest.approx(793.27198, rel=1e-6)


def test_points_in_a_line_have_no_girth() -> None:
    with pytest.raises(ms.BadParameter, match="have no girth"):
        tape_girth_mm([(0, 0), (1, 1), (2, 2)])
    with pytest.raises(ms.BadParameter, match="2 points have no girth"):
        tape_girth_mm([(0, 0, 0), (1, 1, 0)])


def test_section_of_two_legs_is_two_closed_lines_and_one_girth() -> None:
    legs = [trimesh.creation.cylinder(30, 200, sections=512) for _ in range(2)]
    legs[0].apply_translation((-50, 0, 0))
    legs[1].apply_translation((50, 0, 0))
    lines = plane_section(trimesh.util.concatenate(legs), (0, 0, 13), (0, 0, 1))
    assert len(lines) == 2
    for line in lines:
        assert np.array_equal(line[0], line[-1])
        assert line[:, 2] == pytest.approx(13)
    assert tape_girth_mm(lines) == pytest.approx(388.49556, rel=1e-4)


def test_section_runs_anticlockwise_round_the_material_and_clockwise_round_a_hole() -> None:
    ring = trimesh.creation.annulus(r_min=10, r_max=20, height=8, sections=256)
    outer, inner = plane_section(ring, (0, 0, 1), (0, 0, 2))
    assert _signed_area(outer) == pytest.approx(np.pi * 400, rel=1e-3)
    assert _signed_area(inner) == pytest.approx(-np.pi * 100, rel=1e-3)


def test_section_through_vertices_and_edges_is_still_closed() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=10)
    (line,) = plane_section(ball, (0, 0, 0), (0, 0, 1))  # the equator is made of edges
    assert np.array_equal(line[0], line[-1])
    assert tape_girth_mm(line) == pytest.approx(2 * np.pi * 10, rel=5e-3)


def test_section_of_an_open_mesh_ends_at_its_border() -> None:
    tube = trimesh.creation.cylinder(10, 20, sections=64)
    front = tube.triangles_center[:, 1] < 0
    shell = trimesh.Trimesh(tube.vertices, tube.faces[front], process=False)
    (line,) = plane_section(shell, (0, 0, 0.5), (0, 0, 1))
    assert np.linalg.norm(line[0] - line[-1]) == pytest.approx(20, rel=0.02)


def test_a_plane_beside_the_mesh_gives_no_line_and_no_normal_is_refused() -> None:
    box = trimesh.creation.box((1, 1, 1))
    assert plane_section(box, (0, 0, 9), (0, 0, 1)) == []
    with pytest.raises(ms.BadParameter, match="gives no plane"):
        plane_section(box, (0, 0, 0), (0, 0, 0))


def _signed_area(line: np.ndarray) -> float:
    x, y = line[:-1, 0], line[:-1, 1]
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)
