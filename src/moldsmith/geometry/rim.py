"""Where a sheet over an open surface ends: the wall that stands on the surface's border."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from .distance import SurfaceIndex
from .threads import threads
from .topology import border_loops
from .vectors import unit

__all__ = ["Rim"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Rim:
    """The wall that stands on the border of a surface: where a sheet over it ends.

    Normals and directions are averaged over some millimetres along the border, so
    that roughness of the surface does not fray the sheet.

    count : of borders; vertices (b,) : the surface's that lie on one
    """

    def __init__(self, index: SurfaceIndex, normals: Floats, spacing: float, reach: float) -> None:
        places, outward, ends = [], [], []
        loops = border_loops(index.faces)
        self.count = len(loops)
        for loop in loops:
            ring = index.vertices[loop]
            step = np.roll(ring, -1, axis=0) - ring
            length = np.linalg.norm(step, axis=1)
            normal = _averaged(normals[loop], length, reach)
            tangent = _averaged(step / np.maximum(length, 1e-12)[:, None], length, reach)
            parts = np.maximum(np.ceil(length / spacing), 1).astype(np.int64)
            edge = np.repeat(np.arange(len(loop)), parts)
            share = (np.arange(len(edge)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[
                edge
            ]
            places.append(ring[edge] + share[:, None] * step[edge])
            following = np.roll(normal, -1, axis=0)
            turning = normal[edge] * (1 - share[:, None]) + following[edge] * share[:, None]
            outward.append(np.cross(tangent[edge], turning))
            ends.append(np.stack([loop[edge], np.roll(loop, -1)[edge]], axis=1))
        self.places = np.concatenate(places)
        self.outward = np.concatenate(outward)
        self.outward = unit(self.outward)
        self.tree = cKDTree(self.places)
        self.ends = np.concatenate(ends)
        self.corners = index.vertices
        self.vertices = np.unique(np.concatenate(loops))

    def foot(self, points: Floats) -> tuple[Floats, Ints, Floats]:
        """The nearest points (n, 3) of the border, the ends (n, 2) of the edges they lie on, and
        their shares (n,) of the way along these."""
        edges = self.ends[self.tree.query(points, k=3, workers=threads())[1]]
        start = self.corners[edges[..., 0]]
        step = self.corners[edges[..., 1]] - start
        share = np.einsum("ijk,ijk->ij", points[:, None] - start, step)
        share = np.clip(share / np.maximum((step**2).sum(axis=2), 1e-30), 0, 1)
        foot = start + share[..., None] * step
        pick = np.argmin(np.linalg.norm(points[:, None] - foot, axis=2), axis=1)
        rows = np.arange(len(points))
        return foot[rows, pick], edges[rows, pick], share[rows, pick]

    def past(self, points: Floats, near_mm: float, outside: NDArray[np.bool_]) -> Floats:
        """How far (n,) points lie beyond the wall, negative over the surface.

        Farther than `near_mm` from the border `outside` decides.
        """
        gap, place = self.tree.query(points, distance_upper_bound=near_mm, workers=threads())
        near = np.isfinite(gap)
        value = np.where(outside, near_mm, -near_mm)
        step = points[near] - self.places[place[near]]
        value[near] = np.einsum("ij,ij->i", step, self.outward[place[near]])
        return value


def _averaged(vectors: Floats, length: Floats, reach: float) -> Floats:
    """Unit means of vectors round a closed loop over about `reach` mm to each side."""
    count = len(vectors)
    half = int(min(max(round(reach / max(length.mean(), 1e-9)), 1), (count - 1) // 4))
    wrapped = np.concatenate([vectors[count - half :], vectors, vectors[:half]])
    total = np.cumsum(np.concatenate([np.zeros((1, 3)), wrapped]), axis=0)
    mean: Floats = total[2 * half + 1 :] - total[: -2 * half - 1]
    return unit(mean)
