"""Where a mold opens: pull direction, parting surface, what hinders the opening."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from scipy import ndimage

from ..errors import CannotBuild
from ..geometry.terrain import outline_points, run_out, triangulated
from ..geometry.topology import half_edges
from ..geometry.visibility import grid_over, highest, highest_on_line, lowest, lowest_on_line
from .release.throats import held_back

__all__ = [
    "Hindrance",
    "PartingSheet",
    "eased_trim",
    "hindrance",
    "parting_sheet",
    "trim_plan",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_SHEET_EDGE_MM = 6.0
_EASINGS = 60
_MOST_EASED_MM = 1.5
_CONTACT_MM = 0.02


@dataclass(frozen=True, slots=True)
class PartingSheet:
    """The surface on which flanges meet, from trim line to outline, faces looking up.

    points (n, 3), faces (m, 3).
    The first `outer` points are the outline's, the next `inner` the trim line's.
    """

    points: Floats
    faces: Ints
    outer: int
    inner: int


@dataclass(frozen=True, slots=True)
class Hindrance:
    """What stands in the way of a straight pull: plan area, how far it reaches in, and where.

    depth_mm : how far the mover would have to give way there to come past; stretch_percent :
    by how much in all, of the width through which it leaves
    """

    area_mm2: float
    depth_mm: float
    stretch_percent: float
    where: tuple[float, float, float]


def trim_plan(loop: Floats) -> shapely.Polygon:
    """The trim line (n, 3) seen along the pull, z; `CannotBuild` where it crosses itself."""
    plan = shapely.Polygon(loop[:, :2])
    if plan.is_valid and plan.area > 0:
        return plan
    reason = shapely.is_valid_reason(plan)
    raise CannotBuild(
        f"seen along the pull the trim line crosses itself ({reason}, mold mm)",
        "Crop less far round the body, or give block another pull direction",
    )


def eased_trim(vertices: Floats, faces: Ints, loop: Ints) -> Floats:
    """The pad's vertices with the trim line smoothed until it crosses itself no more along z.

    Where the trim line runs along the pull its points stand over each other, and
    the roughness of a scan makes them cross there. The line is smoothed a little at
    a time and its neighbourhood goes along. `CannotBuild` where 1.5 mm do not help.
    """
    ring = vertices[loop].copy()
    for _ in range(_EASINGS):
        if shapely.Polygon(ring[:, :2]).is_valid:
            return _carried(vertices, faces, loop, ring - vertices[loop])
        ring += 0.25 * (np.roll(ring, 1, axis=0) + np.roll(ring, -1, axis=0) - 2 * ring)
        if np.abs(ring - vertices[loop]).max() > _MOST_EASED_MM:
            break
    trim_plan(vertices[loop])
    return vertices


def _carried(vertices: Floats, faces: Ints, loop: Ints, shift: Floats) -> Floats:
    """Vertices with the loop shifted, and three rings of neighbours going along less and less."""
    if not shift.any():
        return vertices
    moved = np.zeros_like(vertices)
    moved[loop] = shift
    reached = np.zeros(len(vertices))
    reached[loop] = 1
    edges = half_edges(faces)
    for share in (0.75, 0.5, 0.25):
        free = (reached[edges[:, 1]] == 0) & (reached[edges[:, 0]] > 0)
        tail, head = edges[free].T
        count = np.bincount(head, minlength=len(vertices))
        new = count > 0
        for axis in range(3):
            total = np.bincount(head, moved[tail, axis] / reached[tail], minlength=len(vertices))
            moved[new, axis] = share * total[new] / count[new]
        reached[new] = share
    return vertices + moved


def parting_sheet(loop: Floats, outline: shapely.Polygon, height_mm: float | None) -> PartingSheet:
    """The parting surface from a trim line (n, 3), anticlockwise in plan, to the outline.

    height_mm : makes it flat at that height (the trim line's own heights then do not count)
    """
    outer = outline_points(outline, _SHEET_EDGE_MM)
    plan, faces = triangulated(outer, loop[::-1, :2], _SHEET_EDGE_MM)
    if height_mm is None:
        height = run_out(plan, loop)
        height[len(outer) : len(outer) + len(loop)] = loop[::-1, 2]
    else:
        height = np.full(len(plan), height_mm)
    return PartingSheet(np.column_stack([plan, height]), faces, len(outer), len(loop))


def hindrance(mover: trimesh.Trimesh, fixed: trimesh.Trimesh, step_mm: float = 1.0) -> Hindrance:
    """Where a straight pull along +z would drive `mover` into `fixed`.

    On every vertical ray the mover's lowest point must not lie under the
    other's highest. The depth is how far what is hindered lies from where it may pass,
    seen along the pull; contact within 0.02 mm does not count.
    """
    low = np.minimum(mover.bounds[0, :2], fixed.bounds[0, :2])
    high = np.maximum(mover.bounds[1, :2], fixed.bounds[1, :2])
    grid = grid_over(low, high, step_mm)
    bottom = lowest(mover.vertices, mover.faces, grid)
    top = highest(fixed.vertices, fixed.faces, grid)
    met = np.isfinite(bottom) & np.isfinite(top) & (bottom < top - _CONTACT_MM)
    # One lone ray between two free ones is a wall met end-on, not an undercut.
    caught = ndimage.binary_opening(met, np.ones((2, 2), dtype=bool))
    if not caught.any():
        return Hindrance(0.0, 0.0, 0.0, (0.0, 0.0, 0.0))

    def look(start: Floats, way: Floats, along: Floats) -> tuple[Floats, Floats]:
        under = lowest_on_line(mover.vertices, mover.faces, start, way, along)
        over = highest_on_line(fixed.vertices, fixed.faces, start, way, along)
        return under, np.where(under < over - _CONTACT_MM, over, np.inf)

    back = held_back(caught, np.where(met & ~caught, np.inf, bottom), top, grid, look)
    if back.depth_mm == 0:
        return Hindrance(0.0, 0.0, 0.0, (0.0, 0.0, 0.0))
    x, y = grid.places(np.array([back.ray]))[0].tolist()
    z = float(bottom.ravel()[back.ray])
    area = float(caught.sum() * step_mm**2)
    return Hindrance(area, back.depth_mm, back.stretch_percent, (x, y, z))
