"""Side pieces relieved where they would drag on the core, which is rigid too."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ...geometry import solid
from ...geometry.radial import TURNS
from ...geometry.vectors import unit
from .core_prints import Plugged
from .pulls import Surface
from .wedges import Sides

__all__ = ["relieved_sides"]

Floats = NDArray[np.float64]
_REACH_MM = 150.0
_BACKED_MM = 0.05
_SPARE_DEG = 3.0
_NEAR_RIM_MM = 25.0


def relieved_sides(
    sides: list[solid.Solid], made: Plugged, surface: Surface, plan: Sides
) -> tuple[list[solid.Solid], float]:
    """Side pieces that come off the core freely, and the volume taken for it, mm³.

    Where a face of a print looks against the way its side piece goes, the side piece loses
    what would run into it: the face swept against the pull. So it does where the core lies
    close behind the casting's feathered rim, which gives way by no more than it is thick.
    """
    found, taken = [], 0.0
    corners = np.concatenate([made.print_corners, _behind_rims(made)])
    for number, side in enumerate(sides):
        direction = np.asarray(plan.directions[number])
        facing = _against(corners, direction) & _within(corners, surface, plan, number)
        if not facing.any():
            found.append(side)
            continue
        sweep = solid.union(*_swept(corners[facing], -direction))
        eased = solid.difference(side, sweep)
        taken += solid.volume_mm3(side) - solid.volume_mm3(eased)
        found.append(max(solid.components(eased), key=solid.volume_mm3))
    return found, taken


def _behind_rims(made: Plugged) -> Floats:
    """The core's triangles (k, 3, 3) near the trim lines, looking out of the core."""
    corners = made.vertices[made.back[:, ::-1]]
    tree = cKDTree(made.vertices[np.concatenate(made.rims)])
    away = tree.query(corners.mean(axis=1), distance_upper_bound=_NEAR_RIM_MM)[0]
    return np.asarray(corners[np.isfinite(away)])


def _against(corners: Floats, direction: Floats) -> NDArray[np.bool_]:
    normals = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    return np.asarray(normals @ direction < -1e-7)


def _within(corners: Floats, surface: Surface, plan: Sides, number: int) -> NDArray[np.bool_]:
    """Which faces of the core touch the wedge of a side piece."""
    map_ = surface.map
    row = np.clip(np.rint((corners[..., 2] - map_.z[0]) / map_.step_mm), 0, len(map_.z) - 1)
    row = row.astype(np.int64)
    away = corners[..., :2] - map_.middle[row]
    angle = np.degrees(np.arctan2(away[..., 1], away[..., 0]))
    low, high = (curtain.degrees[row] for curtain in
                 (plan.curtains[number - 1], plan.curtains[number]))  # fmt: skip
    span = (high - low) % TURNS + 2 * _SPARE_DEG
    return np.asarray(((angle - low + _SPARE_DEG) % TURNS <= span).any(axis=1))


def _swept(corners: Floats, way: Floats) -> list[solid.Solid]:
    """Each triangle moved along a way, as a solid; from a little behind, so that no skin stays."""
    near, far = corners - _BACKED_MM * way, corners + _REACH_MM * way
    return [solid.hull(np.concatenate(pair)) for pair in zip(near, far, strict=True)]
