"""Side pieces and core as jackets: a wall round the casting, flanges, ribs; a hollow core.

The side pieces' outside follows the plug's at the wall's distance. Along each curtain stand
flanges as deep as the block would be, for keys, bolts, slots and bands; between them upright
ribs, on whose edges bands lie. All stands on the bed and prints without support. The core is
hollowed out from below. What would save no filament stays a block.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ...errors import CannotBuild
from ...geometry import solid
from ...geometry.radial import TURNS, outermost, radial_map
from ...workpiece import Vector
from ..jackets.jacketing import JacketSizes
from ..jackets.stiffness import INFILL, SKIN_MM
from ..keys import Peg
from .core_prints import Plugged
from .curtains import Curtain, curtain_slab, flange
from .keys import key_room, most_lean, print_pegs
from .pulls import Surface
from .shell_faces import RUN, Face, inner_face, outer_face
from .wedges import Sides, far_mm

__all__ = ["Plate", "SideJackets", "outline_reach", "side_jackets"]

Floats = NDArray[np.float64]
# From a curtain to its flange's outer side: a key, its socket and a wall; more where keys lean.
_FLANGE_MM = (14.0, 20.0)
_LEANS = (0.5, 0.87)  # of three side pieces' keys, and of six's
_SPARE_MM = 0.05
_SEARCH_MM = 2.0
_TRIES = 6
_CORE_ROW_MM = 2.0
_SEGMENT_MM = 0.4
_LEAST_SAVING = 0.05  # less is not worth the stiffness it costs
_PLATE_MM = (48.0, 13.0, 2.5)  # wide, tall and thick: a name in letters 5 mm high
_PLATE_ROOT_MM = 14.0
_PLATE_SHARES = (0.3, 0.7)  # of the height
_PROUD_MM = 0.3
_NARROW_MM = 4.0  # between flange and rib, or ribs


@dataclass(frozen=True, slots=True)
class SideJackets:
    """The block cut down to a jacket, and the core hollowed out; None for what stays solid.

    body : to be divided to side pieces; outside, inside : the faces of wall and hollow;
    walls_mm : the least wall measured of side pieces and core; cells : how many hollows lie
    between flanges and ribs, all round; span_mm : the widest, along the wall; flange_mm :
    from a curtain to its flange's outer side; plates : to write on
    """

    body: solid.Solid
    core: solid.Solid
    outside: Face | None
    inside: Face | None
    walls_mm: tuple[float, float]
    cells: int
    span_mm: float
    flange_mm: float
    plates: tuple[Plate, ...]


@dataclass(frozen=True, slots=True)
class Plate:
    """A flat, upright place on a wall's outside, to write on: its middle, and the way it looks."""

    at: Vector
    normal: Vector

    @property
    def solid(self) -> solid.Solid:
        """It, and what it stands on: a slope that prints without support."""
        wide, tall, thick = _PLATE_MM
        out, up = np.asarray(self.normal), np.array([0.0, 0.0, 1.0])
        along = np.cross(up, out)
        corners = [
            np.asarray(self.at) + x * wide / 2 * along + z * tall / 2 * up - deep * out
            for x in (-1, 1)
            for z in (-1, 1)
            for deep in (0.0, thick)
        ]
        inward = -_PLATE_ROOT_MM * (out + up / RUN)
        return solid.hull(np.concatenate([corners, np.array(corners) + inward]))


