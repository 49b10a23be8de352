"""Sheets over the plane: meshes of plan regions, heights smoothly run out from a loop."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from . import solid
from .refining import refined
from .topology import border_edges, edge_keys

__all__ = ["outline_points", "run_out", "slab", "triangulated", "with_apron"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def outline_points(polygon: shapely.Polygon, step_mm: float) -> Floats:
    """The polygon's outer ring (n, 2), anticlockwise, with no side longer than a step."""
    ring = shapely.orient_polygons(polygon).exterior.segmentize(step_mm)
    return np.asarray(ring.coords)[:-1]


def triangulated(outer: Floats, hole: Floats | None, edge_mm: float) -> tuple[Floats, Ints]:
    """Points (n, 2) and anticlockwise triangles of the region between two rings.

    The first points are those of `outer` (anticlockwise), then those of `hole`
    (clockwise); no point is added on either. Inner edges are halved until they
    are no longer than `edge_mm`.
    """
    rings = [outer] if hole is None else [outer, hole]
    points = np.concatenate(rings)
    faces = solid.triangulate(rings)
    border = np.concatenate([np.stack([at, np.roll(at, -1)], axis=1) for at in _numbered(rings)])
    return refined(points, faces, edge_mm, np.unique(edge_keys(border)))


def _numbered(rings: list[Floats]) -> list[Ints]:
    ends = np.cumsum([0, *(len(ring) for ring in rings)])
    return [np.arange(a, b) for a, b in pairwise(ends)]


def run_out(points: Floats, loop: Floats) -> Floats:
    """Heights (n,) over plan points (n, 2) that continue the heights of a loop (m, 3).

    The mean of the loop's heights weighted by length over distance cubed
    (Shepard, Proc. 23rd ACM Conf. (1968) 517): the loop's own heights at the
    loop, level across it, and flatter the farther out.
    """
    step = np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1)
    share = (step + np.roll(step, 1)) / 2
    result = np.empty(len(points))
    for start in range(0, len(points), 2000):
        part = points[start : start + 2000]
        gap = np.linalg.norm(part[:, None] - loop[:, :2], axis=2)
        weight = share / np.maximum(gap, 1e-6) ** 3
        result[start : start + 2000] = weight @ loop[:, 2] / weight.sum(axis=1)
    return result


def with_apron(points: Floats, faces: Ints, outer: int, width_mm: float) -> tuple[Floats, Ints]:
    """A sheet widened level past its outline, whose points (anticlockwise) come first."""
    ring = points[:outer]
    before, after = np.roll(ring, 1, axis=0)[:, :2], np.roll(ring, -1, axis=0)[:, :2]
    sides = [ring[:, :2] - before, after - ring[:, :2]]
    normals = [side[:, ::-1] * [1, -1] for side in sides]
    normals = [normal / np.linalg.norm(normal, axis=1, keepdims=True) for normal in normals]
    mitre = normals[0] + normals[1]
    mitre *= 2 / np.maximum(np.einsum("ij,ij->i", mitre, mitre), 0.5)[:, None]
    wide = ring.copy()
    wide[:, :2] += width_mm * mitre
    inner, far = np.arange(outer), np.arange(outer) + len(points)
    next_inner, next_far = np.roll(inner, -1), np.roll(far, -1)
    strip = [
        np.stack([inner, far, next_far], axis=1),
        np.stack([inner, next_far, next_inner], axis=1),
    ]
    return np.concatenate([points, wide]), np.concatenate([faces, *strip])


def slab(points: Floats, faces: Ints, low_mm: float, high_mm: float) -> solid.Solid:
    """The solid between a sheet moved along z by two amounts; points (n, 3)."""
    count = len(points)
    top, bottom = points.copy(), points.copy()
    top[:, 2] += high_mm
    bottom[:, 2] += low_mm
    border = border_edges(faces)
    one, two = border[:, 0], border[:, 1]
    walls = np.concatenate(
        [
            np.stack([one + count, two + count, two], axis=1),
            np.stack([one + count, two, one], axis=1),
        ]
    )
    return solid.from_arrays(
        np.concatenate([top, bottom]), np.concatenate([faces, faces[:, ::-1] + count, walls])
    )
