"""The shortest way along a surface between two points on it.

Dijkstra over the edges (Numer. Math. 1 (1959) 269) tells which faces the way
can run through; there the edge path is straightened by edge flips until no
corner of it can be cut: Sharp and Crane, You can find geodesic paths in
triangle meshes by just flipping edges, ACM Trans. Graph. 39 (2020) 249. The
result is exactly straight on the triangles. It is the shortest of the ways
that pass obstacles on the same side as the edge path does: of two ways round
of nearly one length it may be the other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import potpourri3d
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.sparse import csgraph

from ..errors import BadParameter, CannotBuild
from . import topology

__all__ = ["SurfacePaths", "SurfacePoint", "path_length_mm", "shortest_path"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SurfacePoint = tuple[int, Sequence[float] | Floats]  # face and barycentric weights (3,)

DETOUR = 1.15  # sum of edge paths to both ends, about the straight way, over the least such sum
FIRST_REACH = 2.0  # times the straight distance; farther only if the end is not met
AT_CORNER = 1e-6  # weights below this are none: no slivers


def shortest_path(
    vertices: ArrayLike, faces: ArrayLike, start: SurfacePoint, end: SurfacePoint
) -> Floats:
    """The shortest way along a surface, as points (k, 3) in mm, k at least 2.

    Parameters
    ----------
    vertices (n, 3) in mm, faces (m, 3) : a manifold oriented surface, open or closed
    start, end : places on it, each the number of a face and weights (3,) of its corners

    The points are the start, every crossing of an edge, and the end. On an open
    surface the way can run along the border.

    Raises
    ------
    BadParameter : a place is not on the surface, or no way joins the two
    CannotBuild : the surface about the way is not manifold
    """
    return SurfacePaths(vertices, faces).shortest(start, end)


def path_length_mm(path: Floats) -> float:
    """Length of a line of points (k, 3)."""
    return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())


class SurfacePaths:
    """A surface made ready for several shortest ways; parameters as of `shortest_path`."""

    def __init__(self, vertices: ArrayLike, faces: ArrayLike) -> None:
        self.vertices = np.asarray(vertices, dtype=float)
        self.faces = np.asarray(faces, dtype=np.int64)
        edges = topology.half_edges(self.faces)
        _, first = np.unique(topology.edge_keys(edges), return_index=True)
        a, b = edges[first].T
        length = np.linalg.norm(self.vertices[a] - self.vertices[b], axis=1)
        count = len(self.vertices)
        # A weight of 0 would be no edge to scipy.
        self.graph = sparse.coo_array((np.maximum(length, 1e-9), (a, b)), (count, count)).tocsr()

    def shortest(self, start: SurfacePoint, end: SurfacePoint) -> Floats:
        """As `shortest_path` on this surface."""
        places = [self._checked(start, "start"), self._checked(end, "end")]
        points = [weights @ self.vertices[self.faces[face]] for face, weights in places]
        if places[0][0] == places[1][0]:
            return np.array(points)
        region = self._region(places, float(np.linalg.norm(points[0] - points[1])))
        vertices, faces = self.vertices, self.faces[region]
        numbers = []
        for face, weights in places:
            same = np.flatnonzero((faces == self.faces[face]).all(axis=1))
            if len(same):
                local, place = int(same[0]), weights
            else:  # the first point's insertion cut the face of the second
                local, place = _located(vertices, faces, points[1], self.faces[face])
            vertices, faces, number = _inserted(vertices, faces, local, place)
            numbers.append(number)
        if numbers[0] == numbers[1]:
            return np.array(points)
        path = _straightened(vertices, faces, numbers)
        path[0], path[-1] = points
        return path

    def edge_distance(self, sources: ArrayLike) -> Floats:
        """Length (n,) of the shortest edge path of each vertex to the nearest of the sources."""
        return np.asarray(
            csgraph.dijkstra(self.graph, directed=False, indices=sources, min_only=True)
        )

    def _checked(self, place: SurfacePoint, name: str) -> tuple[int, Floats]:
        face, weights = int(place[0]), np.asarray(place[1], dtype=float)
        if not 0 <= face < len(self.faces):
            raise BadParameter(
                f"{name} lies on face {face} of a surface of {len(self.faces)} faces",
                "Number the faces from 0",
            )
        off = weights.shape != (3,) or abs(weights.sum() - 1) > 1e-6 or weights.min() < -1e-6
        if off or not np.isfinite(weights).all():
            raise BadParameter(
                f"{name} has barycentric weights {np.asarray(place[1]).tolist()}",
                "Give three numbers of 0 or more that add up to 1",
            )
        weights = np.where(weights < AT_CORNER, 0.0, weights)
        return face, weights / weights.sum()

    def _region(self, places: list[tuple[int, Floats]], straight: float) -> NDArray[np.bool_]:
        """The faces (m,) that the shortest way can run through."""
        ends = [self.faces[face] for face, _ in places]
        size = max(
            float(np.linalg.norm(self.vertices[end] - self.vertices[np.roll(end, 1)], axis=1).max())
            for end in ends
        )
        for reach in (FIRST_REACH * straight + 4 * size, np.inf):
            walks = [
                csgraph.dijkstra(
                    self.graph, directed=False, indices=end, min_only=True, limit=reach
                )
                for end in ends
            ]
            both = walks[0] + walks[1]
            least = float(both.min())
            if np.isfinite(least) and DETOUR * least + 2 * size <= reach:
                break
        if not np.isfinite(least):
            raise BadParameter(
                "no way along the surface joins the two points: they lie on separate pieces",
                "Choose points on one piece, or heal the scan first",
            )
        inside = both <= DETOUR * least + 2 * size
        region: NDArray[np.bool_] = inside[self.faces].any(axis=1)
        region[[face for face, _ in places]] = True
        return region


def _located(vertices: Floats, faces: Ints, point: Floats, corners: Ints) -> tuple[int, Floats]:
    """Face and weights of a point of a face that was cut, two corners of which each part kept."""
    near = np.flatnonzero(np.isin(faces, corners).sum(axis=1) >= 2)
    triangles = vertices[faces[near]]
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    normal = np.cross(b - a, c - a)
    square = np.maximum((normal**2).sum(axis=1), 1e-300)
    weights = np.stack(
        [
            (np.cross(two - one, point - one) * normal).sum(axis=1) / square
            for one, two in ((b, c), (c, a), (a, b))
        ],
        axis=1,
    )
    clipped = np.clip(weights, 0, None)
    clipped /= clipped.sum(axis=1, keepdims=True)
    off = np.linalg.norm(np.einsum("ij,ijk->ik", clipped, triangles) - point, axis=1)
    best = int(np.argmin(off))
    place = np.where(clipped[best] < AT_CORNER, 0.0, clipped[best])
    return int(near[best]), place / place.sum()


def _inserted(
    vertices: Floats, faces: Ints, face: int, weights: Floats
) -> tuple[Floats, Ints, int]:
    """The mesh with a vertex at that place, and its number; faces there are cut about it."""
    corners = faces[face]
    if (weights > 0).sum() == 1:
        return vertices, faces, int(corners[np.argmax(weights)])
    number = len(vertices)
    vertices = np.concatenate([vertices, (weights @ vertices[corners])[None]])
    if (weights > 0).all():
        cut = np.array([face])
    else:  # on an edge: the face across it is cut too
        edge = corners[weights > 0]
        cut = np.flatnonzero(np.isin(faces, edge).sum(axis=1) == 2)
    new = []
    for triangle in faces[cut]:
        for corner in range(3):
            one = triangle.copy()
            one[corner] = number
            rest = [int(v) for k, v in enumerate(triangle) if k != corner]
            on_edge = (weights == 0).any() and set(rest) == set(corners[weights > 0].tolist())
            if not on_edge:
                new.append(one)
    return vertices, np.concatenate([np.delete(faces, cut, axis=0), np.array(new)]), number


def _straightened(vertices: Floats, faces: Ints, ends: list[int]) -> Floats:
    used, flat = np.unique(faces, return_inverse=True)
    small = flat.reshape(-1, 3)
    _, piece = topology.components(small)
    at = [int(np.searchsorted(used, end)) for end in ends]
    touching = [set(piece[(small == vertex).any(axis=1)].tolist()) for vertex in at]
    common = sorted(touching[0] & touching[1])
    if common:  # what hangs on by a corner only is no way through
        small = small[piece == common[0]]
        kept, flat = np.unique(small, return_inverse=True)
        small, used = flat.reshape(-1, 3), used[kept]
        at = [int(np.searchsorted(used, end)) for end in ends]
    points = vertices[used]
    mated = topology.mated_edges(points, small)
    apart, origin = topology.split_corners(small, mated)
    start, goal = (int(np.flatnonzero(origin == vertex)[0]) for vertex in at)
    try:
        solver = potpourri3d.EdgeFlipGeodesicSolver(points[origin], apart)
        return np.asarray(solver.find_geodesic_path(start, goal), dtype=float)
    except (RuntimeError, ValueError) as error:
        raise CannotBuild(
            f"no shortest way was found along the surface ({error})", "Heal the scan first"
        ) from error
