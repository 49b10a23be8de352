"""Pegs and their sockets: closed forms and the clearance between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from moldsmith.geometry import solid
from moldsmith.mold.keys import (
    PEG_TAPER_DEG,
    ROOF_DEG,
    Peg,
    peg_solid,
    roof_height_mm,
    socket_solid,
)
from moldsmith.printing.flagging import hanging_faces
from moldsmith.printing.pose import laid

AXES = [(0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)]
UPRIGHT, LEVEL, ASKEW = AXES[0], AXES[1], (0.8, 0.6, 0.0)


@pytest.mark.parametrize("axis", [*AXES, ASKEW])
@pytest.mark.parametrize("sides", [4, 48])
@pytest.mark.parametrize("clearance", [0.1, 0.2, 0.4])
def test_peg_stands_off_its_socket_by_the_clearance(
    axis: tuple[float, float, float], sides: int, clearance: float
) -> None:
    peg = Peg((3.0, -2.0, 10.0), axis, 5.0, 8.0, sides=sides, roof_mm=9.0)
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


def hanging_mm2(body: solid.Solid, up: tuple[float, float, float]) -> float:
    """What of a body needs support, bridges too, if that direction is up."""
    pose = np.eye(4)
    pose[:3, :3] = solid.rotation_to(np.array(up)).T
    standing = laid(solid.printable(body), pose)
    return float(standing.area_faces[hanging_faces(standing, 45.0, 0.2, bridge_mm=0.0)].sum())


def part_with(peg: Peg, clearance: float = 0.2) -> solid.Solid:
    """A brick with the peg's socket in its face, square to the peg's axis."""
    axis, base = np.array(peg.axis), np.array(peg.base)
    turn = np.eye(4)
    turn[:3, :3], turn[:3, 3] = solid.rotation_to(axis), base
    if abs(axis[2]) < 0.5:  # with its sides upright
        turn[:3, :3] = np.column_stack([np.cross([0, 0, 1], axis), [0, 0, 1], axis])
    brick = solid.moved(solid.box((-20, -20, 0), (20, 20, 30)), turn)
    return solid.difference(brick, socket_solid(peg, clearance))


def with_roof(axis: tuple[float, float, float], sides: int) -> Peg:
    return Peg((3.0, -2.0, 40.0), axis, 8.0, 8.0, sides=sides, roof_mm=12.0)


def test_socket_of_an_upright_peg_prints_without_support_either_way_up() -> None:
    part = part_with(with_roof(UPRIGHT, 48))
    flat = part_with(replace(with_roof(UPRIGHT, 48), roof_mm=0.0))
    assert hanging_mm2(flat, UPRIGHT) > 100  # the ceiling that the point replaces
    assert hanging_mm2(part, UPRIGHT) < 1e-3
    assert hanging_mm2(part, (0.0, 0.0, -1.0)) < 1e-3


@pytest.mark.parametrize("axis", [LEVEL, ASKEW])
def test_socket_of_a_level_peg_prints_without_support_on_any_side(
    axis: tuple[float, float, float],
) -> None:
    """On all six sides of the brick: the square stands on a corner on four of them."""
    part = part_with(with_roof(axis, 4))
    x, y, _ = axis
    for up in ((0, 0, 1), (0, 0, -1), axis, (-x, -y, 0), (-y, x, 0), (y, -x, 0)):
        assert hanging_mm2(part, (float(up[0]), float(up[1]), float(up[2]))) < 1e-3


def test_level_peg_prints_without_support() -> None:
    peg = with_roof(ASKEW, 4)
    stands = solid.union(solid.moved(part_with(peg), np.diag([-1, -1, 1, 1])), peg_solid(peg))
    assert hanging_mm2(solid.components(stands)[0], (0.0, 0.0, 1.0)) < 1e-3


@pytest.mark.parametrize("roof_mm", [2.0, 30.0])
def test_socket_runs_out_to_its_point_or_as_far_as_it_may(roof_mm: float) -> None:
    peg = replace(with_roof(UPRIGHT, 48), roof_mm=roof_mm)
    reach = peg.tip_radius_mm
    assert roof_height_mm(reach) == pytest.approx(reach / np.tan(np.radians(ROOF_DEG)))
    top = socket_solid(peg, 0.0).bounding_box()[5]
    assert top == pytest.approx(40 + 8 + min(roof_mm, roof_height_mm(reach)))
