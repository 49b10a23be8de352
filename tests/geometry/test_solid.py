"""Closed in, closed out: volumes to double precision, and every failure an error."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from moldsmith.errors import CannotBuild
from moldsmith.geometry import solid, stl, topology


def test_a_box_less_a_ball_a_metre_off_keeps_nine_digits() -> None:
    """In single precision 6e-5 of 944 mm3 were lost there."""
    ball = trimesh.creation.icosphere(3, 3)
    near = solid.difference(solid.box((-5, -5, -5), (5, 5, 5)), solid.from_mesh(ball))
    far = np.array([1000.1, -700.3, 1234.7])
    moved = trimesh.Trimesh(ball.vertices + far, ball.faces, process=False)
    away = solid.difference(solid.box(far - 5, far + 5), solid.from_mesh(moved))
    assert solid.volume_mm3(near) == pytest.approx(1000 - ball.volume, rel=1e-12)
    assert solid.volume_mm3(away) == pytest.approx(1000 - ball.volume, rel=1e-9)


def test_an_open_mesh_is_refused() -> None:
    box = trimesh.creation.box((1, 1, 1))
    with pytest.raises(CannotBuild, match=r"reading a closed mesh failed: .*heal the scan"):
        solid.from_arrays(box.vertices, box.faces[1:])


def test_vertices_that_are_no_numbers_are_refused() -> None:
    box = trimesh.creation.box((1, 1, 1))
    vertices = np.array(box.vertices)
    vertices[0, 0] = np.nan
    with pytest.raises(CannotBuild, match="reading a closed mesh"):
        solid.from_arrays(vertices, box.faces)


def test_what_leaves_nothing_is_an_error_but_for_intersections_and_trims() -> None:
    one, other = solid.box((0, 0, 0), (1, 1, 1)), solid.box((5, 5, 5), (6, 6, 6))
    with pytest.raises(CannotBuild, match="difference leaves nothing"):
        solid.difference(one, solid.box((-1, -1, -1), (2, 2, 2)))
    assert solid.volume_mm3(solid.intersection(one, other)) == 0
    assert solid.volume_mm3(solid.trim_by_plane(one, (0, 0, 1), 3.0)) == 0


def random_body(seed: int) -> solid.Solid:
    rng = np.random.default_rng(seed)
    return solid.hull(rng.normal(size=(12, 3)) * 20 + rng.uniform(-10, 10, 3))


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10**6), st.integers(0, 10**6))
def test_union_and_intersection_add_up_and_stay_closed(first: int, second: int) -> None:
    a, b = random_body(first), random_body(second)
    together = solid.volume_mm3(solid.union(a, b)) + solid.volume_mm3(solid.intersection(a, b))
    assert together == pytest.approx(solid.volume_mm3(a) + solid.volume_mm3(b), rel=1e-9)
    mesh = solid.to_mesh(solid.union(a, b))
    assert mesh.is_watertight
    assert mesh.is_winding_consistent


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10**6), st.floats(-15, 15))
def test_halves_of_a_plane_split_add_up(seed: int, at: float) -> None:
    body = random_body(seed)
    normal = np.array([1.0, 2.0, -2.0]) / 3
    front, back = solid.split_by_plane(body, normal, at)
    total = solid.volume_mm3(front) + solid.volume_mm3(back)
    assert total == pytest.approx(solid.volume_mm3(body), rel=1e-9)
    if not front.is_empty():
        assert (solid.to_mesh(front).vertices @ normal >= at - 1e-6).all()


def test_a_printable_surface_is_closed_in_single_precision() -> None:
    """Two walls nearer than single precision tells them apart 1 m from the origin."""
    far = np.array([1000.0, 1000.0, 0.0])
    low, high = np.array([10 - 2e-5, 3, 3]), np.array([20, 7, 7.00002])
    body = solid.union(solid.box(far, far + 10), solid.box(far + low, far + high))
    mesh = solid.printable(body)
    assert mesh.is_watertight
    assert np.array_equal(mesh.vertices, mesh.vertices.astype(np.float32))
    assert mesh.volume == pytest.approx(solid.volume_mm3(body), rel=1e-4)


def test_a_printable_surface_has_no_corners_that_meet_alone() -> None:
    """Two corners of a bow nearer to each other than single precision tells them apart."""
    bow = solid.union(
        solid.box((990, 990, 990), (1000, 1000, 1000)),
        solid.box((1000.00001, 1000.00001, 1000.00001), (1010, 1010, 1010)),
        solid.box((990, 990, 990), (991, 991, 1020)),
        solid.box((990, 990, 1019), (1010, 1010, 1020)),
        solid.box((1009, 1009, 1009), (1010, 1010, 1020)),
    )
    written = stl.decode(stl.encode(solid.to_mesh(bow).vertices, solid.to_mesh(bow).faces))
    assert topology.pinched(written[1])
    mesh = solid.printable(bow)
    assert mesh.is_watertight
    assert not topology.pinched(mesh.faces)
    assert mesh.volume == pytest.approx(solid.volume_mm3(bow), rel=2e-4)


def test_sections_and_silhouettes_are_polygons_with_their_holes() -> None:
    tube = solid.difference(
        solid.frustum((0, 0, 0), (0, 0, 10), 8, 8, 64),
        solid.frustum((0, 0, -1), (0, 0, 12), 5, 5, 64),
    )
    ring = 64 / 2 * np.sin(2 * np.pi / 64) * (64 - 25)
    assert solid.section(tube, 5.0).area == pytest.approx(ring, rel=1e-6)
    assert solid.silhouette(tube).area == pytest.approx(ring, rel=1e-6)
    assert solid.section(tube, 20.0).is_empty


def test_extrusion_keeps_holes_and_heights() -> None:
    frame = shapely.box(0, 0, 10, 10).difference(shapely.box(2, 2, 8, 8))
    prism = solid.extrude(frame, -3, 4)
    assert solid.volume_mm3(prism) == pytest.approx(64 * 7)
    assert solid.to_mesh(prism).bounds[:, 2] == pytest.approx([-3, 4])


def test_pieces_come_largest_first() -> None:
    pair = solid.union(solid.box((0, 0, 0), (1, 1, 1)), solid.box((5, 0, 0), (8, 3, 3)))
    volumes = [solid.volume_mm3(part) for part in solid.components(pair)]
    assert volumes == pytest.approx([27, 1])


def test_parts_of_a_surface_have_their_volumes_and_hollows_negative_ones() -> None:
    hollow = solid.difference(solid.box((0, 0, 0), (4, 4, 4)), solid.box((1, 1, 1), (2, 2, 2)))
    part, volumes = solid.part_volumes(
        solid.to_mesh(solid.union(hollow, solid.box((9, 9, 9), (9.5, 9.5, 9.5))))
    )
    np.testing.assert_allclose(np.sort(volumes), [-1, 0.125, 64], rtol=1e-12)
    assert sorted(np.bincount(part)) == [12, 12, 12]


def test_triangulation_adds_no_point_and_refuses_a_crossing_outline() -> None:
    square = np.array([[0, 0], [10, 0], [10, 10], [0, 10]])
    hole = np.array([[3, 3], [3, 7], [7, 7], [7, 3]])
    faces = solid.triangulate([square, hole])
    points = np.concatenate([square, hole]).astype(float)
    a, b, c = (points[faces[:, k]] for k in range(3))
    area = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    assert (area > 0).all()
    assert area.sum() == pytest.approx(100 - 16)


def test_least_gap_is_measured() -> None:
    one, other = solid.box((0, 0, 0), (1, 1, 1)), solid.box((1.25, 0, 0), (2, 1, 1))
    assert solid.min_gap(one, other, 5.0) == pytest.approx(0.25)


@pytest.mark.parametrize("direction", [(0, 0, 1), (0, 0, -1), (1, 0, 0), (0.6, -0.64, 0.48)])
def test_a_rotation_takes_z_to_the_direction(direction: tuple[float, float, float]) -> None:
    turn = solid.rotation_to(np.array(direction, dtype=float))
    assert turn @ [0, 0, 1] == pytest.approx(direction)
    assert turn @ turn.T == pytest.approx(np.eye(3))
    assert np.linalg.det(turn) == pytest.approx(1.0)
