"""A jacket cut into parts, its hollow full again where keys would find no room in its walls."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...workpiece import Workpiece
from ..jackets.hollowing import filled_over, is_hollow
from ..keys import Key
from .cut_planes import Cut
from .keep_outs import KeepOut
from .keying import Joint
from .separating import Separated, separate

__all__ = ["separate_filled"]

Floats = NDArray[np.float64]
_ROUND_MM = 6.0  # of full material round what is cut for a key


def separate_filled(
    piece: Workpiece,
    name: str,
    body: solid.Solid,
    cuts: list[Cut],
    clearance_mm: float,
    joint: Joint,
    opening: int,
    keep_out: Sequence[KeepOut],
) -> Separated:
    """`separate`; a jacket is filled up round the keys that it had as a solid block, where that
    gives it more of what was asked for. keep_out : what was cut into it up to now stays open"""
    plain = separate(body, cuts, clearance_mm, joint, opening)
    if not is_hollow(piece, name) or not (plain.weak or plain.changed):
        return plain
    everywhere = shapely.Polygon(piece.record("block")["figures"]["outline_plan"])
    full = _filled(piece, name, body, everywhere, keep_out)
    solid_parts = separate(full, cuts, clearance_mm, joint, opening)
    rooms = [_room(key, clearance_mm) for _, _, cut in solid_parts.joints for key in cut.keys]
    round_keys = _filled(piece, name, body, shapely.union_all(rooms), keep_out)
    again = separate(round_keys, cuts, clearance_mm, joint, opening)
    if _wanting(again) >= _wanting(plain):
        return plain
    again.filled = [tuple(np.round(room.bounds, 3).tolist()) for room in rooms]
    return again


def _filled(
    piece: Workpiece,
    name: str,
    body: solid.Solid,
    region: shapely.Geometry,
    keep_out: Sequence[KeepOut],
) -> solid.Solid:
    """The body full over a region, but for what stands in full material already."""
    full = filled_over(piece, name, body, region)
    rooms = [item.room for item in keep_out]
    return solid.union(solid.difference(full, *rooms), body) if rooms else full


def _wanting(parts: Separated) -> tuple[int, int]:
    return len(parts.changed), len(parts.weak)


def _room(key: Key, clearance_mm: float) -> shapely.Polygon:
    """The key's plan, with what is cut for it, and material round it."""
    low, high = key.taken(clearance_mm)
    boxes = np.array([body.bounding_box() for body in (*key.added(), *low, *high)])
    start, end = boxes[:, :2].min(axis=0) - _ROUND_MM, boxes[:, 3:5].max(axis=0) + _ROUND_MM
    return shapely.box(*np.round([*start, *end], 3).tolist())
