"""Slots for a flat tool in the seams between side pieces, to pry them apart by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.placing import spread
from ...workpiece import Finding, Workpiece
from ..bores import Channel, bore_solid
from .edge_pockets import PRY_SLOT_MM

__all__ = ["SeamSlot", "seam_slots", "slot_cutter"]

Floats = NDArray[np.float64]
_LAND_MM = 4.0  # between a slot and what lies inside the side pieces, or another seam
_MARGIN_MM = 3.0  # to keys, bores and bolts
_END_MM = 6.0  # of whole seam over and under a slot
_STEP_MM = 4.0
_OVER_MM = 2.0  # a cutter's length outside the block
_SLANT = 1.0  # rise of the outside over a slot's width, at most
_WALL_MM = 2.4
_BENT_MM = 0.4  # a seam's way off the straight slot
_GROOVE_MM = 10.0  # half of a band's groove, and its run-out
_KEY_SPARE_MM = 2.0
_SIDES = 24


@dataclass(frozen=True, slots=True)
class SeamSlot:
    """A slot that both side pieces of a seam share.

    between : their names; corners (2, 4, 3) : its plan at its lower and at its upper end
    """

    between: tuple[str, str]
    corners: Floats

    @property
    def plan(self) -> shapely.Polygon:
        """Its plan half way up."""
        return shapely.Polygon(self.corners[..., :2].mean(axis=0))

    def figures(self) -> dict[str, Any]:
        x, y, _ = self.corners.mean(axis=(0, 1))
        return {
            "x": round(float(x), 4),
            "y": round(float(y), 4),
            "low_z": round(float(self.corners[0, 0, 2]), 4),
            "high_z": round(float(self.corners[1, 0, 2]), 4),
            "plan": np.round(self.corners[..., :2].mean(axis=0), 4).tolist(),
            "between": list(self.between),
            "corners": np.round(self.corners.reshape(8, 3), 4).tolist(),
        }


def slot_cutter(slot: SeamSlot) -> solid.Solid:
    """What to take away from both side pieces."""
    return solid.hull(slot.corners.reshape(8, 3))


@dataclass(frozen=True, slots=True)
class _Seam:
    """Where two side pieces meet, by height.

    between : their names; z (r,) : heights; axis (r, 2) : where the level lines of the seam
    begin; ray (r, 2) : their directions; edge (r, 2) : where they come out of the block
    """

    between: tuple[str, str]
    z: Floats
    axis: Floats
    ray: Floats
    edge: Floats

    def at(self, height: float) -> tuple[Floats, Floats]:
        """The seam's place on the outside at a height, and the way it runs out there."""
        both = np.column_stack([self.edge, self.ray])
        found = np.array([np.interp(height, self.z, column) for column in both.T])
        return found[:2], found[2:] / np.linalg.norm(found[2:])

    def plan(self, height: float, low: float, high: float, half: float) -> Floats:
        """A rectangle's corners (4, 2) from `low` to `high` along the way out, about the seam."""
        place, ray = self.at(height)
        aside = half * np.array([-ray[1], ray[0]])
        ends = place + low * ray, place + high * ray
        return np.array([ends[0] - aside, ends[1] - aside, ends[1] + aside, ends[0] + aside])

    def bent_mm(self, low: float, high: float, depth: float) -> float:
        """How far the seam lies off the straight slot half way between two heights."""
        (lower, upper), (middle, ray) = (self.at(low), self.at(high)), self.at((low + high) / 2)
        aside = np.array([-ray[1], ray[0]])
        off = [
            (lower[0] + upper[0]) / 2 - middle - deep * ((lower[1] + upper[1]) / 2 - ray)
            for deep in (0.0, depth)
        ]
        return float(np.abs(np.array(off) @ aside).max())


def seam_slots(
    piece: Workpiece, sides: Sequence[str], count: int, screws: Sequence[solid.Solid]
) -> tuple[list[SeamSlot], list[Finding]]:
    """Up to `count` slots on each seam between neighbouring side pieces, far from each other.

    screws : the solids of what stands in the flanges already. Slots keep 4 mm off the
    void, the core and other seams, 3 mm off keys, bores and screws, and off the grooves for
    bands where there is room beside them.
    """
    figures = piece.record("block")["figures"]
    seams = _seams(figures, sides)
    within = [solid.from_mesh(piece.body(name)) for name in ("pad", "core")]
    top = max(float(piece.body(name).bounds[1, 2]) for name in sides)
    heights = np.arange(_STEP_MM / 2, top, _STEP_MM)
    inside = [
        shapely.union_all([solid.section(body, float(height)) for body in within])
        for height in heights
    ]
    taken = [*_keys_and_bores(piece), *screws]
    slots: list[SeamSlot] = []
    findings: list[Finding] = []
    for seam in seams:
        others = [other for other in seams if other is not seam]
        free = _free_heights(seam, others, figures, heights, inside)
        options = [_slot(seam, float(height)) for height in free]
        clear = np.array([_clear(option, taken) for option in options], dtype=bool)
        found = _spread_out(free[clear], figures.get("grooves_mm", ()), count, top / 2)
        slots += [_slot(seam, height) for height in found]
        if len(found) < count:
            findings.append(_no_room(seam, len(found), count))
    return slots, findings


