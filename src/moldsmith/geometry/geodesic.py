"""Distance along a surface from its border."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from .topology import border_edges, edge_keys, half_edges

__all__ = ["border_distance"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def border_distance(vertices: Floats, faces: Ints, normals: Floats, limit_mm: float) -> Floats:
    """Distance (n,) of each vertex from the border along the surface, at most `limit_mm`.

    A shortest path over the edges (Dijkstra, Numer. Math. 1 (1959) 269) names the
    stretch of border that each vertex belongs to; the straight line to the nearest
    point of that stretch, lengthened to the arc that the turn of the normals
    between its ends tells, is the distance. Paths over edges alone are up to
    15 % too long on regular meshes.
    """
    border = border_edges(faces)
    if len(border) == 0:
        return np.full(len(vertices), limit_mm)
    edges = half_edges(faces)
    _, first = np.unique(edge_keys(edges), return_index=True)
    edges = edges[first]
    length = np.linalg.norm(vertices[edges[:, 0]] - vertices[edges[:, 1]], axis=1)
    count = len(vertices)
    graph = sparse.coo_array((np.maximum(length, 1e-9), (edges[:, 0], edges[:, 1])), (count, count))
    walked, _, source = csgraph.dijkstra(
        graph.tocsr(),
        directed=False,
        indices=np.unique(border),
        return_predecessors=True,
        min_only=True,
        limit=1.2 * limit_mm,
    )
    result = np.full(count, float(limit_mm))
    near = np.flatnonzero(np.isfinite(walked))
    straight, end = _straight(vertices, border, near, source[near])
    cosine = np.einsum("ij,ij->i", normals[near], normals[end])
    half_turn = np.arccos(np.clip(cosine, -1, 1)) / 2
    # Arc over chord of a circle; the cap keeps rough normals from adding more than they can.
    arc = straight * np.clip(half_turn / np.maximum(np.sin(half_turn), 1e-9), 1, 1.12)
    result[near] = np.minimum(np.minimum(arc, walked[near]), limit_mm)
    return result


def _straight(vertices: Floats, border: Ints, near: Ints, source: Ints) -> tuple[Floats, Ints]:
    """Least straight distance from vertices to the border edges about their source vertex.

    Slides along the border while that brings it nearer; also gives the border vertex reached.
    """
    after = np.full(len(vertices), -1, dtype=np.int64)
    before = np.full(len(vertices), -1, dtype=np.int64)
    after[border[:, 0]], before[border[:, 1]] = border[:, 1], border[:, 0]
    point, at = vertices[near], source.copy()
    best = np.linalg.norm(point - vertices[at], axis=1)
    moving = np.arange(len(near))
    while len(moving):
        moved = np.zeros(len(moving), dtype=bool)
        for step in (after, before):
            other = step[at[moving]]
            gap = np.linalg.norm(point[moving] - vertices[other], axis=1)
            nearer = gap < best[moving] - 1e-12
            at[moving[nearer]], best[moving[nearer]] = other[nearer], gap[nearer]
            moved |= nearer
        moving = moving[moved]
    for step in (after, before):
        a, b = vertices[at], vertices[step[at]]
        along = np.einsum("ij,ij->i", point - a, b - a) / np.maximum(
            ((b - a) ** 2).sum(axis=1), 1e-30
        )
        foot = a + np.clip(along, 0, 1)[:, None] * (b - a)
        best = np.minimum(best, np.linalg.norm(point - foot, axis=1))
    return best, at
