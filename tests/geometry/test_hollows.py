"""Hollows behind hooks, and how far they hold, on outlines drawn by measure."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from moldsmith.errors import CannotBuild
from moldsmith.geometry import solid
from moldsmith.geometry.radial import RadialMap, radial_map


def mapped(outline: shapely.Polygon) -> RadialMap:
    return radial_map(solid.extrude(outline, 0, 12), 0.0, 12.0, 2.0)


def hooked() -> shapely.Polygon:
    """A disc of radius 40 with a hook: over the hollow, from y 3 to y 15, at x 50."""
    disc = shapely.Point(0, 0).buffer(40, quad_segs=64)
    return shapely.union_all([disc, shapely.box(38, -3, 55, 3), shapely.box(50, -3, 55, 15)])


def test_outline_that_rays_meet_once_has_no_hollows() -> None:
    turn = np.radians(np.arange(0, 360, 2))
    reach = 42 + 11 * np.cos(5 * turn)  # deep lobes, yet seen from the middle
    lobes = shapely.Polygon(np.stack([reach * np.cos(turn), reach * np.sin(turn)], axis=1))
    assert len(mapped(lobes).hollows.row) == 0


def test_hollow_under_a_hook_is_held_by_the_hook_s_length() -> None:
    found = mapped(hooked()).hollows
    assert set(found.row.tolist()) == set(range(7))
    assert found.places[:, 0].min() > 36
    assert (found.places[:, 1] > 2.5).all()
    # Out the way of the stem the deepest place has to go from y 3 to y 15.
    assert found.held_mm(0.0).max() == pytest.approx(12, abs=1.0)
    assert (found.mouth == 1).all()
    # Along the hook nothing stands over it.
    assert found.held_mm(90.0).max() <= 0.5


def test_solid_turned_inside_out_is_refused_with_the_remedy() -> None:
    body = solid.to_mesh(solid.box((0, 0, 0), (20, 20, 12)))
    inside_out = solid.from_arrays(np.asarray(body.vertices), np.asarray(body.faces)[:, ::-1])
    with pytest.raises(CannotBuild, match=r"turned inside out.*through heal"):
        radial_map(inside_out, 0.0, 12.0, 2.0)
