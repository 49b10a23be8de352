"""Joining the borders of two sheets into one closed surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["zip_loops"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def zip_loops(vertices: Floats, first: Ints, second: Ints) -> Ints:
    """Triangles (a + b, 3) of the band between two closed loops of a and b vertices.

    The loops are given in their own sheet's direction, so they run against each
    other; the band's triangles agree with both sheets. Each vertex of the second
    loop is put at the place along the first that is nearest to it, places are
    made to follow one another, and the two rows are merged by place.
    """
    second = second[::-1]
    ring = vertices[first]
    place = _places(ring, vertices[second])
    start = int(np.argmin(place))
    second, place = np.roll(second, -start), np.roll(place, -start)
    place = np.maximum.accumulate(place)
    step = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    length = step.sum()
    # An event moves one loop on by one vertex; the edge it passes makes a triangle.
    event_first = np.cumsum(step)
    event_second = np.minimum(np.r_[(place[1:] + place[:-1]) / 2, (place[-1] + length) / 2], length)
    middle_first = event_first - step / 2
    order = np.argsort(np.r_[middle_first, event_second], kind="stable")
    of_first = order < len(first)
    at_first: Ints = np.cumsum(of_first) - of_first
    at_second: Ints = np.cumsum(~of_first) - ~of_first
    here_first, next_first = first[at_first % len(first)], first[(at_first + 1) % len(first)]
    here_second, next_second = (
        second[at_second % len(second)],
        second[(at_second + 1) % len(second)],
    )
    along_first = np.stack([next_first, here_first, here_second], axis=1)
    along_second = np.stack([here_first, here_second, next_second], axis=1)
    return np.where(of_first[:, None], along_first, along_second)


def _places(ring: Floats, points: Floats) -> Floats:
    """Length along the closed polyline `ring` of its point nearest to each point.

    A place is chosen near the one before it, so that a ring that comes close to
    itself does not make the places jump.
    """
    from scipy.spatial import cKDTree

    following = np.roll(ring, -1, axis=0)
    step = following - ring
    size = np.linalg.norm(step, axis=1)
    begin = np.cumsum(size) - size
    length = size.sum()
    nearest = cKDTree(ring).query(points)[1]
    candidates = np.stack([nearest, (nearest - 1) % len(ring)], axis=1)
    a, d = ring[candidates], step[candidates]
    along = np.einsum("ijk,ijk->ij", points[:, None] - a, d)
    share = np.clip(along / np.maximum(size[candidates] ** 2, 1e-30), 0, 1)
    gap = np.linalg.norm(points[:, None] - (a + share[..., None] * d), axis=2)
    pick = np.argmin(gap, axis=1)
    rows = np.arange(len(points))
    place = begin[candidates[rows, pick]] + share[rows, pick] * size[candidates[rows, pick]]
    # Unroll so that going once round the points goes once round the ring.
    move = np.diff(place)
    move -= length * np.round(move / length)
    unrolled = place[0] + np.r_[0, np.cumsum(move)]
    shift = int(np.argmin(place))
    rolled = np.roll(unrolled, -shift)
    rolled[len(rolled) - shift :] += length if shift else 0.0
    # Measured from the first place itself: a floor would jump where it lies on the seam.
    return np.roll(np.clip(rolled - rolled[0] + place[shift], 0, length), shift)
