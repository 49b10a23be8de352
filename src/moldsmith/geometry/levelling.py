"""Marched vertices moved to the exact level, by the closest points of the surface.

A walk to the closest point ends at the nearest place round about. Over a rough surface there
are many such places about equally far: the nearest sample and the neighbours' closest points
are asked as well.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .distance import Closest, SurfaceIndex
from .vectors import unit

__all__ = ["face_normals", "settled", "to_level"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_SETTLED_MM = 1e-6
_ROUNDS = 6  # of neighbours that compare their closest points
_SETTLING = 2  # moves
_WORTH = 4e-3  # spacings that a closest point should become nearer by
_BESIDE = 0.1  # spacings between closest points that are as good as one
_ASIDE = 0.5  # spacings from the closest point to the nearest sample, from where the walk is new


def to_level(
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
    before = face_normals(vertices, faces)
    kept = np.zeros(len(vertices), dtype=bool)
    for _ in range(4):
        turned = np.einsum("ij,ij->i", face_normals(levelled, faces), before) <= 0
        turned &= ~kept[faces].all(axis=1)
        if not turned.any():
            break
        kept[faces[turned]] = True
        levelled = np.where(kept[:, None], vertices, levelled)
    return levelled, again


def _on_level(
    index: SurfaceIndex, points: Floats, found: Closest, distance: Floats, side: float
) -> Floats:
    """Points moved along the line from their closest point to the wanted distance."""
    away = points - found.point
    normal = side * index.normal_at(found)
    # So near that a point may have been marched onto the wrong side.
    near = found.distance < index.spacing_mm
    wrong = near & (np.einsum("ij,ij->i", away, normal) <= 0.05 * found.distance)
    away[wrong] = normal[wrong]
    return found.point + unit(away) * index.interpolate(distance, found)[:, None]


def settled(
    index: SurfaceIndex,
    vertices: Floats,
    faces: Ints,
    near: Ints,
    distance: Floats,
    side: float,
) -> tuple[Floats, Floats]:
    """Vertices that are not on the level moved there, and what error (n,) is left.

    near (n,) : the face of the surface near each vertex
    """
    vertices = vertices.copy()
    found = _looked_up(index, vertices, index.closest(vertices, near))
    found = _agreed(index, vertices, faces, found)
    error = found.distance - index.interpolate(distance, found)
    for _ in range(_SETTLING):
        off = np.flatnonzero(np.abs(error) > _SETTLED_MM)
        if len(off) == 0:
            break
        moved = _on_level(index, vertices[off], found.of(off), distance, side)
        again = _looked_up(index, moved, index.closest(moved, found.face[off]))
        vertices[off] = moved
        error[off] = again.distance - index.interpolate(distance, again)
        found = found.put(off, again)
    return vertices, error


def _looked_up(index: SurfaceIndex, vertices: Floats, found: Closest) -> Closest:
    """Closest points, none of them farther off than what the nearest samples lead to."""
    sample = index.nearest_samples(vertices)[1]
    step = index.sample_points.take(sample, axis=0) - found.point
    away = np.flatnonzero(np.einsum("ij,ij->i", step, step) > (_ASIDE * index.spacing_mm) ** 2)
    start = index.sample_faces[sample[away]]
    return found.with_nearer(away, index.closest(vertices[away], start))


def _agreed(index: SurfaceIndex, vertices: Floats, faces: Ints, found: Closest) -> Closest:
    """Closest points, none of them farther off than what walks from the neighbours' lead to.

    Either misses places that the other finds: the nearest samples and the neighbours.
    """
    for _ in range(_ROUNDS):
        edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
        here, start = _worth_trying(index, vertices, edges, found)
        other = index.closest(vertices[here], start)
        order = np.argsort(-other.distance, kind="stable")  # the nearest is written last
        order = order[other.distance[order] < found.distance[here[order]] - 1e-9]
        if len(order) == 0:
            break
        found = found.put(here[order], other.of(order))
        changed = np.zeros(len(vertices), dtype=bool)
        changed[here[order]] = True
        faces = faces[changed[faces].any(axis=1)]
    return found


def _worth_trying(
    index: SurfaceIndex, vertices: Floats, edges: Ints, found: Closest
) -> tuple[Ints, Ints]:
    """Vertices (k,) and faces (k,) at neighbours' closest points that promise nearer ones."""
    edges = edges[found.face[edges[:, 0]] != found.face[edges[:, 1]]]
    here, there = edges.T
    # Height over the surface's tangent plane there.
    away = vertices - found.point
    normal = away / np.maximum(found.distance, 1e-12)[:, None]
    step = vertices.take(here, axis=0) - found.point.take(there, axis=0)
    height = np.einsum("ij,ij->i", step, normal.take(there, axis=0))
    nearer = np.flatnonzero(height < found.distance[here] - _WORTH * index.spacing_mm)
    here, there = here[nearer], there[nearer]
    # From beside one's own closest point the walk leads back to it.
    step = found.point.take(here, axis=0) - found.point.take(there, axis=0)
    apart = np.einsum("ij,ij->i", step, step) > (_BESIDE * index.spacing_mm) ** 2
    here, there = here[apart], there[apart]
    keys = np.unique(here << 32 | found.face[there])
    return keys >> 32, keys & 0xFFFFFFFF


def face_normals(vertices: Floats, faces: Ints) -> Floats:
    """Normals (m, 3) of faces, twice as long as their areas."""
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    return np.cross(b - a, c - a)
