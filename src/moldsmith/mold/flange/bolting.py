"""Bolts and jack-screws through a flange: where they stand, and what is cut for them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.placing import spread
from ..hardware import BoltSize, foot_washer, stock_length_mm
from .room import Columns, Flange

__all__ = [
    "LEVEL",
    "STEEPEST",
    "WALL_MM",
    "Bolt",
    "JackScrew",
    "bolt_cutters",
    "bolt_radius_mm",
    "jack_cutters",
    "jack_pockets_mm",
    "place_bolts",
    "place_jacks",
    "place_of",
]

Floats = NDArray[np.float64]
_SIDES = 48
_OVER_MM = 1.0
WALL_MM = 1.2  # three printed lines of 0.4 mm round a bore
STEEPEST = 0.45  # rise of the flange over the width of a bore; over it a bolt would bend
_JACK_TRAVEL_MM = 15.0
_SLACK_MM = 0.05
Rows = tuple[tuple[float, ...], ...]
LEVEL: Rows = tuple(tuple(row) for row in np.eye(4).tolist())
_ROUND = 1 / np.cos(np.pi / _SIDES)  # corners of a polygon that stands round its circle


@dataclass(frozen=True, slots=True)
class Bolt:
    """A through-bolt along z: head and washer on the upper body, nut in the lower one's pocket.

    seat_z : under the washer, on top of a sheet; nut_z : over the nut; floor_z, roof_z :
    where the bores for nut and head come out; hole_mm, *_bore_mm, pocket_flats_mm : widths
    across flats of their polygons; pocket_mm : depth of the nut's pocket; thick_mm : of the
    thinner flange;
    frame : 4 x 4, from the flange's own coordinates to the mold's
    """

    x: float
    y: float
    size: BoltSize
    seat_z: float
    nut_z: float
    parting_z: float
    floor_z: float
    roof_z: float
    hole_mm: float
    nut_bore_mm: float
    head_bore_mm: float
    pocket_flats_mm: float
    pocket_mm: float
    thick_mm: float
    frame: Rows = LEVEL

    @property
    def grip_mm(self) -> float:
        """From nut to head: both flanges, what gapes between them, and the washer."""
        return self.seat_z - self.nut_z + self.size.washer_thickness_mm

    @property
    def length_mm(self) -> float | None:
        """The stock length that goes through the nut by two threads; None if there is none."""
        least = self.grip_mm + self.size.nut_height_mm + 2 * self.size.pitch_mm
        return stock_length_mm(least, self.size)


@dataclass(frozen=True, slots=True)
class JackScrew:
    """A screw through a nut in the upper body that pushes on a washer in the lower one.

    The washer is one size smaller, or the screw's end would go through it.

    ceiling_z : over the nut; foot_z : under the washer
    """

    x: float
    y: float
    size: BoltSize
    ceiling_z: float
    seat_z: float
    foot_z: float
    parting_z: float
    roof_z: float
    hole_mm: float
    head_bore_mm: float
    washer_bore_mm: float
    pocket_flats_mm: float
    frame: Rows = LEVEL

    @property
    def length_mm(self) -> float | None:
        return stock_length_mm(self.seat_z - self.foot_z + _JACK_TRAVEL_MM, self.size)


def bolt_radius_mm(size: BoltSize, clearance_mm: float) -> float:
    """Half the width of the widest bore a bolt needs."""
    return float(max(_nut_bore(size, clearance_mm), _head_bore(size, clearance_mm)) / 2 * _ROUND)


def place_bolts(
    flange: Flange,
    region: shapely.Geometry,
    size: BoltSize,
    count: int,
    *,
    least_mm: float,
    hole_mm: float,
    clearance_mm: float,
) -> list[Bolt]:
    """Up to `count` bolts inside a free plan region, far from each other.

    least_mm : thickness of each flange under nut and washer; a sheet is as thick as it is
    """
    radius = bolt_radius_mm(size, clearance_mm)
    columns = flange.columns(radius + WALL_MM)
    under, over = columns.ground - columns.bottom, columns.roof - columns.seat
    thick = np.where(over > 0, under, -np.inf) if flange.sheet else np.minimum(under, over)
    rays = _free(flange, region, columns, radius + WALL_MM, thick >= least_mm - _SLACK_MM)
    bolts = []
    for ray in _spread_rays(flange, rays, 3 * radius, count):
        x, y = flange.grid.places(np.array([ray]))[0].tolist()
        # No deeper than the strength asks for: the rest of a thick block stays open for tools.
        seat = columns.roof[ray] if flange.sheet else columns.seat[ray] + least_mm
        flat = min(thick[ray], least_mm, seat - columns.seat[ray])
        bolts.append(
            Bolt(
                x,
                y,
                size,
                float(seat),
                float(columns.ground[ray] - least_mm),
                float(columns.ground[ray]),
                flange.floor_z,
                flange.roof_z,
                hole_mm,
                _nut_bore(size, clearance_mm),
                _head_bore(size, clearance_mm),
                size.nut_flats_mm + 2 * clearance_mm,
                size.nut_height_mm + clearance_mm,
                float(flat),
            )
        )
    return bolts


def place_jacks(
    flange: Flange,
    region: shapely.Geometry,
    size: BoltSize,
    count: int,
    *,
    least_mm: float,
    hole_mm: float,
    clearance_mm: float,
) -> list[JackScrew]:
    """Up to `count` jack-screws inside a free plan region, far from each other."""
    radius = bolt_radius_mm(size, clearance_mm)
    columns = flange.columns(radius + WALL_MM)
    foot = foot_washer(size)
    sunk, nut = jack_pockets_mm(size, clearance_mm)
    thick = np.minimum(columns.roof - columns.seat - nut, columns.ground - columns.bottom - sunk)
    rays = _free(flange, region, columns, radius + WALL_MM, thick >= least_mm - _SLACK_MM)
    jacks = []
    for ray in _spread_rays(flange, rays, 4 * radius, count):
        x, y = flange.grid.places(np.array([ray]))[0].tolist()
        ceiling = float(columns.seat[ray] + nut)
        jacks.append(
            JackScrew(
                x,
                y,
                size,
                ceiling,
                ceiling + least_mm,
                float(columns.ground[ray] - sunk),
                float(columns.ground[ray]),
                flange.roof_z,
                hole_mm,
                _head_bore(size, clearance_mm),
                foot.outer_mm + 2 * clearance_mm,
                size.nut_flats_mm + 2 * clearance_mm,
            )
        )
    return jacks


def jack_pockets_mm(size: BoltSize, clearance_mm: float) -> tuple[float, float]:
    """How deep a jack-screw's washer and nut are sunk into the lower and the upper body."""
    return foot_washer(size).thickest_mm + clearance_mm, size.nut_height_mm + clearance_mm


