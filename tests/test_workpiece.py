"""A workpiece is a value: it does not change, and it travels between processes whole."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest
import trimesh

import fakes
from moldsmith.errors import BadParameter, CannotBuild
from moldsmith.stage import stage
from moldsmith.workpiece import Frame, Workpiece, settled


@stage
def cast(piece: Workpiece) -> Workpiece:
    return piece.with_bodies(pad=fakes.box(), core=fakes.box(4)).note({"poured": True})


@pytest.fixture
def piece() -> Workpiece:
    return Workpiece("belly").pipe(cast)


def test_pickled_piece_comes_back_equal_and_still_frozen(piece: Workpiece) -> None:
    back = pickle.loads(pickle.dumps(piece))
    assert list(back.bodies) == ["pad", "core"]
    assert dict(back.digests) == dict(piece.digests)
    assert (back.name, back.frame, back.records) == (piece.name, piece.frame, piece.records)
    np.testing.assert_array_equal(back.body("pad").vertices, piece.body("pad").vertices)
    with pytest.raises(ValueError, match="read-only"):
        back.body("pad").vertices[0, 0] = 1
    with pytest.raises(ValueError, match="read-only"):
        back.body("pad").faces[0, 0] = 1


def test_bodies_handed_on_by_a_stage_cannot_be_written_to(piece: Workpiece) -> None:
    with pytest.raises(ValueError, match="read-only"):
        piece.body("pad").vertices += 1
    with pytest.raises(TypeError, match="assignment"):
        piece.bodies["pad"] = fakes.box()  # type: ignore[index]
    with pytest.raises(dataclasses.FrozenInstanceError, match="name"):
        piece.name = "calf"  # type: ignore[misc]


def test_errors_survive_the_way_back_from_a_process() -> None:
    error = CannotBuild("it leaks", "Close it", "belly", "block")
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is CannotBuild
    assert str(back) == str(error) == "belly: block: it leaks. Close it"


def test_missing_body_is_named_with_those_there_are_and_its_maker(piece: Workpiece) -> None:
    with pytest.raises(BadParameter, match=r"no body 'cavity' \(it has: pad, core\)\. Run block"):
        piece.body("cavity")


def test_record_of_a_stage_that_has_not_run_is_refused(piece: Workpiece) -> None:
    assert piece.record("cast")["figures"] == {"poured": True}
    with pytest.raises(BadParameter, match="stage split has not run"):
        piece.record("split")


def test_new_body_takes_the_place_of_the_old_and_leaves_the_first_piece_alone(
    piece: Workpiece,
) -> None:
    other = piece.with_bodies(pad=fakes.box(2)).without("core")
    assert list(other.bodies) == ["pad"]
    assert "pad" not in other.digests
    assert piece.body("pad").volume == pytest.approx(1000)


def test_moving_a_piece_turns_its_bodies_and_its_frame_alike(piece: Workpiece) -> None:
    quarter = trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0))
    quarter[:3, 3] = (0, 0, 50)
    moved = piece.moved(quarter)
    assert moved.frame.up == (0, -1, 0)
    assert moved.frame.facing == (0, 0, -1)
    np.testing.assert_allclose(moved.body("pad").bounds, [[-5, -5, 45], [5, 5, 55]], atol=1e-9)
    np.testing.assert_allclose(moved.frame.moved, quarter)
    assert Frame().turned(np.eye(4)) == Frame()


def test_settling_a_settled_mesh_changes_nothing() -> None:
    rough = trimesh.creation.icosphere(subdivisions=3, radius=np.pi)
    once = settled(rough)
    twice = settled(once)
    np.testing.assert_array_equal(once.vertices, twice.vertices)
    np.testing.assert_array_equal(once.faces, twice.faces)
    assert once.is_watertight
