"""Scans spoiled the way scanners spoil them, seeded.

Each function takes a trimesh and a random generator and gives a new trimesh,
so that they can be put in a row. Lengths are in the mesh's own unit, which is
mm until `in_unit` changes it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import trimesh
from numpy.typing import NDArray

__all__ = [
    "KINDS",
    "bridged",
    "cut_open",
    "cut_region",
    "decimated",
    "doubled_layer",
    "doubled_triangles",
    "doubled_vertices",
    "finned",
    "flipped",
    "flipped_island",
    "holed",
    "in_unit",
    "littered",
    "noisy",
    "soup",
    "spiked",
    "stray_vertices",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Rng = np.random.Generator
Spoiling = Callable[[trimesh.Trimesh, Rng], trimesh.Trimesh]


def noisy(mesh: trimesh.Trimesh, rng: Rng, sigma: float = 0.4) -> trimesh.Trimesh:
    """Every vertex off its place by a normal error in each direction."""
    vertices, faces = _arrays(mesh)
    return _mesh(vertices + rng.normal(scale=sigma, size=vertices.shape), faces)


def holed(mesh: trimesh.Trimesh, rng: Rng, count: int = 6, radius: float = 18.0) -> trimesh.Trimesh:
    """Ragged holes, up to `radius`."""
    vertices, faces = _arrays(mesh)
    keep = np.ones(len(faces), dtype=bool)
    middle = vertices[faces].mean(axis=1)
    for centre in middle[rng.integers(len(faces), size=count)]:
        keep &= np.linalg.norm(middle - centre, axis=1) > rng.uniform(radius / 4, radius)
    return _mesh(vertices, faces[keep])


def cut_region(mesh: trimesh.Trimesh, rng: Rng, share: float = 0.06) -> trimesh.Trimesh:
    """A whole region that no camera saw, of that share of the area, as an armpit or a crotch."""
    vertices, faces = _arrays(mesh)
    middle = vertices[faces].mean(axis=1)
    far = np.linalg.norm(middle - middle[rng.integers(len(faces))], axis=1)
    order = np.argsort(far)
    area = np.cumsum(mesh.area_faces[order]) / mesh.area
    return _mesh(vertices, faces[np.sort(order[area > share])])


def cut_open(mesh: trimesh.Trimesh, rng: Rng, share: float = 0.05) -> trimesh.Trimesh:
    """What lies beyond a tilted plane is gone: the scan ends there."""
    vertices, faces = _arrays(mesh)
    normal = np.array([0.0, 0.0, rng.choice([-1.0, 1.0])]) + rng.normal(scale=0.15, size=3)
    height = vertices @ normal
    span = np.ptp(height)
    return _mesh(vertices, faces[(height[faces] < height.max() - share * span).all(axis=1)])


def flipped(mesh: trimesh.Trimesh, rng: Rng, share: float = 0.2) -> trimesh.Trimesh:
    """Single triangles that face the wrong way."""
    vertices, faces = _arrays(mesh)
    turn = rng.random(len(faces)) < share
    return _mesh(vertices, np.where(turn[:, None], faces[:, ::-1], faces))


def flipped_island(
    mesh: trimesh.Trimesh, rng: Rng, count: int = 3, radius: float = 30.0
) -> trimesh.Trimesh:
    """Patches that face the wrong way and share no vertex with what surrounds them."""
    vertices, faces = _arrays(mesh)
    middle = vertices[faces].mean(axis=1)
    for centre in middle[rng.integers(len(faces), size=count)]:
        island = np.linalg.norm(middle - centre, axis=1) < radius
        patch = faces[island][:, ::-1]
        used, local = np.unique(patch, return_inverse=True)
        apart = vertices[used] + rng.normal(scale=0.05, size=(len(used), 3))
        fresh = len(vertices) + local.reshape(-1, 3)
        vertices = np.concatenate([vertices, apart])
        faces = np.concatenate([faces[~island], fresh])
        middle = vertices[faces].mean(axis=1)
    return _mesh(vertices, faces)


def doubled_layer(
    mesh: trimesh.Trimesh, rng: Rng, gap: float = 1.5, share: float = 0.3
) -> trimesh.Trimesh:
    """A second skin over a part of the first, as two passes give that do not register."""
    vertices, faces = _arrays(mesh)
    middle = vertices[faces].mean(axis=1)
    far = np.linalg.norm(middle - middle[rng.integers(len(faces))], axis=1)
    part = far < np.quantile(far, share)
    second = faces[part]
    shift = rng.normal(scale=gap, size=3)
    other = vertices + np.array(mesh.vertex_normals) * rng.normal(scale=gap) + shift
    other += rng.normal(scale=gap / 5, size=other.shape)
    return _mesh(np.concatenate([vertices, other]), np.concatenate([faces, second + len(vertices)]))


def spiked(
    mesh: trimesh.Trimesh, rng: Rng, count: int = 12, length: float = 40.0
) -> trimesh.Trimesh:
    """Single vertices thrown far off along their normals."""
    vertices, faces = _arrays(mesh)
    which = rng.integers(len(vertices), size=count)
    reach = rng.uniform(-length, length, size=(count, 1))
    vertices[which] += np.array(mesh.vertex_normals)[which] * reach
    return _mesh(vertices, faces)


def decimated(mesh: trimesh.Trimesh, rng: Rng, cell: float = 9.0) -> trimesh.Trimesh:
    """Vertices clustered in a grid: coarse, with folded and needle triangles."""
    vertices, faces = _arrays(mesh)
    key = np.floor((vertices + rng.uniform(0, cell, 3)) / cell).astype(np.int64)
    _, inverse, counts = np.unique(key, axis=0, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)
    mean = np.stack([np.bincount(inverse, vertices[:, k]) for k in range(3)], axis=1)
    return _mesh(mean / counts[:, None], inverse[faces])


def doubled_vertices(mesh: trimesh.Trimesh, rng: Rng, share: float = 0.3) -> trimesh.Trimesh:
    """Corners of triangles that name a copy of their vertex instead of it."""
    vertices, faces = _arrays(mesh)
    flat = faces.reshape(-1)
    torn = np.flatnonzero(rng.random(len(flat)) < share)
    copies = vertices[flat[torn]]
    flat[torn] = len(vertices) + np.arange(len(torn))
    return _mesh(np.concatenate([vertices, copies]), flat.reshape(-1, 3))


def soup(mesh: trimesh.Trimesh, rng: Rng, jitter: float = 0.002) -> trimesh.Trimesh:
    """No two triangles share a vertex, as an STL written with rounding has it."""
    vertices, faces = _arrays(mesh)
    corners = vertices[faces].reshape(-1, 3)
    corners = corners + rng.uniform(-jitter, jitter, corners.shape)
    return _mesh(corners, np.arange(len(corners)).reshape(-1, 3))


def doubled_triangles(mesh: trimesh.Trimesh, rng: Rng, share: float = 0.1) -> trimesh.Trimesh:
    """Triangles that are there twice, some of them turned over, and some of no area."""
    vertices, faces = _arrays(mesh)
    again = faces[rng.random(len(faces)) < share]
    turned = rng.random(len(again)) < 0.5
    again = np.where(turned[:, None], again[:, ::-1], again)
    return _mesh(vertices, np.concatenate([faces, again, again[: len(again) // 4][:, [0, 1, 1]]]))


def stray_vertices(mesh: trimesh.Trimesh, rng: Rng, count: int = 500) -> trimesh.Trimesh:
    """Vertices that no triangle names, far about the body."""
    vertices, faces = _arrays(mesh)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    stray = rng.uniform(low - 5 * (high - low), high + 5 * (high - low), size=(count, 3))
    return _mesh(np.concatenate([vertices, stray]), faces)


def finned(mesh: trimesh.Trimesh, rng: Rng, count: int = 40, size: float = 8.0) -> trimesh.Trimesh:
    """Triangles that stand on an edge of two others: edges of three faces."""
    vertices, faces = _arrays(mesh)
    base = faces[rng.integers(len(faces), size=count)]
    away = np.array(mesh.vertex_normals)[base[:, 0]] * rng.uniform(-size, size, size=(count, 1))
    fins = np.stack([base[:, 0], base[:, 1], len(vertices) + np.arange(count)], axis=1)
    return _mesh(
        np.concatenate([vertices, vertices[base[:, 0]] + away]), np.concatenate([faces, fins])
    )


def bridged(
    mesh: trimesh.Trimesh, rng: Rng, count: int = 40, reach: float = 25.0
) -> trimesh.Trimesh:
    """Triangles between vertices that are no neighbours: false bridges through the body."""
    vertices, faces = _arrays(mesh)
    first = rng.choice(np.unique(faces), size=count)
    near = np.linalg.norm(vertices[None] - vertices[first][:, None], axis=2) < reach
    pairs = np.array([rng.choice(np.flatnonzero(row), 2) for row in near])
    false = np.column_stack([first, pairs])
    return _mesh(vertices, np.concatenate([faces, false]))


def littered(
    mesh: trimesh.Trimesh, rng: Rng, count: int = 8, floor: bool = True
) -> trimesh.Trimesh:
    """Scraps about the body and a piece of floor below it."""
    vertices, faces = _arrays(mesh)
    parts = [(vertices, faces)]
    for _ in range(count):
        ball = trimesh.creation.icosphere(1, rng.uniform(2, 8))
        place = vertices[rng.choice(faces[:, 0])] * 1.2 + rng.normal(scale=60, size=3)
        parts.append((ball.vertices + place, ball.faces[: rng.integers(8, 60)]))
    if floor:
        named = vertices[np.unique(faces)]
        low, high = named.min(axis=0), named.max(axis=0)
        x, y = np.meshgrid(
            np.linspace(low[0] - 60, high[0] + 60, 30), np.linspace(low[1] - 60, high[1] + 60, 30)
        )
        level = low[2] - 3 + rng.normal(scale=0.4, size=x.size)
        first = (np.arange(29)[:, None] * 30 + np.arange(29)).ravel()
        one, two = [first, first + 1, first + 30], [first + 1, first + 31, first + 30]
        grid = np.concatenate([np.stack(one, axis=1), np.stack(two, axis=1)])
        parts.append((np.stack([x.ravel(), y.ravel(), level], axis=1), grid))
    starts = np.cumsum([0] + [len(points) for points, _ in parts[:-1]])
    return _mesh(
        np.concatenate([points for points, _ in parts]),
        np.concatenate([own + start for (_, own), start in zip(parts, starts, strict=True)]),
    )


def in_unit(mesh: trimesh.Trimesh, mm_per_unit: float) -> trimesh.Trimesh:
    """The mesh in another unit than mm."""
    vertices, faces = _arrays(mesh)
    return _mesh(vertices / mm_per_unit, faces)


KINDS: dict[str, Spoiling] = {
    function.__name__: function
    for function in (
        noisy, holed, cut_region, cut_open, flipped, flipped_island, doubled_layer, spiked,
        decimated, doubled_vertices, soup, doubled_triangles, stray_vertices, finned, bridged,
        littered,
    )
}  # fmt: skip


def _arrays(mesh: trimesh.Trimesh) -> tuple[Floats, Ints]:
    return np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.int64)


def _mesh(vertices: Floats, faces: Ints) -> trimesh.Trimesh:
    return trimesh.Trimesh(vertices, faces, process=False)
