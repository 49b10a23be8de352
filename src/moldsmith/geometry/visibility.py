"""What stands over what along z, from rays on a square grid."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Grid",
    "grid_over",
    "highest",
    "highest_on_line",
    "hits",
    "lowest",
    "lowest_on_line",
]

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


def grid_over(low: Floats, high: Floats, step_mm: float) -> Grid:
    """The grid of rays over a plan rectangle, set off by odd amounts so that no
    ray runs along a wall or an edge at a round measure."""
    shape = np.ceil((np.asarray(high) - low) / step_mm).astype(int) + 1
    origin = np.asarray(low) - step_mm * np.array([0.3819, 0.2764])
    return Grid(origin, step_mm, (int(shape[0]) + 1, int(shape[1]) + 1))


def highest(vertices: Floats, faces: Ints, grid: Grid) -> Floats:
    """The highest point of a closed surface on each ray (shape of the grid); −inf where none is.

    Exact heights, no drawing error. Cost grows with the plan area of the
    triangles that face up over the step squared.
    """
    return _topmost(vertices, faces, grid)


def lowest(vertices: Floats, faces: Ints, grid: Grid) -> Floats:
    """The lowest point of a closed surface on each ray; inf where none is."""
    return -_topmost(vertices * np.array([1.0, 1.0, -1.0]), faces[:, ::-1], grid)


def highest_on_line(
    vertices: Floats, faces: Ints, start: Floats, way: Floats, along: Floats
) -> Floats:
    """As `highest`, on the rays of a line in plan alone: exact, however close they are.

    start (2,), way (2,) of unit length; along (n,) : distances from the start, evenly spaced.
    Cost: looking at every face once, and the rays.
    """
    x, y = way
    side = (vertices[:, :2] - start) @ np.array([-y, x])
    one, two, three = (side >= 0)[faces].T
    met = faces[(one != two) | (two != three)]
    met = met[_facing(vertices[met][..., :2]) > 0]
    ends = _cut(vertices, side, met)
    distance = (ends[..., :2] - start) @ np.array([x, y])
    near, far = distance.min(axis=1), distance.max(axis=1)
    step = float(along[1] - along[0])
    first = np.maximum(np.ceil((near - along[0]) / step).astype(np.int64), 0)
    last = np.minimum(np.floor((far - along[0]) / step).astype(np.int64), len(along) - 1)
    count = np.maximum(last - first + 1, 0)
    owner = np.repeat(np.arange(len(met)), count)
    ray = first[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    begin, height = distance[owner, 0], ends[owner, :, 2]
    length = distance[owner, 1] - begin
    share = (along[ray] - begin) / np.where(length == 0, 1, length)
    top = np.full(len(along), -np.inf)
    np.maximum.at(top, ray, height[:, 0] + share * (height[:, 1] - height[:, 0]))
    return top


def lowest_on_line(
    vertices: Floats, faces: Ints, start: Floats, way: Floats, along: Floats
) -> Floats:
    """As `lowest`, on the rays of a line in plan alone."""
    turned = vertices * np.array([1.0, 1.0, -1.0])
    return -highest_on_line(turned, faces[:, ::-1], start, way, along)


def _cut(vertices: Floats, side: Floats, faces: Ints) -> Floats:
    """Where the upright plane `side` = 0 enters and leaves each of the faces it cuts: (m, 2, 3)."""
    beyond = side[faces] >= 0
    lone = np.argmax(beyond == (beyond.sum(axis=1) == 1)[:, None], axis=1)
    rows = np.arange(len(faces))
    apex = faces[rows, lone]
    ends = []
    for turn in (1, 2):
        other = faces[rows, (lone + turn) % 3]
        share = (side[apex] / (side[apex] - side[other]))[:, None]
        ends.append(vertices[apex] + share * (vertices[other] - vertices[apex]))
    return np.stack(ends, axis=1)


def hits(vertices: Floats, faces: Ints, grid: Grid) -> Iterator[tuple[Ints, Floats, Ints]]:
    """Flat ray number, height and face of every meeting of a ray with a face, in parts.

    Faces seen edge-on are left out. Cost grows with the plan area over the step squared.
    """
    corners = vertices[faces]
    plan = (corners[..., :2] - grid.low) / grid.step_mm
    height = corners[..., 2]
    first = np.maximum(np.ceil(plan.min(axis=1)).astype(np.int64), 0)
    last = np.minimum(np.floor(plan.max(axis=1)).astype(np.int64), np.array(grid.shape) - 1)
    span = np.maximum(last - first + 1, 0)
    count = span[:, 0] * span[:, 1]
    busy = np.flatnonzero((count > 0) & (_facing(plan) != 0))
    parts = np.cumsum(count[busy]) // _CHUNK
    for part in np.unique(parts):
        rows = busy[parts == part]
        owner = np.repeat(rows, count[rows])
        total = count[rows]
        rank = np.arange(len(owner)) - np.repeat(np.cumsum(total) - total, total)
        i = first[owner, 0] + rank // span[owner, 1]
        j = first[owner, 1] + rank % span[owner, 1]
        hit, z = _met(plan[owner], height[owner], i, j)
        yield (i * grid.shape[1] + j)[hit], z, owner[hit]


def _facing(plan: Floats) -> Floats:
    """Twice the signed plan area of triangles (m, 3, 2): above 0 where they look up."""
    one, two = plan[:, 1] - plan[:, 0], plan[:, 2] - plan[:, 0]
    return np.asarray(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])


def _topmost(vertices: Floats, faces: Ints, grid: Grid) -> Floats:
    # The highest point of a closed surface lies on a face that looks up.
    up = _facing(vertices[faces][..., :2]) > 0
    top = np.full(grid.shape[0] * grid.shape[1], -np.inf)
    for ray, z, _ in hits(vertices, faces[up], grid):
        np.maximum.at(top, ray, z)
    return top.reshape(grid.shape)


def _met(plan: Floats, height: Floats, i: Ints, j: Ints) -> tuple[NDArray[np.bool_], Floats]:
    """Which rays (i, j) meet the triangle given for each, and at what heights."""
    (ax, ay), (bx, by), (cx, cy) = (plan[:, corner].T for corner in range(3))
    det = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    two = ((i - ax) * (cy - ay) - (j - ay) * (cx - ax)) / det
    three = ((bx - ax) * (j - ay) - (by - ay) * (i - ax)) / det
    hit = (two >= 0) & (three >= 0) & (two + three <= 1)
    two, three, height = two[hit], three[hit], height[hit]
    z = height[:, 0] * (1 - two - three) + height[:, 1] * two + height[:, 2] * three
    return hit, z
