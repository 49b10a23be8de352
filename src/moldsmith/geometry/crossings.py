"""Triangles of a mesh that pass through one another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["crossing_faces"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

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
    pairs = _near(vertices[faces], among)
    for here, there in ((0, 1), (1, 0)):
        for turn in _TURNS:
            edge, other = faces[pairs[:, here]][:, turn], faces[pairs[:, there]]
            apart = (edge[:, :, None] != other[:, None, :]).all(axis=(1, 2))
            who = np.flatnonzero(apart)
            through = who[_passes(vertices[edge[who]], vertices[other[who]])]
            crossed[pairs[through]] = True
    return crossed


def _passes(edge: Floats, face: Floats) -> Mask:
    """Whether segments (n, 2, 3) pass through triangles (n, 3, 3)."""
    start, end = edge[:, 0], edge[:, 1]
    corner = face - start[:, None]
    normal = np.cross(face[:, 1] - face[:, 0], face[:, 2] - face[:, 0])
    above = np.einsum("ij,ij->i", normal, corner[:, 0])
    below = np.einsum("ij,ij->i", normal, face[:, 0] - end)
    along = end - start
    sides = [np.einsum("ij,ij->i", along, np.cross(corner[:, a], corner[:, b])) for a, b in _TURNS]
    inside = (np.min(sides, axis=0) >= 0) | (np.max(sides, axis=0) <= 0)
    return np.asarray((above * below < 0) & inside)


def _near(corners: Floats, among: Mask) -> Ints:
    """Pairs (k, 2) of faces whose boxes overlap, the first of each one of `among`."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    size = max(float(np.quantile((high - low).max(axis=1), 0.95)), 1e-6)
    first = np.floor((low - low.min(axis=0)) / size).astype(np.int64)
    last = np.floor((high - low.min(axis=0)) / size).astype(np.int64)
    stride = last.max(axis=0) + 1
    one, one_cell = _in_cells(first, last, stride, np.flatnonzero(among))
    two, two_cell = _in_cells(first, last, stride, np.arange(len(corners)))
    looked_at = np.unique(one_cell)
    place = np.minimum(np.searchsorted(looked_at, two_cell), len(looked_at) - 1)
    close = looked_at[place] == two_cell
    two, two_cell = two[close], two_cell[close]
    order = np.argsort(two_cell, kind="stable")
    two, two_cell = two[order], two_cell[order]
    begin = np.searchsorted(two_cell, one_cell)
    count = np.searchsorted(two_cell, one_cell, side="right") - begin
    rank = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    a, b = np.repeat(one, count), two[np.repeat(begin, count) + rank]
    overlap = (a != b) & ((low[a] <= high[b]) & (low[b] <= high[a])).all(axis=1)
    keys = np.unique(a[overlap] << 32 | b[overlap])
    return np.stack([keys >> 32, keys & 0xFFFFFFFF], axis=1)


def _in_cells(first: Ints, last: Ints, stride: Ints, which: Ints) -> tuple[Ints, Ints]:
    """Every face of `which` once for each cell that its box overlaps, and that cell's number."""
    span = (last - first + 1)[which]
    count = span.prod(axis=1)
    row = np.repeat(np.arange(len(which)), count)
    rank = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    step = np.stack(
        [
            rank // (span[row, 2] * span[row, 1]),
            rank // span[row, 2] % span[row, 1],
            rank % span[row, 2],
        ],
        axis=1,
    )
    cell = first[which[row]] + step
    return which[row], (cell[:, 0] * stride[1] + cell[:, 1]) * stride[2] + cell[:, 2]
