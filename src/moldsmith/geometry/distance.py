"""Closest points on a triangle surface, for millions of query points.

A k-d tree over samples of the surface finds a triangle near the closest point;
a walk from triangle to neighbouring triangle, each step strictly nearer, ends
at the closest point itself. Both work on whole arrays.

Distance of a point to a triangle: Ericson, *Real-Time Collision Detection*
(2005) §5.1.5. Sign by the angle-weighted pseudonormal: Baerentzen and Aanaes,
IEEE Trans. Vis. Comput. Graph. 11 (2005) 243.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from .threads import threads
from .topology import edge_keys, half_edges
from .vectors import unit

__all__ = ["Closest", "SurfaceIndex", "vertex_normals"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_MAX_STEPS = 40


@dataclass(frozen=True, slots=True)
class Closest:
    """Closest points on the surface of n query points.

    point (n, 3), face (n,), weights (n, 3) barycentric, distance (n,) mm,
    on_border (n,): the closest point lies on an edge that only one face has.
    """

    point: Floats
    face: Ints
    weights: Floats
    distance: Floats
    on_border: Mask

    def of(self, rows: Ints) -> Closest:
        """Those of some of the query points."""
        return Closest(
            self.point[rows],
            self.face[rows],
            self.weights[rows],
            self.distance[rows],
            self.on_border[rows],
        )

    def put(self, rows: Ints, others: Closest) -> Closest:
        """These with others in place of some."""
        changed = []
        for name in ("point", "face", "weights", "distance", "on_border"):
            values = getattr(self, name).copy()
            values[rows] = getattr(others, name)
            changed.append(values)
        return Closest(*changed)

    def with_nearer(self, rows: Ints, others: Closest) -> Closest:
        """These with others in place of some, where they are nearer."""
        nearer = np.flatnonzero(others.distance < self.distance[rows])
        return self.put(rows[nearer], others.of(nearer))


class SurfaceIndex:
    """A triangle surface made ready for closest-point queries.

    Parameters
    ----------
    vertices (n, 3), faces (m, 3) : the surface, open or closed
    spacing_mm : no point of the surface is farther than about 0.6 of this from a sample
    """

    def __init__(self, vertices: Floats, faces: Ints, spacing_mm: float) -> None:
        self.vertices = np.ascontiguousarray(vertices, dtype=np.float64)
        self.faces = np.ascontiguousarray(faces, dtype=np.int64)
        self.spacing_mm = spacing_mm
        self.neighbours = _neighbours(self.faces)
        corners = np.argsort(self.faces.ravel(), kind="stable")
        self._fan = corners // 3
        self._fan_ends = [
            self.faces.ravel()[3 * self._fan + (corners + turn) % 3] for turn in (1, 2)
        ]
        self._fan_start = np.searchsorted(
            self.faces.ravel()[corners], np.arange(len(self.vertices) + 1)
        )
        self.sample_points, self.sample_faces, self.sample_weights = _samples(
            self.vertices, self.faces, spacing_mm
        )
        # Measured: loose nodes with many samples are searched in a third of the default's time.
        self.tree = cKDTree(
            self.sample_points, leafsize=32, balanced_tree=False, compact_nodes=False
        )
        self._corners = self.vertices[self.faces]
        self._frames = _Frames(self._corners)

    @cached_property
    def normals(self) -> Floats:
        """Unit vertex normals (n, 3)."""
        return vertex_normals(self.vertices, self.faces)

    def nearest_samples(self, points: Floats, slack: float = 0.0) -> tuple[Floats, Ints]:
        """Distance to and number of the nearest sample of each point.

        slack : share by which the one found may be farther than the nearest; points
        about equally far from all samples are found much faster with some
        """
        distance, sample = self.tree.query(points, eps=slack, workers=threads())
        return distance, sample

    def closest(self, points: Floats, start: Ints | None = None) -> Closest:
        """The closest points on the surface.

        start : (n,) faces to walk from; the nearest samples' faces when left out
        """
        if start is None:
            start = self.sample_faces[self.nearest_samples(points)[1]]
        points = np.ascontiguousarray(points, dtype=np.float64)
        face = np.array(start)
        weights, square = self._frames.nearest(points, face)
        walking = np.flatnonzero((weights <= 0).any(axis=1))
        for _ in range(_MAX_STEPS):
            active = walking
            while len(active):
                active = self._step(points, face, weights, square, active)
            # A walk can halt at a corner where only a face across the corner is nearer.
            halted = walking[(weights[walking] <= 0).sum(axis=1) == 2]
            walking = self._across_corner(points, face, weights, square, halted)
            if len(walking) == 0:
                break
        point = np.einsum("ij,ijk->ik", weights, self._corners[face])
        border = np.any((weights <= 1e-12) & (self.neighbours[face] < 0), axis=1)
        return Closest(point, face, weights, np.sqrt(square), border)

    def _step(
        self, points: Floats, face: Ints, weights: Floats, square: Floats, active: Ints
    ) -> Ints:
        """Try the neighbours across the edges each closest point lies on; give those that moved."""
        moved: Mask = np.zeros(len(active), dtype=bool)
        around = self.neighbours.take(face[active], axis=0)
        leading = (weights.take(active, axis=0) <= 0) & (around >= 0)
        for corner in range(3):
            row = np.flatnonzero(leading[:, corner] & ~moved)
            if len(row) == 0:
                continue
            who, other = active[row], around[row, corner]
            tried, found = self._frames.nearest(points.take(who, axis=0), other)
            nearer = np.flatnonzero(found < square[who] * (1 - 1e-12) - 1e-18)
            take = who[nearer]
            face[take], weights[take], square[take] = other[nearer], tried[nearer], found[nearer]
            moved[row[nearer]] = True
        return active[moved]

    def _across_corner(
        self, points: Floats, face: Ints, weights: Floats, square: Floats, halted: Ints
    ) -> Ints:
        """Try every face round the corner each halted walk stands on; give those that moved."""
        corner = self.faces[face[halted], np.argmax(weights[halted], axis=1)]
        first = self._fan_start[corner]
        count = self._fan_start[corner + 1] - first
        row = np.repeat(np.arange(len(halted)), count)
        slot = np.arange(len(row)) + np.repeat(first - np.cumsum(count) + count, count)
        # A face is nearer than its corner where one of its edges there leads to the point.
        at = self.vertices[corner]
        away = (points[halted] - at)[row]
        leads = np.zeros(len(row), dtype=bool)
        for ends in self._fan_ends:
            step = self.vertices.take(ends[slot], axis=0) - at[row]
            leads |= np.einsum("ij,ij->i", step, away) > 0
        who, other = halted[row[leads]], self._fan[slot[leads]]
        tried, found = self._frames.nearest(points[who], other)
        nearer = np.flatnonzero(found < square[who] * (1 - 1e-12) - 1e-18)
        nearer = nearer[np.argsort(-found[nearer], kind="stable")]  # the nearest is written last
        who, other = who[nearer], other[nearer]
        face[who], weights[who], square[who] = other, tried[nearer], found[nearer]
        return np.unique(who)

    def normal_at(self, found: Closest) -> Floats:
        """Unit vertex normals interpolated at closest points (n, 3)."""
        normal: Floats = np.einsum(
            "ij,ijk->ik", found.weights, self.normals[self.faces[found.face]]
        )
        return unit(normal)

    def smoothed_normals(self, rounds: int) -> Floats:
        """Vertex normals averaged with their neighbours: those of the form, not of its noise."""
        count = len(self.vertices)
        rows = self.faces[:, [0, 1, 2, 1, 2, 0]].ravel()
        columns = self.faces[:, [1, 2, 0, 0, 1, 2]].ravel()
        around = sparse.coo_array((np.ones(len(rows)), (rows, columns)), (count, count)).tocsr()
        normals = self.normals
        for _ in range(rounds):
            normals = normals + around @ normals
            normals = unit(normals)
        return normals

    def side_of(self, points: Floats, found: Closest) -> Floats:
        """+1 in front of the surface, −1 behind it, by the pseudonormal at the closest point."""
        corners = self._corners[found.face]
        flat = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        inside = np.all(found.weights > 1e-9, axis=1)
        normal = np.where(inside[:, None], flat, self.normal_at(found))
        return np.where(np.einsum("ij,ij->i", points - found.point, normal) < 0, -1.0, 1.0)

    def interpolate(self, values: Floats, found: Closest) -> Floats:
        """Values (n,) given at the vertices, at closest points."""
        return np.asarray(np.einsum("ij,ij->i", found.weights, values[self.faces[found.face]]))


def vertex_normals(vertices: Floats, faces: Ints) -> Floats:
    """Unit vertex normals (n, 3), each face weighted by its angle at the vertex."""
    corners = vertices[faces]
    total = np.zeros_like(vertices)
    flat = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    flat = unit(flat)
    for corner in range(3):
        one = corners[:, (corner + 1) % 3] - corners[:, corner]
        two = corners[:, (corner + 2) % 3] - corners[:, corner]
        sine = np.linalg.norm(np.cross(one, two), axis=1)
        angle = np.arctan2(sine, np.einsum("ij,ij->i", one, two))
        for axis in range(3):
            total[:, axis] += np.bincount(
                faces[:, corner], angle * flat[:, axis], minlength=len(vertices)
            )
    return unit(total)


def _neighbours(faces: Ints) -> Ints:
    """(m, 3): the face across the edge opposite each corner, −1 where there is none."""
    keys = edge_keys(half_edges(faces))
    order = np.argsort(keys, kind="stable")
    same = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
    one, two = order[same], order[same + 1]
    across = np.full(len(keys), -1, dtype=np.int64)
    across[one], across[two] = two // 3, one // 3
    # Edge k runs from corner k to k + 1: it is opposite corner k + 2.
    return across.reshape(-1, 3)[:, [1, 2, 0]]


def _samples(vertices: Floats, faces: Ints, spacing: float) -> tuple[Floats, Ints, Floats]:
    """Centroids of the small triangles each face is cut into, their faces and weights."""
    corners = vertices[faces]
    longest = np.sqrt(((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2)).max(axis=1)
    parts = np.maximum(np.ceil(longest / spacing), 1).astype(np.int64)
    weights, owners = [], []
    for count in np.unique(parts):
        owner = np.flatnonzero(parts == count)
        pattern = _centroid_pattern(int(count))
        weights.append(np.tile(pattern, (len(owner), 1)))
        owners.append(np.repeat(owner, len(pattern)))
    face, weight = np.concatenate(owners), np.concatenate(weights)
    return np.einsum("ij,ijk->ik", weight, corners[face]), face, weight


@cache
def _centroid_pattern(count: int) -> Floats:
    """Barycentric centroids of the count² small triangles of a triangle cut into equal ones."""
    i, j = (grid.ravel() for grid in np.meshgrid(*[np.arange(count)] * 2, indexing="ij"))
    up = i + j < count
    down = i + j < count - 1
    first = np.r_[i[up] + 1 / 3, i[down] + 2 / 3] / count
    second = np.r_[j[up] + 1 / 3, j[down] + 2 / 3] / count
    return np.stack([first, second, 1 - first - second], axis=1)


class _Frames:
    """Triangles (m, 3, 3) made ready for closest points: a corner, two edges and their dual.

    Vectors stand in columns (3, m): sums over three rows are fast, those over rows of three not.
    """

    def __init__(self, corners: Floats) -> None:
        self.origin, b, c = (np.ascontiguousarray(corners[:, k].T) for k in range(3))
        self.ab, self.ac = b - self.origin, c - self.origin
        aa, cc, m = _dot(self.ab, self.ab), _dot(self.ac, self.ac), _dot(self.ab, self.ac)
        det = np.maximum(aa * cc - m * m, 1e-300)
        self.to_b = (cc * self.ab - m * self.ac) / det
        self.to_c = (aa * self.ac - m * self.ab) / det

    def nearest(self, points: Floats, face: Ints) -> tuple[Floats, Floats]:
        """Barycentric weights (n, 3) of the closest points on one triangle each, and the squared
        distances (n,). Weights at corners and edges are exact zeros."""
        ab, ac = self.ab.take(face, axis=1), self.ac.take(face, axis=1)
        ap = points.T - self.origin.take(face, axis=1)
        of_b = _dot(ap, self.to_b.take(face, axis=1))
        of_c = _dot(ap, self.to_c.take(face, axis=1))
        of_a = 1 - of_b - of_c
        out = np.flatnonzero((of_a < 0) | (of_b < 0) | (of_c < 0))
        if len(out):
            of_a[out], of_b[out], of_c[out] = _edge_weights(ab[:, out], ac[:, out], ap[:, out])
        ap -= of_b * ab
        ap -= of_c * ac
        return np.stack([of_a, of_b, of_c], axis=1), _dot(ap, ap)


def _dot(one: Floats, two: Floats) -> Floats:
    """Products (n,) of vectors in columns (3, n)."""
    return np.asarray(np.einsum("ji,ji->i", one, two))


def _edge_weights(ab: Floats, ac: Floats, ap: Floats) -> tuple[Floats, Floats, Floats]:
    """Weights of the closest point on the three edges, from two of them and the way from a."""
    aa, cc, m = _dot(ab, ab), _dot(ac, ac), _dot(ab, ac)
    d1, d2 = _dot(ab, ap), _dot(ac, ap)
    tiny = 1e-300
    on_ab = np.clip(d1 / np.maximum(aa, tiny), 0, 1)
    on_ac = np.clip(d2 / np.maximum(cc, tiny), 0, 1)
    bc = np.maximum(aa + cc - 2 * m, tiny)
    on_bc = np.clip((d2 - d1 + aa - m) / bc, 0, 1)
    # Squared distances less |ap|^2, which all three share.
    far_ab = on_ab * (on_ab * aa - 2 * d1)
    far_ac = on_ac * (on_ac * cc - 2 * d2)
    one, two = 1 - on_bc, on_bc
    far_bc = one * one * aa + two * two * cc + 2 * one * two * m - 2 * (one * d1 + two * d2)
    ab_least = (far_ab <= far_ac) & (far_ab <= far_bc)
    ac_least = ~ab_least & (far_ac <= far_bc)
    of_a = np.where(ab_least, 1 - on_ab, np.where(ac_least, 1 - on_ac, 0))
    of_b = np.where(ab_least, on_ab, np.where(ac_least, 0, one))
    of_c = np.where(ab_least, 0, np.where(ac_least, on_ac, two))
    return of_a, of_b, of_c
