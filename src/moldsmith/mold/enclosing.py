"""The solids that enclose what will be cast."""

from __future__ import annotations

from typing import Literal

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..geometry import solid, terrain
from ..geometry.placing import discs, spread_discs
from .casting import Cast
from .parting import PartingSheet

__all__ = ["STOP_RADIUS_MM", "Outer", "outline_of", "relieved", "stitched"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Outer = Literal["rectangle", "outline", "jacket"]
STOP_RADIUS_MM = 5.0
_RELIEF_BELOW_MM = 1.0
_APRON_MM = 1.0


def outline_of(cast: Cast, outer: Outer, margin: float) -> shapely.Polygon:
    """The plan outline of the block: the pad's shadow and a margin round it."""
    shadow = solid.silhouette(solid.from_mesh(cast.mesh))
    if outer != "outline":
        low_x, low_y, high_x, high_y = shadow.bounds
        return shapely.box(low_x - margin, low_y - margin, high_x + margin, high_y + margin)
    wide = shapely.union_all(shadow).buffer(margin + 20).buffer(-20).simplify(0.2)
    return shapely.Polygon(max(shapely.get_parts(wide), key=lambda part: part.area).exterior)


def stitched(
    vertices: Floats, face: Ints, loop: Ints, sheet: PartingSheet, base: float, *, up: bool
) -> solid.Solid:
    """The body bounded by a face of the cast, the parting sheet, upright sides and a flat base.

    up : the body lies under face and sheet (a cavity); else over them (a core)
    """
    offset = len(vertices)
    points = np.concatenate([vertices, sheet.points])
    number = np.arange(len(sheet.points)) + offset
    number[sheet.outer : sheet.outer + sheet.inner] = loop[::-1]
    flange = number[sheet.faces]
    rim = number[: sheet.outer]
    foot = np.arange(sheet.outer) + len(points)
    ground = sheet.points[: sheet.outer].copy()
    ground[:, 2] = base
    points = np.concatenate([points, ground])
    after, foot_after = np.roll(rim, -1), np.roll(foot, -1)
    sides = np.concatenate(
        [
            np.stack([foot, foot_after, after], axis=1),
            np.stack([foot, after, rim], axis=1),
        ]
    )
    bottom = foot[solid.triangulate([ground[:, :2]])][:, ::-1]
    rest = np.concatenate([flange, sides, bottom])
    faces = np.concatenate([face, rest if up else rest[:, ::-1]])
    used, faces = np.unique(faces, return_inverse=True)
    return solid.from_arrays(points[used], faces.reshape(-1, 3))


def relieved(
    core: solid.Solid,
    pad: trimesh.Trimesh,
    sheet: PartingSheet,
    outline: shapely.Polygon,
    land_mm: float,
    relief_mm: float,
) -> tuple[solid.Solid, Floats]:
    """The core hollowed over the flange outside the land, but for the stops; and their places."""
    shadow = solid.shadow(pad)
    region = outline.difference(shadow.buffer(land_mm))
    if relief_mm == 0 or region.is_empty:
        return core, np.empty((0, 2))
    stops = spread_discs(region, STOP_RADIUS_MM, 4 * STOP_RADIUS_MM, 6)
    # Hollow past the outline: no paper-thin skin may stand at the outer wall.
    wide = outline.buffer(_APRON_MM, join_style="mitre").difference(shadow.buffer(land_mm))
    hollow = wide.difference(discs(stops, STOP_RADIUS_MM))
    points, faces = terrain.with_apron(sheet.points, sheet.faces, sheet.outer, 2 * _APRON_MM)
    over = terrain.slab(points, faces, -_RELIEF_BELOW_MM, relief_mm)
    low, high = float(sheet.points[:, 2].min()) - 10, float(sheet.points[:, 2].max()) + 10
    prism = solid.extrude(hollow, low, high)
    return solid.difference(core, solid.intersection(over, prism)), stops
