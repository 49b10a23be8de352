"""Summits that hold air, and how to turn a body so that few do."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.summits import ceiling_peaks, floor_lows, ranked_turns, turned_upright

UP = np.array([0.0, 0.0, 1.0])


def _slab(tilt_deg: float = 0.0) -> trimesh.Trimesh:
    """A room 60 x 40 x 10 whose ceiling has two bumps of 6, its floor a hill of 4 and a pit."""
    x, y = np.meshgrid(np.linspace(-30, 30, 61), np.linspace(-20, 20, 41), indexing="ij")

    def bump(a: float, b: float, wide: float) -> np.ndarray:
        return np.asarray(np.exp(-((x - a) ** 2 + (y - b) ** 2) / wide))

    top = 10 + 6 * bump(-15, 0, 30) + 6 * bump(15, 5, 30)
    bottom = 4 * bump(0, 0, 40) - 3 * bump(20, -10, 20)
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    one = np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    ring = np.r_[number[:-1, 0], number[-1, :-1], number[:0:-1, -1], number[0, :0:-1]]
    after, lift = np.roll(ring, -1), x.size
    wall = np.concatenate(
        [
            np.stack([ring, after, after + lift], axis=1),
            np.stack([ring, after + lift, ring + lift], axis=1),
        ]
    )
    points = np.concatenate([np.stack([x, y, z], -1).reshape(-1, 3) for z in (bottom, top)])
    mesh = trimesh.Trimesh(points, np.concatenate([one[:, ::-1], one + lift, wall]), process=False)
    assert mesh.is_volume
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(tilt_deg), (0, 1, 0)))
    return mesh


def test_a_ceilings_bumps_hold_air_and_a_floors_hill_does_not() -> None:
    room = _slab()
    found = ceiling_peaks(room.vertices, room.faces, UP, 1.0)
    places = np.sort(room.vertices[[peak.vertex for peak in found], 0])
    assert places == pytest.approx([-15, 15], abs=1)
    assert found[1].prominence == pytest.approx(6, abs=0.1)


def test_pits_of_the_floor_are_where_to_pour_first() -> None:
    room = _slab()
    low, *rest = floor_lows(room.vertices, room.faces, UP, 1.0)
    assert room.vertices[low.vertex, :2] == pytest.approx([20, -10], abs=1)
    # The hill leaves no other pit: the flat round it is one.
    assert len(rest) == 0


def test_a_tilted_slab_is_better_held_the_other_way() -> None:
    box = trimesh.creation.box((80, 60, 6)).subdivide().subdivide().subdivide()
    # A bump of the ceiling that a lean of 20 degrees empties.
    height = 3 * np.exp(-(box.vertices[:, 0] ** 2 + box.vertices[:, 1] ** 2) / 200)
    points = box.vertices + np.outer(height * (box.vertices[:, 2] > 2.9), UP)
    leaning = ranked_turns(points, box.faces, 30, 1.0)
    level = next(turn for turn in leaning if turn.tilt_deg == 0)
    assert level.count == 1
    assert leaning[0].count == 1
    assert leaning[0].tilt_deg == 0  # nothing is gained by leaning: it stands level


def test_two_bumps_become_one_summit_by_leaning() -> None:
    room = _slab()
    turns = ranked_turns(room.vertices, room.faces, 35, 1.0)
    level = next(turn for turn in turns if turn.tilt_deg == 0)
    assert level.count == 2
    assert turns[0].depth_mm < level.depth_mm
    assert np.linalg.norm(turns[0].up) == pytest.approx(1)
    assert turns[0].tilt_deg <= 35


def test_a_lean_that_drowns_every_mouth_is_left_out() -> None:
    room = _slab()
    turns = ranked_turns(room.vertices, room.faces, 35, 1.0, np.array([[0.0, 0.0, 16.5]]))
    assert max(turn.tilt_deg for turn in turns) < 20


def test_turning_upright_makes_the_direction_z() -> None:
    points = np.random.default_rng(1).normal(size=(20, 3))
    up = (0.6, 0.0, 0.8)
    assert turned_upright(points, up)[:, 2] == pytest.approx(points @ up)
    assert np.linalg.norm(turned_upright(points, up), axis=1) == pytest.approx(
        np.linalg.norm(points, axis=1)
    )
