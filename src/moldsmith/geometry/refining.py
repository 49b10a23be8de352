"""Triangles made smaller without changing the surface."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .topology import edge_keys, half_edges

__all__ = ["halved", "refined"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MOST_ROUNDS = 16  # halvings: an edge's length / 65,536


def refined(
    vertices: Floats,
    faces: Ints,
    longest_mm: float | Callable[[Floats], Floats],
    whole: Ints | None = None,
) -> tuple[Floats, Ints]:
    """The same surface, in space or in the plane, with no edge longer than `longest_mm`.

    vertices : (n, 2) or (n, 3); columns past the third are values that go along, linear
    longest_mm : one length, or a function of places (k, 3) that gives (k,); an edge is held
        to the least at its ends and its middle
    whole : keys (`edge_keys`) of edges that stay as they are

    Too long edges are halved, all at once, and their faces cut into two, three or
    four (red-green refinement: Bank, Sherman, Weiser, Scientific Computing (1983) 3).
    The given vertices stay the first ones; neighbours keep sharing whole edges.
    """
    for _ in range(_MOST_ROUNDS):
        edges = half_edges(faces)
        places = vertices[:, :3]
        length = np.linalg.norm(places[edges[:, 0]] - places[edges[:, 1]], axis=1)
        long = length > _allowed(places, edges, longest_mm)
        if whole is not None:
            long &= ~np.isin(edge_keys(edges), whole)
        if not long.any():
            break
        vertices, faces = halved(vertices, faces, long)
    return vertices, faces


def halved(vertices: Floats, faces: Ints, chosen: NDArray[np.bool_]) -> tuple[Floats, Ints]:
    """The same surface with some edges halved once; the given vertices stay the first ones.

    chosen (3 m,) : which `half_edges`; both of an edge, or that of one face only at its borders
    """
    edges = half_edges(faces)
    _, first, number = np.unique(edge_keys(edges[chosen]), return_index=True, return_inverse=True)
    ends = edges[chosen][first]
    middle = np.full(len(edges), -1, dtype=np.int64)
    middle[chosen] = len(vertices) + number.reshape(-1)
    vertices = np.concatenate([vertices, vertices[ends].mean(axis=1)])
    return vertices, _cut(vertices[:, :3], faces, middle.reshape(-1, 3))


def _allowed(
    places: Floats, edges: Ints, longest_mm: float | Callable[[Floats], Floats]
) -> Floats | float:
    if not callable(longest_mm):
        return longest_mm
    ends: Floats = longest_mm(places)[edges].min(axis=1)
    middles: Floats = np.minimum(ends, longest_mm(places[edges].mean(axis=1)))
    return middles


def _cut(vertices: Floats, faces: Ints, middle: Ints) -> Ints:
    """Faces cut at the middles (m, 3) of their edges, -1 where an edge stays whole."""
    count = (middle >= 0).sum(axis=1)
    parts = [faces[count == 0]]
    # Turned so that a single halved edge, or a single whole one, comes first.
    lead = np.where(count == 2, np.argmax(middle < 0, axis=1), np.argmax(middle >= 0, axis=1))
    turn = (lead[:, None] + np.arange(3)) % 3
    corner = np.take_along_axis(faces, turn, axis=1)
    middle = np.take_along_axis(middle, turn, axis=1)
    (a, b, c), (ab, bc, ca) = corner[count == 1].T, middle[count == 1].T
    parts += [np.stack(p, axis=1) for p in ((a, ab, c), (ab, b, c))]
    (a, b, c), (ab, bc, ca) = corner[count == 2].T, middle[count == 2].T
    parts.append(np.stack([bc, c, ca], axis=1))
    one = np.linalg.norm(vertices[a] - vertices[bc], axis=1)
    two = np.linalg.norm(vertices[b] - vertices[ca], axis=1)
    short = (one < two)[:, None]
    parts.append(np.where(short, np.stack([a, b, bc], axis=1), np.stack([a, b, ca], axis=1)))
    parts.append(np.where(short, np.stack([a, bc, ca], axis=1), np.stack([b, bc, ca], axis=1)))
    (a, b, c), (ab, bc, ca) = corner[count == 3].T, middle[count == 3].T
    parts += [np.stack(p, axis=1) for p in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    return np.concatenate(parts)
