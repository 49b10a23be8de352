"""Other joints than pegs: dovetails, loose dowels, bolts through the seam."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ..hardware import BoltSize, Dowel, stock_length_mm
from ..keys import ROOF_DEG, Key, roof_height_mm

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

    axis : out of the low part; open : towards the bed that the key's part is printed on,
    where keys open to the outer face; across : along the cut, square to both
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

    wide_mm : at the cut; long_mm : from the outer face inward, where its top ends. From there
    its end slopes to the cut at `ROOF_DEG`, as the groove's does, which prints as a ceiling.
    """

    place: Place
    wide_mm: float
    long_mm: float

    @property
    def top_mm(self) -> float:
        """Its greatest width."""
        return self.wide_mm + 2 * DOVETAIL_DEEP_MM * float(np.tan(np.radians(_DOVETAIL_DEG)))

    @property
    def reach_mm(self) -> float:
        """How far it goes at the cut."""
        return self.long_mm + roof_height_mm(DOVETAIL_DEEP_MM)

    def added(self) -> list[solid.Solid]:
        return [self._sloped(self._profile(_ROOT_MM), 0.0, 0.0)]

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        # Grown by the clearance square to every flank, also past the cut where it opens.
        grown = self._profile(4.0).buffer(clearance_mm, join_style="mitre", mitre_limit=10)
        return [], [self._sloped(grown, -_OVER_MM, clearance_mm)]

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

    def _sloped(self, profile: shapely.Polygon, start: float, off_mm: float) -> solid.Solid:
        """The profile drawn out from a height to its sloping end, that moved out."""
        leans = np.array([0.0, -np.cos(np.radians(ROOF_DEG)), -np.sin(np.radians(ROOF_DEG))])
        end = float(leans @ [0.0, DOVETAIL_DEEP_MM, self.long_mm]) - off_mm
        drawn = solid.extrude(profile, start, self.reach_mm + 10.0)
        return solid.moved(solid.trim_by_plane(drawn, leans, end), self.place.matrix())

    def _profile(self, root: float) -> shapely.Polygon:
        slope = float(np.tan(np.radians(_DOVETAIL_DEG)))
        foot, top = self.wide_mm / 2 - root * slope, self.top_mm / 2
        return shapely.Polygon(
            [(-foot, -root), (foot, -root), (top, DOVETAIL_DEEP_MM), (-top, DOVETAIL_DEEP_MM)]
        )


@dataclass(frozen=True, slots=True)
class DowelHole:
    """A pair of blind holes for a loose pin, half of it in each part.

    They run out beyond the pin to a roof at `ROOF_DEG`: over it where it lies level, at both
    ends where it stands upright.
    """

    place: Place
    pin: Dowel

    @property
    def length_mm(self) -> float:
        return DOWEL_LENGTHS_MM[self.pin.diameter_mm]

    def added(self) -> list[solid.Solid]:
        return []

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        deep = self.length_mm / 2 + clearance_mm
        radius = self.pin.diameter_mm / 2 + clearance_mm
        low = _bore(self.place, radius, -deep, _OVER_MM, 0.0)
        high = _bore(self.place, radius, -_OVER_MM, deep, 0.0)
        if abs(self.place.axis[2]) > 0.5:
            low = solid.union(low, self._point(radius, -deep, -1.0))
            high = solid.union(high, self._point(radius, deep, 1.0))
        return [low], [high]

    def _point(self, radius: float, end: float, way: float) -> solid.Solid:
        """The cone beyond one of the holes' ends, and a little before it."""
        tall = roof_height_mm(radius)
        reach = radius / np.cos(np.pi / _SIDES)
        axis = np.asarray(self.place.axis) * way * tall
        return solid.frustum(self.place.at(0, end, 0), axis, float(reach), 0.0, _SIDES)

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

    Both pockets open to the outer face and end in a gable at `ROOF_DEG`, which prints as a
    ceiling. inset_mm : from that face to the bolt's middle
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
        """How far the deeper pocket reaches from the outer face, its gable too."""
        return self._seat_mm(clearance_mm) + roof_height_mm(self.width_mm(clearance_mm) / 2)

    def added(self) -> list[solid.Solid]:
        return []

    def taken(self, clearance_mm: float) -> tuple[list[solid.Solid], list[solid.Solid]]:
        hole = self._hole()
        low = self._pocket(self.width_mm(clearance_mm), -self.low_reach_mm, -SEAM_FLANGE_MM,
                           self._seat_mm(clearance_mm))  # fmt: skip
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

    def _seat_mm(self, clearance_mm: float) -> float:
        return self.inset_mm + self.size.washer_mm / 2 + clearance_mm

    def _hole(self) -> solid.Solid:
        half = SEAM_FLANGE_MM + _OVER_MM
        return _bore(self.place, self.hole_mm / 2, -half, half, self.inset_mm)

    def _pocket(self, wide: float, start: float, end: float, deep: float) -> solid.Solid:
        ridge = deep + roof_height_mm(wide / 2)
        gable = [(-wide / 2, -_OVER_MM), (wide / 2, -_OVER_MM), (wide / 2, deep), (0, ridge),
                 (-wide / 2, deep)]  # fmt: skip
        ends = [(x, y, z) for y in (start, end) for x, z in gable]
        return solid.moved(solid.hull(ends), self.place.matrix())


def _bore(place: Place, radius: float, start: float, end: float, away: float) -> solid.Solid:
    """A round bore along a key's axis, that far from the opening; with a ridge if it is level."""
    turn = 2 * np.pi * np.arange(_SIDES) / _SIDES
    ring = radius / np.cos(np.pi / _SIDES) * np.column_stack([np.cos(turn), np.sin(turn)])
    if abs(place.axis[2]) < 0.5:
        ring = np.vstack([ring, [0.0, radius / np.sin(np.radians(ROOF_DEG))]])
    ring[:, 1] += away
    points = [np.insert(ring, 1, height, axis=1) for height in (start, end)]
    return solid.moved(solid.hull(np.concatenate(points)), place.matrix())


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
