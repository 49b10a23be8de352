"""Blocking out: filling what a straight pull cannot release, so that a rigid mold lets go.

Seen along the pull, the cavity may only lie under the casting's lowest place on every ray.
What of it stands higher there hangs over the casting; it becomes casting. What of a core
then hooks under the casting becomes casting too. Hooks are found by the faces that look
back along the pull, so that the fill ends where they do; it is cut at the lowest places.
Hooks as narrow as the roughness of a scan are left standing.
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
_ROUGH_MM = 0.2  # hooks nowhere twice as wide are roughness, and left standing
_TAIL_MM = 2.0  # of a wider hook goes with it
_OVER_MM = 0.01
_SPECK_MM2 = 1e-6
_PLAN_GRID_MM = 1e-4
_STEEP = 3.0  # a pad that rises more from ray to ray jumps there
_AROUND_MM = 2.0
_BESIDE_MM = 0.05  # by which the fill stands out over the pad's widest place
_SIMPLER_MM = 0.03
_CRUMB_MM3 = 1.0
_END_MM = 0.5
_SAME_MM = 0.05
_PICTURE_MM = 1.5


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
    volume = solid.volume_mm3(pad)
    cavity, pad, filled = _given(cavity, cover, pad, shadow, upward=True)
    before = solid.volume_mm3(pad)
    cover, pad, under = _given(cover, cavity, pad, shadow, upward=False)
    after = solid.volume_mm3(pad)
    area = float(filled.union(under).area)
    return BlockedOut(cavity, cover, pad, after - volume, after - before, area)


def _given(
    body: solid.Solid,
    other: solid.Solid,
    pad: solid.Solid,
    shadow: shapely.Geometry,
    *,
    upward: bool,
) -> tuple[solid.Solid, solid.Solid, shapely.Geometry]:
    """Body and pad after the body gave what of it hooks by the pad, and where, seen along z.

    other : the body across the pad, where the fill ends
    """
    region = _hooks(body, shadow, upward)
    if region.is_empty:
        return body, pad, region
    # Within the mold's height, so that the other body bounds what is given on its side.
    boxes = np.array([np.reshape(each.bounding_box(), (2, 3)) for each in (body, other)])
    low, high = float(boxes[:, 0, 2].min()), float(boxes[:, 1, 2].max())
    column = solid.extrude(region, low + _END_MM, high - _END_MM)
    points, faces = _field(pad, region, upward)
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


def _hooks(body: solid.Solid, shadow: shapely.Geometry, upward: bool) -> shapely.Geometry:
    """Where in the pad's shadow a body has faces that look back along its pull.

    A cavity's look down, a core's up, but for those that it stands on. What is nowhere wider
    than the roughness is left out.
    """
    vertices, faces = _arrays(body)
    corners = vertices[faces]
    one, two = corners[:, 1, :2] - corners[:, 0, :2], corners[:, 2, :2] - corners[:, 0, :2]
    facing = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    height = corners[..., 2]
    if upward:
        back, off_foot = -facing, height.max(axis=1) - vertices[:, 2].min()
    else:
        back, off_foot = facing, vertices[:, 2].max() - height.min(axis=1)
    shelf = corners[(back > _SPECK_MM2) & (off_foot > _END_MM)][..., :2]
    if len(shelf) == 0:
        return shapely.Polygon()
    hidden = shapely.union_all(shapely.polygons(shelf), grid_size=_PLAN_GRID_MM)
    hidden = hidden.intersection(shadow)
    wide = hidden.buffer(-_ROUGH_MM).buffer(_ROUGH_MM + _TAIL_MM)
    region = hidden.intersection(wide).buffer(_BESIDE_MM).simplify(_SIMPLER_MM)
    return region.intersection(shadow)


def _field(pad: solid.Solid, region: shapely.Geometry, upward: bool) -> tuple[Floats, Ints]:
    """The cut over a region as a sheet: the pad's far side a little way off, one height a ray.

    Beyond the region it goes on as high as at its edge, where the pad jumps there: past its
    widest place a lip may stand, and up to that the hook would be left.
    """
    grid = _grid(region)
    vertices, faces = _arrays(pad)
    toward = 1.0 if upward else -1.0
    level = toward * (lowest if upward else highest)(vertices, faces, grid)
    places = grid.places(np.arange(level.size))
    shapely.prepare(region)
    hooked = shapely.contains_xy(region, *places.T).reshape(grid.shape) & np.isfinite(level)
    if not hooked.any():
        hooked = np.isfinite(level)
    nearest = ndimage.distance_transform_edt(~hooked, return_distances=False, return_indices=True)
    edge = level[tuple(nearest)]
    cut = np.where(level < edge + _STEEP * grid.step_mm, level, edge)
    points = np.column_stack([places, toward * (cut.ravel() + _OVER_MM)])
    number = np.arange(level.size).reshape(grid.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    sheet = np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    return points, sheet


def _grid(region: shapely.Geometry) -> Grid:
    low_x, low_y, high_x, high_y = region.buffer(_AROUND_MM).bounds
    step = float(np.clip(max(high_x - low_x, high_y - low_y) / 500, 0.25, 1.0))
    return grid_over(np.array([low_x, low_y]), np.array([high_x, high_y]), step)


def _arrays(body: solid.Solid) -> tuple[Floats, Ints]:
    mesh = solid.to_mesh(body)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


def filled_picture(pad: trimesh.Trimesh, before: trimesh.Trimesh) -> bytes:
    """The pad as PLY: what was filled coloured by how far it stands off the pad before."""
    index = SurfaceIndex(np.asarray(before.vertices), np.asarray(before.faces), 2.0)
    vertices, faces = np.asarray(pad.vertices), np.asarray(pad.faces)
    new = (index.closest(vertices).distance > _SAME_MM)[faces].any(axis=1)
    new |= index.closest(vertices[faces].mean(axis=1)).distance > _SAME_MM
    # A fill's walls are long splinters: cut small, each has one colour for what it covers.
    fill, fine = trimesh.remesh.subdivide_to_size(vertices, faces[new], _PICTURE_MM, max_iter=20)
    vertices = np.concatenate([vertices, fill])
    faces = np.concatenate([faces[~new], fine + len(pad.vertices)])
    off = index.closest(vertices[faces].mean(axis=1)).distance
    paint = colours.scale(np.where(off > _SAME_MM, off, np.nan), 0, max(float(off.max()), 1.0))
    return ply.encode(vertices, faces, face_colours=paint)
