"""Keys of a cut by the kind of joint asked for: pegs, dovetails, dowels, bolts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.placing import largest_disc
from ..hardware import bolt, dowel
from ..keys import Key, roof_height_mm
from .cut_planes import TURNS, Cut, fields, key_region, turning
from .joints import (
    DOVETAIL_DEEP_MM,
    DOWEL_LENGTHS_MM,
    Dovetail,
    DowelHole,
    Place,
    SeamBolt,
)
from .pegging import LEAST_FACE_MM2, PEG_LENGTH_MM, WALL_MM, place_pegs, spread

__all__ = ["Joint", "Keying", "place_keys"]

Floats = NDArray[np.float64]
Joint = Literal["pegs", "dovetail", "dowels", "bolted"]
_Z = 2
_STEP_MM = 3.0
_TAIL_WIDTHS_MM = (24.0, 16.0, 10.0)
_LEAST_TAIL_MM = 6.0  # at its top: it is twice as long at its foot
_SIDE_MM = 4.0  # of material beside a long groove or pocket
_BOLT_SIZES = ("M5", "M4", "M3")
_MOST_SEAM_BOLTS = 4
_RIDGE = 1.25


@dataclass(slots=True)
class Keying:
    """The keys of one cut: a group for each pair of parts, and bolts beside them.

    joint : the kind that found room; least : keys that a pair needs to hold its place
    """

    joint: Joint
    groups: list[list[Key]] = field(default_factory=list)
    bolts: list[Key] = field(default_factory=list)

    @property
    def least(self) -> int:
        return 1 if self.joint == "dovetail" else 2


def place_keys(
    body: solid.Solid,
    cut: Cut,
    others: list[Cut],
    clearance_mm: float,
    joint: Joint,
    opening: int,
) -> Keying:
    """Keys of the joint asked for, or pegs where it finds no room in the whole cut.

    opening : -1 for a body whose keys may open to its flat underside, 1 for its top
    """
    if joint == "dovetail" and cut.axis != _Z:
        tails = _dovetails(body, cut, others, clearance_mm, opening)
        if any(tails):
            return Keying("dovetail", tails)
    if joint == "dowels":
        holes = _dowels(body, cut, others, clearance_mm, opening)
        if any(holes):
            return Keying("dowels", holes)
    if joint == "bolted" and cut.axis != _Z:
        bolts, taken = _seam_bolts(body, cut, others, clearance_mm, opening)
        if bolts:
            pegs = place_pegs(body, cut, others, clearance_mm, taken)
            return Keying("bolted", [list(group) for group in pegs], bolts)
    pegs = place_pegs(body, cut, others, clearance_mm)
    return Keying("pegs", [list(group) for group in pegs])


class _Side:
    """A cut seen from the outer face that keys open to: x across, y inward from that face."""

    def __init__(self, body: solid.Solid, cut: Cut, opening: int) -> None:
        self.cut = cut
        self.opening = opening
        self.turned = solid.moved(body, turning(cut.axis))
        self.upright = int(np.argmax(TURNS[cut.axis][:2, _Z]))
        box = np.reshape(body.bounding_box(), (2, 3))
        self.face = float(box[0 if opening < 0 else 1, _Z])
        self.depth = float(box[1, _Z] - box[0, _Z])

    def seen(self, region: shapely.Geometry) -> shapely.Geometry:
        """A region of the cut's plane in across and inward."""
        return shapely.transform(region, self._swap)

    def unseen(self, region: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(region, self._unswap)

    def room(self, start: float, end: float) -> shapely.Geometry:
        return self.seen(key_region(self.turned, self.cut.at, start, end))

    def place(self, across: float) -> Place:
        """The key's place at the outer face."""
        axes = TURNS[self.cut.axis]
        base = across * axes[1 - self.upright] + self.cut.at * axes[2]
        base[_Z] = self.face
        x, y, z = base.tolist()
        u, v, w = axes[2].tolist()
        a, b, c = axes[1 - self.upright].tolist()
        return Place((x, y, z), (u, v, w), (0.0, 0.0, float(self.opening)), (a, b, c))

    def _swap(self, points: Floats) -> Floats:
        inward = -self.opening * (points[:, self.upright] - self.face)
        return np.column_stack([points[:, 1 - self.upright], inward])

    def _unswap(self, points: Floats) -> Floats:
        result = np.empty_like(points)
        result[:, 1 - self.upright] = points[:, 0]
        result[:, self.upright] = self.face - self.opening * points[:, 1]
        return result


def _parted(side: _Side, others: list[Cut], clear: float) -> list[shapely.Geometry]:
    """The cut's fields between the other cuts, seen from the outer face."""
    section = solid.section(side.turned, side.cut.at)
    crossing = [other for other in others if other.axis != side.cut.axis]
    return [
        side.seen(item)
        for item in fields(section, side.cut.axis, crossing, clear)
        if section.intersection(item).area > LEAST_FACE_MM2
    ]


def _clear_depths(region: shapely.Geometry, centres: Floats, half: float, most: float) -> Floats:
    """How far in from the outer face strips about the centres are all material."""
    strips = shapely.box(centres - half, 0.05, centres + half, most)
    rest = shapely.difference(strips, region.buffer(0.02))
    nearest = shapely.bounds(rest)[:, 1]
    return np.where(shapely.is_empty(rest), most, nearest)


def _centres(region: shapely.Geometry, half: float) -> Floats:
    low, _, high, _ = region.bounds
    return np.arange(low + half, high - half + 1e-9, _STEP_MM)


def _dovetails(
    body: solid.Solid, cut: Cut, others: list[Cut], clearance: float, opening: int
) -> list[list[Key]]:
    side = _Side(body, cut, opening)
    room = side.room(-2.0, DOVETAIL_DEEP_MM + clearance + WALL_MM)
    return [
        list(_tails_in(side, room.intersection(field), clearance))
        for field in _parted(side, others, PEG_LENGTH_MM + 3)
    ]


def _tails_in(side: _Side, region: shapely.Geometry, clearance: float) -> list[Dovetail]:
    """One dovetail, and a narrower one far from it where there is room for two."""
    found: list[tuple[float, float, Dovetail]] = []
    for wide in _TAIL_WIDTHS_MM:
        tail = Dovetail(side.place(0.0), wide, 1.0)
        half = tail.top_mm / 2 + clearance + _SIDE_MM
        if region.is_empty or (centres := _centres(region, half)).size == 0:
            continue
        deep = _clear_depths(region, centres, half, side.depth)
        long = deep - (tail.reach_mm - tail.long_mm) - 1.5 * clearance - WALL_MM
        apart = np.full(len(centres), np.inf)
        for at, reach, _ in found:
            apart = np.minimum(apart, np.abs(centres - at) - reach - half)
        free = (long >= _LEAST_TAIL_MM) & (apart > WALL_MM)
        if not free.any():
            continue
        # Long first; among like ones the one farthest from the tails there are.
        worth = np.where(free, np.round(long, 0) + np.minimum(apart, 100) * bool(found), -np.inf)
        pick = int(np.argmax(worth))
        at = float(centres[pick])
        found.append((at, half, Dovetail(side.place(at), wide, float(long[pick]))))
        if len(found) == 2:
            break
    return [tail for _, _, tail in found]


def _dowels(
    body: solid.Solid, cut: Cut, others: list[Cut], clearance: float, opening: int
) -> list[list[Key]]:
    turned = solid.moved(body, turning(cut.axis))
    section = solid.section(turned, cut.at)
    crossing = [other for other in others if other.axis != cut.axis]
    longest = max(DOWEL_LENGTHS_MM.values())
    rooms = {}
    for diameter, length in DOWEL_LENGTHS_MM.items():
        point = roof_height_mm(diameter / 2 + clearance) if cut.axis == _Z else 0.0
        end = length / 2 + clearance + point + WALL_MM
        rooms[diameter] = key_region(turned, cut.at, -end, end)
    return [
        list(
            _dowels_in(
                {d: room.intersection(item) for d, room in rooms.items()}, cut, clearance, opening
            )
        )
        for item in fields(section, cut.axis, crossing, longest / 2 + 3)
        if section.intersection(item).area > LEAST_FACE_MM2
    ]


def _dowels_in(
    rooms: dict[float, shapely.Geometry], cut: Cut, clearance: float, opening: int
) -> list[DowelHole]:
    """The largest pins that find two places; the first is a size larger than the others."""
    sizes = sorted(rooms, reverse=True)
    best: list[DowelHole] = []
    axes = TURNS[cut.axis]
    u, v, w = axes[2].tolist()
    toward_bed = axes[1] if cut.axis == _Z else np.array([0.0, 0.0, float(opening)])
    o, p, q = toward_bed.tolist()
    a, b, c = np.cross(toward_bed, axes[2]).tolist()
    for large, small in zip(sizes, [*sizes[1:], sizes[-1]], strict=True):
        region = rooms[large]
        if largest_disc(region, 0.5)[1] < 0.85 * large + clearance + WALL_MM:
            continue
        holes = []
        # The ridge over a level bore stands out of it by part of the margin.
        one, other = (_RIDGE * (size / 2 + clearance) for size in (large, small))
        places = spread(region, one, other, 0.0)
        for number, (centre, _) in enumerate(places):
            x, y, z = (axes.T @ [*centre, cut.at]).tolist()
            place = Place((x, y, z), (u, v, w), (o, p, q), (a, b, c))
            holes.append(DowelHole(place, dowel(large if number == 0 else small)))
        if len(holes) > len(best):
            best = holes
        if len(best) >= 2:
            break
    return best


def _seam_bolts(
    body: solid.Solid, cut: Cut, others: list[Cut], clearance: float, opening: int
) -> tuple[list[Key], shapely.Geometry]:
    """Bolts through the cut near the outer face, and what they take of its plane."""
    side = _Side(body, cut, opening)
    bolts: list[Key] = []
    taken: list[shapely.Geometry] = []
    for size in (bolt(name) for name in _BOLT_SIZES):
        trial = SeamBolt(side.place(0.0), size, size.hole_mm["medium"])
        ends = -trial.low_reach_mm - WALL_MM, trial.high_reach_mm + WALL_MM
        room = side.room(*ends)
        half = trial.width_mm(clearance) / 2 + _SIDE_MM
        deep = trial.deep_mm(clearance) + 2 * WALL_MM
        # Pockets of crossing cuts must not meet.
        for region in (room.intersection(f) for f in _parted(side, others, -ends[0] + half)):
            if region.is_empty or (centres := _centres(region, half)).size == 0:
                continue
            centres = centres[_clear_depths(region, centres, half, deep) >= deep - 1e-6]
            for at in _far_apart(centres, 3 * half):
                bolts.append(SeamBolt(side.place(at), size, trial.hole_mm))
                taken.append(shapely.box(at - half, -1.0, at + half, deep))
        if bolts:
            break
    return bolts, side.unseen(shapely.union_all(taken))


def _far_apart(centres: Floats, apart: float) -> list[float]:
    """The outermost two, and up to two between them."""
    if len(centres) == 0:
        return []
    low, high = float(centres.min()), float(centres.max())
    if high - low < apart:
        return [low]
    count = int(np.clip(2 + (high - low) // 150, 2, _MOST_SEAM_BOLTS))
    chosen: list[float] = []
    for wanted in np.linspace(low, high, count):
        at = float(centres[int(np.argmin(np.abs(centres - wanted)))])
        if all(abs(at - other) >= apart for other in chosen):
            chosen.append(at)
    return chosen
