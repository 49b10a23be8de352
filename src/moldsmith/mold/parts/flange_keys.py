"""Keys between the cavity's flange and the core or lid that closes it."""

from __future__ import annotations

import numpy as np
import shapely

from ...geometry.placing import spread_discs
from ...geometry.visibility import grid_over, highest
from ...workpiece import Workpiece
from ..flange.room import obstacles, shadow_of
from ..keys import Peg
from ..sheet_lids import cut_from_sheet

__all__ = ["FLANGE_KEY_MM", "flange_pegs"]

FLANGE_KEY_MM = 10.0  # width of a flange key at its base
_ODD_KEY = 1.3  # how much larger the first is
_HEIGHT_MM = 8.0
_MARGIN_MM = 3.0
_ROOT_MM = 1.0


def flange_pegs(piece: Workpiece, cover: str, count: int, clearance_mm: float) -> list[Peg]:
    """Up to `count` upright pegs where the flange is free of pad, stops, channels and hardware.

    The first is larger than the others, so that the mold closes one way only.
    """
    figures = piece.record("block")["figures"]
    outline = shapely.Polygon(figures["outline_plan"])
    region = outline.buffer(-_MARGIN_MM).difference(shadow_of(piece).buffer(_MARGIN_MM))
    region = region.difference(obstacles(piece, _MARGIN_MM))
    radius = FLANGE_KEY_MM / 2
    odd = spread_discs(region, _ODD_KEY * radius + clearance_mm, 1.0, 1)
    if len(odd) == 0:
        return []
    rest = region.difference(shapely.Point(odd[0]).buffer(_ODD_KEY * radius + _MARGIN_MM))
    # Start from the odd one, so that the others spread away from it.
    spots = spread_discs(rest, radius + clearance_mm, 4 * radius, count - 1)
    places = [(odd[0], _ODD_KEY * radius), *((spot, radius) for spot in spots)]
    return [_peg(piece, cover, spot, size, clearance_mm) for spot, size in places]


def _peg(piece: Workpiece, cover: str, spot: np.ndarray, radius: float, clearance_mm: float) -> Peg:
    """The peg at a place, its root under the lowest and its tip over the highest flange there."""
    cavity, lid = piece.body("cavity"), piece.body(cover)
    grid = grid_over(spot - radius, spot + radius, 0.5)
    ground = highest(cavity.vertices, cavity.faces, grid)
    ground = ground[np.isfinite(ground)]
    low, high = float(ground.min()), float(ground.max())
    roof = float(lid.bounds[1, 2])
    # At least 1.2 mm (six layers) of the cover stays over the socket; a sheet is drilled through.
    over = 0.0 if cover in cut_from_sheet(piece) else clearance_mm + 1.2
    height = min(_HEIGHT_MM, roof - high - over)
    x, y = spot.tolist()
    return Peg((x, y, high), (0.0, 0.0, 1.0), radius, height, high - low + _ROOT_MM)
