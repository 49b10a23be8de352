"""Pegs of a cut: how many, how large and where, by the room that its section leaves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.placing import largest_disc, spread_discs
from ..keys import PEG_TAPER_DEG, ROOF_DEG, Peg, roof_height_mm
from .cut_planes import Cut, fields, key_region, turning

__all__ = ["LEAST_FACE_MM2", "PEG_DEPTHS_MM", "PEG_LENGTH_MM", "WALL_MM", "place_pegs", "spread"]

Floats = NDArray[np.float64]
PEG_LENGTH_MM = 8.0
PEG_DEPTHS_MM = (-2.0, 0.0, PEG_LENGTH_MM / 2, PEG_LENGTH_MM + 2.0)
WALL_MM = 1.2  # three lines of 0.4 mm round a socket
LEAST_FACE_MM2 = 20.0
_PEG_RADII_MM = (1.5, 8.0)
_PEG_AREA_MM2 = 2500.0
_MOST_PEGS = 6
_ROOF_STEP_MM = 1.0


def place_pegs(
    body: solid.Solid,
    cut: Cut,
    others: list[Cut],
    clearance_mm: float,
    taken: shapely.Geometry | None = None,
) -> list[list[Peg]]:
    """Pegs for a cut, a list for each pair of parts it will part.

    By largest inscribed circles, more on larger sections, the first of each pair
    larger: one odd peg makes the parts go together one way only. Pegs keep clear
    of the other cuts, so that none is cut through, and of what is `taken` of the plane.
    """
    turned = solid.moved(body, turning(cut.axis, cut.way))
    deep = PEG_LENGTH_MM + clearance_mm + WALL_MM
    region = key_region(turned, cut.level, PEG_DEPTHS_MM[0], deep)
    if taken is not None:
        region = region.difference(taken)
    section = solid.section(turned, cut.level)
    crossing = [other for other in others if other.axis != cut.axis]
    groups = [
        _pegs_in(region.intersection(field), cut, clearance_mm)
        for field in fields(section, cut.axis, crossing, PEG_LENGTH_MM + 3)
        if section.intersection(field).area > LEAST_FACE_MM2
    ]
    return _roofed(groups, turned, cut, others, clearance_mm)


def _roofed(
    groups: list[list[Peg]],
    turned: solid.Solid,
    cut: Cut,
    others: list[Cut],
    clearance_mm: float,
) -> list[list[Peg]]:
    """The pegs with as much of a pointed socket as there is material for, with a wall round it."""
    pegs = [peg for group in groups for peg in group]
    if not pegs:
        return groups
    highest = float(np.reshape(turned.bounding_box(), (2, 3))[1, 2])
    ahead = [cut.way * other.at for other in others if other.axis == cut.axis]
    beyond = [level for level in ahead if level > cut.level]
    # The wall, and the root of a peg that stands on the next cut.
    last = min([highest, *(level - 2 * WALL_MM for level in beyond)]) - cut.level - WALL_MM
    ends = [peg.length_mm + clearance_mm for peg in pegs]
    tall = max(roof_height_mm(peg.tip_radius_mm + clearance_mm) for peg in pegs)
    heights = np.arange(min(ends), max(ends) + tall + WALL_MM + _ROOF_STEP_MM, _ROOF_STEP_MM)
    sections = [solid.section(turned, cut.level + float(height)) for height in heights]
    room = dict(zip(heights.tolist(), sections, strict=True))
    return [
        [replace(peg, roof_mm=_roof(peg, cut.axis, room, last, clearance_mm)) for peg in group]
        for group in groups
    ]


def _roof(
    peg: Peg, axis: int, room: dict[float, shapely.Geometry], last: float, clearance_mm: float
) -> float:
    """How high the socket's roof may be: to its point, or to where the material ends."""
    reach = peg.tip_radius_mm + clearance_mm
    end, tall = peg.length_mm + clearance_mm, roof_height_mm(reach)
    spot = shapely.Point((turning(axis)[:3, :3] @ peg.base)[:2])
    corner = 1 / np.cos(np.pi / peg.sides)
    wall = WALL_MM / np.cos(np.radians(ROOF_DEG))  # lies square to the roof
    for height, section in room.items():
        left = corner * reach * (1 - (height - end) / tall) + wall
        if end < height < end + tall + WALL_MM and not section.contains(
            spot.buffer(max(left, 0.1))
        ):
            last = min(last, height - _ROOF_STEP_MM - WALL_MM)
            break
    return float(np.clip(last - end, 0.0, tall))


def _pegs_in(region: shapely.Geometry, cut: Cut, clearance_mm: float) -> list[Peg]:
    inscribed = largest_disc(region)[1]
    least, most = _PEG_RADII_MM
    back = turning(cut.axis, cut.way)[:3, :3].T
    best: list[Peg] = []
    # Where the wanted size finds one place only, smaller pegs may find two.
    for share in (0.7, 0.5, 0.35):
        large = min(share * inscribed, inscribed - WALL_MM - clearance_mm, most)
        if large < least:
            continue
        places = spread(region, large, max(0.75 * large, least), clearance_mm)
        pegs = [_peg(back, cut.axis, centre, cut.level, reach) for centre, reach in places]
        if len(pegs) > len(best):
            best = pegs
        if len(best) >= 2:
            break
    return best


def spread(
    region: shapely.Geometry, large: float, small: float, clearance: float
) -> list[tuple[Floats, float]]:
    """Places and radii: the larger peg off the region's middle, the others far from it."""
    margin = max(WALL_MM, 0.35 * large) + clearance
    odd = spread_discs(region, large + margin, 1.0, 1)
    place = odd[0] if len(odd) else largest_disc(region)[0]
    rest = region.difference(shapely.Point(place).buffer(large + margin))
    count = int(np.clip(1 + region.area // _PEG_AREA_MM2, 2, _MOST_PEGS))
    spots = spread_discs(rest, small + margin, 3 * (small + margin), count - 1)
    return [(place, large), *((spot, small) for spot in spots)]


def _peg(back: Floats, axis: int, centre: Floats, at: float, reach: float) -> Peg:
    """The peg whose corners lie `reach` from its middle: square on its corner when level."""
    sides = 48 if axis == 2 else 4
    radius = reach * float(np.cos(np.pi / sides))
    x, y, z = (back @ [*centre, at]).tolist()
    u, v, w = (back @ [0.0, 0.0, 1.0]).tolist()
    length = min(PEG_LENGTH_MM, 0.6 * radius / np.tan(np.radians(PEG_TAPER_DEG)))
    return Peg((x, y, z), (u, v, w), radius, float(length), sides=sides)
