"""What lines side pieces and core up and holds them: tapered keys and grooves for bands."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...workpiece import Vector
from ..keys import PEG_TAPER_DEG, Peg, peg_solid, socket_solid
from .core_prints import Plugged
from .pulls import Surface
from .wedges import Sides

__all__ = [
    "GROOVE_MM",
    "KEY_CLEARANCE_MM",
    "Joint",
    "grooved",
    "key_room",
    "keyed",
    "most_lean",
    "print_pegs",
]

Floats = NDArray[np.float64]
GROOVE_MM = (16.0, 1.5)  # width of a band and its groove's depth
KEY_CLEARANCE_MM = 0.2  # slides on a filament printer (common practice)
_RADII_MM = (2.5, 5.0)
_ODD = 1.3
_LENGTH_MM = 8.0
_MARGIN_MM = 3.0
_END_MM = 6.0
_SHARES = (0.2, 0.8)
_SIZES = (1.0, 0.7, 0.5)
_PRINT_RADIUS_MM = 4.0
_STAIR_MM = 0.3
_LEAST_ROOT_MM = 1.5
_TAPER = float(np.tan(np.radians(PEG_TAPER_DEG)))
_MOST_LEAN = 0.75


@dataclass(frozen=True, slots=True)
class Joint:
    """Keys between two bodies: pegs stand on `low`, sockets are in `high`."""

    kind: str
    low: str
    high: str
    pegs: tuple[Peg, ...]

    def figures(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "low": self.low,
            "high": self.high,
            "axis": None,
            "at_mm": None,
            "clearance_mm": KEY_CLEARANCE_MM,
            "pegs": [peg.described() for peg in self.pegs],
        }


def grooved(
    block: solid.Solid, outline: shapely.Polygon, low: float, high: float
) -> tuple[solid.Solid, list[float]]:
    """The block with two grooves round its outside for bands or straps, and their heights.

    Over a groove the outside runs out at 45 degrees, which prints unsupported; in stairs
    where the outline is not convex.
    """
    width, depth = GROOVE_MM
    heights = [low + share * (high - low) for share in (0.25, 0.75)]
    if high - low < 4 * width:
        heights = [(low + high) / 2]
    rings = []
    for height in heights:
        foot, top = height - width / 2, height + width / 2
        inner = outline.buffer(-depth, join_style="mitre")
        wide = solid.extrude(outline.buffer(1.0, join_style="mitre"), foot, top + depth)
        kept = [solid.extrude(inner, foot - 1, top), *_run_out(outline, top, depth)]
        rings.append(solid.difference(wide, *kept))
    return solid.difference(block, *rings), heights


def _run_out(outline: shapely.Polygon, top: float, depth: float) -> list[solid.Solid]:
    """What stands over a groove of that depth, wider with height at 45 degrees."""
    hull = shapely.convex_hull(outline)
    if hull.area < 1.0001 * outline.area:
        rings = [(outline.buffer(-depth, join_style="mitre"), top), (outline, top + depth)]
        corners = [np.asarray(ring.exterior.coords)[:-1] for ring, _ in rings]
        levels = [np.full(len(ring), z) for ring, (_, z) in zip(corners, rings, strict=True)]
        return [solid.hull(np.column_stack([np.concatenate(corners), np.concatenate(levels)]))]
    steps = np.arange(0.0, depth, _STAIR_MM)
    return [
        solid.extrude(outline.buffer(-(depth - step), join_style="mitre"), top + step, top + depth)
        for step in steps.tolist()
    ]


def keyed(
    sides: list[solid.Solid],
    core: solid.Solid,
    made: Plugged,
    surface: Surface,
    plan: Sides,
    outline: shapely.Polygon,
    within: solid.Solid,
) -> tuple[list[solid.Solid], solid.Solid, list[Joint]]:
    """Side pieces and core with keys across every curtain and between prints and a side.

    A key points the way the side piece goes that opens first, so that it draws with it.
    within : where keys across curtains may stand, beside plug and prints
    """
    sides = list(sides)
    joints: list[Joint] = []
    for number, first in enumerate(_openers(plan)):
        after = (number + 1) % plan.count
        later = after if first == number else number
        pegs = _curtain_pegs(made, surface, plan, outline, within, number, plan.directions[first])
        if number == 0 and pegs:
            pegs[0] = _odd(pegs[0], made, within)
        sides[later], sides[first] = _joined(sides[later], sides[first], pegs)
        joints.append(Joint("curtain", f"side-{later + 1}", f"side-{first + 1}", tuple(pegs)))
    pegs = print_pegs(made, surface, plan)
    core, sides[0] = _joined(core, sides[0], pegs)
    joints.append(Joint("print", "core", "side-1", tuple(pegs)))
    return sides, core, joints


def _openers(plan: Sides) -> list[int]:
    """Which of the two sides at each curtain opens first: the one that leaves it more squarely.

    Unless each side would then wait for the next all round: at the curtain where it
    matters least it is the other one.
    """
    leans = np.array(
        [
            [_lean(plan, number, side) for side in (number, (number + 1) % plan.count)]
            for number in range(plan.count)
        ]
    )
    second = np.round(leans[:, 1], 3) < np.round(leans[:, 0], 3)
    if plan.count > 2 and (second.all() or not second.any()):
        least = int(np.argmin(np.abs(leans[:, 1] - leans[:, 0])))
        second[least] = not second[least]
    if plan.count == 2:
        second = np.array([False, True])  # side 1 first, at both curtains
    return [(number + int(later)) % plan.count for number, later in enumerate(second)]


def _lean(plan: Sides, number: int, side: int) -> float:
    """Cosine of the least angle between a curtain and a side piece's pull, its rows' greatest."""
    turn = np.radians(plan.curtains[number].degrees)
    way = plan.directions[side]
    return float(np.abs(np.cos(turn) * way[0] + np.sin(turn) * way[1]).max())


def most_lean(plan: Sides) -> float:
    """Cosine of the least angle between a curtain and the keys across it."""
    return max(_lean(plan, number, first) for number, first in enumerate(_openers(plan)))


def _joined(
    holder: solid.Solid, other: solid.Solid, pegs: list[Peg]
) -> tuple[solid.Solid, solid.Solid]:
    if not pegs:
        return holder, other
    return (
        solid.union(holder, *(peg_solid(peg) for peg in pegs)),
        solid.difference(other, *(socket_solid(peg, KEY_CLEARANCE_MM) for peg in pegs)),
    )


def _curtain_pegs(
    made: Plugged,
    surface: Surface,
    plan: Sides,
    outline: shapely.Polygon,
    within: solid.Solid,
    number: int,
    way: Vector,
) -> list[Peg]:
    """Keys low and high on a curtain, in the middle between the pad and the outside."""
    map_ = surface.map
    degrees = plan.curtains[number].degrees
    turn = np.radians(degrees)
    ray = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    column = np.rint(degrees).astype(np.int64) % map_.reach.shape[1]
    inner = map_.reach[np.arange(len(map_.z)), column]
    outer = np.array([_to_outside(outline, m, r) for m, r in zip(map_.middle, ray, strict=True)])
    # The key leans off the curtain's normal: along the ray it takes up more.
    lean = np.einsum("ij,j->i", ray, np.asarray(way)[:2])
    room = (outer - inner - np.abs(lean) * _LENGTH_MM) / 2 - _MARGIN_MM
    low, high = made.low_mm, made.high_mm
    found = []
    for share in _SHARES:
        wanted = low + share * (high - low)
        near = (np.abs(map_.z - wanted) < 0.15 * (high - low)) & (
            np.minimum(map_.z - low, high - map_.z) > _END_MM + _RADII_MM[1]
        )
        rows = np.flatnonzero(near & (room >= _RADII_MM[0]))
        # Where there is room for the largest, as near the wanted height as can be.
        score = np.minimum(room[rows], _ODD * _RADII_MM[1]) - 0.01 * np.abs(map_.z[rows] - wanted)
        for row, size in product(rows[np.argsort(-score, kind="stable")][:3].tolist(), _SIZES):
            radius = max(size * min(float(room[row]), _RADII_MM[1]), _RADII_MM[0])
            root = _root(radius, abs(float(lean[row])))
            across = (inner[row] + outer[row] - (_LENGTH_MM - root) * lean[row]) / 2
            x, y = (map_.middle[row] + across * ray[row]).tolist()
            peg = _peg((x, y, float(map_.z[row])), way, radius, root)
            if _clear(peg, made, within):
                found.append(peg)
                break
    return found


def _root(radius: float, lean: float) -> float:
    """How far a key reaches back so that all of its foot lies in its body.

    lean : cosine of the angle between its axis and the surface it stands on. The foot
    widens backward with the key's taper.
    """
    slant = float(lean / np.sqrt(max(1 - lean * lean, 0.1)))
    return (_LEAST_ROOT_MM + radius * slant) / (1 - _TAPER * slant)


def _peg(base: Vector, way: Vector, radius: float, root: float) -> Peg:
    # Square on its corner: prints without support.
    length = min(_LENGTH_MM, 0.6 * radius / _TAPER)
    return Peg(base, way, radius * float(np.cos(np.pi / 4)), float(length), root, sides=4)


def _odd(peg: Peg, made: Plugged, within: solid.Solid) -> Peg:
    """The peg made larger, if there is room: the mold then goes together one way only."""
    larger = Peg(peg.base, peg.axis, _ODD * peg.radius_mm, peg.length_mm, _ODD * peg.root_mm,
                 peg.sides)  # fmt: skip
    return larger if _clear(larger, made, within) else peg


def _clear(peg: Peg, made: Plugged, within: solid.Solid) -> bool:
    """Whether the socket with a wall, and the root, lie clear of pad, prints and outside."""
    room = key_room(peg)
    if not solid.intersection(room, made.plug).is_empty():
        return False
    return bool(solid.difference_or_empty(room, within).is_empty())


def key_room(peg: Peg) -> solid.Solid:
    """What a key takes up with its socket, and a wall round it."""
    return socket_solid(peg, KEY_CLEARANCE_MM + _MARGIN_MM)


def _to_outside(outline: shapely.Polygon, middle: Floats, ray: Floats) -> float:
    size = float(np.hypot(*np.ptp(np.asarray(outline.exterior.coords), axis=0)))
    line = shapely.LineString([middle, middle + size * ray])
    met = shapely.intersection(line, outline.exterior)
    return float(shapely.distance(shapely.Point(middle), met))


def print_pegs(made: Plugged, surface: Surface, plan: Sides) -> list[Peg]:
    """A key on each print, where it faces the way the first side piece goes."""
    map_ = surface.map
    way = plan.directions[0]
    found = []
    for rim, up in zip(made.rims, (False, True), strict=False):
        height = made.vertices[rim, 2]
        near, far = (height.max(), made.high_mm) if up else (height.min(), made.low_mm)
        middle = float(near + far) / 2
        radius = min(_PRINT_RADIUS_MM, abs(float(far - near)) / 2 - 2.0)
        if radius < 2.0:
            continue
        row = int(np.abs(map_.z - middle).argmin())
        ring = map_.points(row)[:, :2]
        along = np.roll(ring, -3, axis=0) - np.roll(ring, 3, axis=0)
        lean = np.abs(along @ np.asarray(way)[:2]) / np.linalg.norm(along, axis=1)
        off = np.abs((np.arange(len(ring)) - plan.pulls.degrees[0] + 180) % 360 - 180)
        room = _off_curtains(plan, row) * map_.reach[row] > 2 * radius + _MARGIN_MM
        usable = room & (off < 90) & (lean < _MOST_LEAN)
        if not usable.any():
            continue
        column = int(np.argmin(np.where(usable, lean + 0.01 * off, np.inf)))
        x, y = ring[column].tolist()
        found.append(_peg((x, y, middle), way, radius, _root(radius, float(lean[column])) + 1.5))
    return found


def _off_curtains(plan: Sides, row: int) -> Floats:
    """The angle (360,) from each direction to the nearer curtain of the first side, radians."""
    columns = np.arange(360)
    gaps = [
        np.abs((columns - curtain.degrees[row] + 180) % 360 - 180)
        for curtain in (plan.curtains[-1], plan.curtains[0])
    ]
    return np.asarray(np.radians(np.minimum(*gaps)))