def side_jackets(
    block: solid.Solid,
    core: solid.Solid,
    outline: shapely.Polygon,
    made: Plugged,
    surface: Surface,
    plan: Sides,
    sizes: JacketSizes,
) -> SideJackets:
    """Cut a block of side pieces down to a jacket and hollow its core out, where that saves.

    block : the whole of it, not yet less the plug
    """
    face, wall = _outside(block, made, surface, sizes.wall_mm)
    thick = float(np.interp(most_lean(plan), _LEANS, _FLANGE_MM))
    ribs, span = _ribs(outline, surface, plan, face, sizes, thick)
    plates = tuple(_plates(surface, plan, face, ribs, sizes.rib_mm, thick))
    axis = surface.map.axis
    far = far_mm(block, axis)
    kept = [
        face.solid,
        *(flange(axis, curtain, far, thick, RUN) for curtain in plan.curtains),
        *(curtain_slab(axis, rib, far, sizes.rib_mm) for rib in ribs),
        *(_boss(peg) for peg in print_pegs(made, surface, plan)),
        *(plate.solid for plate in plates),
    ]
    body = solid.intersection(block, solid.union(*kept))
    cells, outside = len(ribs) + plan.count, face if _worth_it(block, body) else None
    if outside is None:
        body, cells, span, plates = block, 0, 0.0, ()
    inside, core_wall = _inside(core, made, sizes.wall_mm)
    if inside is not None:
        hollowed = solid.difference(core, inside.solid)
        core, inside = (hollowed, inside) if _worth_it(core, hollowed) else (core, None)
    walls = wall, core_wall
    return SideJackets(body, core, outside, inside, walls, cells, span, thick, plates)


def _outside(
    block: solid.Solid, made: Plugged, surface: Surface, wall_mm: float
) -> tuple[Face, float]:
    """The outside of the wall, and its least distance from the plug, measured."""
    face = outer_face(surface.map, wall_mm + _SPARE_MM)
    for _ in range(_TRIES):
        hollow = solid.difference_or_empty(block, face.solid)
        if hollow.is_empty():
            break
        gap = solid.min_gap(hollow, made.plug, wall_mm + _SEARCH_MM)
        if gap >= wall_mm:
            return face, gap
        short = wall_mm - gap + _SPARE_MM
        face = face.moved_out(short, short)
    return face, wall_mm


def _inside(core: solid.Solid, made: Plugged, wall_mm: float) -> tuple[Face | None, float]:
    """The hollow of a core and its least wall, measured; None where there is no room."""
    try:
        map_ = radial_map(core, made.low_mm, made.high_mm, _CORE_ROW_MM)
    except CannotBuild:  # a section falls into parts: no one hollow
        return None, 0.0
    face = inner_face(map_, wall_mm + _SPARE_MM)
    if face is None:
        return None, 0.0
    low, high = np.reshape(core.bounding_box(), (2, 3))
    around = solid.box([*(low[:2] - 9), made.low_mm + _SPARE_MM], high + 9)
    outside = solid.difference(around, core)
    for _ in range(_TRIES):
        gap = solid.min_gap(face.solid, outside, wall_mm + _SEARCH_MM)
        if gap >= wall_mm:
            return face, gap
        face = face.moved_out(gap - wall_mm - _SPARE_MM)
    return None, 0.0


