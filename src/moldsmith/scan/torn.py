"""Scans whose triangles do not meet: each with corners of its own, a little beside the others'."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..geometry import topology

__all__ = ["mended", "torn_share"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FEWEST = 100  # triangles: a patch of few is mostly border
TORN_SHARE = 0.5  # of the edges that only one triangle has
WHOLE_SHARE = 0.1  # the same of a scan with no more than openings
REACH = (1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4)  # of the median edge: farther, corners would merge


def torn_share(faces: Ints) -> float:
    """Share of the edges that only one triangle has."""
    keys = np.sort(topology.edge_keys(topology.half_edges(faces)))
    new = np.r_[True, keys[1:] != keys[:-1]]
    counts = np.diff(np.r_[np.flatnonzero(new), len(keys)])
    return float((counts == 1).mean())


def mended(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, float] | None:
    """The torn mesh with corners that lie together made one, their middle, and how far apart.

    None where it is not torn, or no reach below a quarter of an edge joins its triangles.
    """
    if len(faces) < FEWEST or torn_share(faces) <= TORN_SHARE:
        return None
    ends = vertices[topology.half_edges(faces)]
    edge = float(np.median(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)))
    best: tuple[float, Ints, float] | None = None
    for share in REACH:
        joined = topology.weld_near(vertices, faces, share * edge)
        left = torn_share(joined[~topology.degenerate(joined)])
        if best is None or left < best[0]:
            best = (left, joined, share * edge)
        if left < WHOLE_SHARE:
            break
    assert best is not None
    left, joined, reach = best
    if left > TORN_SHARE:
        return None
    return _middles(vertices, faces, joined), joined, reach


def _middles(vertices: Floats, faces: Ints, joined: Ints) -> Floats:
    """Each vertex that others became at the middle of all of them."""
    old, first = np.unique(faces, return_index=True)
    new = joined.reshape(-1)[first]
    count = np.maximum(np.bincount(new, minlength=len(vertices)), 1)
    sums = [np.bincount(new, vertices[old, axis], minlength=len(vertices)) for axis in range(3)]
    return np.asarray(np.stack(sums, axis=1) / count[:, None])
