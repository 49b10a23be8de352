"""Holes of a mesh filled with a surface that goes on smoothly from the edge.

Each border loop gets a triangulation of about its own edge length, made in the
plane it lies in nearest, or on an ellipse where its projection crosses itself.
The new vertices then take the places of least thin-plate energy, the faces
round the hole held fast, so that the filling leaves the edge tangentially.

Source: Liepa 2003, Filling holes in meshes (triangulate, refine, fair).
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse, spatial
from scipy.sparse import linalg

from .topology import border_edges, edge_keys, half_edges, vertex_faces

__all__ = ["fill", "opening"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Plan = tuple[Floats, Ints]  # points (n, 2), the loop's first, and triangles

MOST_POINTS = 10_000  # in one hole; a larger one is filled with longer edges
ROUNDS = 3  # of fairing, each with the edge lengths of the last


def opening(points: Floats) -> float:
    """The longest straight distance across a loop of points (n, 3)."""
    step = max(1, len(points) // 400)
    return float(spatial.distance.pdist(points[::step]).max())


def fill(vertices: Floats, faces: Ints, loops: list[Ints]) -> tuple[Floats, Ints]:
    """The mesh with the holes inside `loops` closed.

    loops : borders as `topology.border_loops` gives them
    """
    present = _edges_between(loops, faces, len(vertices))
    corners = [loop[::-1] for loop in loops if len(loop) == 3]
    triples = np.array(corners, dtype=np.int64).reshape(-1, 3)
    grown, added, lengths = [vertices], [triples], [_side_lengths(vertices[triples])]
    count = len(vertices)
    for loop in (loop for loop in loops if len(loop) > 3):
        rim = loop[::-1]  # the filling runs the other way along the border
        plane, triangles = _triangulated(vertices[rim], rim, present)
        fresh = len(plane) - len(rim)
        added.append(np.concatenate([rim, count + np.arange(fresh)])[triangles])
        lengths.append(_side_lengths(plane[triangles]))
        grown.append(np.repeat(vertices[rim].mean(axis=0)[None], fresh, axis=0))
        count += fresh
    patch = np.concatenate(added)
    whole = np.concatenate(grown)
    whole = _faired(whole, faces, patch, np.concatenate(lengths), len(vertices))
    return whole, np.concatenate([faces, patch])


def _edges_between(loops: list[Ints], faces: Ints, count: int) -> Ints:
    """Keys of the edges, in ascending order, that join two vertices of loops."""
    on_loop = np.zeros(count, dtype=bool)
    on_loop[np.concatenate([np.empty(0, dtype=np.int64), *loops])] = True
    edges = half_edges(faces[on_loop[faces].sum(axis=1) > 1])
    return np.unique(edge_keys(edges[on_loop[edges].all(axis=1)]))


def _triangulated(points: Floats, rim: Ints, present: Ints) -> Plan:
    """Points in the plane and triangles that fill a loop (n, 3), running as it runs."""
    spacing = float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).mean())
    flat, faithful = _flattened(points)
    for shape in ([flat] if faithful else []) + [_ellipse(points, flat)]:
        plan = _meshed(shape, spacing, rim, present)
        if plan is not None:
            return plan
    return _fan(_ellipse(points, flat))


def _flattened(points: Floats) -> tuple[Floats, bool]:
    """A loop projected along its area vector, anticlockwise, and whether that is faithful."""
    area = np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0) / 2
    centred = points - points.mean(axis=0)
    size = np.linalg.norm(area)
    if size < 1e-9:
        return centred[:, :2], False
    normal = area / size
    first = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    first /= np.linalg.norm(first)
    flat = centred @ np.stack([first, np.cross(normal, first)], axis=1)
    before = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    after = np.linalg.norm(np.roll(flat, -1, axis=0) - flat, axis=1)
    # A projection that shortens an edge below a third would make needles of its triangles.
    faithful = bool((after > before / 3).all()) and bool(shapely.Polygon(flat).is_valid)
    return flat, faithful


def _ellipse(points: Floats, flat: Floats) -> Floats:
    """The loop laid round an ellipse of its length and proportions."""
    sides = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    spread = np.sqrt(np.maximum(np.linalg.eigvalsh(np.cov(flat.T)), 0))
    slim = float(np.clip(spread[0] / max(spread[1], 1e-12), 0.3, 1.0))
    angle = 2 * np.pi * np.concatenate([[0.0], np.cumsum(sides)[:-1]]) / sides.sum()
    ring = np.stack([np.cos(angle), slim * np.sin(angle)], axis=1)
    length = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum()
    return np.asarray(ring * sides.sum() / length)


def _meshed(shape: Floats, spacing: float, rim: Ints, present: Ints) -> Plan | None:
    """Delaunay triangles of the polygon and points inside it; None where a side is missing."""
    polygon = shapely.Polygon(shape)
    inner = _lattice(shape, polygon, spacing)
    for _ in range(8):
        points = np.concatenate([shape, inner])
        try:
            triangles = spatial.Delaunay(points).simplices.astype(np.int64)
        except spatial.QhullError:
            return None
        triangles = _inside(points, triangles, polygon)
        if not _fills(triangles, len(shape), len(points)):
            return None
        chords = _chords(triangles, rim, present)
        if len(chords) == 0:
            return points, triangles
        inner = np.concatenate([inner, points[chords].mean(axis=1)])
    return None


def _lattice(shape: Floats, polygon: shapely.Polygon, spacing: float) -> Floats:
    """A triangular lattice inside the polygon that keeps off its sides."""
    spacing = max(spacing, np.sqrt(polygon.area / MOST_POINTS / (np.sqrt(3) / 2)))
    low, high = shape.min(axis=0), shape.max(axis=0)
    rows = np.arange(low[1], high[1] + spacing, spacing * np.sqrt(3) / 2)
    columns = np.arange(low[0] - spacing, high[0] + spacing, spacing)
    x, y = np.meshgrid(columns, rows)
    x = x + spacing / 2 * (np.arange(len(rows)) % 2)[:, None]
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    points = points[shapely.contains_xy(polygon, points[:, 0], points[:, 1])]
    near = shapely.distance(polygon.exterior, shapely.points(points)) < 0.6 * spacing
    points = points[~near]
    after = np.roll(shape, -1, axis=0)
    middles, radii = (shape + after) / 2, np.linalg.norm(after - shape, axis=1) / 2
    # A side whose circle holds no point is an edge of the Delaunay triangulation.
    free = np.ones(len(points), dtype=bool)
    for start in range(0, len(shape), 256):
        part = slice(start, start + 256)
        free &= (spatial.distance.cdist(points, middles[part]) > radii[part] * 1.01).all(axis=1)
    return np.asarray(points[free])


def _inside(points: Floats, triangles: Ints, polygon: shapely.Polygon) -> Ints:
    """The triangles within the polygon, anticlockwise, without those of no area."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    turned = np.where(area[:, None] < 0, triangles[:, ::-1], triangles)
    middle = points[triangles].mean(axis=1)
    keep = shapely.contains_xy(polygon, middle[:, 0], middle[:, 1])
    keep &= np.abs(area) > 1e-9 * polygon.area / len(triangles)
    return np.asarray(turned[keep])


