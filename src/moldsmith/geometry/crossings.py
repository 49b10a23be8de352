"""Triangles of a mesh that pass through one another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["crossing_faces"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

_GRID = 2**22  # cells of the coarse grid, whatever the size
_TURNS = ((0, 1), (1, 2), (2, 0))


def crossing_faces(vertices: Floats, faces: Ints, among: Mask) -> Mask:
    """Which faces (m,) an edge of another passes through, or whose edge passes through another.

    among : (m,) faces to look at, each against all faces near it. What merely
        touches, as faces with a common corner do, does not cross.

    Signs of tetrahedra's volumes: Guigue and Devillers, J. Graph. Tools 8 (2003) 25.
    Complexity: the number of faces near those looked at.
    """
    crossed = np.zeros(len(faces), dtype=bool)
    if not among.any():
        return crossed
    pairs = _near(vertices, faces, among)
    here, there = faces[pairs[:, 0]], faces[pairs[:, 1]]
    common = here[:, :, None] == there[:, None, :]
    for mine, other, shared in (
        (here, there, common.any(axis=2)),
        (there, here, common.any(axis=1)),
    ):
        for one, two in _TURNS:
            who = np.flatnonzero(~(shared[:, one] | shared[:, two]))
            edge = mine[who][:, (one, two)]
            through = who[_passes(vertices[edge], vertices[other[who]])]
            crossed[pairs[through]] = True
    return crossed


def _passes(edge: Floats, face: Floats) -> Mask:
    """Whether segments (n, 2, 3) pass through triangles (n, 3, 3)."""
    normal = np.cross(face[:, 1] - face[:, 0], face[:, 2] - face[:, 0])
    above = np.einsum("ij,ij->i", normal, face[:, 0] - edge[:, 0])
    below = np.einsum("ij,ij->i", normal, face[:, 0] - edge[:, 1])
    passes = above * below < 0
    edge, face = edge[passes], face[passes]
    corner = face - edge[:, :1]
    along = edge[:, 1] - edge[:, 0]
    sides = [np.einsum("ij,ij->i", along, np.cross(corner[:, a], corner[:, b])) for a, b in _TURNS]
    passes[passes] = (np.min(sides, axis=0) >= 0) | (np.max(sides, axis=0) <= 0)
    return np.asarray(passes)


def _near(vertices: Floats, faces: Ints, among: Mask) -> Ints:
    """Pairs (k, 2) of faces whose boxes overlap, the first of each one of `among`."""
    begin = vertices.min(axis=0)
    own_low, own_high = _boxes(vertices, faces[among], begin)
    size = max(float(np.quantile((own_high - own_low).max(axis=1), 0.95)), 1e-6)
    others = np.flatnonzero(among | _close_to(vertices - begin, faces, own_low, own_high, 2 * size))
    low, high = _boxes(vertices, faces[others], begin)
    two, two_cell = _in_cells(low, high, size)
    own = among[others[two]]
    one, one_cell = two[own], two_cell[own]
    order = np.argsort(two_cell, kind="stable")
    two, two_cell = two[order], two_cell[order]
    start = np.searchsorted(two_cell, one_cell)
    count = np.searchsorted(two_cell, one_cell, side="right") - start
    rank = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    here, there = np.repeat(one, count), two[np.repeat(start, count) + rank]
    # Of two that are both looked at, one order is enough.
    wanted = np.flatnonzero((here < there) | ~among[others[there]] & (here != there))
    here, there = here[wanted], there[wanted]
    overlap = np.ones(len(here), dtype=bool)
    for axis in range(3):
        overlap &= low[here, axis] <= high[there, axis]
        overlap &= low[there, axis] <= high[here, axis]
    keys = np.unique(others[here[overlap]] << 32 | others[there[overlap]])
    return np.stack([keys >> 32, keys & 0xFFFFFFFF], axis=1)


def _boxes(vertices: Floats, faces: Ints, begin: Floats) -> tuple[Floats, Floats]:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    return low - begin, high - begin


def _close_to(place: Floats, faces: Ints, low: Floats, high: Floats, size: float) -> Mask:
    """Which faces (m,) may overlap one of some boxes (k, 3), told by a coarse grid these mark.

    place (n, 3) : the vertices, none of them negative
    """
    x, y, z = place.T.copy()
    reach = np.array([x.max(), y.max(), z.max()])
    size = max(size, float(np.cbrt((reach + size).prod() / _GRID)))
    marked = np.zeros(np.floor(reach / size).astype(np.int64) + 1, dtype=bool)
    row, step = _steps(low, high, size)
    marked[tuple((np.floor(low[row] / size).astype(np.int64) + step).T)] = True
    # A face that is not large has its corners in the cells it overlaps or in ones beside them.
    for axis in range(3):
        line = np.moveaxis(marked, axis, 0)
        before = line.copy()
        line[1:] |= before[:-1]
        line[:-1] |= before[1:]
    near = marked[tuple((along / size).astype(np.int64) for along in (x, y, z))]
    a, b, c = faces.T
    found = near[a] | near[b] | near[c]
    for along in (x, y, z):
        one, two, three = along[a], along[b], along[c]
        found |= np.abs(one - two) > size
        found |= np.abs(two - three) > size
        found |= np.abs(three - one) > size
    return np.asarray(found)


def _in_cells(low: Floats, high: Floats, size: float) -> tuple[Ints, Ints]:
    """Every box once for each cell that it overlaps, and that cell's number."""
    stride = np.floor(high.max(axis=0) / size).astype(np.int64) + 1
    row, step = _steps(low, high, size)
    cell = np.floor(low / size).astype(np.int64)[row] + step
    return row, (cell[:, 0] * stride[1] + cell[:, 1]) * stride[2] + cell[:, 2]


def _steps(low: Floats, high: Floats, size: float) -> tuple[Ints, Ints]:
    """For each cell that a box overlaps the row of the box, and the step from its first cell."""
    span = np.floor(high / size).astype(np.int64) - np.floor(low / size).astype(np.int64) + 1
    count = span[:, 0] * span[:, 1] * span[:, 2]
    row = np.repeat(np.arange(len(span)), count)
    rank = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    wide, deep = span[row, 1], span[row, 2]
    return row, np.stack([rank // (deep * wide), rank // deep % wide, rank % deep], axis=1)
