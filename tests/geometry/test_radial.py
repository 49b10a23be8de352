"""Distances from an axis and what a level pull holds, against shapes with a known answer."""

from __future__ import annotations

import numpy as np
import pytest

from moldsmith.errors import CannotBuild
from moldsmith.geometry import solid
from moldsmith.geometry.radial import TURNS, held_mm, radial_map


def test_cylinder_s_map_is_its_radius() -> None:
    body = solid.frustum((5, -3, 0), (0, 0, 40), 20, 20, 720)
    found = radial_map(body, 0.0, 40.0, 2.0)
    assert found.reach == pytest.approx(20, abs=0.01)
    assert found.middle == pytest.approx(np.tile([5.0, -3.0], (len(found.z), 1)), abs=0.3)


def test_leaning_tube_has_an_axis_that_goes_along() -> None:
    low = np.array([[20 * np.cos(t), 20 * np.sin(t), 0] for t in np.radians(np.arange(0, 360, 3))])
    body = solid.hull(np.concatenate([low, np.add(low, (60, 0, 80))]))
    found = radial_map(body, 0.0, 80.0, 2.0)
    assert found.middle[0, 0] < 8
    assert found.middle[-1, 0] > 52
    assert found.reach.min() > 10


def test_body_that_falls_into_parts_is_refused_with_the_place() -> None:
    legs = solid.union(solid.box((0, 0, 0), (10, 10, 30)), solid.box((40, 0, 0), (50, 10, 30)))
    bridge = solid.union(legs, solid.box((0, 0, 30), (50, 10, 40)))
    with pytest.raises(CannotBuild, match=r"falls into parts \(one at x"):
        radial_map(bridge, 0.0, 40.0, 2.0)


def test_nothing_round_is_held_by_two_opposite_pulls() -> None:
    ring = np.full((3, TURNS), 30.0)
    least = np.minimum(held_mm(ring, 40.0), held_mm(ring, 220.0))
    assert least.max() < 1e-9


def test_far_half_is_held_by_how_far_it_draws_in() -> None:
    """Behind the widest place of a circle, at 120 degrees: R (1 - sin 120)."""
    held = held_mm(np.full((1, TURNS), 30.0), 0.0)[0]
    assert held[60] == pytest.approx(0, abs=1e-9)
    assert held[120] == pytest.approx(30 * (1 - np.sin(np.radians(120))), abs=1e-9)
    assert held[240] == pytest.approx(held[120])
    assert held[180] == pytest.approx(30)


def test_rib_holds_what_lies_behind_it() -> None:
    """A rib at 60 degrees, 5 mm high, stands 45 sin 60 to the side; the circle at 70, 40 sin 70."""
    reach = np.full((1, TURNS), 40.0)
    reach[0, 60] = 45.0
    held = held_mm(reach, 0.0)[0]
    assert held[70] == pytest.approx(45 * np.sin(np.radians(60)) - 40 * np.sin(np.radians(70)))
    assert held[50] == 0
    # Pulled the way of the rib itself nothing is behind it.
    assert held_mm(reach, 60.0)[0, 70] == 0