def _seams(figures: Mapping[str, Any], sides: Sequence[str]) -> list[_Seam]:
    axis = np.asarray(figures["axis"], dtype=float)
    outline = shapely.Polygon(figures["outline_plan"])
    far = float(np.hypot(*np.ptp(np.asarray(outline.exterior.coords), axis=0)))
    found = []
    for number, row in enumerate(figures["curtains_deg"]):
        turn = np.radians(np.asarray(row, dtype=float))
        ray = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        lines = shapely.linestrings(np.stack([axis[:, :2], axis[:, :2] + far * ray], axis=1))
        met, which = shapely.get_coordinates(
            shapely.intersection(lines, outline.exterior), return_index=True
        )
        out = np.zeros(len(axis))
        np.maximum.at(out, which, np.einsum("ij,ij->i", met - axis[which, :2], ray[which]))
        between = sides[number], sides[(number + 1) % len(sides)]
        edge = axis[:, :2] + out[:, None] * ray
        found.append(_Seam(between, axis[:, 2], axis[:, :2], ray, edge))
    return found


def _free_heights(
    seam: _Seam,
    others: Sequence[_Seam],
    figures: Mapping[str, Any],
    heights: Floats,
    inside: Sequence[shapely.Geometry],
) -> Floats:
    """The heights at which the middle of a slot may stand, as far as void and outside go."""
    outline = shapely.Polygon(figures["outline_plan"])
    good = np.array(
        [
            _opens(seam, float(height), outline)
            and _off_inside(seam, others, float(height), within)
            for height, within in zip(heights, inside, strict=True)
        ]
    )
    half = PRY_SLOT_MM[0] / 2
    free = []
    for height in heights.tolist():
        spans = np.abs(heights - height) <= half + _STEP_MM
        ends = seam.z[0] + half + _END_MM <= height <= seam.z[-1] - half - _END_MM
        straight = seam.bent_mm(height - half, height + half, PRY_SLOT_MM[1]) <= _BENT_MM
        if ends and straight and good[spans].all():
            free.append(height)
    return np.array(free)


def _opens(seam: _Seam, height: float, outline: shapely.Polygon) -> bool:
    """Whether a slot there comes out of the block on both sides of the seam, in full walls."""
    _, depth, thick, _ = PRY_SLOT_MM
    reach = _SLANT * thick + 0.1
    outer = shapely.Polygon(seam.plan(height, reach, _OVER_MM, thick))
    inner = shapely.Polygon(seam.plan(height, -depth, -reach - _WALL_MM, thick + _WALL_MM))
    return not outline.intersects(outer) and bool(outline.contains(inner))


def _off_inside(
    seam: _Seam, others: Sequence[_Seam], height: float, inside: shapely.Geometry
) -> bool:
    _, depth, thick, _ = PRY_SLOT_MM
    slot = shapely.Polygon(seam.plan(height, -depth, 0.0, thick))
    row = int(np.abs(seam.z - height).argmin())
    lines = [shapely.LineString([other.axis[row], other.edge[row]]) for other in others]
    gaps = [slot.distance(item) for item in (inside, *lines) if not item.is_empty]
    return bool(min(gaps) >= _LAND_MM)


def _slot(seam: _Seam, height: float) -> SeamSlot:
    width, depth, thick, _ = PRY_SLOT_MM
    ends = height - width / 2, height + width / 2
    corners = [
        np.column_stack([seam.plan(end, -depth, _OVER_MM, thick), np.full(4, end)]) for end in ends
    ]
    return SeamSlot(seam.between, np.array(corners))


def _clear(slot: SeamSlot, taken: Sequence[solid.Solid]) -> bool:
    cutter = slot_cutter(slot)
    return all(solid.min_gap(cutter, item, 2 * _MARGIN_MM) >= _MARGIN_MM for item in taken)


def _keys_and_bores(piece: Workpiece) -> list[solid.Solid]:
    """Keys with their sockets, and what `channels` drilled, as solids."""
    found = []
    for record in piece.records:
        figures = record["figures"]
        if record["stage"] == "block":
            pegs = [peg for joint in figures.get("joints", ()) for peg in joint["pegs"]]
            found = [_key(peg) for peg in pegs]
        if record["stage"] == "channels":
            rows = (*figures["sprues"], *figures["vents"])
            found += [bore_solid(Channel(**row)) for row in rows]
    return found


def _key(peg: Mapping[str, Any]) -> solid.Solid:
    axis, base = np.asarray(peg["axis"]), np.asarray(peg["base"])
    reach = peg["base_mm"] / 2 / np.cos(np.pi / peg["sides"]) + _KEY_SPARE_MM / 2
    long = peg["length_mm"] + 2 * _KEY_SPARE_MM
    return solid.frustum(base - _KEY_SPARE_MM * axis, long * axis, reach, reach, _SIDES)


def _spread_out(
    heights: Floats, grooves: Sequence[float], count: int, middle: float
) -> list[float]:
    """The heights to take: off the bands' grooves if as many find room there."""
    half = PRY_SLOT_MM[0] / 2
    off = np.min([np.abs(heights - groove) for groove in grooves] or [heights + np.inf], axis=0)
    chosen: list[float] = []
    for free in (heights[off >= half + _GROOVE_MM], heights):
        places = np.column_stack([free, np.zeros(len(free))])
        if len(chosen) < min(count, len(heights)):
            found = spread(places, 3 * half, count, np.array([middle, 0.0]))[:, 0].tolist()
            chosen = max(chosen, found, key=len)
    return sorted(chosen)


def _no_room(seam: _Seam, found: int, count: int) -> Finding:
    width, depth, _, _ = PRY_SLOT_MM
    row = len(seam.z) // 2
    x, y = seam.edge[row].tolist()
    one, other = seam.between
    return Finding(
        "no-room-for-pry-slot",
        "warning",
        f"{found} of {count} pry slots found room on the seam of {one} and {other}: each needs "
        f"{width:.0f} mm of straight seam clear of keys, bores and bolts, and a wall of "
        f"{depth + _LAND_MM:.0f} mm. Make wall_mm larger, or ask for fewer",
        one,
        (x, y, float(seam.z[row])),
    )
