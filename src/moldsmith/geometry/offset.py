"""The sheet at a varying distance from one side of a surface.

f(x) = s(x) − t(c(x)), with s the distance of x on the wanted side, c the
closest point and t the distance wanted there. Its zero surface is found on a
narrow band with the nearest samples' distances, then every vertex is moved to
the exact level. Where t exceeds the local radius of curvature the sheet stays
an outer envelope and does not fold. Over an open surface the sheet ends at the
border; over a closed one it is closed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from .crossings import crossing_faces
from .distance import SurfaceIndex
from .isosurface import lattice_of, march, narrow_band
from .levelling import face_normals, settled, to_level
from .rim import Rim
from .sampled import SampledField
from .topology import border_edges, border_loops, compact, components, edge_keys, half_edges
from .vectors import unit

__all__ = ["Sheet", "offset_sheet"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_FARTHEST_CELLS = 1.5  # from the marched place to the level
_FAR = 0.3  # cells moved, from where on two parts of the sheet may pass through each other
_UNCROSSING = 14  # attempts
_BENT = 0.7  # mean of the unit normals about a corner; about the edge of a folded sheet it is less


@dataclass(frozen=True, slots=True)
class Sheet:
    """An offset sheet: vertices (n, 3), faces (m, 3) looking away from the surface it came from.

    error_mm (n,) is how far each vertex lies off the wanted distance.
    cells is how many field values were asked for.
    """

    vertices: Floats
    faces: Ints
    error_mm: Floats
    cells: int


def offset_sheet(index: SurfaceIndex, distance_mm: Floats, *, side: float, cell_mm: float) -> Sheet:
    """The sheet `distance_mm` (n,), given at the vertices, from an oriented surface.

    Parameters
    ----------
    index : the surface; its sample spacing should be about the cell size
    side : +1 in front of the surface, −1 behind it
    cell_mm : edge of the marched cells

    Over an open surface the sheet ends on the wall that stands on the border; over
    a closed one it is closed, and may be of several pieces or none.
    """
    normals, form = index.smoothed_normals(2), index.smoothed_normals(6)
    rim = None
    if len(border_edges(index.faces)):
        rim = Rim(index, form, cell_mm / 4, 2 * cell_mm)
    field = SampledField(index, distance_mm, normals, form, side, rim, cell_mm)
    band = narrow_band(
        field.of_cells,
        index.sample_points,
        float(distance_mm.max()),
        cell_mm,
        slack_mm=0.3 * index.spacing_mm,
    )
    if len(band.cells) == 0:
        return Sheet(np.empty((0, 3)), np.empty((0, 3), np.int64), np.empty(0), field.count)
    lattice = lattice_of(band)
    value, near = field.of_nodes(lattice, band)
    vertices, faces, source = march(lattice, value)
    if len(faces) == 0:
        return Sheet(vertices, faces, np.empty(0), field.count)
    found = index.closest(vertices, near[source])
    marched = vertices
    if rim is None:
        vertices, found = to_level(index, vertices, faces, found, distance_mm, side)
        both = np.column_stack([vertices, marched, found.face])
    else:
        near_mm = float(distance_mm[rim.vertices].max()) + 3 * cell_mm
        past = rim.past(vertices, near_mm, found.on_border)
        # What lies well beyond the rim is not part of the sheet and only confuses the levelling.
        faces = faces[(past[faces] < 1.5 * cell_mm).all(axis=1)]
        vertices, found = to_level(index, vertices, faces, found, distance_mm, side)
        past = _without_islands(faces, rim.past(vertices, near_mm, found.on_border))
        both, faces = _cut(np.column_stack([vertices, marched, found.face]), faces, past)
    both, faces = _without_crumbs(both, faces, at_border=rim is not None)
    if len(faces) == 0:
        return Sheet(both[:, :3], faces, np.empty(0), field.count)
    vertices, marched = both[:, :3].copy(), both[:, 3:6]
    if rim is not None:
        faces = _without_pinholes(vertices, faces, rim.count, 14 * cell_mm)
    near = both[:, 6].astype(np.int64)
    vertices, error = settled(index, vertices, faces, near, distance_mm, side)
    ends = np.unique(border_edges(faces))
    if rim is not None:
        _end_over_border(vertices, ends, rim, distance_mm, cell_mm)
    # A walk gone astray may have carried a vertex off: the march knows where it belongs.
    astray = np.linalg.norm(vertices - marched, axis=1) > _FARTHEST_CELLS * cell_mm
    vertices[astray] = marched[astray]
    vertices, moved = _uncrossed(marched, vertices, faces, cell_mm)
    moved |= astray
    moved[ends] = True
    again = index.closest(vertices[moved])
    error[moved] = again.distance - index.interpolate(distance_mm, again)
    return Sheet(vertices, faces, error, field.count)


def _end_over_border(
    vertices: Floats, ends: Ints, rim: Rim, distance: Floats, cell_mm: float
) -> None:
    """Set the sheet's last vertices at the distance from the border itself.

    A bump of the surface beside the border would otherwise lift the sheet's end. Only
    where that is near: farther off another part of the surface may be the nearest.
    """
    foot, edge, share = rim.foot(vertices[ends])
    wanted = distance[edge[:, 0]] * (1 - share) + distance[edge[:, 1]] * share
    away = vertices[ends] - foot
    near = np.abs(np.linalg.norm(away, axis=1) - wanted) < cell_mm
    near &= wanted < 3 * cell_mm
    vertices[ends[near]] = (foot + unit(away) * wanted[:, None])[near]


def _uncrossed(
    marched: Floats, levelled: Floats, faces: Ints, cell_mm: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Levelled vertices drawn back where faces cross, and which (n,) were.

    The surface as it was marched never crosses itself; on sharp ridges the levelling
    can fold it. There vertices go back by quarters of the way.
    """
    share = np.ones(len(levelled))
    far = np.linalg.norm(levelled - marched, axis=1) > _FAR * cell_mm
    one, two = face_normals(levelled, faces), face_normals(marched, faces)
    sizes = np.einsum("ij,ij->i", one, one) * np.einsum("ij,ij->i", two, two)
    turned = np.einsum("ij,ij->i", one, two) <= 0.8 * np.sqrt(sizes)
    doubtful = far[faces].any(axis=1) | turned | _bent(one, faces, len(levelled))
    for attempt in range(_UNCROSSING):
        vertices = marched + share[:, None] * (levelled - marched)
        # As an STL file will store them: rounding too can make slivers cross.
        vertices = vertices.astype(np.float32).astype(np.float64)
        crossed = crossing_faces(vertices, faces, doubtful)
        if not crossed.any():
            break
        back = np.zeros(len(share), dtype=bool)
        back[faces[crossed]] = True
        for _ in range(max(attempt - 4, 0) // 2):  # what stays wrong takes its surroundings along
            back[faces[back[faces].any(axis=1)]] = True
        share[back] = np.maximum(share[back] - 0.25, 0)
        doubtful = crossed | back[faces].any(axis=1)  # the others have been looked at
    return vertices, share < 1


def _bent(normals: Floats, faces: Ints, count: int) -> NDArray[np.bool_]:
    """Which faces (m,) have a corner, of `count`, about which the faces look different ways."""
    normals = unit(normals)
    mean = np.zeros(count)
    for axis in range(3):
        part = np.repeat(normals[:, axis], 3)
        mean += np.bincount(faces.ravel(), part, minlength=count) ** 2
    around = np.bincount(faces.ravel(), minlength=count)
    bent = mean < (_BENT * around) ** 2
    return np.asarray(bent[faces].any(axis=1))


def _without_islands(faces: Ints, past: Floats) -> Floats:
    """`past` with every patch of points beyond the wall that the sheet's own end does not touch
    counted as over the surface: roughness of the border would punch holes there."""
    faces = faces[(past[faces] >= 0).any(axis=1)]
    edges = half_edges(faces)
    edges = edges[(past[edges] >= 0).all(axis=1)]
    graph = sparse.coo_array((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), (len(past),) * 2)
    count, label = csgraph.connected_components(graph, directed=False)
    at_end = np.zeros(count, dtype=bool)
    # Of the edges that only these few faces have, some are no border; not at a point beyond.
    ends = border_edges(faces)
    at_end[label[ends[past[ends] >= 0]]] = True
    return np.where((past >= 0) & ~at_end[label], -1e-6, past)


def _cut(vertices: Floats, faces: Ints, value: Floats) -> tuple[Floats, Ints]:
    """The part of the surface where the vertex values are negative, cut on straight edges.

    The last column of `vertices` is of numbers that are not to be mixed.
    """
    value = np.where(np.abs(value) < 1e-9, -1e-9, value)
    inside = value < 0
    count = inside[faces].sum(axis=1)
    whole = faces[count == 3]
    # Turn each cut face so that its single corner (inside or outside) comes first.
    single = faces[(count == 1) | (count == 2)]
    lone_in = inside[single].sum(axis=1) == 1
    lone = np.argmax(inside[single] == lone_in[:, None], axis=1)
    single = single[np.arange(len(single))[:, None], (lone[:, None] + np.arange(3)) % 3]
    pairs = np.concatenate([single[:, [0, 1]], single[:, [0, 2]]])
    keys, number = np.unique(edge_keys(pairs), return_inverse=True)
    edges = np.stack([keys >> 32, keys & 0xFFFFFFFF], axis=1)
    number = number.reshape(2, -1) + len(vertices)
    a, b = value[edges[:, 0]], value[edges[:, 1]]
    share = np.clip(a / (a - b), 0.05, 0.95)[:, None]  # no slivers
    fresh = vertices[edges[:, 0]] * (1 - share) + vertices[edges[:, 1]] * share
    fresh[:, -1] = vertices[edges[:, 0], -1]  # a face's number
    tip = np.stack([single[:, 0], number[0], number[1]], axis=1)[lone_in]
    p, q = number[0][~lone_in], number[1][~lone_in]
    b_, c_ = single[~lone_in, 1], single[~lone_in, 2]
    trunk = np.concatenate([np.stack([p, b_, c_], axis=1), np.stack([p, c_, q], axis=1)])
    return compact(np.concatenate([vertices, fresh]), np.concatenate([whole, tip, trunk]))


def _without_crumbs(vertices: Floats, faces: Ints, *, at_border: bool) -> tuple[Floats, Ints]:
    """The mesh without crumbs and, with `at_border`, without closed bubbles."""
    if len(faces) == 0:
        return vertices, faces
    count, label = components(faces)
    size = np.bincount(label, minlength=count)
    keep = size >= 0.02 * size.max()
    if at_border:
        rim = np.zeros(len(vertices), dtype=bool)
        rim[border_edges(faces)] = True
        reaches = np.bincount(label, rim[faces].any(axis=1), minlength=count) > 0
        keep = reaches & (size >= 0.02 * size[reaches].max(initial=0))
    return compact(vertices, faces[keep[label]])


def _without_pinholes(vertices: Floats, faces: Ints, kept: int, round_mm: float) -> Ints:
    """Faces with every border closed that is shorter round than a length, but the longest `kept`.

    A few corners of the march that read as beyond the rim leave such a hole.
    """
    try:
        loops = border_loops(faces)
    except ValueError:
        return faces  # two borders touch: whoever joins the sheet to the surface says so
    fans = [faces]
    for loop in loops[kept:]:
        ring = vertices[loop]
        if np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum() < round_mm:
            hub = np.full(len(loop) - 2, loop[0])
            fans.append(np.stack([hub, loop[2:], loop[1:-1]], axis=1))
    return np.concatenate(fans)