def bolt_cutters(bolt: Bolt) -> tuple[solid.Solid, solid.Solid]:
    """What to take away from the lower and from the upper body."""
    below = solid.union(
        _rod(bolt, bolt.hole_mm, bolt.floor_z - _OVER_MM, bolt.seat_z),
        _hexagon(bolt, bolt.pocket_flats_mm, bolt.nut_z - bolt.pocket_mm - 0.01, bolt.nut_z),
        # The bore that the nut comes through, below its pocket.
        _rod(bolt, bolt.nut_bore_mm, bolt.floor_z - _OVER_MM, bolt.nut_z - bolt.pocket_mm),
    )
    above = solid.union(
        _rod(bolt, bolt.hole_mm, bolt.parting_z - _OVER_MM, bolt.roof_z + _OVER_MM),
        _rod(bolt, bolt.head_bore_mm, bolt.seat_z, _over_roof(bolt)),
    )
    return _in_mold(bolt, below), _in_mold(bolt, above)


def jack_cutters(jack: JackScrew) -> tuple[solid.Solid, solid.Solid]:
    """What to take away from the lower and from the upper body."""
    below = _rod(jack, jack.washer_bore_mm, jack.foot_z, jack.ceiling_z)
    above = solid.union(
        _rod(jack, jack.hole_mm, jack.parting_z - _OVER_MM, jack.roof_z + _OVER_MM),
        _hexagon(jack, jack.pocket_flats_mm, jack.foot_z - _OVER_MM, jack.ceiling_z),
        _rod(jack, jack.head_bore_mm, jack.seat_z, _over_roof(jack)),
    )
    return _in_mold(jack, below), _in_mold(jack, above)


def place_of(item: Bolt | JackScrew) -> tuple[Floats, Floats]:
    """Where a screw crosses the parting, and the way its head looks, in the mold's coordinates."""
    frame = np.asarray(item.frame)
    return (frame @ [item.x, item.y, item.parting_z, 1.0])[:3], frame[:3, 2]


def _in_mold(item: Bolt | JackScrew, cutter: solid.Solid) -> solid.Solid:
    return cutter if item.frame == LEVEL else solid.moved(cutter, np.asarray(item.frame))


def _over_roof(item: Bolt | JackScrew) -> float:
    """Where the bore for a head ends: over the top, also where the seat lies on it."""
    return max(item.roof_z, item.seat_z) + _OVER_MM


def _free(
    flange: Flange,
    region: shapely.Geometry,
    columns: Columns,
    radius: float,
    thick: NDArray[np.bool_],
) -> NDArray[np.int64]:
    rays = flange.rays_in(region.buffer(-radius))
    level = columns.slope[rays] <= 2 * radius * STEEPEST
    return rays[level & thick[rays]]


def _spread_rays(flange: Flange, rays: NDArray[np.int64], apart: float, count: int) -> list[int]:
    if len(rays) == 0 or count == 0:
        return []
    places = flange.grid.places(rays)
    middle = np.asarray(flange.outline.centroid.coords[0])
    chosen = spread(places, apart, count, middle)
    return [int(rays[np.argmin(np.linalg.norm(places - spot, axis=1))]) for spot in chosen]


def _nut_bore(size: BoltSize, clearance: float) -> float:
    """Wide enough for the nut's corners, and for its pocket's."""
    return float((size.nut_flats_mm + 2 * clearance) * 2 / np.sqrt(3) + clearance)


def _head_bore(size: BoltSize, clearance: float) -> float:
    return max(size.washer_mm, size.head_knurled_mm) + 2 * clearance


def _rod(item: Bolt | JackScrew, width: float, low: float, high: float) -> solid.Solid:
    """A round bore; its polygon stands round the circle, so that it is never too tight."""
    reach = width / 2 * _ROUND
    return solid.frustum((item.x, item.y, low), (0, 0, high - low), reach, reach, _SIDES)


def _hexagon(item: Bolt | JackScrew, flats: float, low: float, high: float) -> solid.Solid:
    reach = flats / np.sqrt(3)  # sharp corners: a nut's are rounded and go in
    return solid.frustum((item.x, item.y, low), (0, 0, high - low), reach, reach, 6)
