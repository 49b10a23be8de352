"""Room between bodies along upright rays: what stands free from floor to ceiling."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
import trimesh
from numpy.typing import NDArray

from .visibility import Grid, hits

__all__ = ["Crossings", "crossings_of", "free_lengths"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
# Ray, height and step (+1 in, -1 out) where rays enter and leave what is solid.
Crossings: TypeAlias = tuple[Ints, Floats, Ints]


def free_lengths(
    bodies: Sequence[trimesh.Trimesh],
    grid: Grid,
    least_mm: float,
    top_mm: Floats | float,
    near: Crossings | None = None,
) -> Floats:
    """The length of each ray (shape of the grid) that is free between material below and above.

    bodies : closed meshes that may touch but do not overlap
    least_mm : shorter gaps are joints between bodies, not room
    top_mm : where a gap that opens upward ends, for all or flat for every ray; below the
        lowest material nothing counts
    near : a gap counts only where it reaches into this

    Sum over the gaps of every ray times the step squared is the volume enclosed.
    """
    found = [crossings_of(body, grid) for body in bodies]
    ray = np.concatenate([item[0] for item in found])
    z = np.concatenate([item[1] for item in found])
    step = np.concatenate([item[2] for item in found])
    # Where one body ends and the next begins at one height, the beginning comes first: no gap.
    order = np.lexsort((-step, z, ray))
    ray, z, step = ray[order], z[order], step[order]
    depth = np.cumsum(step)  # every ray leaves as many bodies as it enters
    leaves = np.flatnonzero((step < 0) & (depth == 0))
    following = np.minimum(leaves + 1, len(ray) - 1)
    open_above = (leaves + 1 >= len(ray)) | (ray[following] != ray[leaves])
    top = np.broadcast_to(top_mm, grid.shape[0] * grid.shape[1])[ray[leaves]]
    end = np.where(open_above, np.maximum(top, z[leaves]), np.minimum(z[following], top))
    gap = np.maximum(end - z[leaves], 0)
    gap[gap < least_mm] = 0
    if near is not None:
        gap[~_reaches(near, ray[leaves], z[leaves], end)] = 0
    total = np.bincount(ray[leaves], gap, minlength=grid.shape[0] * grid.shape[1])
    return np.asarray(total.reshape(grid.shape))


def _reaches(near: Crossings, ray: Ints, low: Floats, high: Floats) -> NDArray[np.bool_]:
    """Which spans (n,) of rays reach into what those crossings go in and out of."""
    on, z, step = near
    begun = _before(on[step > 0], z[step > 0], ray, high)
    ended = _before(on[step < 0], z[step < 0], ray, low)
    return begun > ended


def _before(on: Ints, z: Floats, ray: Ints, height: Floats) -> Ints:
    """How many places lie on an earlier ray, or lower on the same, than each of others."""
    order = np.lexsort((np.r_[z, height], np.r_[on, ray]))
    place = order < len(on)
    found = np.empty(len(order), dtype=np.int64)
    found[order] = np.cumsum(place)
    return found[len(on) :]


def crossings_of(body: trimesh.Trimesh, grid: Grid) -> Crossings:
    """Where rays enter and leave a body."""
    corners = body.vertices[body.faces][..., :2]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    up = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0] > 0
    rays, heights, steps = [], [], []
    for ray, z, face in hits(np.asarray(body.vertices), np.asarray(body.faces), grid):
        rays.append(ray)
        heights.append(z)
        steps.append(np.where(up[face], -1, 1))
    if not rays:
        return np.empty(0, int), np.empty(0), np.empty(0, int)
    return np.concatenate(rays), np.concatenate(heights), np.concatenate(steps)
