"""Side pieces round a core: how many, which way they go, and their solids."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.radial import TURNS, RadialMap, radial_map
from ...workpiece import Vector
from .core_prints import Plugged
from .curtains import Curtain, curtain_slab, curtains, wedge
from .pulls import MOST_SIDES, SidePulls, Surface, labelled, side_pulls

__all__ = ["Sides", "block_of", "far_mm", "planned", "side_solids", "surface_of"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
_ROW_MM = 2.0
_RIM_MM = 2.5  # nearer a trim line the casting's rim may stand out over the print
_RIGID_MM = 0.3  # what the core's prints may be held by before they are relieved


@dataclass(frozen=True, slots=True)
class Sides:
    """A plan of side pieces: pulls, curtains between them, and how far each is held.

    strain : the worst place's depth in parts of its limit; depth_mm and where : there
    """

    pulls: SidePulls
    curtains: tuple[Curtain, ...]
    strain: float
    depth_mm: float
    where: Vector

    @property
    def count(self) -> int:
        return len(self.pulls.degrees)

    @property
    def directions(self) -> list[Vector]:
        return [
            (float(np.cos(np.radians(d))), float(np.sin(np.radians(d))), 0.0)
            for d in self.pulls.degrees
        ]

    @property
    def releases(self) -> bool:
        return self.strain <= 1


def surface_of(made: Plugged, permitted_mm: float) -> Surface:
    """The outside that side pieces must come off, and what may hold them where."""
    map_ = radial_map(made.plug, made.low_mm, made.high_mm, _ROW_MM)
    rigid = _prints(made, map_)
    return Surface(map_, rigid, permitted_mm, min(_RIGID_MM, permitted_mm))


def _prints(made: Plugged, map_: RadialMap) -> Mask:
    """Where on the map a print shows, not the casting."""
    rigid = np.zeros(map_.reach.shape, dtype=bool)
    columns = np.arange(TURNS)
    for rim, up in zip(made.rims, (False, True), strict=False):
        ring = made.vertices[rim]
        row = int(np.abs(map_.z - ring[:, 2].mean()).argmin())
        away = ring[:, :2] - map_.middle[row]
        angle = np.degrees(np.arctan2(away[:, 1], away[:, 0]))
        height = np.interp(columns, *_rising(angle, ring[:, 2]), period=TURNS)
        beyond = map_.z[:, None] - height if up else height - map_.z[:, None]
        rigid |= beyond > _RIM_MM
    return rigid


def _rising(angle: Floats, height: Floats) -> tuple[Floats, Floats]:
    order = np.argsort(angle, kind="stable")
    return angle[order], height[order]


def planned(surface: Surface, count: int) -> list[Sides]:
    """Plans of rising number of sides, up to the first that releases.

    count : of side pieces; 0 tries 2, 3, ... to six
    """
    counts = range(2, MOST_SIDES + 1) if count == 0 else [count]
    plans = []
    for number in counts:
        plans.append(_plan(surface, number))
        if plans[-1].releases:
            break
    return plans


def _plan(surface: Surface, count: int) -> Sides:
    pulls = side_pulls(surface, count)
    hung = curtains(surface, pulls.degrees, labelled(surface, pulls.degrees))
    depth, strain = held_by_own(surface, pulls, hung)
    row, column = np.unravel_index(int(np.argmax(strain)), strain.shape)
    x, y, z = (float(value) for value in surface.map.points(int(row))[column])
    worst, deep = float(strain[row, column]), float(depth[row, column])
    return Sides(pulls, tuple(hung), worst, deep, (x, y, z))


def held_by_own(
    surface: Surface, pulls: SidePulls, hung: tuple[Curtain, ...] | list[Curtain]
) -> tuple[Floats, Floats]:
    """How far (r, 360) each place is held by the side piece whose wedge it lies in: in mm, and
    in parts of what it may."""
    columns = np.arange(TURNS)
    depth, strain = np.zeros_like(surface.map.reach), np.zeros_like(surface.map.reach)
    for number, degrees in enumerate(pulls.degrees):
        low, high = hung[number - 1], hung[number]
        from_low = (columns - low.degrees[:, None]) % TURNS
        within = from_low <= (high.degrees - low.degrees)[:, None] % TURNS
        depth = np.where(within, surface.depth_mm(degrees), depth)
        strain = np.where(within, surface.full_strain(degrees), strain)
    return depth, strain


def block_of(outline: shapely.Polygon, made: Plugged) -> solid.Solid:
    """The whole block, from the prints' one end to the other."""
    return solid.extrude(outline, made.low_mm, made.high_mm)


def far_mm(whole: solid.Solid, axis: Floats) -> float:
    """Farther from the axis (r, 3), level, than any place of a block.

    No farther than need be: what turns with height leans the more the farther out it goes.
    """
    low, high = np.reshape(whole.bounding_box(), (2, 3))
    corners = np.array([(x, y) for x in (low[0], high[0]) for y in (low[1], high[1])])
    return 1.02 * float(np.linalg.norm(corners[None] - axis[:, None, :2], axis=2).max())


def side_solids(
    whole: solid.Solid, made: Plugged, surface: Surface, plan: Sides, gap_mm: float = 0.0
) -> list[solid.Solid]:
    """The block less the plug, divided by the curtains: nothing lost but the gap between them,
    nothing twice."""
    # At a folded rim the core may look out of the plug by a hair: no side piece goes there.
    rest = solid.difference(solid.difference(whole, made.plug), made.core)
    far = far_mm(whole, surface.map.axis)
    found = []
    for number in range(plan.count - 1):
        cutter = wedge(surface.map.axis, plan.curtains[number - 1], plan.curtains[number], far)
        found.append(solid.intersection(rest, cutter))
        rest = solid.difference(rest, cutter)
    sides = _without_crumbs([*found, rest])
    if gap_mm == 0:
        return sides
    slabs = [curtain_slab(surface.map.axis, curtain, far, gap_mm) for curtain in plan.curtains]
    return [max(solid.components(solid.difference(side, *slabs)), key=solid.volume_mm3)
            for side in sides]  # fmt: skip


def _without_crumbs(sides: list[solid.Solid]) -> list[solid.Solid]:
    """Each side of one part; what a curtain cut off beside it goes to a neighbour."""
    wholes: list[solid.Solid] = []
    crumbs: list[tuple[int, solid.Solid]] = []
    for number, side in enumerate(sides):
        parts = solid.components(side)
        wholes.append(parts[0])
        crumbs += [(number, part) for part in parts[1:]]
    for number, crumb in crumbs:
        for other in (number - 1, (number + 1) % len(sides)):
            joined = solid.union(wholes[other], crumb)
            if len(solid.components(joined)) == 1:
                wholes[other] = joined
                break
    return wholes
