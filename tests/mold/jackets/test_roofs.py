"""Roofs of hollows print without support and stay under their ceiling."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.spatial import ConvexHull

from moldsmith.mold.jackets.roofs import Ceiling, Roof, roof_under


def ceiling(height: object = None) -> Ceiling:
    x, y = np.meshgrid(np.arange(0.5, 80), np.arange(0.5, 60))
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    level = np.full(len(places), 50.0) if height is None else height(*places.T)  # type: ignore[operator]
    return Ceiling(places, level, 1.0)


SHAPES = {
    "level": None,
    "slope": lambda x, y: 10 + 0.6 * x,
    "bowl": lambda x, y: 8 + 0.02 * ((x - 40) ** 2 + (y - 30) ** 2),
    "hill": lambda x, y: 60 - 0.02 * ((x - 40) ** 2 + (y - 30) ** 2),
}
EVERYWHERE = shapely.box(-100, -100, 200, 200)


def roof(shape: str, within: shapely.Geometry = EVERYWHERE) -> Roof:
    found = roof_under(ceiling(SHAPES[shape]), shapely.box(10, 10, 60, 50), within)
    assert found is not None
    return found


@pytest.mark.parametrize("shape", list(SHAPES))
def test_no_facet_of_a_roof_leans_flatter_than_45_degrees(shape: str) -> None:
    facets = ConvexHull(roof(shape).corners()).equations[:, 2]
    assert facets[facets > 1e-9].max() <= np.sin(np.radians(45))


@pytest.mark.parametrize("shape", list(SHAPES))
def test_a_roof_stays_under_its_ceiling(shape: str) -> None:
    over = ceiling(SHAPES[shape]).over(shapely.box(10, 10, 60, 50))
    made = roof(shape)
    assert (made.heights(over.places) <= over.heights + 1e-9).all()
    assert (made.lowered(2.0).heights(over.places) <= over.heights - 2).all()


def test_under_a_level_ceiling_the_roof_is_a_hip_roof_of_half_the_width() -> None:
    made = roof("level")
    # Ridge 20 mm in from the long sides, at 44 degrees from the vertical.
    rise = 20 / np.tan(np.radians(44))
    assert made.heights(np.array([[35.0, 30.0]]))[0] == pytest.approx(50, abs=0.6)
    assert made.corners()[:, 2].max() == pytest.approx(50, abs=0.6)
    eaves = made.heights(np.array([[35.0, 10.0001]]))[0]
    assert eaves == pytest.approx(50 - rise, abs=0.6)
    hull = ConvexHull(made.corners())
    hip = 40 * 50 * eaves + rise * 40 * (3 * 50 - 40) / 6  # hip roof: h w (3 l - w) / 6
    assert hull.volume - 2000 == pytest.approx(hip, rel=0.01)  # it opens 1 mm under the bed


def test_a_side_outside_is_open_and_carries_no_plane() -> None:
    made = roof("level", shapely.box(20, -100, 200, 200))
    assert len(made.levels) == 3
    # At the open side the roof ends in a gable, as high as in the middle.
    at_side, inside = made.heights(np.array([[10.5, 30.0], [30.0, 30.0]]))
    assert at_side == pytest.approx(inside)


def test_a_small_cell_saves_no_filament_and_a_deep_wide_one_does() -> None:
    def saving(size: float, depth: float) -> float:
        x, y = np.meshgrid(np.arange(0.5, size), np.arange(0.5, size))
        places = np.stack([x.ravel(), y.ravel()], axis=1)
        flat = Ceiling(places, np.full(len(places), depth), 1.0)
        found = roof_under(flat, shapely.box(0, 0, size, size), EVERYWHERE)
        assert found is not None
        return found.saving_mm3(1.2, 0.15)

    assert saving(16, 40) < 0 < saving(60, 60)


def test_no_room_makes_no_roof() -> None:
    assert (
        roof_under(ceiling(lambda x, y: 0 * x + 2), shapely.box(10, 10, 60, 50), EVERYWHERE) is None
    )
