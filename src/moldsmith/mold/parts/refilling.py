"""A jacket cut into parts, its hollow full again where keys would find no room in its walls."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...workpiece import Workpiece
from ..flange.room import obstacles
from ..jackets.hollowing import filled_over, is_hollow
from ..keys import Key, Peg
from .cut_planes import Cut
from .keying import Joint
from .separating import Separated, separate

__all__ = ["left_open", "separate_filled"]

Floats = NDArray[np.float64]
_ROUND_MM = 6.0  # of full material round what is cut for a key
_SPARE_MM = 0.1  # past the corners of a bore's polygon; full material stands round it already


def left_open(piece: Workpiece, pegs: Iterable[Peg], clearance_mm: float) -> shapely.Geometry:
    """The plan of what was cut into a mold up to now, which no fill may close again."""
    spare = clearance_mm + _SPARE_MM
    sockets = [shapely.Point(peg.base[:2]).buffer(peg.radius_mm + spare) for peg in pegs]
    return shapely.union_all([obstacles(piece, _SPARE_MM), *sockets])


def separate_filled(
    piece: Workpiece,
    name: str,
    body: solid.Solid,
    cuts: list[Cut],
    clearance_mm: float,
    joint: Joint,
    opening: int,
    kept: shapely.Geometry,
) -> Separated:
    """`separate`; a jacket is filled up round the keys that it had as a solid block, where that
    gives it more of what was asked for. kept : plan that is not filled, of bores and pockets"""
    plain = separate(body, cuts, clearance_mm, joint, opening)
    if not is_hollow(piece, name) or not (plain.weak or plain.changed):
        return plain
    everywhere = shapely.Polygon(piece.record("block")["figures"]["outline_plan"])
    full = filled_over(piece, name, body, everywhere.difference(kept))
    solid_parts = separate(full, cuts, clearance_mm, joint, opening)
    rooms = [_room(key, clearance_mm) for _, _, cut in solid_parts.joints for key in cut.keys]
    round_keys = filled_over(piece, name, body, shapely.union_all(rooms).difference(kept))
    again = separate(round_keys, cuts, clearance_mm, joint, opening)
    if _wanting(again) >= _wanting(plain):
        return plain
    again.filled = [tuple(np.round(room.bounds, 3).tolist()) for room in rooms]
    return again


def _wanting(parts: Separated) -> tuple[int, int]:
    return len(parts.changed), len(parts.weak)


def _room(key: Key, clearance_mm: float) -> shapely.Polygon:
    """The key's plan, with what is cut for it, and material round it."""
    low, high = key.taken(clearance_mm)
    boxes = np.array([body.bounding_box() for body in (*key.added(), *low, *high)])
    start, end = boxes[:, :2].min(axis=0) - _ROUND_MM, boxes[:, 3:5].max(axis=0) + _ROUND_MM
    return shapely.box(*np.round([*start, *end], 3).tolist())
