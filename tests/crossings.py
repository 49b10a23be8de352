"""Which triangles of a mesh cross, told exactly."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

__all__ = ["crossing_pairs"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def crossing_pairs(vertices: Floats, faces: Ints) -> Ints:
    """Pairs (k, 2) of triangles that have more in common than their common corners.

    Candidates are triangles whose boxes overlap. Two cross where an edge of one
    passes through the other: signs of tetrahedra's volumes (Guigue and Devillers, J.
    Graph. Tools 8 (2003) 25, uses the same). A sign that rounding could turn is
    worked out again in fractions; an edge that only touches does not cross.
    """
    vertices = np.asarray(vertices, dtype=np.float64)
    faces = np.asarray(faces, dtype=np.int64)
    pairs = _overlapping(vertices[faces])
    crossed = np.zeros(len(pairs), dtype=bool)
    for here, there in ((0, 1), (1, 0)):
        for k in range(3):
            edge = faces[pairs[:, here]][:, [k, (k + 1) % 3]]
            other = faces[pairs[:, there]]
            apart = ~(edge[:, :, None] == other[:, None, :]).any(axis=(1, 2))
            who = np.flatnonzero(apart & ~crossed)
            crossed[who] = _passes(vertices, edge[who], other[who])
    return pairs[crossed]


def _passes(vertices: Floats, edge: Ints, face: Ints) -> NDArray[np.bool_]:
    """Whether edges (n, 2) pass through the inside of faces (n, 3)."""
    p, q = edge.T
    a, b, c = face.T
    sides = _sign(vertices, p, a, b, c) * _sign(vertices, q, a, b, c) < 0
    result = np.zeros(len(edge), dtype=bool)
    who = np.flatnonzero(sides)
    p, q, a, b, c = (row[who] for row in (p, q, a, b, c))
    turns = np.stack([_sign(vertices, p, q, *two) for two in ((a, b), (b, c), (c, a))], axis=1)
    result[who] = (turns > 0).all(axis=1) | (turns < 0).all(axis=1)
    return result


def _sign(vertices: Floats, a: Ints, b: Ints, c: Ints, d: Ints) -> Ints:
    """Sign of the volume of tetrahedra, exact."""
    u, v, w = (vertices[k] - vertices[d] for k in (a, b, c))
    volume = np.einsum("ij,ij->i", u, np.cross(v, w))
    size = np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1) * np.linalg.norm(w, axis=1)
    # Coordinates of some hundred mm lose 1e-13 of a mm in a difference.
    sign = np.sign(volume).astype(np.int64)
    reach = np.abs(vertices).max()
    doubtful = np.abs(volume) <= 1e-14 * size + 1e-15 * reach * (size ** (2 / 3))
    for k in np.flatnonzero(doubtful):
        sign[k] = _exact(*(vertices[row[k]] for row in (a, b, c, d)))
    return sign


def _exact(a: Floats, b: Floats, c: Floats, d: Floats) -> int:
    ends = [[Fraction(float(x)) for x in point] for point in (a, b, c, d)]
    u, v, w = ([x - y for x, y in zip(end, ends[3], strict=True)] for end in ends[:3])
    volume = (
        u[0] * (v[1] * w[2] - v[2] * w[1])
        - u[1] * (v[0] * w[2] - v[2] * w[0])
        + u[2] * (v[0] * w[1] - v[1] * w[0])
    )
    return (volume > 0) - (volume < 0)


def _overlapping(corners: Floats) -> Ints:
    """Pairs (k, 2) of triangles whose boxes overlap, by a grid of cells of a triangle's size."""
    low, high = corners.min(axis=1), corners.max(axis=1)
    size = float(np.quantile((high - low).max(axis=1), 0.9))
    origin = low.min(axis=0)
    first, last = ((np.floor((x - origin) / size)).astype(np.int64) for x in (low, high))
    span = last - first + 1
    count = span.prod(axis=1)
    owner = np.repeat(np.arange(len(corners)), count)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    z = rank % span[owner, 2]
    y = rank // span[owner, 2] % span[owner, 1]
    x = rank // (span[owner, 2] * span[owner, 1])
    cell = first[owner] + np.stack([x, y, z], axis=1)
    wide = last.max(axis=0) + 2
    key = (cell[:, 0] * wide[1] + cell[:, 1]) * wide[2] + cell[:, 2]
    order = np.argsort(key, kind="stable")
    key, owner = key[order], owner[order]
    found = []
    step = 1
    while True:  # pairs of one cell: neighbours in the order, then those two apart, ...
        same = np.flatnonzero(key[step:] == key[:-step])
        if len(same) == 0:
            break
        one, two = owner[same], owner[same + step]
        near = ((low[one] <= high[two]) & (low[two] <= high[one])).all(axis=1)
        found.append(np.stack([one[near], two[near]], axis=1))
        step += 1
    if not found:
        return np.empty((0, 2), np.int64)
    pairs = np.unique(np.sort(np.concatenate(found), axis=1), axis=0)
    return pairs[pairs[:, 0] != pairs[:, 1]]
