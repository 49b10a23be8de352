"""Cavity and core shut on a land of the width asked for, with no gap to flash into."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

import moldsmith as ms
from moldsmith.mold.parting import PartingSheet
from moldsmith.mold.shutoff import shut_off, shut_off_findings, turned_faces

OUTLINE = shapely.box(-60, -50, 60, 50)
SHADOW = shapely.box(-30, -20, 30, 20)


def halves(gap: float, relief: float, land: float) -> tuple[trimesh.Trimesh, trimesh.Trimesh]:
    """Two plates that stand `gap` apart on the land round a void and `relief` beyond it."""
    low = trimesh.creation.box(bounds=[[-60, -50, -10], [60, 50, 0]])
    x, y = 30 + land, 20 + land
    high = trimesh.util.concatenate(
        [
            trimesh.creation.box(bounds=[[-60, -50, gap + relief], [60, 50, 20]]),
            trimesh.creation.box(bounds=[[-x, -y, gap], [x, y, 19]]),
        ]
    )
    return low, high


def sheet() -> PartingSheet:
    points = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 1], [0, 10, 1]], dtype=float)
    return PartingSheet(points, np.array([[0, 1, 2], [0, 2, 3]]), 4, 0)


@pytest.mark.parametrize("land", [4.0, 8.0, 12.0])
def test_land_is_measured_as_wide_as_it_is(land: float) -> None:
    found = shut_off(*halves(0.0, 0.5, land), SHADOW, OUTLINE, land)
    # At the void's corners the plate's corner is farther off: the least is along its sides.
    assert found.least_mm == pytest.approx(land, abs=0.5)
    assert found.mean_mm == pytest.approx(land, abs=0.8)
    assert found.gap_mm < 1e-6


@pytest.mark.parametrize("gap", [0.02, 0.15, 0.4])
def test_gap_on_the_land_is_measured_and_told_where_it_flashes(gap: float) -> None:
    found = shut_off(*halves(gap, 0.5, 8.0), SHADOW, OUTLINE, 8.0)
    assert found.gap_mm == pytest.approx(gap, abs=1e-6)
    assert found.gap_95_mm == pytest.approx(gap, abs=1e-6)
    codes = {item.code for item in shut_off_findings(found, sheet(), 8.0, 0.5)}
    assert ("flash" in codes) == (gap > 0.1)
    assert not OUTLINE.exterior.distance(shapely.Point(found.where[:2])) < 5


def test_a_land_that_is_too_narrow_is_named() -> None:
    found = shut_off(*halves(0.0, 0.5, 3.0), SHADOW, OUTLINE, 8.0)
    codes = {item.code for item in shut_off_findings(found, sheet(), 8.0, 0.5)}
    assert "land-narrow" in codes


def test_a_parting_surface_that_lies_over_itself_is_named() -> None:
    flat = sheet()
    assert turned_faces(flat) == 0
    folded = PartingSheet(flat.points, np.array([[0, 1, 2], [0, 3, 2]]), 4, 0)
    assert turned_faces(folded) == 1
    found = shut_off(*halves(0.0, 0.5, 8.0), SHADOW, OUTLINE, 8.0)
    codes = {item.code for item in shut_off_findings(found, folded, 8.0, 0.5)}
    assert "parting-overlaps" in codes


@pytest.mark.parametrize("which", ["cored", "lidded"])
def test_a_mold_shuts_without_a_gap_on_all_its_land(
    which: str, request: pytest.FixtureRequest
) -> None:
    piece: ms.Workpiece = request.getfixturevalue(which)
    land = piece.record("block")["figures"]["land"]
    assert land["gap_mm"] < 0.01
    assert land["turned_faces"] == 0
    assert land["least_mm"] > land["asked_mm"] - 0.6
    assert not {"flash", "land-narrow", "parting-overlaps"} & {f.code for f in piece.findings}
