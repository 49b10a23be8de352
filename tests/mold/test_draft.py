"""What a straight pull releases, against shapes with a known answer."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hills import belly

from moldsmith.mold.draft import best_pulls, draft_deg, undercut

UP = np.array([0.0, 0.0, 1.0])


def stemmed_ball(radius: float = 30.0, stem: float = 12.0) -> trimesh.Trimesh:
    """The skin of a ball on a stem that leads up out of the mold: open at the stem."""
    ball = trimesh.creation.icosphere(5, radius)
    keep = np.hypot(*ball.vertices[:, :2].T) >= stem
    keep |= ball.vertices[:, 2] < 0
    return trimesh.Trimesh(ball.vertices, ball.faces[keep[ball.faces].all(axis=1)], process=False)


def test_a_ball_on_a_stem_is_held_by_its_upper_half() -> None:
    ball = stemmed_ball()
    found = undercut(ball.vertices, ball.faces, UP, step_mm=0.5)
    # Zone of a sphere: 2 pi R h, from the equator to where the stem begins.
    height = np.sqrt(30**2 - 12**2)
    assert found.area_mm2 == pytest.approx(2 * np.pi * 30 * height, rel=0.03)
    # The ring from stem to equator is 18 mm wide: its middle lies 9 mm in from both sides.
    assert found.depth_mm == pytest.approx(9, abs=0.8)


def test_a_mushroom_is_held_under_its_rim_only() -> None:
    # A cap of radius 40, open where its stalk of radius 15 leads up: held by the shelf alone.
    profile = np.array([[15, 0], [40, 0], [40, -10], [0.001, -30]], dtype=float)
    mushroom = trimesh.creation.revolve(profile, sections=96)
    shelf = np.pi * (40**2 - 15**2)
    faces = mushroom.faces
    if mushroom.face_normals[np.argmin(mushroom.triangles_center[:, 2])][2] > 0:
        faces = faces[:, ::-1]
    found = undercut(mushroom.vertices, faces, UP, step_mm=0.5)
    assert found.area_mm2 == pytest.approx(shelf, rel=0.02)
    assert found.depth_mm == pytest.approx(12.5, abs=0.8)


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 20.0])
def test_a_lower_half_torus_is_free_upright_and_held_when_tilted(tilt_deg: float) -> None:
    torus = trimesh.creation.torus(40, 12, major_sections=96, minor_sections=48)
    lower = torus.faces[(torus.triangles_center[:, 2] < 0)]
    pull = np.array([np.sin(np.radians(tilt_deg)), 0, np.cos(np.radians(tilt_deg))])
    found = undercut(torus.vertices, lower, pull, step_mm=0.5)
    if tilt_deg == 0:
        assert found.area_mm2 < 1
        return
    # A tube's wall turns by the tilt at most, and only on the sides that face it.
    assert 0 < found.area_mm2 < np.radians(tilt_deg) * 12 * 2 * np.pi * (52 + 28)


def test_a_dovetail_leaves_along_its_groove_alone() -> None:
    # Section wider at the bottom, 30 degrees a side, drawn along y.
    section = np.array([[-10, 0], [-10 - 20 * np.tan(np.pi / 6), -20], [0, -20.001]])
    section = np.vstack([section, section[1::-1] * [-1, 1]])
    corners = np.array([[x, y, z] for y in (0.0, 60.0) for x, z in section])
    count = len(section)
    faces = []
    for k in range(count - 1):
        a, b, c, d = k, k + 1, count + k, count + k + 1
        faces += [[a, b, d], [a, d, c]]
    tail = trimesh.Trimesh(corners, faces, process=False)
    if tail.face_normals[2][2] > 0 or tail.face_normals[len(faces) // 2][2] > 0:
        tail.invert()
    assert undercut(tail.vertices, tail.faces, UP, step_mm=0.5).depth_mm > 2
    along = undercut(tail.vertices, tail.faces, np.array([0, 1.0, 0]), step_mm=0.5)
    assert along.area_mm2 == pytest.approx(0, abs=1e-6)


def test_draft_is_ninety_square_to_the_pull_and_nothing_along_it() -> None:
    box = trimesh.creation.box((10, 10, 10))
    angles = draft_deg(box.vertices, box.faces, UP)
    normals = box.face_normals[:, 2]
    assert angles[normals < -0.9] == pytest.approx(90)
    assert angles[np.abs(normals) < 0.1] == pytest.approx(0)
    assert angles[normals > 0.9] == pytest.approx(-90)


def test_the_best_pull_of_a_face_is_square_to_it() -> None:
    hill = belly()
    # The face looks into the cavity: the casting leaves against its normals.
    best = best_pulls(hill.vertices, hill.faces)[0]
    assert best.direction == pytest.approx((0, 0, -1), abs=0.1)
    turn = trimesh.transformations.rotation_matrix(0.7, (1, 2, 0.5))[:3, :3]
    turned = np.array(best_pulls(hill.vertices @ turn.T, hill.faces)[0].direction)
    assert turned @ (turn @ [0, 0, -1]) > np.cos(np.radians(8))


def test_runners_up_hold_no_less() -> None:
    ball = stemmed_ball()
    found = best_pulls(ball.vertices, ball.faces, step_mm=2.0)
    assert len(found) > 6
    assert found[0].depth_mm <= min(item.depth_mm for item in found) + 4.0
