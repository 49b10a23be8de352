"""Many level sections of a closed mesh at once, as polygons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.sparse import csgraph

from ..errors import BadParameter
from .topology import edge_keys

__all__ = ["level_sections"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Polygons = NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class _Rings:
    """Closed lines: points (k, 2) ring by ring, the ring of each, and each ring's level."""

    points: Floats
    ring: Ints
    level: Ints


def level_sections(
    vertices: Floats, faces: Ints, heights_mm: ArrayLike, *, tolerance_mm: float = 0.0
) -> Polygons:
    """What of a closed, oriented mesh lies at each height: (n,) shapely (multi)polygons.

    Parameters
    ----------
    heights_mm : (n,) in ascending order; a vertex at just that height counts as above
    tolerance_mm : points that the outline may lose by, 0 to keep them all

    Each crossed triangle gives a step from one edge to another; steps are
    linked to rings for all heights together, by sorting and pointer jumping
    (Wyllie, thesis, Cornell 1979). Complexity: n log n in the crossings.

    Raises
    ------
    BadParameter : the heights do not ascend, or the mesh is not closed
    """
    heights = np.asarray(heights_mm, dtype=float)
    if (np.diff(heights) < 0).any():
        raise BadParameter("the heights of sections do not ascend", "Sort them")
    rings = _rings(vertices, faces, heights)
    polygons: Polygons = np.full(len(heights), shapely.Polygon(), dtype=object)
    if len(rings.level) == 0:
        return polygons
    whole = lines = shapely.linearrings(rings.points, indices=rings.ring)
    if tolerance_mm > 0:
        # The quick way may leave nothing of a crumb, or let lines cross: the areas tell.
        lines = shapely.simplify(lines, tolerance_mm, preserve_topology=False)
    levels = np.unique(rings.level)
    grouped = np.searchsorted(levels, rings.level)
    areas = shapely.build_area(shapely.geometrycollections(lines, indices=grouped))
    expected = _signed_areas(rings, grouped, len(levels))
    for k in np.flatnonzero(np.abs(shapely.area(areas) - expected) > 0.02 + 2e-3 * expected):
        areas[k] = _even_odd(whole[grouped == k])
    polygons[levels] = areas
    return polygons


def _rings(vertices: Floats, faces: Ints, heights: Floats) -> _Rings:
    """The rings of all levels, by level; those of fewer than three points are left out."""
    z = vertices[:, 2][faces]
    low = np.searchsorted(heights, z.min(axis=1), side="right")
    count = np.searchsorted(heights, z.max(axis=1), side="right") - low
    crossed = np.flatnonzero(count)
    count, low = count[crossed], low[crossed]
    owner = np.repeat(crossed, count)
    if len(owner) == 0:
        return _Rings(np.empty((0, 2)), np.empty(0, np.int64), np.empty(0, np.int64))
    level = np.repeat(low, count) + np.arange(len(owner)) - np.repeat(count.cumsum() - count, count)
    front = z[owner] >= heights[level][:, None]
    after_front = np.roll(front, -1, axis=1)
    leaves = np.argmax(front & ~after_front, axis=1)
    enters = np.argmax(~front & after_front, axis=1)
    edge = np.empty((len(faces), 3), dtype=np.int64)
    edge[crossed] = _edge_numbers(faces[crossed])
    key = level * (int(edge[crossed].max()) + 1)
    start, end = key + edge[owner, leaves], key + edge[owner, enters]
    order = np.argsort(start, kind="stable")
    onward = np.searchsorted(start[order], end[order])
    if (onward == len(order)).any() or (start[order][onward] != end[order]).any():
        raise BadParameter("a mesh to be sliced is not closed", "Heal it first")
    points = _crossings(vertices, faces[owner[order]], leaves[order], heights[level[order]])
    sequence, ring = _followed(onward)
    size = np.bincount(ring)
    keep = size[ring] >= 3
    _, ring = np.unique(ring[keep], return_inverse=True)
    sequence = sequence[keep]
    _, first = np.unique(ring, return_index=True)
    return _Rings(points[sequence], ring, level[order][sequence[first]])


def _edge_numbers(faces: Ints) -> Ints:
    """A number for the edge after each corner, the same from both its faces."""
    ends = np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2)
    _, number = np.unique(edge_keys(ends), return_inverse=True)
    return number.reshape(-1, 3)


def _crossings(vertices: Floats, faces: Ints, corner: Ints, height: Floats) -> Floats:
    """Plan points (k, 2) where the edge after a corner of each face has that height."""
    row = np.arange(len(faces))
    one, two = faces[row, corner], faces[row, (corner + 1) % 3]
    one, two = np.minimum(one, two), np.maximum(one, two)  # the same point from both faces
    high, deep = vertices[one, 2], vertices[two, 2]
    share = ((high - height) / (high - deep))[:, None]
    crossing: Floats = vertices[one, :2] * (1 - share) + vertices[two, :2] * share
    return crossing


def _followed(onward: Ints) -> tuple[Ints, Ints]:
    """Steps in the order of their rings, and the ring (in ascending order) of each."""
    count = len(onward)
    links = sparse.coo_array(
        (np.ones(count, dtype=bool), (np.arange(count), onward)), shape=(count, count)
    )
    _, ring = csgraph.connected_components(links, directed=False)
    _, head = np.unique(ring, return_index=True)
    # Each ring is cut before its first step; then every step's distance to that cut is doubled up.
    last = onward == head[ring]
    jump = np.where(last, np.arange(count), onward)
    left = np.where(last, 0, 1)
    while (jump[jump] != jump).any():
        left += left[jump]
        jump = jump[jump]
    order = np.lexsort((-left, ring))
    return order, ring[order].astype(np.int64)


def _signed_areas(rings: _Rings, grouped: Ints, levels: int) -> Floats:
    """Area of each level's section, holes off: rings turn anticlockwise round the material."""
    _, first = np.unique(rings.ring, return_index=True)
    size = np.diff(np.r_[first, len(rings.ring)])
    after = np.arange(len(rings.ring)) + 1
    after[first + size - 1] = first
    points = rings.points - rings.points[first][rings.ring]  # near the origin, for the digits
    other = rings.points[after] - rings.points[first][rings.ring]
    cross = points[:, 0] * other[:, 1] - points[:, 1] * other[:, 0]
    return np.bincount(grouped[rings.ring], cross / 2, levels).astype(np.float64)


def _even_odd(lines: Polygons) -> shapely.Geometry:
    """The region of rings that cross or touch, by the even-odd rule, the slow and sure way."""
    region: shapely.Geometry = shapely.Polygon()
    polygons = shapely.make_valid(shapely.polygons(lines))
    for polygon in polygons[np.argsort(-shapely.area(polygons), kind="stable")]:
        region = region.symmetric_difference(polygon)
    return region
