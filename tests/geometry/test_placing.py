"""Discs in plan regions."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from moldsmith.geometry.placing import discs, largest_disc, spread_discs


def test_largest_disc_of_a_rectangle_is_half_its_width() -> None:
    centre, radius = largest_disc(shapely.box(0, 0, 40, 20))
    assert radius == pytest.approx(10, abs=0.2)
    assert centre[1] == pytest.approx(10, abs=0.2)


def test_largest_disc_avoids_holes_and_looks_into_every_part() -> None:
    ring = shapely.Point(0, 0).buffer(30, 64).difference(shapely.Point(0, 0).buffer(10, 64))
    assert largest_disc(ring)[1] == pytest.approx(10, abs=0.2)
    both = shapely.MultiPolygon([shapely.box(0, 0, 8, 8), shapely.box(100, 0, 112, 12)])
    centre, radius = largest_disc(both)
    assert radius == pytest.approx(6, abs=0.2)
    assert centre[0] > 100
    assert largest_disc(shapely.Polygon())[1] == 0


def test_spread_discs_lie_in_the_region_apart_and_far_from_each_other() -> None:
    region = shapely.box(0, 0, 100, 60).difference(shapely.Point(50, 30).buffer(20))
    centres = spread_discs(region, 5.0, 20.0, 4)
    assert len(centres) == 4
    assert region.buffer(1e-9).contains(discs(centres, 5.0))
    gaps = np.linalg.norm(centres[:, None] - centres, axis=2) + 1e9 * np.eye(4)
    assert gaps.min() > 45  # near the four corners
    assert np.linalg.norm(centres[0] - [50, 30]) > 45  # the first far from the middle


def test_no_more_discs_than_have_room_apart() -> None:
    assert len(spread_discs(shapely.box(0, 0, 30, 12), 5.0, 15.0, 9)) == 2
    assert len(spread_discs(shapely.box(0, 0, 30, 9), 5.0, 15.0, 9)) == 0
    assert len(spread_discs(shapely.box(0, 0, 10.2, 10.2), 5.0, 15.0, 9)) == 1  # finer than a step


def test_discs_of_no_centres_are_empty() -> None:
    assert discs(np.empty((0, 2)), 5.0).is_empty
    assert discs(np.array([[0, 0], [50, 0]]), 5.0).area == pytest.approx(2 * np.pi * 25, rel=0.01)
