"""Jackets: mold bodies at a constant wall, on ribs that stand on the bed.

Under the working face and the flange stays a wall; the rest is hollowed out in cells
between ribs, open at the bed plane and to the sides, each under a roof that prints without
support (`roofs`). Cells are halved as long as that saves filament, against a block printed
with sparse infill: where a cell would save nothing, the block stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from scipy import ndimage

from ...geometry import solid
from ...geometry.visibility import grid_over, highest
from ...workpiece import Workpiece
from ..side_pieces.jacket_rooms import hollow_room, is_round
from .roofs import Ceiling, Roof, roof_under
from .stiffness import INFILL, SKIN_MM

__all__ = [
    "Jacket",
    "as_blocks",
    "filled",
    "filled_over",
    "filled_up",
    "filled_within",
    "is_hollow",
    "jacketed",
]

Floats = NDArray[np.float64]
Box: TypeAlias = tuple[float, float, float, float]
_LEAST_CELL_MM = 15.0
_SPARE_MM = 0.05
_AT_MM = 1e-6
_ON_MM = 1e-3
_INTO_MM = 0.05  # by which a fill reaches into the wall, past all rounding
_OUT_MM = 5.0  # how far an open cell reaches past the outline
_SEARCH_MM = 2.0
_LOWERINGS = 8


@dataclass(frozen=True, slots=True)
class Jacket:
    """A hollowed body.

    cells : corners (n, 3) of each convex hollow, in the body's own frame;
    wall_mm : the least wall measured from the hollows to the working face;
    bed_mm2 : what of it stands on the bed; span_mm : the widest cell
    """

    body: solid.Solid
    cells: list[Floats]
    wall_mm: float
    bed_mm2: float
    span_mm: float


@dataclass(frozen=True, slots=True)
class _Hollow:
    """A cell's roof, and the filament it saves."""

    roof: Roof
    saved_mm3: float


def jacketed(
    body: solid.Solid,
    outline: shapely.Polygon,
    *,
    wall_mm: float,
    rib_mm: float,
    rib_spacing_mm: float,
    full: shapely.Geometry,
    upside_down: bool,
) -> Jacket:
    """Hollow a body out from its bed plane.

    Parameters
    ----------
    body : closed, with upright sides along `outline`, a rectangle, and one flat end, the bed
    wall_mm : least distance from a hollow to the working face
    rib_mm, rib_spacing_mm : thickness of ribs, and how far apart they stand at most
    full : plan region that stays solid down to the bed
    upside_down : the bed is the upper end (a core or a lid), else the lower
    """
    mesh = solid.to_mesh(body)
    low, high = mesh.bounds[:, 2]
    flip = -1.0 if upside_down else 1.0
    base = float(high if upside_down else low)
    points = np.asarray(mesh.vertices) * [1, 1, flip] - [0, 0, flip * base]
    faces = np.asarray(mesh.faces)[:, ::-1] if upside_down else np.asarray(mesh.faces)
    upright = trimesh.Trimesh(points, faces, process=False)
    ceiling = _ceiling(upright, outline, wall_mm)
    roofs = [
        hollow.roof
        for box in _boxes(outline, rib_spacing_mm)
        for hollow in _divided(ceiling, outline, box, rib_mm)
    ]
    inside = outline.buffer(-_ON_MM, join_style="mitre")
    room = solid.extrude(inside, _ON_MM, float(points[:, 2].max()) + wall_mm)
    above = solid.difference(room, solid.from_arrays(points, faces))
    cells, wall = _kept_off(roofs, above, wall_mm)
    back = np.array([1.0, 1.0, flip])
    cells = [cell * back + [0, 0, base] for cell in cells]
    if not cells:
        return Jacket(body, [], float("inf"), outline.area, 0.0)
    hollow = solid.union(*(solid.hull(cell) for cell in cells))
    if not full.is_empty:
        hollow = solid.difference(hollow, solid.extrude(full, low - 5, high + 5))
    made = solid.difference(body, hollow)
    standing = solid.section(made, base + flip * 0.02).area
    spans = [float(np.ptp(cell[:, :2], axis=0).min()) for cell in cells]
    return Jacket(made, cells, wall, float(standing), max(spans))


