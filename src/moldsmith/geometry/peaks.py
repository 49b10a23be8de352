"""The high places of a surface that stand out: local maxima by topological persistence.

Every vertex is led uphill to a summit; where two summits' slopes meet highest
is the saddle between them. From the highest saddle down, the lower summit is
taken into the higher; its prominence is its height over that saddle
(Edelsbrunner, Letscher and Zomorodian, Discrete Comput. Geom. 28 (2002) 511).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .topology import edge_keys, half_edges

__all__ = ["Peak", "peaks"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Peak:
    """A summit vertex, its height, its prominence, and the vertices nearer the top than `crown`."""

    vertex: int
    height: float
    prominence: float
    crown: Ints


def peaks(height: Floats, faces: Ints, least: float, crown: float) -> list[Peak]:
    """Summits more prominent than `least`, highest first.

    Parameters
    ----------
    height (n,) : of the vertices; faces (m, 3)
    crown : the crown of a peak are its vertices at most this far below its summit

    Cost: sorting the edges, and a loop over the summits alone.
    """
    edges = half_edges(faces)
    _, first = np.unique(edge_keys(edges), return_index=True)
    edges = edges[first]
    summit = _led_uphill(height, edges)
    low = height[edges].min(axis=1)
    pair = np.sort(summit[edges], axis=1)
    crossing = pair[:, 0] != pair[:, 1]
    pair, low = pair[crossing], low[crossing]
    order = np.lexsort((pair[:, 1], pair[:, 0], -low))
    into: dict[int, int] = {}
    saddle: dict[int, float] = {}
    for (a, b), level in zip(pair[order].tolist(), low[order].tolist(), strict=True):
        a, b = _root(into, a), _root(into, b)
        if a == b:
            continue
        if (height[a], -a) < (height[b], -b):
            a, b = b, a
        if height[b] - level > least:
            saddle.setdefault(b, level)
            continue  # it stands out: a true peak, not joined
        into[b] = a
    final = np.array([_root(into, int(v)) for v in np.unique(summit)])
    owner = final[np.searchsorted(np.unique(summit), summit)]
    found = []
    for top in np.unique(final).tolist():
        prominence = height[top] - saddle.get(top, float(height.min()))
        near = np.flatnonzero((owner == top) & (height >= height[top] - crown))
        found.append(Peak(top, float(height[top]), float(prominence), near))
    return sorted(found, key=lambda peak: (-peak.height, peak.vertex))


def _led_uphill(height: Floats, edges: Ints) -> Ints:
    """For every vertex the summit that the way to its highest neighbour, and on, leads to."""
    count = len(height)
    both = np.concatenate([edges, edges[:, ::-1]])
    # The last entry a vertex gets is its highest neighbour; ties go to the least number.
    order = np.lexsort((-both[:, 1], height[both[:, 1]]))
    best = np.arange(count)
    best[both[order, 0]] = both[order, 1]
    here = np.arange(count)
    up = (height[best] > height) | ((height[best] == height) & (best < here))
    leader = np.where(up, best, here)
    while True:
        further = leader[leader]
        if np.array_equal(further, leader):
            return leader
        leader = further


def _root(into: dict[int, int], vertex: int) -> int:
    root = vertex
    while root in into:
        root = into[root]
    while vertex != root:
        into[vertex], vertex = root, into[vertex]
    return root
