"""Fewer triangles, the surface within a stated tolerance of what it was.

Edges are collapsed by quadric error (Garland and Heckbert, SIGGRAPH 1997, 209)
by the library `fast_simplification`, a block of faces at a time. The deviation
of each block is then measured both ways; where it is more than the tolerance,
or the mesh no longer a manifold, the triangles concerned are left as they were
and the block is done again. Borders, and so the seams of blocks, are not moved.
"""

from __future__ import annotations

from collections.abc import Iterator

import fast_simplification
import numpy as np
from numpy.typing import NDArray

from . import topology
from .deviation import Original, faulty, grown
from .distance import vertex_normals

__all__ = ["reduced"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Mesh = tuple[Floats, Ints]

BLOCK_FACES = 250_000  # bounds the memory; the library keeps what it once took
RINGS = (1, 1, 2, 2, 4, 4, 8, 8)  # of faces kept round what fails, round by round
ROUGH_SHARE = 0.5
BOLDEST = 2.0  # tolerances that a collapse may cost at first
TOO_BOLD = 0.2  # share of faces in error at which less cost is allowed, rather than they kept
WORTH_IT = 0.95  # of the faces left: with more the block stays as it was
# The library's lossless mode collapses what costs less than this, in its own unit squared.
LOSSLESS = np.finfo(np.float64).eps


def reduced(vertices: Floats, faces: Ints, tolerance_mm: float) -> tuple[Floats, Ints, float]:
    """The mesh with fewer triangles, and its greatest measured deviation, mm.

    Parameters
    ----------
    vertices (n, 3), faces (m, 3) : oriented, manifold, open or closed
    tolerance_mm : no old vertex is farther from the new surface, and no new vertex,
        edge middle or face middle farther from the old

    Borders keep their vertices. The result is a manifold where the mesh was one.
    """
    blocks, deviation = [], 0.0
    for rows in _blocks(vertices, faces):
        own = topology.compact(vertices, faces[rows])
        fewer, off = _reduced_block(*own, tolerance_mm)
        blocks.append((own, fewer))
        deviation = max(deviation, off)
    whole = _joined([fewer for _, fewer in blocks])
    if len(blocks) == 1:
        return *whole, deviation
    fault = faulty(whole[1], len(whole[0]))
    if fault.any():
        spoilt = whole[0][fault]
        whole = _joined([old if _meets(new[0], spoilt) else new for old, new in blocks])
    return *whole, deviation


def _blocks(vertices: Floats, faces: Ints) -> Iterator[Ints]:
    """Runs of faces along the longest axis."""
    count = -(-len(faces) // BLOCK_FACES)
    if count <= 1:
        yield np.arange(len(faces))
        return
    axis = int(np.argmax(np.ptp(vertices, axis=0)))
    along = vertices[faces[:, 0], axis]
    yield from np.array_split(np.argsort(along, kind="stable"), count)


def _reduced_block(vertices: Floats, faces: Ints, tolerance: float) -> tuple[Mesh, float]:
    """The block with fewer faces, or as it was where no round meets the tolerance."""
    if _rough(vertices, faces, tolerance):
        return (vertices, faces), 0.0
    kept = np.zeros(len(faces), dtype=bool)
    original = Original(vertices, faces, tolerance)
    cost, trial = BOLDEST * tolerance, None
    for rings in RINGS:
        fewer = _collapsed(vertices, faces, kept, cost)
        if len(fewer[1]) > WORTH_IT * len(faces):
            break
        trial = original.measured(fewer, trial)
        if not trial.failed.any():
            return fewer, trial.deviation_mm
        if trial.failed.mean() > TOO_BOLD:
            if cost < tolerance / 2:
                break
            cost /= 2
            continue
        kept |= grown(faces, trial.failed, len(vertices), rings)
    return (vertices, faces), 0.0


def _rough(vertices: Floats, faces: Ints, tolerance: float) -> bool:
    """Whether most vertices stand off the middle of their neighbours by twice the tolerance.

    The noise of a raw scan leaves nothing to take away: told at a glance, before any
    trial. A smooth surface stands off by its curvature, less than this.
    """
    edges = topology.half_edges(faces)
    count = np.maximum(np.bincount(edges[:, 0], minlength=len(vertices)), 1)
    middle = np.stack(
        [np.bincount(edges[:, 0], vertices[edges[:, 1], k], len(vertices)) for k in range(3)],
        axis=1,
    )
    away = middle / count[:, None] - vertices
    height = np.abs(np.einsum("ij,ij->i", away, vertex_normals(vertices, faces)))
    return bool((height > 2 * tolerance).mean() > ROUGH_SHARE)


def _collapsed(vertices: Floats, faces: Ints, kept: Mask, cost_mm: float) -> Mesh:
    """The faces that are not kept collapsed, and the kept ones with them again."""
    free_vertices, free = topology.compact(vertices, faces[~kept])
    if len(free) == 0:
        return vertices, faces
    # A power of two, so that what does not move comes back to the last bit.
    scale = 2.0 ** np.round(np.log2(np.sqrt(LOSSLESS) / cost_mm))
    points, triangles = fast_simplification.simplify(
        free_vertices * scale, free, lossless=True, preserve_border=True
    )
    collapsed = (np.asarray(points, dtype=np.float64) / scale, np.asarray(triangles, np.int64))
    collapsed = topology.compact(*collapsed)
    if not kept.any():
        return collapsed
    return _joined([collapsed, topology.compact(vertices, faces[kept])])


def _joined(parts: list[Mesh]) -> Mesh:
    """Parts as one mesh; border vertices at one place, to the last bit, become one."""
    if len(parts) == 1:
        return parts[0]
    starts = np.cumsum([0] + [len(vertices) for vertices, _ in parts[:-1]])
    vertices = np.concatenate([vertices for vertices, _ in parts])
    faces = np.concatenate([own + start for (_, own), start in zip(parts, starts, strict=True)])
    border = np.unique(topology.border_edges(faces))
    _, first, inverse = np.unique(vertices[border], axis=0, return_index=True, return_inverse=True)
    number = np.arange(len(vertices))
    number[border] = border[first[inverse.reshape(-1)]]
    return topology.compact(vertices, number[faces])


def _meets(vertices: Floats, places: Floats) -> bool:
    rows = np.concatenate([np.unique(vertices, axis=0), np.unique(places, axis=0)])
    return len(np.unique(rows, axis=0)) < len(rows)
