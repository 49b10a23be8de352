"""A body is stood up by its own shape, and says how sure that is."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import trimesh

from bodies import human
from moldsmith import BadParameter, Workpiece
from moldsmith.scan.standing import SURE, stand

BODIES = ["", "caucasian-male-old", "caucasian-female-young"]


@cache
def body(kind: str = "") -> trimesh.Trimesh:
    return human(1720.0, {f"macrodetails/{kind}": 1.0} if kind else None)


def turned(mesh: trimesh.Trimesh, angle: float) -> tuple[trimesh.Trimesh, np.ndarray]:
    matrix = trimesh.transformations.rotation_matrix(angle, (1, 2, 3), (300, -200, 100))
    moved = mesh.copy()
    moved.apply_transform(matrix)
    return moved, matrix[:3, :3]


def degrees_between(one: object, other: object) -> float:
    return float(np.degrees(np.arccos(np.clip(np.asarray(one) @ np.asarray(other), -1, 1))))


@pytest.mark.parametrize("kind", BODIES)
@pytest.mark.parametrize("angle", [0.0, 1.1, 2.6])
def test_a_standing_body_is_stood_up_however_it_lies_in_the_file(kind: str, angle: float) -> None:
    mesh, rotation = turned(body(kind), angle)
    stood = stand(Workpiece("troll", {"scan": mesh}))
    assert degrees_between(stood.frame.up, rotation @ [0, 0, 1]) < 1.0
    assert degrees_between(stood.frame.facing, rotation @ [0, -1, 0]) < 1.0
    figures = stood.record("stand")["figures"]
    assert figures["up_confidence"] > 0.9
    assert figures["facing_confidence"] > 0.9
    assert stood.findings == ()


def test_coordinates_and_triangles_stay() -> None:
    mesh, _ = turned(body(), 1.1)
    stood = stand(Workpiece("troll", {"scan": mesh})).body("scan")
    assert np.array_equal(stood.faces, mesh.faces)
    assert np.abs(stood.vertices - mesh.vertices).max() < 1e-3  # float32 of an STL


def test_an_arm_held_forward_does_not_turn_the_body() -> None:
    mesh = body().copy()
    vertices = np.array(mesh.vertices)
    arm = (vertices[:, 0] < -190) & (vertices[:, 2] > 600)
    vertices[arm, 1] -= 0.8 * (-190 - vertices[arm, 0])
    stood = stand(Workpiece("troll", {"scan": trimesh.Trimesh(vertices, mesh.faces)}))
    assert degrees_between(stood.frame.up, (0, 0, 1)) < 1.0
    assert degrees_between(stood.frame.facing, (0, -1, 0)) < 1.0


def test_a_belly_alone_is_unsure_and_stays_as_loaded() -> None:
    mesh = body()
    middle = mesh.triangles_center
    kept = (middle[:, 2] > 850) & (middle[:, 2] < 1200) & (np.abs(middle[:, 0]) < 200)
    belly = trimesh.Trimesh(mesh.vertices, mesh.faces[kept], process=False)
    piece = Workpiece("belly", {"scan": belly})
    stood = stand(piece)
    assert stood.frame.up == piece.frame.up
    assert degrees_between(stood.frame.facing, piece.frame.facing) < 1.0
    assert [finding.code for finding in stood.findings] == ["orientation-unsure"] * 2
    assert "give up if that is wrong" in stood.findings[0].message
    assert stood.record("stand")["figures"]["up_confidence"] < SURE


def test_directions_given_are_taken_and_not_looked_for() -> None:
    mesh, _ = turned(body(), 0.0)
    stood = stand(Workpiece("troll", {"scan": mesh}), up="y", facing="+x")
    assert stood.frame.up == (0, 1, 0)
    assert stood.frame.facing == (1, 0, 0)
    assert stood.record("stand")["figures"]["facing_confidence"] == 1.0
    with pytest.raises(BadParameter, match="up = 'sideways' is no axis"):
        stand(Workpiece("troll", {"scan": mesh}), up="sideways")
    with pytest.raises(BadParameter, match="all but parallel"):
        stand(Workpiece("troll", {"scan": mesh}), up="z", facing="-z")


def test_facing_is_found_for_an_up_that_was_given() -> None:
    stood = stand(Workpiece("troll", {"scan": body()}), up="z")
    assert degrees_between(stood.frame.facing, (0, -1, 0)) < 1e-3
