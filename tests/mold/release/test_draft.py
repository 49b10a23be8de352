"""What a straight pull releases, against shapes with a known answer."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hills import belly

from moldsmith.mold.release.draft import best_pulls, draft_deg, undercut
from shapes import heightfield

UP = np.array([0.0, 0.0, 1.0])


def stemmed_ball(radius: float = 30.0, stem: float = 12.0) -> trimesh.Trimesh:
    """The skin of a ball on a stem that leads up out of the mold: open at the stem."""
    polar = np.linspace(np.arcsin(stem / radius), np.pi - 1e-4, 90)
    return revolved(radius * np.column_stack([np.sin(polar), np.cos(polar)]))


def revolved(profile: object) -> trimesh.Trimesh:
    """The skin of a casting that is turned round z: it looks down at its foot."""
    made = trimesh.creation.revolve(np.array(profile, dtype=float), sections=144)
    if made.face_normals[np.argmin(made.triangles_center[:, 2])][2] > 0:
        made.invert()
    return made


def test_a_ball_on_a_stem_is_held_by_its_upper_half() -> None:
    ball = stemmed_ball()
    found = undercut(ball.vertices, ball.faces, UP, step_mm=0.5)
    # Zone of a sphere: 2 pi R h, from the equator to where the stem begins.
    height = np.sqrt(30**2 - 12**2)
    assert found.area_mm2 == pytest.approx(2 * np.pi * 30 * height, rel=0.03)
    # From the equator in to the stem: R - r = 30 - 12 on each side; 2 R must come through 2 r.
    assert found.depth_mm == pytest.approx(18, abs=0.05)
    assert found.stretch_percent == pytest.approx(100 * (60 - 24) / 24, rel=0.01)


def test_a_mushroom_is_held_under_its_rim_only() -> None:
    # A cap of radius 40, open where its stalk of radius 15 leads up: held by the shelf alone.
    mushroom = revolved([[15, 0], [40, 0], [40, -10], [0.001, -30]])
    shelf = np.pi * (40**2 - 15**2)
    for step_mm in (0.5, 1.0):
        found = undercut(mushroom.vertices, mushroom.faces, UP, step_mm=step_mm)
        assert found.area_mm2 == pytest.approx(shelf, rel=0.02)
        # The overhang of one side, R - r = 40 - 15; (D - d) / d with D = 80 and d = 30.
        assert found.depth_mm == pytest.approx(25, abs=0.05)
        assert found.stretch_percent == pytest.approx(100 * (80 - 30) / 30, rel=0.01)


def test_a_neck_under_a_wider_lip_is_the_way_out_not_the_lip() -> None:
    # A vase: belly of radius 30, neck of 20, lip of 40. Beyond the belly the lip alone is seen.
    vase = revolved([[40, 40], [20, 20], [30, 0], [30, -10], [0.001, -20]])
    found = undercut(vase.vertices, vase.faces, UP, step_mm=0.5)
    assert found.depth_mm == pytest.approx(30 - 20, abs=0.05)
    assert found.stretch_percent == pytest.approx(100 * (60 - 40) / 40, rel=0.01)


def lower_half_torus() -> trimesh.Trimesh:
    torus = trimesh.creation.torus(40, 12, major_sections=96, minor_sections=48)
    lower = np.flatnonzero(torus.triangles_center[:, 2] < 0)
    return torus.submesh([lower], append=True)


def test_a_lower_half_torus_is_free_upright() -> None:
    torus = lower_half_torus()
    found = undercut(torus.vertices, torus.faces, UP, step_mm=0.5)
    assert found.area_mm2 < 1
    assert found.depth_mm == 0


@pytest.mark.parametrize("tilt_deg", [25.0, 40.0, 55.0])
def test_a_tilted_half_torus_is_held_by_what_its_tube_turns_past_the_pull(tilt_deg: float) -> None:
    torus, tilt = lower_half_torus(), np.radians(tilt_deg)
    pull = np.array([np.sin(tilt), 0, np.cos(tilt)])
    found = undercut(torus.vertices, torus.faces, pull, step_mm=0.25)
    # Where the ring runs square to the tilt, both rims of a section lie a cos t beside its
    # middle and the tube bulges to a on one side: a (1 - cos t) over the rim, and a (1 + cos t)
    # wide it must come through 2 a cos t.
    assert found.depth_mm == pytest.approx(12 * (1 - np.cos(tilt)), abs=0.05)
    wanted = 100 * (1 - np.cos(tilt)) / (2 * np.cos(tilt))
    assert found.stretch_percent == pytest.approx(wanted, abs=0.5)
    # Each section turns past the pull by atan(tan t |cos u|), u round the ring: a times that
    # is held of its arc, on the outside of the ring or on the inside.
    turned = np.arctan(np.tan(tilt) * np.abs(np.cos(np.radians(np.arange(360)))))
    assert found.area_mm2 == pytest.approx(12 * turned.mean() * 2 * np.pi * 40, rel=0.1)


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
    overhang = 20 * np.tan(np.pi / 6)
    for turn in np.radians([0.0, 20.0, 49.0]):  # whichever way the rays lie, also along its ends
        z_turned = trimesh.transformations.rotation_matrix(turn, UP)[:3, :3]
        held = undercut(tail.vertices @ z_turned.T, tail.faces, UP, step_mm=0.5)
        assert held.depth_mm == pytest.approx(overhang, abs=0.05)
        # The mouth is 20 wide, the foot wider by the overhang of both sides.
        assert held.stretch_percent == pytest.approx(100 * 2 * overhang / 20, rel=0.01)
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


def test_runners_up_hold_no_less_and_are_no_neighbours_of_the_best() -> None:
    ball = stemmed_ball()
    found = best_pulls(ball.vertices, ball.faces, step_mm=2.0)
    assert len(found) >= 3
    assert found[0].depth_mm <= min(item.depth_mm for item in found) + 4.0
    ways = np.array([item.direction for item in found])
    between = np.degrees(np.arccos(np.clip(ways @ ways.T, -1, 1)))[~np.eye(len(ways), dtype=bool)]
    assert between.min() >= 10


def test_a_leaning_hill_is_pulled_no_farther_along_its_lean_than_frees_it() -> None:
    hill = heightfield(lambda x, y: 22 * np.exp(-((x - 6) ** 2 + y**2) / 150), (80, 60), 2)
    leaning = hill.vertices + hill.vertices[:, 2:] * [1.2, 0.5, 0.0]
    best, *others = best_pulls(leaning, hill.faces)
    assert len(others) == 2
    # The hill's own axis (1.2, 0.5, 1) frees it; the mean of the face, near z, does not.
    axis = np.array([-1.2, -0.5, -1.0]) / np.linalg.norm([1.2, 0.5, 1.0])
    assert undercut(leaning, hill.faces, axis).depth_mm == 0
    assert undercut(leaning, hill.faces, -UP).depth_mm > 5
    assert best.depth_mm < 1.5
    assert best.direction[2] < axis[2]
