"""Free lengths of rays between bodies."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from moldsmith.geometry.columns import free_lengths
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
    low = np.full(grid.shape[0] * grid.shape[1], 6.0)
    found = free_lengths([floor, roof], grid, 0.5, 30, low, low + 1)
    middle = found[3:-3, 3:-3]
    assert middle == pytest.approx(7)
    assert free_lengths([floor, roof], grid, 0.5, 30, low + 20, low + 21)[5, 5] == 15
