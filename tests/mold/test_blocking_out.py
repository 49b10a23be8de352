"""Blocking out: what a straight pull cannot release becomes pad."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from moldsmith.geometry import solid
from moldsmith.mold.blocking_out import block_out


def bottle() -> tuple[solid.Solid, solid.Solid, solid.Solid, float]:
    """A shell 5 mm thick in the shape of a bowl with an inward lip, its cavity and its core."""
    outside = solid.union(
        solid.frustum((0, 0, 0), (0, 0, 30), 40, 40, 96),
        solid.frustum((0, 0, 29), (0, 0, 11), 25, 25, 96),
    )
    inside = solid.union(
        solid.frustum((0, 0, 5), (0, 0, 20), 35, 35, 96),
        solid.frustum((0, 0, 24), (0, 0, 17), 20, 20, 96),
    )
    plug = solid.trim_by_plane(inside, (0, 0, -1), -40)
    pad = solid.difference(outside, plug)
    cavity = solid.difference(solid.box((-60, -60, -10), (60, 60, 40)), outside)
    core = solid.union(plug, solid.box((-60, -60, 40), (60, 60, 50)))
    hanging = np.pi * (40**2 - 25**2) * 10
    return cavity, core, pad, float(hanging)


def test_blocking_out_frees_the_pull_and_tells_what_it_added() -> None:
    cavity, core, pad, hanging = bottle()
    region = (
        shapely.Point(0, 0)
        .buffer(40, quad_segs=64)
        .difference(shapely.Point(0, 0).buffer(25, quad_segs=64))
    )
    filled = block_out(cavity, core, pad, region)
    hooking = np.pi * (35**2 - 25**2) * 20
    assert filled.added_mm3 == pytest.approx(hanging + hooking, rel=0.01)
    before = sum(map(solid.volume_mm3, (cavity, core, pad)))
    after = sum(map(solid.volume_mm3, (filled.cavity, filled.cover, filled.pad)))
    assert after == pytest.approx(before, rel=1e-6)
    for lift in (1.0, 15.0, 40.0):
        raised = solid.moved(filled.pad, np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, lift]]))
        caught = solid.volume_mm3(solid.intersection(raised, filled.cavity))
        assert caught < 0.002 * hanging


def test_nothing_is_filled_where_nothing_overhangs() -> None:
    cavity, core, pad, _ = bottle()
    assert block_out(cavity, core, pad, shapely.Polygon()).added_mm3 == 0