def _ribs(
    outline: shapely.Polygon,
    surface: Surface,
    plan: Sides,
    face: Face,
    sizes: JacketSizes,
    flange_mm: float,
) -> tuple[list[Curtain], float]:
    """Upright ribs between the flanges, at most so far apart on the outside; the widest cell."""
    rows = len(surface.map.z)
    middle = surface.map.middle[rows // 2]
    out = outline_reach(outline, middle)
    wall = np.interp(np.arange(TURNS), _columns(face), face.reach.max(axis=0), period=TURNS)
    ribs, widest = [], 0.0
    for number in range(plan.count):
        low, high = (float(plan.curtains[k].degrees[rows // 2]) for k in (number - 1, number))
        span = (high - low) % TURNS
        columns = np.arange(round(low), round(low + span) + 1) % TURNS
        count = max(int(np.ceil(np.radians(span) * out[columns].mean() / sizes.rib_spacing_mm)), 1)
        # No paper-thin hollow between two of them, or a flange.
        arc = np.radians(span) * float(wall[columns].min())
        count = min(count, max(int((arc - 2 * flange_mm) / (sizes.rib_mm + _NARROW_MM)), 1))
        ribs += [
            Curtain(np.full(rows, low + share * span), True)
            for share in np.linspace(0, 1, count + 1)[1:-1]
        ]
        widest = max(widest, np.radians(span) * float(wall[columns].max()) / count)
    return ribs, float(widest)


def _plates(
    surface: Surface,
    plan: Sides,
    face: Face,
    ribs: list[Curtain],
    rib_mm: float,
    flange_mm: float,
) -> Iterator[Plate]:
    """Low and high in each side piece's roomiest cell, where that is wide enough."""
    hung = np.array([wall.degrees for wall in (*plan.curtains, *ribs)])
    thick = np.array([flange_mm] * plan.count + [rib_mm / 2] * len(ribs))
    for pull in plan.pulls.degrees:
        for share in _PLATE_SHARES:
            row = int(share * (len(surface.map.z) - 1))
            away = (hung[:, row] - pull + TURNS / 2) % TURNS - TURNS / 2
            order = np.argsort(away)
            reach = float(surface.map.reach[row].mean())
            low = np.radians(away[order][:-1]) + thick[order][:-1] / reach
            high = np.radians(away[order][1:]) - thick[order][1:] / reach
            # Of cells as wide as each other the one nearest to the pull.
            cell = int(np.argmax((high - low).round(1) - 0.01 * np.abs(high + low)))
            if 2 * reach * np.sin((high - low)[cell] / 2) >= _PLATE_MM[0]:
                middle = np.radians(pull) + (low + high)[cell] / 2
                yield _plate(face, float(surface.map.z[row]), float(middle))


def _plate(face: Face, height: float, turn: float) -> Plate:
    """The plate in a direction that stands just clear of the wall."""
    wide, tall, _ = _PLATE_MM
    middle = np.array([np.interp(height, face.z, line) for line in face.middle.T])
    out = np.array([np.cos(turn), np.sin(turn)])
    rays = np.radians(_columns(face))
    rays = np.stack([np.cos(rays), np.sin(rays)], axis=1)
    rows = np.abs(face.z - height) <= tall / 2 + np.diff(face.z).max()
    places = face.middle[rows, None] - middle + face.reach[rows][:, :, None] * rays
    near = np.abs(places @ np.array([-out[1], out[0]])) <= wide / 2 + 5
    away = float((places @ out)[near].max()) + _PROUD_MM
    x, y = (middle + away * out).tolist()
    return Plate((x, y, height), (float(out[0]), float(out[1]), 0.0))


def _columns(face: Face) -> Floats:
    return np.linspace(0.0, TURNS, face.reach.shape[1], endpoint=False)


def outline_reach(outline: shapely.Polygon, middle: Floats) -> Floats:
    """How far (360,) the block's outside is from the axis."""
    ring = np.asarray(outline.exterior.segmentize(_SEGMENT_MM).coords)[:-1]
    return outermost(ring, middle)


def _boss(peg: Peg) -> solid.Solid:
    """Room for a key on a print with its socket, on a slope that prints without support."""
    room = solid.to_mesh(key_room(peg)).vertices
    long = float(np.ptp(room @ np.asarray(peg.axis)))
    inward = -long * np.asarray(peg.axis) - [0, 0, long / RUN]
    return solid.hull(np.concatenate([room, room + inward]))


def _worth_it(before: solid.Solid, after: solid.Solid) -> bool:
    """Whether a hollow saves filament to speak of."""
    return _laid_mm3(after) < (1 - _LEAST_SAVING) * _laid_mm3(before)


def _laid_mm3(body: solid.Solid) -> float:
    """Skin and infill of a print, roughly."""
    volume = solid.volume_mm3(body)
    skin = min(SKIN_MM * solid.area_mm2(body), volume)
    return skin + INFILL * (volume - skin)
