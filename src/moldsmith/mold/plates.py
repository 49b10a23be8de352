"""Flat plates under even pressure: stress, deflection, and the thickness that keeps both small.

Rectangles: Young and Budynas, Roark's Formulas for Stress and Strain, 7th ed.,
Table 11.4, cases 1a (edges supported) and 8a (edges fixed). Discs: Timoshenko and
Woinowsky-Krieger, Theory of Plates and Shells, chapter 3. Small deflections: good
up to about half the thickness (Roark), and on the safe side beyond.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import PchipInterpolator

from ..errors import BadParameter

__all__ = [
    "Bending",
    "Edges",
    "circular_plate",
    "circular_thickness_mm",
    "rectangular_plate",
    "rectangular_thickness_mm",
]

Edges = Literal["supported", "fixed"]
_TABLE_POISSON = 0.3

# By short over long side, 0 for an endless strip: interpolated there, the tables' rows are even.
_SHORT_OVER_LONG = 1 / np.array([np.inf, 5.0, 3.0, 2.0, 1.8, 1.6, 1.4, 1.2, 1.0])
_SUPPORTED_STRESS = [0.7500, 0.7476, 0.7134, 0.6102, 0.5688, 0.5172, 0.4530, 0.3762, 0.2874]
_SUPPORTED_DEFLECTION = [0.1421, 0.1417, 0.1335, 0.1110, 0.1017, 0.0906, 0.0770, 0.0616, 0.0444]
# Case 8a ends at 2 and goes on to the endless strip.
_FIXED = [0, 3, 4, 5, 6, 7, 8]
_FIXED_STRESS = [0.5000, 0.4974, 0.4872, 0.4680, 0.4356, 0.3834, 0.3078]
_FIXED_DEFLECTION = [0.0284, 0.0277, 0.0267, 0.0251, 0.0226, 0.0188, 0.0138]
_CURVES = {
    "supported": (
        PchipInterpolator(_SHORT_OVER_LONG, _SUPPORTED_STRESS),
        PchipInterpolator(_SHORT_OVER_LONG, _SUPPORTED_DEFLECTION),
    ),
    "fixed": (
        PchipInterpolator(_SHORT_OVER_LONG[_FIXED], _FIXED_STRESS),
        PchipInterpolator(_SHORT_OVER_LONG[_FIXED], _FIXED_DEFLECTION),
    ),
}


@dataclass(frozen=True, slots=True)
class Bending:
    """The greatest stress in a loaded plate, and how far its middle gives way."""

    stress_mpa: float
    deflection_mm: float


def rectangular_plate(
    long_mm: float,
    short_mm: float,
    thickness_mm: float,
    pressure_kpa: float,
    youngs_mpa: float,
    *,
    edges: Edges = "supported",
    poisson: float = 0.3,
) -> Bending:
    """A rectangular plate, all four edges alike, under an even pressure.

    stress = beta q b^2 / t^2, deflection = alpha q b^4 / (E t^3), b the short side.
    beta is the table's, for a Poisson's ratio of 0.3; the deflection is scaled by
    1 - poisson^2, as the plate's stiffness is.
    """
    _check(
        long_mm=long_mm,
        short_mm=short_mm,
        thickness_mm=thickness_mm,
        youngs_mpa=youngs_mpa,
        pressure_kpa=pressure_kpa,
    )
    short_mm, long_mm = sorted((short_mm, long_mm))
    stress, deflection = (float(curve(short_mm / long_mm)) for curve in _CURVES[edges])
    load = pressure_kpa / 1000
    softer = (1 - poisson**2) / (1 - _TABLE_POISSON**2)
    return Bending(
        stress * load * short_mm**2 / thickness_mm**2,
        softer * deflection * load * short_mm**4 / (youngs_mpa * thickness_mm**3),
    )


def circular_plate(
    radius_mm: float,
    thickness_mm: float,
    pressure_kpa: float,
    youngs_mpa: float,
    *,
    edges: Edges = "supported",
    poisson: float = 0.3,
) -> Bending:
    """A disc under an even pressure.

    Deflection q R^4 / (64 D), times (5 + v) / (1 + v) where the edge may turn;
    D = E t^3 / (12 (1 - v^2)). Stress: 3 (3 + v) / 8 q R^2 / t^2 in the middle of a
    supported disc, 3 / 4 q R^2 / t^2 at the edge of a fixed one.
    """
    _check(
        radius_mm=radius_mm,
        thickness_mm=thickness_mm,
        youngs_mpa=youngs_mpa,
        pressure_kpa=pressure_kpa,
    )
    load = pressure_kpa / 1000
    stiffness = youngs_mpa * thickness_mm**3 / (12 * (1 - poisson**2))
    slender = load * radius_mm**2 / thickness_mm**2
    deflection = load * radius_mm**4 / (64 * stiffness)
    if edges == "fixed":
        return Bending(0.75 * slender, deflection)
    return Bending(3 * (3 + poisson) / 8 * slender, (5 + poisson) / (1 + poisson) * deflection)


def rectangular_thickness_mm(
    long_mm: float,
    short_mm: float,
    pressure_kpa: float,
    youngs_mpa: float,
    *,
    stress_limit_mpa: float,
    deflection_limit_mm: float,
    edges: Edges = "supported",
    poisson: float = 0.3,
) -> float:
    """The least thickness at which a rectangular plate keeps within both limits."""
    unit = rectangular_plate(
        long_mm, short_mm, 1.0, pressure_kpa, youngs_mpa, edges=edges, poisson=poisson
    )
    return _thick_enough(unit, stress_limit_mpa, deflection_limit_mm)


def circular_thickness_mm(
    radius_mm: float,
    pressure_kpa: float,
    youngs_mpa: float,
    *,
    stress_limit_mpa: float,
    deflection_limit_mm: float,
    edges: Edges = "supported",
    poisson: float = 0.3,
) -> float:
    """The least thickness at which a disc keeps within both limits."""
    unit = circular_plate(radius_mm, 1.0, pressure_kpa, youngs_mpa, edges=edges, poisson=poisson)
    return _thick_enough(unit, stress_limit_mpa, deflection_limit_mm)


def _thick_enough(unit: Bending, stress_mpa: float, deflection_mm: float) -> float:
    """From a plate 1 mm thick: stress goes with 1 / t^2, deflection with 1 / t^3."""
    _check(stress_limit_mpa=stress_mpa, deflection_limit_mm=deflection_mm)
    by_stress = (unit.stress_mpa / stress_mpa) ** (1 / 2)
    by_deflection = (unit.deflection_mm / deflection_mm) ** (1 / 3)
    return float(max(by_stress, by_deflection))


def _check(pressure_kpa: float = 0.0, **positive: float) -> None:
    for name, value in positive.items():
        if not (np.isfinite(value) and value > 0):
            raise BadParameter(f"{name} = {value:g}", "Give a number above 0")
    if not (np.isfinite(pressure_kpa) and pressure_kpa >= 0):
        raise BadParameter(f"pressure_kpa = {pressure_kpa:g}", "Give 0 or more")
