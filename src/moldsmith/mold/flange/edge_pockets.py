"""Pockets in the outer edge of a mold: to pry it open, to lift it, to strap it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.placing import spread
from .room import Flange
from .shortages import Shortage, foremost

__all__ = [
    "PRY_SLOT_MM",
    "EdgePocket",
    "StrapGroove",
    "place_pockets",
    "place_straps",
    "pocket_cutter",
]

Floats = NDArray[np.float64]
Kind = Literal["pry_slot", "finger_relief"]
_STEP_MM = 6.0
_OVER_MM = 1.0
_STEEPEST = 0.3
_WALL_MM = 2.4
# Width along the edge, depth into the block, heights under and over the parting (common practice:
# a flat tool of 20 mm; two fingers).
PRY_SLOT_MM = (20.0, 8.0, 1.5, 1.5)
_SIZES = {"pry_slot": PRY_SLOT_MM, "finger_relief": (28.0, 12.0, 14.0, 0.0)}
_STRAP_DEPTH_MM = 2.0


@dataclass(frozen=True, slots=True)
class EdgePocket:
    """A pocket open to the outside: its plan (4, 2), and from where to where it is cut."""

    kind: Kind
    plan: shapely.Polygon
    x: float
    y: float
    low_z: float
    high_z: float


@dataclass(frozen=True, slots=True)
class StrapGroove:
    """A pair of upright grooves for a strap round the mold: their plan, on both sides."""

    plan: shapely.Geometry
    axis: int
    at: float
    width_mm: float
    depth_mm: float


def place_pockets(
    flange: Flange, region: shapely.Geometry, kind: Kind, count: int
) -> tuple[list[EdgePocket], Shortage | None]:
    """Up to `count` pockets on straight stretches of the outline, far from each other.

    region : plan in which a pocket may lie; it may reach up to the outline

    Beside them, what the best of the other places lacks; None where all found room.
    """
    if count == 0:
        return [], None
    width = _SIZES[kind][0]
    tried = [_pocket(flange, region, kind, *edge) for edge in _edge_places(flange.outline)]
    lack = foremost(item for item in tried if isinstance(item, Shortage))
    found = [item for item in tried if isinstance(item, EdgePocket)]
    if not found:
        return [], lack
    places = np.array([[pocket.x, pocket.y] for pocket in found])
    middle = np.asarray(flange.outline.centroid.coords[0])
    chosen = spread(places, 1.5 * width, count, middle)
    rows = [int(np.argmin(np.linalg.norm(places - spot, axis=1))) for spot in chosen]
    if len(rows) == count:
        return [found[row] for row in rows], None
    # Pockets along the edge itself keep each other off before anything else does.
    crowded = Shortage("crowded", 0.0, 0.0, (found[rows[-1]].x, found[rows[-1]].y))
    return [found[row] for row in rows], crowded


def _edge_places(outline: shapely.Geometry) -> list[tuple[Floats, Floats]]:
    """Places on the outline and the direction it runs there."""
    ring = shapely.orient_polygons(shapely.Polygon(outline.exterior)).exterior
    at = np.arange(_STEP_MM / 2, ring.length, _STEP_MM)
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(ring, at + shift))
        for shift in (-0.5, 0.0, 0.5)
    ]
    along = ends[2] - ends[0]
    along /= np.linalg.norm(along, axis=1)[:, None]
    return list(zip(ends[1], along, strict=True))


def _pocket(
    flange: Flange, region: shapely.Geometry, kind: Kind, place: Floats, along: Floats
) -> EdgePocket | Shortage:
    width, depth, under, over = _SIZES[kind]
    x, y = (place + depth / 2 * np.array([-along[1], along[0]])).tolist()
    if flange.sheet:
        under, over = under + over, 0.0  # a sheet cannot be cut half through
    inward = np.array([-along[1], along[0]])
    inner = _rectangle(place, along, inward, width, 0.1, depth)
    if not region.contains(inner):
        return Shortage("edge", 0.0, width, (x, y))
    # The outline must be straight here, or the pocket would end in a thin lip.
    outer = _rectangle(place, along, inward, width, -_OVER_MM, -0.1)
    if flange.outline.intersects(outer):
        return Shortage("bent", 0.0, width, (x, y))
    heights = flange.over(_rectangle(place, along, inward, width, 0.0, depth))
    if heights is None:
        return Shortage("edge", 0.0, width, (x, y))
    bottom, ground, seat, roof = heights
    if seat - ground > 1.0 + _STEEPEST * depth:
        return Shortage("steep", seat - ground, 1.0 + _STEEPEST * depth, (x, y))
    least = min(0.5 * _SIZES[kind][2], 6.0)
    under = min(under, ground - bottom - 2 * _WALL_MM)
    over = min(over, roof - seat - _WALL_MM)
    if under < least:
        return Shortage("thin", ground - bottom, least + 2 * _WALL_MM, (x, y), flange.lower)
    if over < 0:
        return Shortage("thin", roof - seat, _WALL_MM, (x, y), flange.upper)
    plan = _rectangle(place, along, inward, width, -_OVER_MM, depth)
    high = seat + over if kind == "pry_slot" else seat
    return EdgePocket(kind, plan, x, y, ground - under, high)


def _rectangle(
    place: Floats, along: Floats, inward: Floats, width: float, start: float, end: float
) -> shapely.Polygon:
    half = along * width / 2
    corners = [
        place + start * inward - half,
        place + start * inward + half,
        place + end * inward + half,
        place + end * inward - half,
    ]
    return shapely.Polygon(corners)


def pocket_cutter(pocket: EdgePocket) -> solid.Solid:
    """What to take away from both bodies; for a finger relief, or under a sheet, from the lower."""
    return solid.extrude(pocket.plan, pocket.low_z, pocket.high_z)


def place_straps(
    flange: Flange, taken: shapely.Geometry, void: shapely.Geometry, count: int, strap_mm: float
) -> list[StrapGroove]:
    """Up to `count` grooves across the longer side, evenly along it, off pockets and thin walls."""
    low_x, low_y, high_x, high_y = flange.outline.bounds
    axis = 0 if high_x - low_x >= high_y - low_y else 1
    low, high = ((low_x, high_x), (low_y, high_y))[axis]
    band = flange.outline.buffer(_OVER_MM, join_style="mitre").difference(
        flange.outline.buffer(-_STRAP_DEPTH_MM, join_style="mitre")
    )
    found: list[StrapGroove] = []
    for number in range(count):
        even = low + (high - low) * (number + 1) / (count + 1)
        reach = (high - low) / (2 * (count + 1)) - strap_mm / 2
        for at in even + _outward(max(reach, 0.0)):
            plan = band.intersection(_strip(flange.outline, axis, float(at), strap_mm))
            inside = plan.intersection(flange.outline)
            if inside.distance(void) < _WALL_MM or inside.intersects(taken):
                continue
            found.append(StrapGroove(plan, axis, float(at), strap_mm, _STRAP_DEPTH_MM))
            break
    return found


def _outward(reach: float) -> Floats:
    """Shifts to try: none first, then ever larger ones to both sides."""
    steps = np.arange(0.0, reach + 1e-9, _STEP_MM)
    return np.stack([steps, -steps], axis=1).ravel()[1:]


def _strip(outline: shapely.Geometry, axis: int, at: float, width: float) -> shapely.Polygon:
    low_x, low_y, high_x, high_y = outline.buffer(2 * _OVER_MM).bounds
    if axis == 0:
        return shapely.box(at - width / 2, low_y, at + width / 2, high_y)
    return shapely.box(low_x, at - width / 2, high_x, at + width / 2)
