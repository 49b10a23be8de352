"""What the mix's pressure asks of bolts and flange. Estimates by beam formulas, not tests."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..hardware import BoltSize, Strength, preload_n

__all__ = ["BoltLoad", "bolt_limit_n", "bolts_for", "deflection_mm", "thickness_mm"]

PRINT_MODULUS_MPA = 2000.0  # filaments of the PLA class, printed solid (common practice)
_APART_MM = 120.0  # bolts farther apart than this leave a printed flange free to gape
_LEAST, _MOST = 4, 24


@dataclass(frozen=True, slots=True)
class BoltLoad:
    """The force that opens the mold, and what of it comes on one bolt, with the safety factor.

    limit_n : what one may be tightened to: by what its washer and nut may press into the
    print, or by three quarters of its proof load
    """

    opening_n: float
    each_n: float
    limit_n: float
    count: int


def bolt_limit_n(size: BoltSize, hole_mm: float, strength: Strength, allow_mpa: float) -> float:
    """The least of 0.75 proof load and what nut and washer may press into the print."""
    bearing = min(size.nut_bearing_mm2(hole_mm), size.bearing_mm2(hole_mm)) * allow_mpa
    return min(bearing, preload_n(size.size, strength))


def bolts_for(
    pressure_kpa: float, area_mm2: float, around_mm: float, limit_n: float, safety: float
) -> BoltLoad:
    """How many bolts hold a void of that shadow shut, no more than 120 mm apart."""
    opening = pressure_kpa * area_mm2 / 1000
    wanted = max(math.ceil(safety * opening / limit_n), math.ceil(around_mm / _APART_MM))
    count = min(max(wanted, _LEAST), _MOST)
    return BoltLoad(opening, safety * opening / count, limit_n, count)


def thickness_mm(force_n: float, lever_mm: float, width_mm: float, allow_mpa: float) -> float:
    """Thickness of a flange loaded as a cantilever: sqrt(6 F a / (b sigma)).

    Bending stress 6 F a / (b t²) of a beam of breadth b (any text on strength of
    materials, as Shigley's). lever_mm : from the land's edge to the bolt.
    """
    return math.sqrt(6 * force_n * lever_mm / (width_mm * allow_mpa))


def deflection_mm(force_n: float, lever_mm: float, width_mm: float, thick_mm: float) -> float:
    """How far that cantilever bends at the bolt: F a³ / (3 E I), I = b t³ / 12."""
    return 4 * force_n * lever_mm**3 / (PRINT_MODULUS_MPA * width_mm * thick_mm**3)
