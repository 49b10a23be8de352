"""Blocking out: filling what a straight pull cannot release, so that a rigid mold lets go.

Seen along the pull, the cavity may only lie under the casting's lowest place on every ray.
What of it stands higher there hangs over the casting; it becomes casting. What of a core
then hooks under the casting becomes casting too. The cut is a height field a little over
the lowest places, so that the roughness of a scan is neither an overhang nor ground off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from scipy import ndimage

from ...geometry import colours, ply, solid
from ...geometry.distance import SurfaceIndex
from ...geometry.terrain import slab
from ...geometry.visibility import Grid, grid_over, highest, lowest

__all__ = ["BlockedOut", "fill_undercuts", "filled_picture"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_OVER_MM = 0.2  # roughness that is left standing
_CAUGHT_MM = 0.3
_BESIDE_MM = 0.1  # by which the fill stands out over the pad's widest place
_SIMPLER_MM = 0.06
_CRUMB_MM3 = 1.0
_END_MM = 0.5
_SAME_MM = 0.05


@dataclass(frozen=True, slots=True)
class BlockedOut:
    """Cavity, core or lid, and pad after blocking out, and what the pad gained.

    added_mm3 : from cavity and core together; hooked_mm3 : from the core alone;
    area_mm2 : of the plan region that was filled
    """

    cavity: solid.Solid
    cover: solid.Solid
    pad: solid.Solid
    added_mm3: float
    hooked_mm3: float
    area_mm2: float


def fill_undercuts(cavity: solid.Solid, cover: solid.Solid, pad: solid.Solid) -> BlockedOut:
    """Give the pad what of the cavity hangs over it along z, and what then hooks under it.

    Cost: rays over the pad's shadow, and booleans of the three bodies.
    """
    # Made simpler within the margin: edges of a few micrometres do not outlive an STL file.
    shadow = shapely.union_all(solid.silhouette(pad)).buffer(_BESIDE_MM).simplify(_SIMPLER_MM)
    grid = _grid(shadow)
    volume = solid.volume_mm3(pad)
    floor = lowest(*_arrays(pad), grid)
    caught = highest(*_arrays(cavity), grid) > floor + _CAUGHT_MM
    cavity, pad, filled = _given(cavity, cover, pad, grid, shadow, caught, floor, upward=True)
    roof = highest(*_arrays(pad), grid)
    hooked = lowest(*_arrays(cover), grid) < roof - _CAUGHT_MM
    before = solid.volume_mm3(pad)
    cover, pad, under = _given(cover, cavity, pad, grid, shadow, hooked, roof, upward=False)
    after = solid.volume_mm3(pad)
    area = float(filled.union(under).area)
    return BlockedOut(cavity, cover, pad, after - volume, after - before, area)


def _given(
    body: solid.Solid,
    other: solid.Solid,
    pad: solid.Solid,
    grid: Grid,
    shadow: shapely.Geometry,
    caught: Mask,
    level: Floats,
    *,
    upward: bool,
) -> tuple[solid.Solid, solid.Solid, shapely.Geometry]:
    """Body and pad after the body gave what lies beyond a level where rays are caught; and where.

    other : the body across the pad, where the fill ends
    """
    there = np.isfinite(level)
    caught = ndimage.binary_opening(caught & there, np.ones((2, 2), dtype=bool))
    caught = ndimage.binary_dilation(caught, np.ones((3, 3), dtype=bool))
    region = _region(caught, grid).intersection(shadow)
    if region.is_empty:
        return body, pad, region
    # Within the mold's height, so that the other body bounds what is given on its side.
    boxes = np.array([np.reshape(each.bounding_box(), (2, 3)) for each in (body, other)])
    low, high = float(boxes[:, 0, 2].min()), float(boxes[:, 1, 2].max())
    column = solid.extrude(region, low + _END_MM, high - _END_MM)
    points, faces = _field(level, there, caught, grid, upward)
    deep = high - low + 10
    beyond = slab(points, faces, 0, deep) if upward else slab(points, faces, -deep, 0)
    taken = solid.intersection(column, beyond)
    if taken.is_empty():
        return body, pad, region
    # Through and through, not along the other body's face: faces that only nearly lie in
    # each other leave films. Splinters that hung on what was taken go with it.
    body, *loose = solid.components(solid.difference(body, taken))
    pad, *crumbs = solid.components(solid.union(pad, solid.difference(taken, other), *loose))
    kept = [crumb for crumb in crumbs if solid.volume_mm3(crumb) > _CRUMB_MM3]
    return body, solid.union(pad, *kept) if kept else pad, region


def _field(
    level: Floats, there: Mask, caught: Mask, grid: Grid, upward: bool
) -> tuple[Floats, Ints]:
    """The cut as a sheet over the caught rays: never on the near side of the level."""
    toward = 1.0 if upward else -1.0
    known = np.where(there, toward * level, -np.inf)
    cut = ndimage.grey_dilation(known, size=(3, 3))
    unknown = ~np.isfinite(cut)
    nearest = ndimage.distance_transform_edt(unknown, return_distances=False, return_indices=True)
    cut = toward * (cut[tuple(nearest)] + _OVER_MM)
    rows, columns = (np.flatnonzero(caught.any(axis=axis)) for axis in (1, 0))
    i = np.arange(max(rows[0] - 2, 0), min(rows[-1] + 3, grid.shape[0]))
    j = np.arange(max(columns[0] - 2, 0), min(columns[-1] + 3, grid.shape[1]))
    number = np.arange(len(i) * len(j)).reshape(len(i), len(j))
    flat = (i[:, None] * grid.shape[1] + j).ravel()
    points = np.column_stack([grid.places(flat), cut.ravel()[flat]])
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    return points, faces


def _region(caught: Mask, grid: Grid) -> shapely.Geometry:
    """The squares of the caught rays as a plan region, its corners rounded a little."""
    rows = np.flatnonzero(caught.ravel())
    if len(rows) == 0:
        return shapely.Polygon()
    half = 0.51 * grid.step_mm
    x, y = grid.places(rows).T
    squares = shapely.union_all(shapely.box(x - half, y - half, x + half, y + half))
    return squares.buffer(half).buffer(-half).simplify(0.05)


def _grid(shadow: shapely.Geometry) -> Grid:
    low_x, low_y, high_x, high_y = shadow.bounds
    step = float(np.clip(max(high_x - low_x, high_y - low_y) / 400, 0.5, 1.5))
    return grid_over(np.array([low_x, low_y]), np.array([high_x, high_y]), step)


def _arrays(body: solid.Solid) -> tuple[Floats, Ints]:
    mesh = solid.to_mesh(body)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


def filled_picture(pad: trimesh.Trimesh, before: trimesh.Trimesh) -> bytes:
    """The pad as PLY: what was filled coloured by how far it stands off the pad before."""
    index = SurfaceIndex(np.asarray(before.vertices), np.asarray(before.faces), 2.0)
    middles = np.asarray(pad.vertices)[np.asarray(pad.faces)].mean(axis=1)
    off = index.closest(middles).distance
    paint = colours.scale(np.where(off > _SAME_MM, off, np.nan), 0, max(float(off.max()), 1.0))
    return ply.encode(np.asarray(pad.vertices), np.asarray(pad.faces), face_colours=paint)
