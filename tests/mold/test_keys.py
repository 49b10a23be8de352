"""Pegs and their sockets: closed forms and the clearance between them."""

from __future__ import annotations

import numpy as np
import pytest

from moldsmith.geometry import solid
from moldsmith.mold.keys import PEG_TAPER_DEG, Peg, peg_solid, socket_solid

AXES = [(0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)]


@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("sides", [4, 48])
@pytest.mark.parametrize("clearance", [0.1, 0.2, 0.4])
def test_peg_stands_off_its_socket_by_the_clearance(
    axis: tuple[float, float, float], sides: int, clearance: float
) -> None:
    peg = Peg((3.0, -2.0, 10.0), axis, 5.0, 8.0, sides=sides)
    around = solid.difference(
        solid.box((-30, -30, -20), (40, 40, 40)), socket_solid(peg, clearance)
    )
    stands = solid.trim_by_plane(peg_solid(peg), axis, float(np.dot(axis, peg.base)))
    assert solid.min_gap(stands, around, 3.0) == pytest.approx(clearance, abs=0.02)


def test_volume_of_a_peg_is_its_frustums() -> None:
    """h / 3 (A + B + sqrt(A B)), A and B regular polygons round the circles."""
    peg = Peg((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 5.0, 8.0, root_mm=1.0)
    slope = np.tan(np.radians(PEG_TAPER_DEG))
    low, high = (48 * np.tan(np.pi / 48) * r**2 for r in (5 + slope, 5 - 8 * slope))
    expected = 9 / 3 * (low + high + np.sqrt(low * high))
    assert solid.volume_mm3(peg_solid(peg)) == pytest.approx(expected, rel=1e-9)


def test_peg_narrows_to_its_tip_and_says_so() -> None:
    peg = Peg((0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 5.0, 8.0)
    assert peg.tip_radius_mm == pytest.approx(5 - 8 * np.tan(np.radians(10)))
    assert peg.described()["base_mm"] == 10.0
    assert peg.described()["tip_mm"] == pytest.approx(2 * peg.tip_radius_mm, abs=1e-3)
