"""Free lengths of rays between bodies."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.columns import crossings_of, free_lengths
from moldsmith.geometry.visibility import grid_over


def _box(low: tuple[float, float, float], high: tuple[float, float, float]) -> trimesh.Trimesh:
    size = np.subtract(high, low)
    move = trimesh.transformations.translation_matrix(np.add(low, high) / 2)
    return trimesh.creation.box(size, transform=move)


def test_room_between_floor_and_ceiling_is_measured_and_joints_are_not() -> None:
    floor, middle, roof = (
        _box((0, 0, 0), (20, 20, 5)),
        _box((0, 0, 5), (10, 20, 8)),  # stands on the floor, no gap
        _box((0, 0, 12), (20, 20, 15)),
    )
    lid = _box((0, 0, 15.2), (20, 20, 18))  # a joint of 0.2
    grid = grid_over(np.array([1.0, 1.0]), np.array([19.0, 19.0]), 0.5)
    found = free_lengths([floor, middle, roof, lid], grid, 0.5, 30)
    places = grid.places(np.arange(found.size))
    inside = ((places > 0.5) & (places < 19.5)).all(axis=1)
    left = places[:, 0] < 10
    # Over the last body the room is open, up to the top.
    assert found.ravel()[inside & left] == pytest.approx(4 + 12)
    assert found.ravel()[inside & ~left] == pytest.approx(7 + 12)


def test_only_gaps_within_reach_count() -> None:
    floor, roof = _box((0, 0, 0), (20, 20, 5)), _box((0, 0, 12), (20, 20, 15))
    grid = grid_over(np.array([1.0, 1.0]), np.array([19.0, 19.0]), 1.0)
    within = _box((0, 0, 6), (20, 20, 7))
    found = free_lengths([floor, roof], grid, 0.5, 30, crossings_of(within, grid))
    assert found[3:-3, 3:-3] == pytest.approx(7)
    above = _box((0, 0, 26), (20, 20, 27))
    assert free_lengths([floor, roof], grid, 0.5, 30, crossings_of(above, grid))[5, 5] == 15


def test_room_between_two_that_matter_does_not_count() -> None:
    """As between the upper and the lower rim of a sleeve: the hollow of its core."""
    plates = [_box((0, 0, z), (20, 20, z + 2)) for z in (0, 7, 20, 25)]
    grid = grid_over(np.array([1.0, 1.0]), np.array([19.0, 19.0]), 1.0)
    cast = [crossings_of(_box((0, 0, z), (20, 20, z + 3)), grid) for z in (3, 22)]
    ray, height, into = (np.concatenate(part) for part in zip(*cast, strict=True))
    found = free_lengths(plates, grid, 0.5, 27, (ray, height, into))
    assert found[3:-3, 3:-3] == pytest.approx(5 + 3)