def filled(
    piece: Workpiece,
    name: str,
    body: solid.Solid,
    places: Sequence[tuple[float, float, float]],
) -> solid.Solid:
    """A jacket's body with full material again in columns down to its bed.

    places : x, y and radius of each column. What is drilled, keyed or bolted stands in full
    material by this; a body that is no jacket comes back as it is. The working face is left
    alone: only what `block` had hollowed out is filled.
    """
    discs = [shapely.Point(x, y).buffer(radius) for x, y, radius in places]
    return filled_over(piece, name, body, shapely.union_all(discs))


def filled_over(
    piece: Workpiece, name: str, body: solid.Solid, region: shapely.Geometry
) -> solid.Solid:
    """`filled` over a region of the plan."""
    if region.is_empty:
        return body
    if is_round(piece.figures_of("block"), name):
        _, _, low, _, _, high = body.bounding_box()
        return filled_within(piece, name, body, solid.extrude(region, low, high))
    cells = _recorded(piece, name)
    if not cells:
        return body
    # Open cells reach past the outline, the body does not.
    region = region.intersection(shapely.Polygon(piece.record("block")["figures"]["outline_plan"]))
    wanted = []
    for cell in cells:
        low_x, low_y, _ = np.min(cell, axis=0)
        high_x, high_y, _ = np.max(cell, axis=0)
        if region.intersects(shapely.box(low_x, low_y, high_x, high_y)):
            wanted.append(cell)
    if not wanted:
        return body
    _, _, low, _, _, high = body.bounding_box()
    column = solid.extrude(region, low, high)
    hollow = solid.union(*(solid.hull(_widened(cell)) for cell in wanted))
    return _with(body, solid.intersection(hollow, column))


def filled_within(piece: Workpiece, name: str, body: solid.Solid, room: solid.Solid) -> solid.Solid:
    """A side piece or its core, where it is a jacket, with full material in a room.

    Any other body comes back as it is.
    """
    figures = piece.figures_of("block")
    if not is_round(figures, name):
        return body
    _, _, low, _, _, high = body.bounding_box()
    return _with(body, solid.intersection(hollow_room(figures, name, low, high), room))


def filled_up(piece: Workpiece, name: str, body: solid.Solid) -> solid.Solid:
    """`filled` everywhere: the body as a solid block."""
    everywhere = shapely.Polygon(piece.record("block")["figures"]["outline_plan"])
    return filled_over(piece, name, body, everywhere)


def _with(body: solid.Solid, fill: solid.Solid) -> solid.Solid:
    return body if fill.is_empty() else solid.union(body, fill)


def _widened(corners: Floats) -> Floats:
    """The corners of a convex hollow grown all round, so that its fill joins the wall."""
    steps = _INTO_MM * np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    return np.asarray((corners[:, None] + steps).reshape(-1, 3))


def is_hollow(piece: Workpiece, name: str) -> bool:
    """Whether that body is a jacket."""
    return bool(_recorded(piece, name)) or is_round(piece.figures_of("block"), name)


def as_blocks(piece: Workpiece, names: Sequence[str]) -> Workpiece:
    """The piece with its jackets filled up, to find places by as in solid blocks.

    What is placed by it wants `filled` round its place afterwards.
    """
    full = {
        name: solid.printable(filled_up(piece, name, solid.from_mesh(piece.body(name))))
        for name in names
        if is_hollow(piece, name)
    }
    return piece.with_named(full) if full else piece


def _recorded(piece: Workpiece, name: str) -> list[Floats]:
    found = piece.figures_of("block").get("jacket") or {}
    return [np.asarray(cell) for cell in found.get("cells", {}).get(name, [])]


