"""Volumes of a solid's parts from its sections, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from moldsmith.geometry import solid
from moldsmith.geometry.occupancy import occupancy_of


def test_a_boxs_parts_are_exact() -> None:
    bulk = occupancy_of(solid.box((0, 0, 0), (64, 128, 48)))
    assert bulk.volume_mm3((0, 0, 0), (64, 128, 48)) == pytest.approx(64 * 128 * 48)
    cells = bulk.cells_mm3([[0, 16, 64], [0, 128], [0, 24, 48]])
    assert cells.shape == (2, 1, 2)
    assert cells[0, 0, 0] == pytest.approx(16 * 128 * 24)
    assert cells.sum() == pytest.approx(64 * 128 * 48)


def test_a_cones_halves_are_near_their_closed_form() -> None:
    cone = solid.frustum((0, 0, 0), (0, 0, 60), 30, 1e-3, 128)
    whole = np.pi * 30**2 * 60 / 3
    bulk = occupancy_of(cone)
    low = bulk.volume_mm3((-30, -30, 0), (30, 30, 30))
    assert low == pytest.approx(whole * 7 / 8, rel=0.02)
    assert bulk.volume_mm3((-30, -30, 0), (0, 30, 60)) == pytest.approx(whole / 2, rel=0.02)


def test_a_mushroom_hangs_over_its_stem() -> None:
    stem = solid.box((-10, -10, 0), (10, 10, 30))
    cap = solid.box((-30, -30, 30), (30, 30, 48))
    bulk = occupancy_of(solid.union(stem, cap))
    assert bulk.overhang_mm2(15) == pytest.approx(60**2 - 20**2, rel=0.06)
    assert bulk.overhang_mm2(40) == 0
    assert bulk.overhang_mm2(-5) == bulk.overhang_mm2(60) == 0
