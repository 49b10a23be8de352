"""The surface where a field is zero, from cells near it only.

Cells are refined coarse to fine and kept while the field at their centre does
not rule the surface out, so the cost grows with the surface's area over h².
The surface in the last cells is extracted by marching cubes with a table built
here so that faces shared by two cells are always cut alike (inside corners
stay apart) and no diagonal lies on a shared face: the result is a manifold,
closed wherever the band is. Method: Lorensen and Cline, Computer Graphics 21
(1987) 163; consistent faces after Montani, Scateni and Scopigno, The Visual
Computer 10 (1994) 353.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["Band", "Lattice", "extract", "lattice_of", "march", "narrow_band"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Field = Callable[[Floats], Floats]
CellField = Callable[[Floats, float], Floats]

_CORNERS = np.array([[(c >> a) & 1 for a in range(3)] for c in range(8)])
_EDGES = [(a, b) for a in range(8) for b in range(8) if b > a and (a ^ b) in (1, 2, 4)]
_HALVES = np.array([[a, b, c] for a in range(3) for b in range(3) for c in range(3)])
_ROW = np.array([9, 3, 1])  # of an offset among these
_INSET = 0.02  # crossings keep this share of an edge from its ends: no zero-size triangle
_EMPTY = np.empty((0, 3))


@dataclass(frozen=True, slots=True)
class Band:
    """Cells of edge `size_mm` whose low corners stand at origin + size * cells (n, 3).

    asked (n,) : the rows that their centres were in the last call of the field
    """

    cells: Ints
    origin: Floats
    size_mm: float
    asked: Ints = field(default_factory=lambda: np.empty(0, np.int64))


@dataclass(frozen=True, slots=True)
class Lattice:
    """The nodes of a band's cells, each cell halved along every axis.

    points (n, 3); of_cell (27, cells) : the nodes of each cell, offset (i, j, k) of 0 to 2 halves
    in row 9 i + 3 j + k; size_mm : from node to node
    """

    points: Floats
    of_cell: Ints
    size_mm: float


def narrow_band(
    field: CellField,
    seeds: Floats,
    reach_mm: float,
    size_mm: float,
    *,
    steepness: float = 1.0,
    slack_mm: float = 0.0,
) -> Band:
    """Cells of twice `size_mm` in which the field may be zero.

    Parameters
    ----------
    field : points (n, 3) mm and the half diagonal of the cells round them -> (n,) mm;
        inf where no surface is wanted within that half diagonal
    seeds : points (m, 3) that the zero surface lies within `reach_mm` of
    size_mm : edge of the cells that `extract` will march (half of these)
    steepness : bound of the field's slope; slack_mm : error of the field
    """
    levels = max(1, int(np.ceil(np.log2(max(reach_mm, size_mm) / size_mm))))
    size = size_mm * 2**levels
    origin = np.floor(seeds.min(axis=0) / size) * size - 2 * size
    cells = _distinct(np.floor((seeds - origin) / size).astype(np.int64))
    spread = int(np.ceil((reach_mm + slack_mm) / size))
    offsets = np.stack(np.meshgrid(*[np.arange(-spread, spread + 1)] * 3), axis=-1).reshape(-1, 3)
    cells = _distinct((cells[:, None] + offsets).reshape(-1, 3))
    while True:
        half_diagonal = size * np.sqrt(3) / 2
        value = field(origin + (cells + 0.5) * size, half_diagonal)
        kept = np.flatnonzero(np.abs(value) <= steepness * half_diagonal + slack_mm)
        cells = cells[kept]
        if size <= 2 * size_mm * (1 + 1e-9):
            return Band(cells, origin, size, kept)
        cells = (2 * cells[:, None] + _CORNERS).reshape(-1, 3)
        size /= 2


def extract(field: Field, band: Band) -> tuple[Floats, Ints, Ints]:
    """Vertices (n, 3), faces (m, 3) of the zero surface, at half the band's cell size.

    Faces look to where the field is positive. The third value (n,) is, for each
    vertex, the row of the nearest of the points that `field` was last asked for.
    """
    if len(band.cells) == 0:
        return _EMPTY, np.empty((0, 3), np.int64), np.empty(0, np.int64)
    lattice = lattice_of(band)
    return march(lattice, field(lattice.points))


def lattice_of(band: Band) -> Lattice:
    """The nodes at which a field's values say where its zero surface runs within a band."""
    size = band.size_mm / 2
    low = band.cells.min(axis=0)
    cells = 2 * (band.cells - low)
    span = cells.max(axis=0) + 3
    stride = np.array([span[1] * span[2], span[2], 1], dtype=np.int64)
    nodes = np.sort(cells @ stride)
    for along in stride[::-1].tolist():
        nodes = _merged(nodes, nodes + along, nodes + 2 * along)
    corner = np.stack(np.unravel_index(nodes, tuple(span)), axis=1)
    points = np.asarray(band.origin + low * band.size_mm + corner * size, dtype=np.float64)
    own = cells @ stride
    of_cell = np.stack([np.searchsorted(nodes, own + step) for step in _HALVES @ stride])
    return Lattice(points, of_cell, size)


