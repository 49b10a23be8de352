"""Tapered pegs and their sockets: what lines parts up without eyeballing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..geometry import solid

__all__ = ["PEG_TAPER_DEG", "ROOF_DEG", "Key", "Peg", "peg_solid", "roof_height_mm", "socket_solid"]

Floats = NDArray[np.float64]
PEG_TAPER_DEG = 10.0  # per side; engages well before the faces meet (common practice)
# From the axis: a degree inside the 45 that print without support (common practice).
ROOF_DEG = 44.0
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
    into its own part; sides : 48 for a cone, 4 for a square, which stands on its corner
    when the peg lies level, so that its flanks print without support; roof_mm : how far
    its socket runs out beyond it to a point, as a drilled hole does, at `ROOF_DEG`: its end
    then prints without support where it is a ceiling; 0 for a flat end
    """

    base: tuple[float, float, float]
    axis: tuple[float, float, float]
    radius_mm: float
    length_mm: float
    root_mm: float = _ROOT_MM
    sides: int = 48
    roof_mm: float = 0.0

    @property
    def tip_radius_mm(self) -> float:
        return self.radius_mm - self.length_mm * _slope(PEG_TAPER_DEG)

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
            "roof_mm": round(self.roof_mm, 3),
        }


def peg_solid(peg: Peg) -> solid.Solid:
    """The peg, with its root."""
    return _lathed(peg, [_ring(peg, -peg.root_mm, 0.0), _ring(peg, peg.length_mm, 0.0)])


def socket_solid(peg: Peg, clearance_mm: float) -> solid.Solid:
    """What to take away for the peg: every face of it stands off by the clearance.

    Flanks are measured square to themselves: on a cone the radius grows by
    clearance / cos(taper). Beyond its end lies the roof.
    """
    end, reach = _ring(peg, peg.length_mm + clearance_mm, clearance_mm)
    rings = [_ring(peg, -peg.root_mm - _ROOT_MM, clearance_mm), (end, reach)]
    if peg.roof_mm > 0:
        height = min(peg.roof_mm, roof_height_mm(reach))
        rings.append((end + height, max(reach - height * _slope(ROOF_DEG), 0.0)))
    return _lathed(peg, rings)


def roof_height_mm(radius_mm: float) -> float:
    """How far a socket of that radius to its flats runs on to come to a point."""
    return radius_mm / _slope(ROOF_DEG)


def _ring(peg: Peg, height: float, off_mm: float) -> tuple[float, float]:
    """A height over the joint, and the peg's radius there with its flanks moved out."""
    grown = off_mm / np.cos(np.radians(PEG_TAPER_DEG))
    return height, float(peg.radius_mm - height * _slope(PEG_TAPER_DEG) + grown)


def _lathed(peg: Peg, rings: list[tuple[float, float]]) -> solid.Solid:
    """The convex body through polygons of these heights and radii to their flats.

    Peg and socket are polygons of the same turn, so their flats face each other; a level
    axis has a corner at the top.
    """
    axis, base = np.asarray(peg.axis), np.asarray(peg.base)
    upright = np.array([0.0, 0.0, 1.0]) if abs(axis[2]) < 0.5 else np.array([1.0, 0.0, 0.0])
    side = np.cross(axis, upright)
    side /= np.linalg.norm(side)
    angle = 2 * np.pi * np.arange(peg.sides) / peg.sides
    around = np.cos(angle)[:, None] * np.cross(side, axis) + np.sin(angle)[:, None] * side
    around /= np.cos(np.pi / peg.sides)
    return solid.hull(
        np.concatenate([base + height * axis + reach * around for height, reach in rings])
    )


def _slope(degrees: float) -> float:
    return float(np.tan(np.radians(degrees)))
