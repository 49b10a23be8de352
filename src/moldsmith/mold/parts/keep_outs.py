"""What a cut must not pass: keys, bores, stops, bolts and pockets, as rooms in space."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...geometry import solid
from ...geometry.visibility import grid_over, highest
from ...workpiece import Workpiece
from ..bores import Channel, bore_solid
from ..hardware import bolt
from ..keys import Peg, socket_solid
from .side_joints import block_joints, told_peg

__all__ = ["CLEAR_MM", "KeepOut", "Span", "keep_outs", "spans"]

Floats = NDArray[np.float64]
CLEAR_MM = 4.0  # of full material between a cut and what it keeps off
_ROUND_MM = 1.0  # of what is round a thing in its room: a hole's own room holds no material
_STOP_RADIUS_MM = 5.0
_SQUARE = 0.95  # cosine of the angle between a bore and a cut's axis: over it the cut divides it
_FAR_MM = 1000.0  # longer than any mold
_LEAST_MM3 = 1.0
_SIDES = 24


@dataclass(frozen=True, slots=True)
class KeepOut:
    """A thing that a cut should not pass.

    what : its name and place; room : it, with `_ROUND_MM` of what is round it; bore : the unit
    way it runs where it is a bore, which a cut square to it divides into two that meet
    """

    what: str
    room: solid.Solid
    bore: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """From where to where a thing lies in one body: low (3,), high (3,)."""

    what: str
    low: Floats
    high: Floats
    bore: tuple[float, float, float] | None = None

    def gap_mm(self, axis: int, at: float) -> float:
        """From a cut to the thing; less than 0 where the cut runs through it."""
        return _ROUND_MM + max(float(self.low[axis]) - at, at - float(self.high[axis]))

    def ends(self, axis: int) -> tuple[float, float]:
        """The nearest places for a cut that keeps off it, on both sides."""
        away = CLEAR_MM - _ROUND_MM
        return float(self.low[axis]) - away, float(self.high[axis]) + away

    def divides(self, axis: int) -> bool:
        """Whether a cut across that axis stands square to it, and it is a bore."""
        return self.bore is not None and abs(self.bore[axis]) > _SQUARE


def spans(body: solid.Solid, items: Sequence[KeepOut]) -> list[Span]:
    """What of the things lies in or at a body's material."""
    if not items:
        return []
    near = solid.intersection(body, solid.union(*(item.room for item in items)))
    found = []
    for item in items:
        part = solid.intersection(near, item.room)
        if solid.volume_mm3(part) > _LEAST_MM3:
            low, high = np.reshape(part.bounding_box(), (2, 3))
            found.append(Span(item.what, low, high, item.bore))
    return found


def keep_outs(piece: Workpiece, pegs: Iterable[Peg], clearance_mm: float) -> list[KeepOut]:
    """The things of a piece's mold. pegs : on its flange, which no stage has told of yet."""
    items = [KeepOut(_at("a key", peg.base), _socket(peg, clearance_mm)) for peg in pegs]
    for joint in block_joints(piece):
        for row in joint["pegs"]:
            room = _socket(told_peg(row), joint["clearance_mm"])
            items.append(KeepOut(_at("a key", row["base"]), room))
    for record in piece.records:
        figures = record["figures"]
        if record["stage"] == "block":
            items += _stops(piece, figures)
        if record["stage"] == "channels":
            items += _channels("sprue", figures["sprues"])
            items += _channels("vent", figures["vents"])
        if record["stage"] == "fasten":
            for row in figures["bolts"]:
                items += _bolt(row)
            for row in figures["jack_screws"]:
                items += _jack(row)
            items += [_pocket("a pry slot", row) for row in figures["pry_slots"]]
            items += [_pocket("a finger relief", row) for row in figures["finger_reliefs"]]
    return items


def _at(what: str, place: Iterable[float]) -> str:
    return f"{what} at {', '.join(f'{value:.0f}' for value in place)}"


