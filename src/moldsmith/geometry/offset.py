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
from scipy.spatial import cKDTree

from .crossings import crossing_faces
from .distance import Closest, SurfaceIndex
from .isosurface import extract, narrow_band
from .topology import border_edges, border_loops, compact, components, edge_keys, half_edges
from .vectors import unit

__all__ = ["Sheet", "offset_sheet"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_SETTLED_MM = 1e-6
_FARTHEST_CELLS = 1.5  # from the marched place to the level
_UNCROSSING = 14  # attempts


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


class _Rim:
    """The wall that stands on the border of a surface: where a sheet over it ends.

    Normals and directions are averaged over some millimetres along the border, so
    that roughness of the surface does not fray the sheet.
    """

    def __init__(self, index: SurfaceIndex, normals: Floats, spacing: float, reach: float) -> None:
        places, outward, ends = [], [], []
        for loop in border_loops(index.faces):
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
        self.vertices = index.vertices

    def foot(self, points: Floats) -> tuple[Floats, Ints, Floats]:
        """The nearest points (n, 3) of the border, the ends (n, 2) of the edges they lie on, and
        their shares (n,) of the way along these."""
        edges = self.ends[self.tree.query(points, k=3, workers=-1)[1]]
        start = self.vertices[edges[..., 0]]
        step = self.vertices[edges[..., 1]] - start
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
        gap, place = self.tree.query(points, distance_upper_bound=near_mm, workers=-1)
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


class _SampledField:
    """f from the nearest sample alone; remembers the samples it used last."""

    def __init__(
        self, index: SurfaceIndex, distance: Floats, normals: Floats, side: float, rim: _Rim | None
    ) -> None:
        corner = index.faces[index.sample_faces]
        weights = index.sample_weights
        self.normal = side * np.einsum("ij,ijk->ik", weights, normals[corner])
        self.normal = unit(self.normal)
        self.wanted = np.einsum("ij,ij->i", weights, distance[corner])
        self.outward = np.zeros_like(index.sample_points)
        if rim is not None:
            gap, place = rim.tree.query(index.sample_points, distance_upper_bound=index.spacing_mm)
            at_rim = np.isfinite(gap)
            self.outward[at_rim] = rim.outward[place[at_rim]]
        self.index = index
        self.last: Ints = np.empty(0, np.int64)
        self.count = 0

    def __call__(self, points: Floats) -> Floats:
        return self._value(points)[0]

    def of_cells(self, points: Floats, half_diagonal: float) -> Floats:
        value, step = self._value(points)
        beyond = np.einsum("ij,ij->i", step, self.outward[self.last])
        margin = half_diagonal + 2 * self.index.spacing_mm
        return np.where(beyond > margin, np.inf, value)

    def _value(self, points: Floats) -> tuple[Floats, Floats]:
        gap, self.last = self.index.nearest_samples(points)
        self.count += len(points)
        step = points - self.index.sample_points[self.last]
        along = np.einsum("ij,ij->i", step, self.normal[self.last])
        # The true distance is at least the height over the tangent plane, and at
        # least what is left when the foot lies a sample's reach aside.
        reach = 0.6 * self.index.spacing_mm
        height = np.sqrt(np.maximum(along**2, gap**2 - reach**2))
        return np.copysign(height, along) - self.wanted[self.last], step


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
    normals = index.smoothed_normals(2)
    border = border_edges(index.faces)
    rim = None
    if len(border):
        rim = _Rim(index, index.smoothed_normals(6), cell_mm / 4, 2 * cell_mm)
    field = _SampledField(index, distance_mm, normals, side, rim)
    slope = _steepest(index, distance_mm)
    band = narrow_band(
        field.of_cells,
        index.sample_points,
        float(distance_mm.max()),
        cell_mm,
        steepness=1 + 2 * slope,
        slack_mm=0.3 * index.spacing_mm,
    )
    vertices, faces, source = extract(field, band)
    if len(faces) == 0:
        return Sheet(vertices, faces, np.empty(0), field.count)
    found = index.closest(vertices, index.sample_faces[field.last[source]])
    marched = vertices
    if rim is None:
        vertices, _ = _to_level(index, vertices, faces, found, distance_mm, side)
    else:
        near_mm = float(distance_mm[np.unique(border)].max()) + 3 * cell_mm
        past = rim.past(vertices, near_mm, found.on_border)
        # What lies well beyond the rim is not part of the sheet and only confuses the levelling.
        faces = faces[(past[faces] < 1.5 * cell_mm).all(axis=1)]
        vertices, found = _to_level(index, vertices, faces, found, distance_mm, side)
        past = _without_islands(faces, rim.past(vertices, near_mm, found.on_border))
        both, faces = _cut(np.hstack([vertices, marched]), faces, past)
        vertices, marched = both[:, :3], both[:, 3:]
    both = np.hstack([vertices, marched])
    both, faces = _without_crumbs(both, faces, at_border=rim is not None)
    if len(faces) == 0:
        return Sheet(both[:, :3], faces, np.empty(0), field.count)
    if rim is not None:
        kept = len(border_loops(index.faces))
        faces = _without_pinholes(both[:, :3], faces, kept, 14 * cell_mm)
    vertices, error = _settled(index, both[:, :3].copy(), distance_mm, side)
    if rim is not None:
        _end_over_border(vertices, np.unique(border_edges(faces)), rim, distance_mm, cell_mm)
    # A walk gone astray may have carried a vertex off: the march knows where it belongs.
    astray = np.linalg.norm(vertices - both[:, 3:], axis=1) > _FARTHEST_CELLS * cell_mm
    vertices[astray] = both[astray, 3:]
    vertices, moved = _uncrossed(both[:, 3:], vertices, faces, cell_mm)
    moved |= astray
    if rim is not None:
        moved[border_edges(faces)] = True
    again = index.closest(vertices[moved])
    error[moved] = again.distance - index.interpolate(distance_mm, again)
    return Sheet(vertices, faces, error, field.count)


def _settled(
    index: SurfaceIndex, vertices: Floats, distance: Floats, side: float
) -> tuple[Floats, Floats]:
    """Vertices that were not on the level moved once more, and what error (n,) is left.

    Closest points are looked up anew, for walks from an earlier place may have gone astray.
    """
    found = index.closest(vertices)
    error = found.distance - index.interpolate(distance, found)
    off = np.flatnonzero(np.abs(error) > _SETTLED_MM)
    moved = _on_level(index, vertices[off], found.of(off), distance, side)
    again = index.closest(moved)
    vertices[off] = moved
    error[off] = again.distance - index.interpolate(distance, again)
    return vertices, error


def _end_over_border(
    vertices: Floats, ends: Ints, rim: _Rim, distance: Floats, cell_mm: float
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
    far = np.linalg.norm(levelled - marched, axis=1) > 0.2 * cell_mm
    turn = unit(_face_normals(levelled, faces)) * unit(_face_normals(marched, faces))
    doubtful = far[faces].any(axis=1) | (turn.sum(axis=1) < 0.8)
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
        doubtful |= back[faces].any(axis=1)
    return vertices, share < 1


def _to_level(
    index: SurfaceIndex,
    vertices: Floats,
    faces: Ints,
    found: Closest,
    distance: Floats,
    side: float,
) -> tuple[Floats, Closest]:
    """Move vertices to the exact level; leave those be whose faces would turn over."""
    levelled = _on_level(index, vertices, found, distance, side)
    again = index.closest(levelled, found.face)
    levelled = _on_level(index, levelled, again, distance, side)
    before = _face_normals(vertices, faces)
    kept = np.zeros(len(vertices), dtype=bool)
    for _ in range(4):
        turned = np.einsum("ij,ij->i", _face_normals(levelled, faces), before) <= 0
        turned &= ~kept[faces].all(axis=1)
        if not turned.any():
            break
        kept[faces[turned]] = True
        levelled = np.where(kept[:, None], vertices, levelled)
    return levelled, index.closest(levelled, again.face)


def _on_level(
    index: SurfaceIndex, points: Floats, found: Closest, distance: Floats, side: float
) -> Floats:
    """Points moved along the line from their closest point to the wanted distance."""
    away = points - found.point
    normal = side * index.normal_at(found)
    wrong = np.einsum("ij,ij->i", away, normal) <= 0.05 * found.distance
    away[wrong] = normal[wrong]
    return found.point + unit(away) * index.interpolate(distance, found)[:, None]


def _without_islands(faces: Ints, past: Floats) -> Floats:
    """`past` with every patch of points beyond the wall that the sheet's own end does not touch
    counted as over the surface: roughness of the border would punch holes there."""
    edges = half_edges(faces)
    edges = edges[(past[edges] >= 0).all(axis=1)]
    graph = sparse.coo_array((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), (len(past),) * 2)
    count, label = csgraph.connected_components(graph, directed=False)
    at_end = np.zeros(count, dtype=bool)
    at_end[label[border_edges(faces)]] = True
    return np.where((past >= 0) & ~at_end[label], -1e-6, past)


def _cut(vertices: Floats, faces: Ints, value: Floats) -> tuple[Floats, Ints]:
    """The part of the surface where the vertex values are negative, cut on straight edges."""
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


def _face_normals(vertices: Floats, faces: Ints) -> Floats:
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    return np.cross(b - a, c - a)


def _steepest(index: SurfaceIndex, value: Floats) -> float:
    """The steepest slope of a field given at the vertices, over all but the last slivers."""
    corners, level = index.vertices[index.faces], value[index.faces]
    edge = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    rise = np.abs(level - np.roll(level, 1, axis=1))
    return float(np.quantile((rise / np.maximum(edge, 1e-9)).max(axis=1), 0.999))
