"""Other joints than pegs: dovetails, loose dowels, bolts through the seam."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ..geometry import solid
from .hardware import BoltSize, Dowel, stock_length_mm
from .keys import Key

__all__ = [
    "DOVETAIL_DEEP_MM",
    "DOWEL_LENGTHS_MM",
    "SEAM_FLANGE_MM",
    "Dovetail",
    "DowelHole",
    "Place",
    "SeamBolt",
    "hardware_list",
]

Floats = NDArray[np.float64]
DOVETAIL_DEEP_MM = 6.0
_DOVETAIL_DEG = (
    15.0  # of each flank; joiners cut 1 in 6 to 1 in 8, prints take more (common practice)
)
_ROOT_MM = 1.0
_OVER_MM = 1.0
_SIDES = 48
# Four to five diameters, all among the lengths that ISO 2338 names (from memory).
DOWEL_LENGTHS_MM = {3.0: 16.0, 4.0: 20.0, 5.0: 24.0, 6.0: 30.0, 8.0: 40.0}
SEAM_FLANGE_MM = 8.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where a key stands: a point on the cut, the way to its high side, and two ways along it.

    axis : out of the low part; open : towards the outer face that the key opens to;
    across : along the cut, square to both
    """

    base: tuple[float, float, float]
    axis: tuple[float, float, float]
    open: tuple[float, float, float]
    across: tuple[float, float, float]

    def matrix(self) -> Floats:
        """From the key's own frame (x across, y along the axis, z away from the opening)."""
        matrix = np.eye(4)
        matrix[:3, 0], matrix[:3, 1] = self.across, self.axis
        matrix[:3, 2] = -np.asarray(self.open)
        if np.linalg.det(matrix[:3, :3]) < 0:
            matrix[:3, 0] *= -1  # every key is the same seen in a mirror
        matrix[:3, 3] = self.base
        return matrix

    def at(self, across: float, along: float, away: float) -> Floats:
        return np.asarray(self.matrix() @ [across, along, away, 1.0])[:3]


@dataclass(frozen=True, slots=True)
class Dovetail:
    """A ridge wider at its top, on the low part; the high part slides over it from the opening.

    wide_mm : at the cut; long_mm : from the outer face inward, where it stops
    """

    place: Place
    wide_mm: float
    long_mm: float

    @property
    def top_mm(self) -> float:
        """Its greatest width."""
        return self.wide_mm + 2 * DOVETAIL_DEEP_MM * float(np.tan(np.radians(_DOVETAIL_DEG)))

    def added(self) -> list[solid.Solid]:
        profile = self._profile(_ROOT_MM)
        return [solid.moved(solid.extrude(profile, 0.0, self.long_mm), self.place.matrix())]

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        # Grown by the clearance square to every flank, also past the cut where it opens.
        grown = self._profile(4.0).buffer(clearance_mm, join_style="mitre", mitre_limit=10)
        groove = solid.extrude(grown, -_OVER_MM, self.long_mm + clearance_mm)
        return [], [solid.moved(groove, self.place.matrix())]

    def probes(self) -> tuple[Floats, Floats]:
        middle = self.long_mm / 2
        beside = self.top_mm / 2 + 0.6
        return self.place.at(0, -0.5, middle), self.place.at(beside, 2.0, middle)

    def described(self) -> Mapping[str, Any]:
        return {
            **_described(self.place),
            "wide_mm": round(self.wide_mm, 3),
            "top_mm": round(self.top_mm, 3),
            "deep_mm": DOVETAIL_DEEP_MM,
            "long_mm": round(self.long_mm, 3),
        }

    def _profile(self, root: float) -> shapely.Polygon:
        slope = float(np.tan(np.radians(_DOVETAIL_DEG)))
        foot, top = self.wide_mm / 2 - root * slope, self.top_mm / 2
        return shapely.Polygon(
            [(-foot, -root), (foot, -root), (top, DOVETAIL_DEEP_MM), (-top, DOVETAIL_DEEP_MM)]
        )


@dataclass(frozen=True, slots=True)
class DowelHole:
    """A pair of blind holes for a loose pin, half of it in each part."""

    place: Place
    pin: Dowel

    @property
    def length_mm(self) -> float:
        return DOWEL_LENGTHS_MM[self.pin.diameter_mm]

    def added(self) -> list[solid.Solid]:
        return []

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        deep = self.length_mm / 2 + clearance_mm
        reach = (self.pin.diameter_mm / 2 + clearance_mm) / np.cos(np.pi / _SIDES)
        holes = []
        for side in (-1.0, 1.0):
            base = self.place.at(0, -side * _OVER_MM, 0)
            axis = np.asarray(self.place.axis) * side * (deep + _OVER_MM)
            holes.append(solid.frustum(base, axis, float(reach), float(reach), _SIDES))
        return [holes[0]], [holes[1]]

    def probes(self) -> tuple[Floats, Floats]:
        beside = self.pin.diameter_mm / 2 + 1.2
        return self.place.at(beside, -2.0, 0), self.place.at(beside, 2.0, 0)

    def described(self) -> Mapping[str, Any]:
        return {
            **_described(self.place),
            "base_mm": self.pin.diameter_mm,
            "diameter_mm": self.pin.diameter_mm,
            "length_mm": self.length_mm,
        }


