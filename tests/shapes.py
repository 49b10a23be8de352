"""Made surfaces and pieces for tests, and slow, sure measures of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import trimesh
from numpy.typing import NDArray

from moldsmith.workpiece import Workpiece

__all__ = [
    "brute_distance",
    "cap",
    "heightfield",
    "manifold_and_oriented",
    "patched",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def heightfield(
    height: Callable[[Floats, Floats], Floats],
    size: tuple[float, float] = (80.0, 60.0),
    step: float = 2.0,
) -> trimesh.Trimesh:
    """A surface over a rectangle about the origin, facing up."""
    columns, rows = (round(length / step) + 1 for length in size)
    x, y = np.meshgrid(
        np.linspace(-size[0] / 2, size[0] / 2, columns),
        np.linspace(-size[1] / 2, size[1] / 2, rows),
        indexing="ij",
    )
    points = np.stack([x, y, height(x, y) + 0 * x], axis=-1).reshape(-1, 3)
    number = np.arange(columns * rows).reshape(columns, rows)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    even = ((np.arange(columns - 1)[:, None] + np.arange(rows - 1)) % 2 == 0)[..., None]
    first = np.where(even, np.stack([a, b, c], -1), np.stack([a, b, d], -1))
    second = np.where(even, np.stack([a, c, d], -1), np.stack([b, c, d], -1))
    faces = np.stack([first, second]).reshape(-1, 3)
    return trimesh.Trimesh(points, faces, process=False)


def cap(radius: float = 50.0, opening_deg: float = 60.0, rings: int = 30) -> trimesh.Trimesh:
    """The top of a sphere about the origin, out to an angle from its pole, facing outward."""
    angles = np.radians(np.linspace(0, opening_deg, rings + 1))[1:]
    count = 6 * rings
    turn = 2 * np.pi * np.arange(count) / count
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    points = [np.array([[0.0, 0.0, radius]])]
    for angle in angles:
        level = np.full((count, 1), radius * np.cos(angle))
        points.append(np.hstack([radius * np.sin(angle) * ring, level]))
    after = (np.arange(count) + 1) % count
    faces = [np.stack([0 * after, 1 + np.arange(count), 1 + after], axis=1)]
    for k in range(rings - 1):
        low, high = 1 + k * count, 1 + (k + 1) * count
        here = np.arange(count)
        faces.append(np.stack([low + here, high + here, high + after], axis=1))
        faces.append(np.stack([low + here, high + after, low + after], axis=1))
    return trimesh.Trimesh(np.concatenate(points), np.concatenate(faces), process=False)


def patched(mesh: trimesh.Trimesh, name: str = "belly") -> Workpiece:
    """A piece whose scan is that surface."""
    return Workpiece(name, {"scan": mesh})


def brute_distance(points: Floats, vertices: Floats, faces: Ints) -> Floats:
    """Distance (n,) of points to the nearest of all triangles, each looked at.

    The least over the triangle's inside, where the foot falls in it, and its edges.
    """
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    best = np.full(len(points), np.inf)
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    for start in range(0, len(points), 200):
        p = points[start : start + 200, None]
        height = ((p - a) * normal).sum(axis=2)
        foot = p - height[..., None] * normal
        inside = np.ones(height.shape, dtype=bool)
        least = np.full(height.shape, np.inf)
        for one, two in ((a, b), (b, c), (c, a)):
            along = two - one
            inside &= (np.cross(along, foot - one) * normal).sum(axis=2) >= 0
            share = ((p - one) * along).sum(axis=2) / np.maximum((along**2).sum(axis=1), 1e-300)
            near = one + np.clip(share, 0, 1)[..., None] * along
            least = np.minimum(least, np.linalg.norm(p - near, axis=2))
        least = np.where(inside, np.minimum(np.abs(height), least), least)
        best[start : start + 200] = least.min(axis=1)
    return best


def manifold_and_oriented(faces: Ints, *, closed: bool = True) -> bool:
    """Each edge of one face or two, and never twice in the same direction; vertices of one fan."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    if len(np.unique(edges, axis=0)) != len(edges):
        return False
    _, counts = np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)
    if closed and not (counts == 2).all():
        return False
    return _fans(faces) == len(np.unique(faces))


def _fans(faces: Ints) -> int:
    """How many separate fans of faces there are round all vertices."""
    from scipy import sparse

    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
    forward, backward = edges[:, 0] << 32 | edges[:, 1], edges[:, 1] << 32 | edges[:, 0]
    order = np.argsort(forward)
    found = np.minimum(np.searchsorted(forward[order], backward), len(order) - 1)
    here = np.flatnonzero(forward[order][found] == backward)
    across = order[found[here]]
    # Half-edge 3 f + k runs from corner k of face f to the next.
    tail, head = here, here // 3 * 3 + (here % 3 + 1) % 3
    tail_across, head_across = across, across // 3 * 3 + (across % 3 + 1) % 3
    rows, columns = np.r_[tail, head], np.r_[head_across, tail_across]
    size = 3 * len(faces)
    graph = sparse.coo_array((np.ones(len(rows)), (rows, columns)), (size, size))
    return int(sparse.csgraph.connected_components(graph, directed=False)[0])
