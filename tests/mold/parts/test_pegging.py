"""Where a cut's pegs stand, and how far their sockets may run out."""

from __future__ import annotations

import numpy as np
import pytest

from moldsmith.geometry import solid
from moldsmith.mold.keys import roof_height_mm, socket_solid
from moldsmith.mold.parts.cut_planes import Cut
from moldsmith.mold.parts.pegging import WALL_MM, place_pegs

CLEARANCE = 0.2


def body(over_mm: float) -> solid.Solid:
    """A bar of 90 x 40 mm, so much of it over the cut at z = 30."""
    return solid.box((0, 0, 0), (90, 40, 30 + over_mm))


def test_sockets_run_out_to_a_point_where_there_is_material() -> None:
    (pegs,) = place_pegs(body(40), Cut(2, 30.0), [], CLEARANCE)
    assert len(pegs) >= 2
    for peg in pegs:
        assert peg.roof_mm == pytest.approx(roof_height_mm(peg.tip_radius_mm + CLEARANCE))


@pytest.mark.parametrize("over_mm", [11.0, 14.0, 17.0])
def test_sockets_keep_a_wall_over_them(over_mm: float) -> None:
    (pegs,) = place_pegs(body(over_mm), Cut(2, 30.0), [], CLEARANCE)
    assert pegs
    for peg in pegs:
        top = socket_solid(peg, CLEARANCE).bounding_box()[5]
        assert top <= 30 + over_mm - WALL_MM + 1e-6


def test_sockets_keep_a_wall_beside_their_point() -> None:
    """A cup's floor over the cut: there is material beside its hollow, and none in it."""
    hollow = solid.frustum((45, 20, 41.0), (0, 0, 40), 24.0, 24.0, 64)
    bowl = solid.difference(body(40), hollow)
    (pegs,) = place_pegs(bowl, Cut(2, 30.0), [], CLEARANCE)
    assert pegs
    room = solid.union(*(socket_solid(peg, CLEARANCE) for peg in pegs))
    assert solid.min_gap(room, hollow, 5.0) > WALL_MM - 0.1


def test_sockets_stay_off_the_next_cut() -> None:
    (pegs,) = place_pegs(body(60), Cut(2, 30.0), [Cut(2, 44.0)], CLEARANCE)
    for peg in pegs:
        assert socket_solid(peg, CLEARANCE).bounding_box()[5] < 44 - WALL_MM


def test_level_pegs_point_their_sockets_too() -> None:
    turned = solid.moved(body(40), np.array([[0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0]]))
    (pegs,) = place_pegs(turned, Cut(0, 30.0), [], CLEARANCE)
    assert len(pegs) >= 2
    assert all(peg.sides == 4 and peg.roof_mm > 3 for peg in pegs)
