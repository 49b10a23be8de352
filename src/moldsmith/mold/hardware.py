"""Metric bolts, nuts, washers and dowel pins: their sizes, and what they hold."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any, Literal

from ..data import data_path
from ..errors import BadParameter

__all__ = [
    "BoltSize",
    "Dowel",
    "Series",
    "Strength",
    "Washer",
    "bolt",
    "bolt_sizes",
    "dowel",
    "dowel_sizes",
    "foot_washer",
    "preload_n",
    "sources",
    "stock_length_mm",
    "stress_area_mm2",
    "tightening_torque_nm",
]

Series = Literal["fine", "medium", "coarse"]
Strength = Literal["4.8", "8.8"]
_TABLE = "hardware/metric.toml"
_PRELOAD = 0.75


@dataclass(frozen=True, slots=True)
class BoltSize:
    """A coarse metric thread: its cap screw, hexagon nut and plain washer, all in mm.

    hole_mm : clearance hole by ISO 273 series; nut_flats_mm, nut_height_mm, nut_corners_mm,
    nut_bearing_mm : ISO 4032 s, m, e and d_w; head_mm, head_knurled_mm, head_height_mm,
    key_mm, and the longest screw commonly made : ISO 4762;
    washer_* : ISO 7089; stress_area_mm2, proof_n : ISO 898-1, by property class
    """

    size: str
    diameter_mm: float
    pitch_mm: float
    hole_mm: Mapping[str, float]
    nut_flats_mm: float
    nut_height_mm: float
    nut_corners_mm: float
    nut_bearing_mm: float
    head_mm: float
    head_knurled_mm: float
    head_height_mm: float
    key_mm: float
    longest_mm: float
    washer_bore_mm: float
    washer_mm: float
    washer_thickness_mm: float
    washer_thickest_mm: float
    stress_area_mm2: float
    proof_n: Mapping[str, float]

    @property
    def nut_sharp_corners_mm(self) -> float:
        """Across the corners of a hexagon with no rounding: what a pocket must take."""
        return self.nut_flats_mm * 2 / math.sqrt(3)

    @property
    def washer_bearing_mm2(self) -> float:
        """The area that a washer presses on, over a hole no wider than its own."""
        return math.pi / 4 * (self.washer_mm**2 - self.washer_bore_mm**2)

    def nut_bearing_mm2(self, hole_mm: float) -> float:
        """The area that the nut presses on over a hole of that width; its corners are beveled."""
        return math.pi / 4 * (self.nut_bearing_mm**2 - hole_mm**2)

    def bearing_mm2(self, hole_mm: float) -> float:
        """The area that the washer presses on over a hole of that width."""
        return math.pi / 4 * (self.washer_mm**2 - max(hole_mm, self.washer_bore_mm) ** 2)


@dataclass(frozen=True, slots=True)
class Dowel:
    """A parallel pin by ISO 2338, mm: diameter, chamfer, and the limits of m6 in micrometres."""

    diameter_mm: float
    chamfer_mm: float
    deviation_um: tuple[float, float]

    @property
    def greatest_mm(self) -> float:
        return self.diameter_mm + self.deviation_um[1] / 1000


@dataclass(frozen=True, slots=True)
class Washer:
    """A plain washer by ISO 7089, mm."""

    size: str
    bore_mm: float
    outer_mm: float
    thickest_mm: float


def foot_washer(size: BoltSize) -> Washer:
    """The washer one size smaller: the end of a screw stands on it and does not go through."""
    sizes = bolt_sizes()
    number = sizes.index(size.size)
    if number == 0:
        ((name, row),) = _table()["washer"].items()
        return Washer(name, **row)
    less = bolt(sizes[number - 1])
    return Washer(less.size, less.washer_bore_mm, less.washer_mm, less.washer_thickest_mm)


def bolt_sizes() -> tuple[str, ...]:
    """The sizes of the table, smallest first: 'M3', 'M4', ..."""
    return tuple(_table()["bolt"])


def dowel_sizes() -> tuple[float, ...]:
    """The pin diameters of the table, smallest first, mm."""
    return tuple(float(key) for key in _table()["dowel"])


def sources() -> Mapping[str, str]:
    """The standard each kind of size is from."""
    return MappingProxyType(_table()["sources"])


@cache
def bolt(size: str) -> BoltSize:
    """The sizes of a thread, as 'M5'.

    Raises
    ------
    BadParameter : the table lacks it
    """
    table = _table()["bolt"]
    if size not in table:
        raise BadParameter(f"bolts = {size!r}: no such size", f"Choose {', '.join(table)}")
    row = dict(table[size])
    for key in ("hole_mm", "proof_n"):
        row[key] = MappingProxyType({name: float(value) for name, value in row[key].items()})
    return BoltSize(size, **row)


@cache
def dowel(diameter_mm: float) -> Dowel:
    """The pin of a diameter.

    Raises
    ------
    BadParameter : ISO 2338's table here lacks it
    """
    for key, row in _table()["dowel"].items():
        if float(key) == diameter_mm:
            low, high = row["deviation_um"]
            return Dowel(float(key), row["chamfer_mm"], (float(low), float(high)))
    raise BadParameter(
        f"dowel_mm = {diameter_mm:g}: no such pin",
        f"Choose {', '.join(f'{size:g}' for size in dowel_sizes())}",
    )


def stress_area_mm2(diameter_mm: float, pitch_mm: float) -> float:
    """Stress area of a thread: pi/4 (d - 0.9382 P)^2 (ISO 898-1)."""
    return math.pi / 4 * (diameter_mm - 0.9382 * pitch_mm) ** 2


def preload_n(size: str, strength: Strength = "8.8") -> float:
    """What to tighten a bolt to that is to be opened again: 0.75 of its proof load (Shigley)."""
    known = bolt(size).proof_n
    if strength not in known:
        raise BadParameter(f"strength = {strength!r}: no such class", f"Choose {', '.join(known)}")
    return _PRELOAD * known[strength]


def tightening_torque_nm(force_n: float, diameter_mm: float, nut_factor: float = 0.2) -> float:
    """Torque T = K F d for a preload (Shigley).

    nut_factor : K, about 0.2 as received, 0.15 oiled, 0.3 dry or rusty
    """
    return nut_factor * force_n * diameter_mm / 1000


def stock_length_mm(at_least_mm: float, size: BoltSize | None = None) -> float | None:
    """The shortest nominal bolt length (ISO 888) not under `at_least_mm`.

    None over 200, or over the longest that cap screws of the size are commonly made in.
    """
    most = math.inf if size is None else size.longest_mm
    for length in _table()["lengths"]["length_mm"]:
        if at_least_mm - 1e-9 <= length <= most:
            return float(length)
    return None


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads(data_path(_TABLE).read_text(encoding="utf-8"))