def march(lattice: Lattice, value: Floats) -> tuple[Floats, Ints, Ints]:
    """The zero surface of values (n,) at a lattice's nodes, as `extract` gives it."""
    inside = value < 0
    within = inside[lattice.of_cell]
    around = []
    for corner in _CORNERS:
        rows = (_CORNERS + corner) @ _ROW
        mixed = within[rows].any(axis=0) & ~within[rows].all(axis=0)
        around.append(lattice.of_cell[rows[:, None], np.flatnonzero(mixed)].T)
    corners = np.concatenate(around)
    case = (inside[corners] << np.arange(8)).sum(axis=1)

    triangles, counts = _table()
    total = counts[case]
    owner = np.repeat(np.arange(len(case)), total)
    slot = np.arange(len(owner)) - np.repeat(np.cumsum(total) - total, total)
    edge = triangles[case[owner], slot]
    ends = np.array(_EDGES)
    axis = np.argmax(_CORNERS[ends[:, 1]] - _CORNERS[ends[:, 0]], axis=1)
    # Numbered without sorting: there are few more nodes than vertices.
    key = corners[owner[:, None], ends[edge, 0]] * 3 + axis[edge]
    other = np.full(3 * len(value), -1, dtype=np.int64)
    other[key] = corners[owner[:, None], ends[edge, 1]]
    used = other >= 0
    faces = (np.cumsum(used) - 1)[key]
    start, end = np.flatnonzero(used) // 3, other[used]
    share = value[start] / (value[start] - value[end])
    share = np.clip(np.nan_to_num(share, nan=0.5), _INSET, 1 - _INSET)[:, None]
    points = lattice.points[start] * (1 - share) + lattice.points[end] * share
    source = np.where(np.abs(value[start]) <= np.abs(value[end]), start, end)
    return points, faces, source


def _distinct(cells: Ints) -> Ints:
    """The distinct rows of cells (n, 3), sorted."""
    low = cells.min(axis=0)
    span = tuple((cells.max(axis=0) - low + 1).tolist())
    keys = np.unique(np.ravel_multi_index(tuple((cells - low).T), span))
    return np.asarray(np.stack(np.unravel_index(keys, span), axis=1) + low)


def _merged(*rows: Ints) -> Ints:
    """The distinct values of sorted rows, sorted; a stable sort only merges such rows."""
    merged = np.sort(np.concatenate(rows), kind="stable")
    return merged[np.r_[True, merged[1:] != merged[:-1]]]


@cache
def _table() -> tuple[Ints, Ints]:
    """For each of the 256 cases its triangles as edge numbers, and how many they are."""
    rows = [_triangulated(_cycles(case)) for case in range(256)]
    counts = np.array([len(row) for row in rows])
    table = np.zeros((256, counts.max(), 3), dtype=np.int64)
    for case, row in enumerate(rows):
        table[case, : len(row)] = np.reshape(row, (-1, 3))
    return table, counts


def _cycles(case: int) -> list[list[int]]:
    """The closed polygons, as edge numbers, that part inside from outside corners."""
    number = {edge: index for index, edge in enumerate(_EDGES)}
    following: dict[int, int] = {}
    for face in _cube_faces():
        inside = [bool(case >> corner & 1) for corner in face]
        edges = [
            number[min(a, b), max(a, b)] for a, b in zip(face, face[1:] + face[:1], strict=True)
        ]
        for k in range(4):
            if inside[k] or not inside[(k + 1) % 4]:
                continue
            m = (k + 1) % 4  # the run of inside corners starts here: find where it ends
            while inside[(m + 1) % 4]:
                m = (m + 1) % 4
            following[edges[m]] = edges[k]
    cycles = []
    while following:
        start, edge = following.popitem()
        cycle = [start]
        while edge != start:
            cycle.append(edge)
            edge = following.pop(edge)
        cycles.append(cycle)
    return cycles


def _cube_faces() -> list[list[int]]:
    """The six faces as corner numbers, counter-clockwise seen from outside."""
    faces = []
    for axis in range(3):
        u, v = 1 << (axis + 1) % 3, 1 << (axis + 2) % 3
        ring = [0, u, u | v, v]
        faces.append([corner | 1 << axis for corner in ring])
        faces.append(ring[::-1])
    return faces


def _triangulated(cycles: list[list[int]]) -> list[tuple[int, int, int]]:
    """Fans without a diagonal on a cube face; each of the 256 cases has them."""
    triangles: list[tuple[int, int, int]] = []
    for cycle in cycles:
        rings = (cycle[apex:] + cycle[:apex] for apex in range(len(cycle)))
        ring = next(
            ring for ring in rings if not any(_share_face(ring[0], other) for other in ring[2:-1])
        )
        triangles += [(ring[0], two, one) for one, two in pairwise(ring[1:])]
    return triangles


def _share_face(one: int, two: int) -> bool:
    corners = np.array([*_EDGES[one], *_EDGES[two]])
    return any(len({(corner >> axis) & 1 for corner in corners}) == 1 for axis in range(3))