@dataclass(frozen=True, slots=True)
class SeamBolt:
    """A bolt square to the cut: its head in a pocket of the low part, its nut in the high one's.

    Both pockets open to the outer face. inset_mm : from that face to the bolt's middle
    """

    place: Place
    size: BoltSize
    hole_mm: float

    @property
    def inset_mm(self) -> float:
        return self.size.washer_mm / 2 + 2.0

    @property
    def length_mm(self) -> float:
        size = self.size
        grip = 2 * SEAM_FLANGE_MM + size.washer_thickest_mm
        return stock_length_mm(grip + size.nut_height_mm + size.pitch_mm) or 0.0

    @property
    def low_reach_mm(self) -> float:
        """How far its pockets reach from the cut: there the bolt is put in straight."""
        return SEAM_FLANGE_MM + self.length_mm + self.size.head_height_mm + 2.0

    @property
    def high_reach_mm(self) -> float:
        # The nut, and what of the bolt stands out of it.
        beyond = self.length_mm - 2 * SEAM_FLANGE_MM - self.size.washer_thickness_mm
        return SEAM_FLANGE_MM + max(beyond, self.size.nut_height_mm) + 1.0

    def width_mm(self, clearance_mm: float) -> float:
        return self.size.washer_mm + 2 * clearance_mm

    def deep_mm(self, clearance_mm: float) -> float:
        """How far the deeper pocket reaches from the outer face."""
        return self.inset_mm + self.size.washer_mm / 2 + clearance_mm

    def added(self) -> list[solid.Solid]:
        return []

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        hole = self._hole()
        low = self._pocket(self.width_mm(clearance_mm), -self.low_reach_mm, -SEAM_FLANGE_MM,
                           self.deep_mm(clearance_mm))  # fmt: skip
        # As wide as the nut's flats, so that its walls hold it; as deep as its corners reach.
        nut_deep = self.inset_mm + self.size.nut_sharp_corners_mm / 2 + clearance_mm
        high = self._pocket(self.size.nut_flats_mm + 2 * clearance_mm, SEAM_FLANGE_MM,
                            self.high_reach_mm, nut_deep)  # fmt: skip
        return [hole, low], [hole, high]

    def probes(self) -> tuple[Floats, Floats]:
        beside = self.size.diameter_mm / 2 + 2.0
        return self.place.at(beside, -2.0, self.inset_mm), self.place.at(beside, 2.0, self.inset_mm)

    def described(self) -> Mapping[str, Any]:
        return {
            **_described(self.place),
            "size": self.size.size,
            "length_mm": self.length_mm,
            "hole_mm": self.hole_mm,
            "inset_mm": self.inset_mm,
            "flange_mm": SEAM_FLANGE_MM,
        }

    def _hole(self) -> solid.Solid:
        reach = self.hole_mm / 2 / np.cos(np.pi / _SIDES)
        length = 2 * SEAM_FLANGE_MM + 2 * _OVER_MM
        base = self.place.at(0, -length / 2, self.inset_mm)
        axis = np.asarray(self.place.axis) * length
        return solid.frustum(base, axis, float(reach), float(reach), _SIDES)

    def _pocket(self, wide: float, start: float, end: float, deep: float) -> solid.Solid:
        box = solid.box((-wide / 2, start, -_OVER_MM), (wide / 2, end, deep))
        return solid.moved(box, self.place.matrix())


def hardware_list(keys: Iterable[Key]) -> list[dict[str, Any]]:
    """Pins, screws, nuts and washers that keys need, the same things counted together."""
    counted: Counter[tuple[str, str, str]] = Counter()
    for key in keys:
        if isinstance(key, DowelHole):
            size = f"{key.pin.diameter_mm:g} m6 x {key.length_mm:g}"
            counted["parallel pin", size, "ISO 2338"] += 1
        if isinstance(key, SeamBolt):
            size = key.size.size
            counted["cap screw", f"{size} x {key.length_mm:g}", "ISO 4762"] += 1
            counted["hexagon nut", size, "ISO 4032"] += 1
            counted["washer", size, "ISO 7089"] += 1
    return [
        {"what": what, "size": size, "standard": standard, "count": count}
        for (what, size, standard), count in counted.items()
    ]


def _described(place: Place) -> dict[str, Any]:
    return {
        "base": [round(value, 4) for value in place.base],
        "axis": [round(value, 4) for value in place.axis],
        "open": [round(value, 4) for value in place.open],
    }
