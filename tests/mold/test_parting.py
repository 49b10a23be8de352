"""Pull, parting surface, and what hinders the opening."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

from moldsmith.errors import CannotBuild
from moldsmith.geometry.topology import border_loops
from moldsmith.mold.parting import hindrance, parting_sheet, trim_plan


def test_parting_sheet_begins_at_the_trim_line_and_ends_at_the_outline() -> None:
    turn = 2 * np.pi * np.arange(80) / 80
    loop = np.stack([30 * np.cos(turn), 20 * np.sin(turn), 3 * np.sin(2 * turn)], axis=1)
    outline = shapely.box(-60, -50, 60, 50)
    sheet = parting_sheet(loop, outline, None)
    assert sheet.points[sheet.outer : sheet.outer + sheet.inner] == pytest.approx(loop[::-1])
    rim = sheet.points[: sheet.outer, :2]
    assert shapely.distance(outline.exterior, shapely.points(rim)).max() < 1e-9
    assert np.abs(sheet.points[:, 2]).max() < 3 + 1e-9
    assert {len(ring) for ring in border_loops(sheet.faces)} == {sheet.outer, sheet.inner}
    flat = parting_sheet(loop, outline, 7.0)
    assert (flat.points[:, 2] == 7.0).all()


def test_a_trim_line_that_crosses_itself_along_the_pull_is_refused() -> None:
    eight = np.array([[0, 0, 0], [10, 10, 1], [10, 0, 2], [0, 10, 3]], dtype=float)
    with pytest.raises(CannotBuild, match=r"trim line crosses itself.*Crop less far round"):
        trim_plan(eight)


def test_a_straight_pull_is_hindered_by_an_overhang_of_its_reach() -> None:
    fixed = trimesh.util.concatenate(
        [
            trimesh.creation.box(bounds=[[-30, -30, 0], [30, 30, 5]]),
            trimesh.creation.box(bounds=[[10, -30, 20], [30, 30, 25]]),
        ]
    )
    free = trimesh.creation.box(bounds=[[-20, -10, 6], [5, 10, 15]])
    caught = trimesh.creation.box(bounds=[[-20, -10, 6], [16, 10, 15]])
    assert hindrance(free, fixed).area_mm2 == 0
    found = hindrance(caught, fixed)
    assert found.area_mm2 == pytest.approx(6 * 20, rel=0.2)
    # It reaches 16 - 10 under the overhang, and 36 wide it must come through 30.
    assert found.depth_mm == pytest.approx(6, abs=0.05)
    assert found.stretch_percent == pytest.approx(100 * 6 / 30, rel=0.01)
    assert 10 < found.where[0] < 16