def _fills(triangles: Ints, sides: int, points: int) -> bool:
    """Whether the triangles use all points and their border is the polygon, 0 to sides - 1."""
    if len(np.unique(triangles)) != points:
        return False
    border = border_edges(triangles)
    border = border[np.argsort(border[:, 0])]
    asked = np.arange(sides)
    return len(border) == sides and bool(
        (border[:, 0] == asked).all() and (border[:, 1] == (asked + 1) % sides).all()
    )


def _chords(triangles: Ints, rim: Ints, present: Ints) -> Ints:
    """Inner edges between loop vertices that the mesh outside the hole has as well."""
    edges = half_edges(triangles)
    edges = edges[(edges < len(rim)).all(axis=1) & (edges[:, 0] < edges[:, 1])]
    step = (edges[:, 1] - edges[:, 0]) % len(rim)
    edges = edges[(step != 1) & (step != len(rim) - 1)]
    keys = edge_keys(rim[edges])
    at = np.minimum(np.searchsorted(present, keys), len(present) - 1)
    return np.asarray(edges[present[at] == keys])


def _fan(shape: Floats) -> Plan:
    """Triangles from every side to the middle: possible always."""
    count = len(shape)
    number = np.arange(count)
    triangles = np.stack([number, (number + 1) % count, np.full(count, count)], axis=1)
    return np.concatenate([shape, shape.mean(axis=0)[None]]), triangles


