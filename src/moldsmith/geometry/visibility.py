"""What stands over what along z, from rays on a square grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Columns", "Grid", "columns", "grid_over"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_CHUNK = 4_000_000


@dataclass(frozen=True, slots=True)
class Grid:
    """Rays at low + step * (i, j), i < shape[0], j < shape[1]."""

    low: Floats
    step_mm: float
    shape: tuple[int, int]

    def places(self, rows: Ints) -> Floats:
        """Plan points (n, 2) of flat ray numbers."""
        return self.low + self.step_mm * np.stack(np.unravel_index(rows, self.shape), axis=1)


@dataclass(frozen=True, slots=True)
class Columns:
    """Lowest and highest surface on each ray (shape of the grid); inf and −inf where none is."""

    low: Floats
    high: Floats


def grid_over(low: Floats, high: Floats, step_mm: float) -> Grid:
    """The grid of rays over a plan rectangle, set off by odd amounts so that no
    ray runs along a wall or an edge at a round measure."""
    shape = np.ceil((np.asarray(high) - low) / step_mm).astype(int) + 1
    origin = np.asarray(low) - step_mm * np.array([0.3819, 0.2764])
    return Grid(origin, step_mm, (int(shape[0]) + 1, int(shape[1]) + 1))


def columns(vertices: Floats, faces: Ints, grid: Grid) -> Columns:
    """Where vertical rays enter and leave a surface: exact heights, no drawing error.

    Cost grows with the plan area of the triangles over the step squared.
    """
    corners = vertices[faces]
    plan = (corners[..., :2] - grid.low) / grid.step_mm
    first = np.maximum(np.ceil(plan.min(axis=1)).astype(np.int64), 0)
    last = np.minimum(np.floor(plan.max(axis=1)).astype(np.int64), np.array(grid.shape) - 1)
    span = np.maximum(last - first + 1, 0)
    count = span[:, 0] * span[:, 1]
    low = np.full(grid.shape[0] * grid.shape[1], np.inf)
    high = np.full(len(low), -np.inf)
    busy = np.flatnonzero(count)
    ends = np.cumsum(count[busy])
    cuts = np.searchsorted(ends, np.arange(_CHUNK, ends[-1] + _CHUNK, _CHUNK)) if len(busy) else []
    start = 0
    for cut in cuts:
        rows = busy[start : cut + 1]
        start = cut + 1
        if len(rows):
            _sample(plan, corners[..., 2], rows, first, span, count, grid, low, high)
    return Columns(low.reshape(grid.shape), high.reshape(grid.shape))


def _sample(
    plan: Floats,
    height: Floats,
    rows: Ints,
    first: Ints,
    span: Ints,
    count: Ints,
    grid: Grid,
    low: Floats,
    high: Floats,
) -> None:
    """Heights of some triangles on the rays within their plan boxes."""
    owner = np.repeat(rows, count[rows])
    total = count[rows]
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(total) - total, total)
    i = first[owner, 0] + rank // span[owner, 1]
    j = first[owner, 1] + rank % span[owner, 1]
    a, b, c = plan[owner, 0], plan[owner, 1], plan[owner, 2]
    det = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    det = np.where(det == 0, np.inf, det)  # a triangle seen edge-on covers no ray
    two = ((i - a[:, 0]) * (c[:, 1] - a[:, 1]) - (j - a[:, 1]) * (c[:, 0] - a[:, 0])) / det
    three = ((b[:, 0] - a[:, 0]) * (j - a[:, 1]) - (b[:, 1] - a[:, 1]) * (i - a[:, 0])) / det
    one = 1 - two - three
    hit = (one >= 0) & (two >= 0) & (three >= 0) & np.isfinite(det)
    owner, flat = owner[hit], i[hit] * grid.shape[1] + j[hit]
    z = np.einsum(
        "ij,ij->i", np.stack([one[hit], two[hit], three[hit]], axis=1), height[owner]
    )
    np.minimum.at(low, flat, z)
    np.maximum.at(high, flat, z)
