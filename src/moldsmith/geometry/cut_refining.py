"""Triangles made smaller where a cut passes through them unseen from their corners.

A cut is told by the field's values at the corners. On a triangle that is large
beside the cut's bends, or has all of a closed line inside it, they do not tell: such
triangles are found by halving them, in thought, wherever the field does not rule
a zero out, as a signed distance does at a point farther off than the part's size.
And a cut is straight within a triangle: where it bends, the triangles must be short.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .refining import halved, refined
from .topology import border_edges, edge_keys, half_edges

__all__ = ["refined_at_bends", "refined_for_cut"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Field = Callable[[Floats], Floats]

_MOST_HALVINGS = 12
_LONG_SHARE = (
    0.6  # of a triangle's longest edge: shorter ones stay whole, so that slivers get short
)


def refined_for_cut(
    vertices: Floats, faces: Ints, field: Field, longest_mm: float, off_mm: float
) -> tuple[Floats, Ints]:
    """The same surface; edges of triangles that hide a part of the cut are at most so long.

    field : points (n, 3) -> signed distance (n,) to the cut, or what changes no faster
    off_mm : a triangle hides the cut where a point farther than this beyond it lies, by
        its corners' values, on the other side

    The given vertices stay the first ones.
    """
    hidden = _hiding(vertices, faces, field, longest_mm, off_mm)
    if not hidden.any():
        return vertices, faces
    whole = np.unique(edge_keys(half_edges(faces)))
    cut = edge_keys(half_edges(faces[hidden]))
    return refined(vertices, faces, longest_mm, whole[~np.isin(whole, cut)])


def refined_at_bends(
    vertices: Floats, faces: Ints, field: Field, off_mm: float, shortest_mm: float
) -> tuple[Floats, Ints]:
    """The same surface, its triangles at the cut so short that straight pieces follow it.

    field : points (n, 3) -> (n,) signed distance to the cut
    off_mm : how far the cut may lie off its chord in a triangle
    shortest_mm : edges that are shorter stay whole

    The given vertices stay the first ones.
    """
    values = field(vertices)
    about = _about_cut(faces, values)
    rest, faces = faces[~about], faces[about]
    whole = _seam(faces, rest)
    for _ in range(_MOST_HALVINGS):
        bent = _bending(vertices, faces, values, field, off_mm)
        edges = half_edges(faces)
        length = np.linalg.norm(vertices[edges[:, 1]] - vertices[edges[:, 0]], axis=1)
        longest = length.reshape(-1, 3).max(axis=1)
        long = (length > shortest_mm) & (length > _LONG_SHARE * np.repeat(longest, 3))
        keys = edge_keys(edges)
        wanted = keys[long & np.repeat(bent, 3)]
        chosen = np.isin(keys, wanted[~np.isin(wanted, whole)])
        if not chosen.any():
            break
        vertices, faces = halved(vertices, faces, chosen)
        values = np.concatenate([values, field(vertices[len(values) :])])
    return vertices, np.concatenate([rest, faces])


def _about_cut(faces: Ints, values: Floats) -> Mask:
    """The faces (m,) within two rings about those that the cut crosses."""
    below = values[faces] < 0
    chosen = np.asarray(below.any(axis=1) & ~below.all(axis=1))
    for _ in range(2):
        named = np.zeros(len(values), dtype=bool)
        named[faces[chosen]] = True
        chosen = np.asarray(named[faces].any(axis=1))
    return chosen


def _seam(faces: Ints, rest: Ints) -> Ints:
    """Keys of the edges that both have."""
    border = edge_keys(border_edges(faces))
    return np.asarray(border[np.isin(border, edge_keys(half_edges(rest)))])


def _bending(vertices: Floats, faces: Ints, values: Floats, field: Field, off_mm: float) -> Mask:
    """In which faces (m,) the cut lies farther than `off_mm` off its chord."""
    below = values[faces] < 0
    crossed = np.flatnonzero(below.any(axis=1) & ~below.all(axis=1))
    corners, there = faces[crossed], below[crossed]
    lead = np.where(there.sum(axis=1) == 1, np.argmax(there, axis=1), np.argmin(there, axis=1))
    row = np.arange(len(crossed))
    a = corners[row, lead]
    ends = []
    for step in (1, 2):
        b = corners[row, (lead + step) % 3]
        gap = values[a] - values[b]
        share = (values[a] / np.where(gap == 0, 1, gap))[:, None]
        ends.append(vertices[a] * (1 - share) + vertices[b] * share)
    shares = np.linspace(0, 1, 5)
    places = np.concatenate([ends[0] * (1 - t) + ends[1] * t for t in shares])
    along = field(places).reshape(5, -1)
    straight = along[:1] * (1 - shares[:, None]) + along[-1:] * shares[:, None]
    result = np.zeros(len(faces), dtype=bool)
    result[crossed] = np.abs(along - straight).max(axis=0) > off_mm
    return result


def _hiding(vertices: Floats, faces: Ints, field: Field, longest_mm: float, off_mm: float) -> Mask:
    """Which faces (m,) are large, and crossed otherwise than their corners say."""
    corners = vertices[faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    longest = sides.max(axis=1)
    hidden = np.zeros(len(faces), dtype=bool)
    large = longest > longest_mm
    if not large.any():
        return hidden
    named = np.zeros(len(vertices), dtype=bool)
    named[faces[large]] = True
    values = np.zeros(len(vertices))
    values[named] = field(vertices[named])
    owner = np.flatnonzero(large & (np.abs(values[faces]).min(axis=1) < longest))
    shares = np.tile(np.eye(3), (len(owner), 1, 1))
    while len(owner):
        places = shares @ corners[owner]
        middle = places.mean(axis=1)
        reach = np.linalg.norm(places - middle[:, None], axis=2).max(axis=1)
        there = field(middle)
        told = np.einsum("ij,ij->i", shares.mean(axis=1), values[faces[owner]])
        hidden[owner[(there * told < 0) & (np.abs(there) > off_mm)]] = True
        on = (np.abs(there) < reach) & (reach > longest_mm / 2) & ~hidden[owner]
        owner = np.repeat(owner[on], 2)
        shares = _halves(shares[on], places[on])
    return hidden


def _halves(shares: Floats, places: Floats) -> Floats:
    """Triangles (k, 3, 3) cut through the middles of their longest sides: (2 k, 3, 3)."""
    sides = np.linalg.norm(np.roll(places, -1, axis=1) - places, axis=2)
    turn = (np.argmax(sides, axis=1)[:, None] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(shares, turn[:, :, None], axis=1).swapaxes(0, 1)
    middle = (a + b) / 2
    return np.stack([a, middle, c, middle, b, c], axis=1).reshape(-1, 3, 3)
