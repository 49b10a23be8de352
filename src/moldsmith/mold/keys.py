"""Tapered pegs and their sockets: what lines parts up without eyeballing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..geometry import solid

__all__ = ["PEG_TAPER_DEG", "Key", "Peg", "peg_solid", "socket_solid"]

Floats = NDArray[np.float64]
PEG_TAPER_DEG = 10.0  # per side; engages well before the faces meet (common practice)
_ROOT_MM = 1.0


class Key(Protocol):
    """What holds two parts of a cut in line, on its low and on its high side."""

    def added(self) -> list[solid.Solid]:
        """What the low part gets."""

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        """What is cut from the low part, and from the high part."""

    def probes(self) -> tuple[Floats, Floats]:
        """A point in the low part's material and one in the high part's, close to the key."""

    def described(self) -> Mapping[str, Any]:
        """The key for the stage log."""


@dataclass(frozen=True, slots=True)
class Peg:
    """A frustum that stands on a joint's plane.

    base : its middle on the plane, mm; axis : unit vector it points along;
    radius_mm : from its middle to its flats, at the plane; length_mm : how far it
    stands out; it narrows by `PEG_TAPER_DEG`; root_mm : how far it reaches back
    into its own part; sides : 48 for a cone, 4 for a square on its corner, whose
    flanks print without support when the peg lies level
    """

    base: tuple[float, float, float]
    axis: tuple[float, float, float]
    radius_mm: float
    length_mm: float
    root_mm: float = _ROOT_MM
    sides: int = 48

    @property
    def tip_radius_mm(self) -> float:
        return self.radius_mm - self.length_mm * _slope()

    def added(self) -> list[solid.Solid]:
        return [peg_solid(self)]

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        return [], [socket_solid(self, clearance_mm)]

    def probes(self) -> tuple[Floats, Floats]:
        axis, base = np.asarray(self.axis), np.asarray(self.base)
        corner = self.radius_mm / np.cos(np.pi / self.sides)
        return base - 0.5 * axis, base + 2 * axis + (corner + 1.0) * np.roll(axis, 1)

    def described(self) -> Mapping[str, Any]:
        return {
            "base": [round(value, 4) for value in self.base],
            "axis": [round(value, 4) for value in self.axis],
            "base_mm": round(2 * self.radius_mm, 3),
            "tip_mm": round(2 * self.tip_radius_mm, 3),
            "length_mm": round(self.length_mm, 3),
            "sides": self.sides,
        }


def peg_solid(peg: Peg) -> solid.Solid:
    """The peg, with its root."""
    return _cone(peg, 0.0, peg.root_mm)


def socket_solid(peg: Peg, clearance_mm: float) -> solid.Solid:
    """What to take away for the peg: every face of it stands off by the clearance.

    Flanks are measured square to themselves: on a cone the radius grows by
    clearance / cos(taper).
    """
    return _cone(peg, clearance_mm, peg.root_mm + _ROOT_MM)


def _cone(peg: Peg, clearance: float, root: float) -> solid.Solid:
    # Peg and socket are polygons of the same turn, so their flats face each other.
    axis = np.asarray(peg.axis)
    base = np.asarray(peg.base) - root * axis
    grown = clearance / np.cos(np.radians(PEG_TAPER_DEG))
    around = 1 / np.cos(np.pi / peg.sides)
    low = peg.radius_mm + root * _slope() + grown
    high = peg.radius_mm - (peg.length_mm + clearance) * _slope() + grown
    height = root + peg.length_mm + clearance
    return solid.frustum(base, axis * height, low * around, high * around, peg.sides)


def _slope() -> float:
    return float(np.tan(np.radians(PEG_TAPER_DEG)))