def _socket(peg: Peg, clearance_mm: float) -> solid.Solid:
    return socket_solid(peg, clearance_mm + _ROUND_MM)


def _stops(piece: Workpiece, figures: Mapping[str, Any]) -> Iterator[KeepOut]:
    """Low posts on the core, on the ground of the cavity's flange."""
    for place in np.reshape(figures.get("stops", ()), (-1, 2)):
        cavity = piece.body("cavity")
        grid = grid_over(place - _STOP_RADIUS_MM, place + _STOP_RADIUS_MM, 1.0)
        ground = highest(cavity.vertices, cavity.faces, grid)
        ground = ground[np.isfinite(ground)]
        low, high = float(ground.min()), float(ground.max()) + figures["relief_mm"]
        room = _rod([*place, low], (0, 0, 1), 0.0, high - low, _STOP_RADIUS_MM)
        yield KeepOut(_at("a stop", [*place, low]), room)


def _channels(kind: str, rows: Sequence[Mapping[str, float]]) -> Iterator[KeepOut]:
    for row in rows:
        made = Channel(**row)
        void, outside, funnel = (
            width and width + 2 * _ROUND_MM
            for width in (made.void_mm, made.outside_mm, made.funnel_mm)
        )
        wider = replace(made, void_mm=void, outside_mm=outside, funnel_mm=funnel)
        named = _at(f"a {kind}", (made.x, made.y))
        yield KeepOut(named, bore_solid(wider), (0.0, 0.0, 1.0))


def _bolt(row: Mapping[str, Any]) -> Iterator[KeepOut]:
    """What it clamps, from its nut's pocket to its head; and the bores out from there."""
    head = row["seat_z"] + bolt(row["size"]).head_height_mm
    radius = max(row["nut_bore_mm"], row["head_bore_mm"]) / 2
    yield from _screw(row, "a bolt", row["nut_z"] - row["nut_pocket_mm"], head, radius, -_FAR_MM)


def _jack(row: Mapping[str, Any]) -> Iterator[KeepOut]:
    size = bolt(row["size"])
    radius = max(size.washer_mm, size.head_knurled_mm, row["nut_flats_mm"] * 2 / 3**0.5) / 2
    head = row["seat_z"] + size.head_height_mm
    yield from _screw(row, "a jack-screw", row["foot_z"], head, radius, row["foot_z"])


def _screw(
    row: Mapping[str, Any], what: str, low: float, high: float, radius: float, start: float
) -> Iterator[KeepOut]:
    """A screw's heights are along its axis, from a plane at its row's base."""
    place = np.array([row["x"], row["y"], row["z"]])
    u, v, w = row.get("axis", (0.0, 0.0, 1.0))
    axis = np.array([u, v, w])
    foot = place - float(axis @ (place - row.get("base", (0.0, 0.0, 0.0)))) * axis
    named = _at(what, place)
    yield KeepOut(named, _rod(foot, axis, low, high, radius))
    yield KeepOut(named, _rod(foot, axis, start, _FAR_MM, radius), (u, v, w))


def _rod(foot: ArrayLike, axis: ArrayLike, low: float, high: float, radius: float) -> solid.Solid:
    low, high, reach = low - _ROUND_MM, high + _ROUND_MM, radius + _ROUND_MM
    way = np.asarray(axis, dtype=float)
    return solid.frustum(np.asarray(foot) + low * way, (high - low) * way, reach, reach, _SIDES)


def _pocket(what: str, row: Mapping[str, Any]) -> KeepOut:
    """A pocket as the hull of its corners where it leans, else upright over its plan."""
    ends = row["low_z"], row["high_z"]
    corners = np.asarray(row.get("corners") or [(x, y, z) for z in ends for x, y in row["plan"]])
    steps = _ROUND_MM * np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    room = solid.hull((corners[:, None] + steps).reshape(-1, 3))
    return KeepOut(_at(what, corners.mean(axis=0)), room)