def _ceiling(upright: trimesh.Trimesh, outline: shapely.Polygon, wall_mm: float) -> Ceiling:
    """Heights a hollow may rise to: a ball of the wall's radius rolled under the face."""
    low_x, low_y, high_x, high_y = outline.bounds
    step = float(np.clip(max(high_x - low_x, high_y - low_y) / 250, 1.0, 2.0))
    grid = grid_over(np.array([low_x, low_y]), np.array([high_x, high_y]), step)
    # The lowest place that looks up, on every ray: mirrored, the highest of the same faces.
    mirrored = np.asarray(upright.vertices) * [1.0, 1.0, -1.0]
    face = -highest(mirrored, np.asarray(upright.faces), grid)
    wall = wall_mm + _SPARE_MM
    reach = int(np.ceil(wall / step))
    x, y = np.meshgrid(*(step * np.arange(-reach, reach + 1),) * 2)
    away = np.hypot(x, y)
    ball = np.sqrt(np.maximum(wall**2 - away**2, 0))
    under = ndimage.grey_erosion(
        face, footprint=away <= wall, structure=ball, mode="constant", cval=np.inf
    )
    rows = np.flatnonzero(np.isfinite(under.ravel()))
    return Ceiling(grid.places(rows), under.ravel()[rows], step**2)


def _boxes(outline: shapely.Polygon, spacing: float) -> list[Box]:
    low_x, low_y, high_x, high_y = outline.bounds
    columns = int(np.ceil((high_x - low_x) / spacing))
    rows = int(np.ceil((high_y - low_y) / spacing))
    x = np.linspace(low_x, high_x, columns + 1).tolist()
    y = np.linspace(low_y, high_y, rows + 1).tolist()
    return [(x[i], y[j], x[i + 1], y[j + 1]) for i in range(columns) for j in range(rows)]


def _divided(ceiling: Ceiling, outline: shapely.Polygon, box: Box, rib_mm: float) -> list[_Hollow]:
    """The hollows over a box: one, or those of its halves where they save more filament."""
    whole = _hollow_in(ceiling, outline, box, rib_mm)
    x0, y0, x1, y1 = box
    if max(x1 - x0, y1 - y0) < 2 * (_LEAST_CELL_MM + rib_mm):
        return [whole] if whole else []
    if x1 - x0 >= y1 - y0:
        middle = (x0 + x1) / 2
        halves = [(x0, y0, middle, y1), (middle, y0, x1, y1)]
    else:
        middle = (y0 + y1) / 2
        halves = [(x0, y0, x1, middle), (x0, middle, x1, y1)]
    parts = [hollow for half in halves for hollow in _divided(ceiling, outline, half, rib_mm)]
    if sum(part.saved_mm3 for part in parts) > (whole.saved_mm3 if whole else 0.0):
        return parts
    return [whole] if whole else []


def _hollow_in(
    ceiling: Ceiling, outline: shapely.Polygon, box: Box, rib_mm: float
) -> _Hollow | None:
    """The hollow over a box less half a rib all round, open where the box ends at the outline."""
    low, high = np.reshape(outline.bounds, (2, 2))
    box_low, box_high = np.reshape(box, (2, 2))
    start = np.where(box_low <= low + _AT_MM, low - _OUT_MM, box_low + rib_mm / 2)
    end = np.where(box_high >= high - _AT_MM, high + _OUT_MM, box_high - rib_mm / 2)
    roof = roof_under(ceiling, shapely.box(*start, *end), outline)
    if roof is None:
        return None
    saved = roof.saving_mm3(SKIN_MM, INFILL)
    return _Hollow(roof, saved) if saved > 0 else None


def _kept_off(roofs: list[Roof], above: solid.Solid, wall_mm: float) -> tuple[list[Floats], float]:
    """The corners of the hollows under the roofs, and how near the nearest comes to the face.

    Roofs are lowered until they keep the wall: exact distances between solids. `above` is
    what lies over the face.
    """
    cells: list[Floats] = []
    least = float("inf")
    for roof in roofs:
        for _ in range(_LOWERINGS):
            corners = roof.corners()
            if len(corners) < 4:
                break
            gap = solid.min_gap(solid.hull(corners), above, wall_mm + _SEARCH_MM)
            if gap >= wall_mm:
                cells.append(corners)
                least = min(least, gap)
                break
            roof = roof.lowered(wall_mm - gap + _SPARE_MM)
    return cells, least