def _side_lengths(corners: Floats) -> Floats:
    """Lengths (m, 3) of the sides opposite each corner of triangles (m, 3, d)."""
    return np.asarray(np.linalg.norm(corners[:, [2, 0, 1]] - corners[:, [1, 2, 0]], axis=2))


def _faired(vertices: Floats, faces: Ints, patch: Ints, lengths: Floats, fixed: int) -> Floats:
    """Vertices from number `fixed` on moved to least thin-plate energy.

    The energy is the squared discrete mean curvature over the new vertices and
    the loop's, by the cotangent Laplacian (Botsch and Kobbelt 2004).
    """
    if len(vertices) == fixed:
        return vertices
    rim = np.unique(patch[patch < fixed])
    touching = np.unique(vertex_faces(faces, fixed)[rim].indices)
    around = np.concatenate([faces[touching], patch])
    named, local = np.unique(around, return_inverse=True)
    local = local.reshape(-1, 3)
    free = named >= fixed
    rows = np.flatnonzero(free | np.isin(named, rim))
    sides = np.concatenate([_side_lengths(vertices[faces[touching]]), lengths])
    places = vertices[named]
    for _ in range(ROUNDS):
        laplacian, mass = _laplacian(local, sides, len(named))
        part = laplacian[rows]
        energy = (part.T @ sparse.diags_array(1 / mass[rows]) @ part).tocsc()
        known = energy[free][:, ~free] @ places[~free]
        places[free] = linalg.splu(energy[free][:, free]).solve(-known)
        sides = _side_lengths(places[local])
    vertices = vertices.copy()
    vertices[named[free]] = places[free]
    return vertices


def _laplacian(faces: Ints, sides: Floats, count: int) -> tuple[sparse.csr_array, Floats]:
    """Cotangent Laplacian and Voronoi areas of the vertices, from side lengths alone.

    With these areas the Laplacian of a paraboloid is constant on every flat
    triangulation, so that a cap is filled round and not flat. Cotangents are
    held within bounds, so that a needle cannot spoil the system.

    Source: Meyer et al. 2003, Discrete differential-geometry operators.
    """
    a, b, c = np.maximum(sides, 1e-9).T
    half = (a + b + c) / 2
    floor = 1e-4 * half**4  # of a triangle of about one degree
    area = np.sqrt(np.maximum(half * (half - a) * (half - b) * (half - c), floor))
    total = a * a + b * b + c * c
    squares = np.stack([total - 2 * a * a, total - 2 * b * b, total - 2 * c * c], axis=1)
    cotangents = np.clip(squares / (4 * area[:, None]), -100.0, 100.0)
    start, end = faces[:, [1, 2, 0]].ravel(), faces[:, [2, 0, 1]].ravel()
    weights = sparse.csr_array((cotangents.ravel() / 2, (start, end)), shape=(count, count))
    weights = weights + weights.T
    laplacian = weights - sparse.diags_array(np.asarray(weights.sum(axis=1)).ravel())
    voronoi = (cotangents * np.stack([a, b, c], axis=1) ** 2 / 8).ravel()
    mass = np.bincount(start, voronoi, minlength=count) + np.bincount(end, voronoi, minlength=count)
    thirds = np.bincount(faces.ravel(), np.repeat(area / 3, 3), minlength=count)
    return laplacian.tocsr(), np.maximum(mass, np.maximum(thirds / 4, 1e-12))
