"""Estimates of how far a mold gives way, against beams and plates worked by hand."""

from __future__ import annotations

import pytest
import shapely

from moldsmith.geometry import solid
from moldsmith.mold.jackets.stiffness import (
    beam_deflection_mm,
    giving_way,
    printed_cm3,
    second_moment_mm4,
)
from moldsmith.mold.pressure import head_kpa


def test_pressure_under_150_mm_of_a_mix_of_1100_kg_m3() -> None:
    """Hydrostatics, g = 9.80665 m/s2 (ISO 80000-3): 1618.10 Pa."""
    assert head_kpa(150, 1100) == pytest.approx(1.61810, abs=1e-5)


def test_second_moment_of_a_bar_and_of_a_channel() -> None:
    bar = shapely.box(5, 3, 25, 13)
    assert second_moment_mm4(bar, 1) == pytest.approx(20 * 10**3 / 12)
    assert second_moment_mm4(bar, 0) == pytest.approx(10 * 20**3 / 12)
    # Both by the box less what is missing, about the common middle (parallel axes).
    tube = shapely.box(0, 0, 40, 30).difference(shapely.box(5, 5, 35, 25))
    assert second_moment_mm4(tube, 1) == pytest.approx((40 * 30**3 - 30 * 20**3) / 12)
    tee = shapely.union_all([shapely.box(0, 20, 40, 26), shapely.box(18, 0, 22, 20)])
    middle = (240 * 23 + 80 * 10) / 320
    about = 40 * 6**3 / 12 + 240 * (23 - middle) ** 2 + 4 * 20**3 / 12 + 80 * (10 - middle) ** 2
    assert second_moment_mm4(tee, 1) == pytest.approx(about)


@pytest.mark.parametrize("turned", [False, True])
def test_a_plain_bar_sags_by_the_beam_formula(turned: bool) -> None:
    size = (200.0, 300.0) if not turned else (300.0, 200.0)
    bar = solid.box((0, 0, 0), (*size, 12))
    found = beam_deflection_mm(bar, 100.0, shapely.box(0, 0, *size))
    # 5 W L^3 / (384 E I): over the shorter side of 200 mm, 300 mm broad, E 2000 MPa.
    assert found == pytest.approx(5 * 100 * 200**3 / (384 * 2000 * 300 * 12**3 / 12))


def test_a_ribbed_body_gives_way_more_than_the_block_and_less_than_its_wall_alone() -> None:
    block = solid.box((0, 0, 0), (100, 100, 40))
    cells = [solid.box((x, 3, -1), (x + 29, 97, 35)) for x in (3, 35, 67)]
    jacket = solid.difference(block, *cells)
    corners = [solid.to_mesh(cell).vertices for cell in cells]
    loaded = shapely.box(0, 0, 100, 100)
    found = giving_way(block, jacket, corners, wall_mm=5, pressure_kpa=20, loaded=loaded)
    sheet = beam_deflection_mm(solid.box((0, 0, 0), (100, 100, 5)), 200.0, loaded)
    assert found.block_mm < found.body_mm < sheet
    assert 0 < found.stiffness_kept < 1
    # An endless strip held at both ribs: 0.0284 q b^4 / (E t^3), Roark Table 11.4 case 8a.
    assert found.wall_mm == pytest.approx(0.0284 * 0.02 * 29**4 / (2000 * 5**3), rel=0.02)


def test_a_printed_block_is_its_skin_and_a_share_of_the_rest() -> None:
    mesh = solid.to_mesh(solid.box((0, 0, 0), (100, 100, 50)))
    skin = 40_000 * 1.2
    assert printed_cm3(mesh) == pytest.approx((skin + 0.15 * (500_000 - skin)) / 1000)
