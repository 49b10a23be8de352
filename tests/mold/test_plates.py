"""Plates under pressure, against published coefficients and the series they come from."""

from __future__ import annotations

import numpy as np
import pytest

from moldsmith.errors import BadParameter
from moldsmith.mold.plates import (
    circular_plate,
    circular_thickness_mm,
    rectangular_plate,
    rectangular_thickness_mm,
)

# Roark's Formulas for Stress and Strain, 7th ed., Table 11.4: case 1a (read in the book's
# table), case 8a (from memory, checked by a Ritz solution). Side ratio, beta, alpha.
SUPPORTED = [
    (1.0, 0.2874, 0.0444),
    (1.2, 0.3762, 0.0616),
    (1.4, 0.4530, 0.0770),
    (1.6, 0.5172, 0.0906),
    (1.8, 0.5688, 0.1017),
    (2.0, 0.6102, 0.1110),
    (3.0, 0.7134, 0.1335),
    (5.0, 0.7476, 0.1417),
]
FIXED = [
    (1.0, 0.3078, 0.0138),
    (1.2, 0.3834, 0.0188),
    (1.4, 0.4356, 0.0226),
    (1.6, 0.4680, 0.0251),
    (1.8, 0.4872, 0.0267),
    (2.0, 0.4974, 0.0277),
]


@pytest.mark.parametrize(
    ("edges", "ratio", "beta", "alpha"),
    [("supported", *row) for row in SUPPORTED] + [("fixed", *row) for row in FIXED],
)
def test_coefficients_are_those_of_the_table(
    edges: str, ratio: float, beta: float, alpha: float
) -> None:
    # q b^2 / t^2 and q b^4 / (E t^3) made 1.
    found = rectangular_plate(100 * ratio, 100, 10, 10, 1e4, edges=edges)  # type: ignore[arg-type]
    assert found.stress_mpa == pytest.approx(beta * 0.01 * 100, rel=0.01)
    assert found.deflection_mm == pytest.approx(alpha * 0.01 * 1e8 / (1e4 * 1e3), rel=0.01)


def navier(ratio: float) -> tuple[float, float]:
    """beta and alpha of a supported plate, v = 0.3, by Navier's double sine series."""
    m, n = np.meshgrid(np.arange(1, 200, 2), np.arange(1, 200, 2))
    sign = (-1.0) ** ((m - 1) // 2 + (n - 1) // 2)
    x, y = (m / ratio) ** 2, n**2.0
    term = 16 * sign / (np.pi**2 * m * n * np.pi**4 * (x + y) ** 2)
    along, across = (term * part * np.pi**2 for part in (x, y))
    return 6 * float((across + 0.3 * along).sum()), 12 * (1 - 0.09) * float(term.sum())


@pytest.mark.parametrize("ratio", [1.1, 1.3, 1.5, 1.7, 2.3, 2.6, 3.5, 4.0, 8.0])
def test_between_the_rows_of_the_table_the_series_is_met(ratio: float) -> None:
    beta, alpha = navier(ratio)
    found = rectangular_plate(100 * ratio, 100, 10, 10, 1e4)
    assert found.stress_mpa == pytest.approx(beta, rel=0.01)
    assert found.deflection_mm / 0.1 == pytest.approx(alpha, rel=0.01)


def test_an_acrylic_sheet_of_300_mm_under_20_kpa() -> None:
    """Worked from the table's coefficients: 10 mm thick, E 3200 MPa."""
    loose = rectangular_plate(300, 300, 10, 20, 3200)
    assert loose.deflection_mm == pytest.approx(2.2478, rel=0.01)
    assert loose.stress_mpa == pytest.approx(5.173, rel=0.01)
    held = rectangular_plate(300, 300, 10, 20, 3200, edges="fixed")
    assert held.deflection_mm == pytest.approx(0.6986, rel=0.01)
    assert held.stress_mpa == pytest.approx(5.540, rel=0.01)
    # alpha goes with 1 - v^2: v = 0.37 gives 0.94846 of v = 0.3.
    other = rectangular_plate(300, 300, 10, 20, 3200, poisson=0.37)
    assert other.deflection_mm / loose.deflection_mm == pytest.approx(0.94846, rel=1e-4)


@pytest.mark.parametrize(("ratio", "w"), [(1.0, 0.00406), (1.5, 0.00772), (2.0, 0.01013)])
def test_deflections_of_supported_plates_agree_with_the_theory_of_plates(
    ratio: float, w: float
) -> None:
    """w D / (q b^4): Timoshenko and Woinowsky-Krieger, Table 8 (from memory)."""
    found = rectangular_plate(100 * ratio, 100, 10, 10, 1e4)
    stiffness = 1e4 * 1e3 / (12 * 0.91)
    assert found.deflection_mm * stiffness / (0.01 * 1e8) == pytest.approx(w, rel=0.01)


def test_a_disc_gives_way_by_its_closed_form() -> None:
    """Timoshenko and Woinowsky-Krieger, chapter 3 (from memory)."""
    stiffness = 3000 * 8**3 / (12 * (1 - 0.35**2))
    held = circular_plate(100, 8, 20, 3000, edges="fixed", poisson=0.35)
    assert held.deflection_mm == pytest.approx(0.02 * 100**4 / (64 * stiffness))
    assert held.stress_mpa == pytest.approx(0.75 * 0.02 * 100**2 / 8**2)
    loose = circular_plate(100, 8, 20, 3000, poisson=0.35)
    assert loose.deflection_mm / held.deflection_mm == pytest.approx(5.35 / 1.35)
    assert loose.stress_mpa == pytest.approx(3 * 3.35 / 8 * 0.02 * 100**2 / 8**2)


def test_a_square_plate_gives_way_a_little_more_than_the_disc_inside_it() -> None:
    square = rectangular_plate(200, 200, 10, 10, 3000)
    disc = circular_plate(100, 10, 10, 3000)
    assert disc.deflection_mm < square.deflection_mm < 1.6 * disc.deflection_mm


@pytest.mark.parametrize(("stress", "deflection"), [(3.0, 100.0), (100.0, 0.4)])
def test_the_thickness_found_just_meets_its_limit(stress: float, deflection: float) -> None:
    limits = {"stress_limit_mpa": stress, "deflection_limit_mm": deflection}
    thick = rectangular_thickness_mm(420, 300, 15, 3000, **limits)
    found = rectangular_plate(420, 300, thick, 15, 3000)
    assert max(found.stress_mpa / stress, found.deflection_mm / deflection) == pytest.approx(1)
    thick = circular_thickness_mm(150, 15, 3000, **limits)
    round_ = circular_plate(150, thick, 15, 3000)
    assert max(round_.stress_mpa / stress, round_.deflection_mm / deflection) == pytest.approx(1)


def test_sizes_that_are_none_are_refused() -> None:
    with pytest.raises(BadParameter, match=r"thickness_mm = 0\. Give a number above 0"):
        rectangular_plate(100, 100, 0, 10, 3000)
    with pytest.raises(BadParameter, match=r"pressure_kpa = -1\. Give 0 or more"):
        circular_plate(100, 5, -1, 3000)
