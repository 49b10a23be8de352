"""Triangles made smaller where a cut passes through them unseen from their corners.

A cut is told by the field's values at the corners. On a triangle that is large
beside the cut's bends, or has all of a closed line inside it, they do not tell: such
triangles are found by halving them, in thought, wherever the field does not rule
a zero out, as a signed distance does at a point farther off than the part's size.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .refining import refined
from .topology import edge_keys, half_edges

__all__ = ["refined_for_cut"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Field = Callable[[Floats], Floats]

# Corners of the four parts of a triangle, in shares of its own three corners.
_PARTS = np.array(
    [
        [[2, 0, 0], [1, 1, 0], [1, 0, 1]],
        [[1, 1, 0], [0, 2, 0], [0, 1, 1]],
        [[1, 0, 1], [0, 1, 1], [0, 0, 2]],
        [[1, 1, 0], [0, 1, 1], [1, 0, 1]],
    ]
) / 2  # fmt: skip


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


def _hiding(
    vertices: Floats, faces: Ints, field: Field, longest_mm: float, off_mm: float
) -> NDArray[np.bool_]:
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
        owner = np.repeat(owner[on], 4)
        shares = (_PARTS @ shares[on][:, None]).reshape(-1, 3, 3)
    return hidden
