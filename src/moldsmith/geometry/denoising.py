"""The form of a scan without the noise of its single points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .distance import vertex_normals
from .topology import border_edges
from .vectors import unit

__all__ = ["denoised"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Pass band of Taubin's pair of steps: what is longer than some eight edges stays.
_SHRINK, _GROW = 0.6, -0.62


def denoised(vertices: Floats, faces: Ints, rounds: int = 6) -> Floats:
    """Vertices (n, 3) with the waves of a few edges' length taken out; borders stay.

    A pair of steps to and from the mean of the neighbours a round, along the
    normals only, so that an uneven mesh does not drift over the surface.

    Source: Taubin, Proc. SIGGRAPH (1995) 351.
    """
    count = len(vertices)
    rows = faces[:, [0, 1, 2, 1, 2, 0]].ravel()
    columns = faces[:, [1, 2, 0, 0, 1, 2]].ravel()
    around = sparse.coo_array((np.ones(len(rows)), (rows, columns)), (count, count)).tocsr()
    around.data[:] = 1
    around = sparse.diags_array(1 / np.maximum(around.sum(axis=1), 1)) @ around
    normals = vertex_normals(vertices, faces)
    for _ in range(4):
        normals = unit(normals + around @ normals)
    still = np.zeros(count, dtype=bool)
    still[border_edges(faces)] = True
    still[np.bincount(faces.ravel(), minlength=count) == 0] = True
    moved = np.array(vertices)
    for share in (_SHRINK, _GROW) * rounds:
        step = share * np.einsum("ij,ij->i", around @ moved - moved, normals)
        step[still] = 0
        moved += step[:, None] * normals
    return moved
