"""Volumes of pegs: frusta against their closed forms.

Source: the frustum's volume h/3 (A + B + sqrt(A B)), for a cone
pi h/3 (R^2 + R r + r^2) (Heron, Metrica II; any book of formulas). A regular
n-gon inscribed in a circle has (n / 2 pi) sin(2 pi / n) of its area.
"""

from __future__ import annotations

import numpy as np
import pytest

from moldsmith.geometry import solid


def inscribed_area_ratio(sides: int) -> float:
    return sides / (2 * np.pi) * np.sin(2 * np.pi / sides)


@pytest.mark.parametrize(
    ("sides", "ratio"), [(16, 0.9744954), (32, 0.9935869), (64, 0.9983944), (128, 0.9995985)]
)
def test_a_round_peg_is_short_of_the_cone_by_the_inscribed_polygons_ratio(
    sides: int, ratio: float
) -> None:
    cone = np.pi * 6 / 3 * (5**2 + 5 * 3 + 3**2)
    assert cone == pytest.approx(307.87608, abs=5e-6)
    peg = solid.frustum((0, 0, 0), (0, 0, 6), 5, 3, sides)
    assert inscribed_area_ratio(sides) == pytest.approx(ratio, abs=5e-8)
    assert solid.volume_mm3(peg) == pytest.approx(cone * inscribed_area_ratio(sides), rel=1e-9)
    assert solid.volume_mm3(peg) < cone  # inscribed: never over


def test_a_square_peg_has_the_frustums_volume() -> None:
    half_diagonals = 10 / np.sqrt(2), 6 / np.sqrt(2)  # squares of 10 and 6 mm
    peg = solid.frustum((0, 0, 0), (0, 0, 8), *half_diagonals, 4)
    areas = 10.0**2, 6.0**2
    expected = 8 / 3 * (sum(areas) + np.sqrt(areas[0] * areas[1]))
    assert expected == pytest.approx(522.66667, abs=5e-6)
    assert solid.volume_mm3(peg) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("axis", [(6, 0, 0), (0, 0, -6), (2, -4, 4), (0, -6, 0)])
def test_a_peg_has_the_same_volume_whichever_way_it_points(axis: tuple[float, ...]) -> None:
    upright = solid.frustum((0, 0, 0), (0, 0, 6), 5, 3, 32)
    leaning = solid.frustum((100, -20, 7), axis, 5, 3, 32)
    assert solid.volume_mm3(leaning) == pytest.approx(solid.volume_mm3(upright), rel=1e-9)


def test_a_hole_for_a_round_pin_must_circumscribe_it() -> None:
    # Corners at R / cos(pi / n): the sides then touch the circle of R. n = 32: x 1.0048386.
    factor = 1 / np.cos(np.pi / 32)
    assert factor == pytest.approx(1.0048386, abs=5e-8)
    hole = solid.frustum((0, 0, -1), (0, 0, 8), 4 * factor, 4 * factor, 32)
    pin = solid.frustum((0, 0, 0), (0, 0, 6), 4, 4, 256)
    assert solid.volume_mm3(solid.intersection(pin, hole)) == pytest.approx(
        solid.volume_mm3(pin), rel=1e-9
    )
