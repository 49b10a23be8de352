"""Which side of a mesh is out: the same for all faces, and away from what it encloses."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from .topology import border_edges, half_edges

__all__ = ["capped_volume", "consistent_flips", "roundness"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


def consistent_flips(faces: Ints, pairs: Ints) -> Mask:
    """Which faces (m,) to flip so that mated faces run along their edge in opposite directions.

    pairs : half-edges (p, 2) across which the surface goes on

    In each connected piece the fewer faces are flipped. Where a piece has only
    one side, as a Moebius band, a spanning tree of it is made consistent.

    The faces and their flipped twins form the orientation double cover: it
    falls into two pieces over every piece of the mesh that has two sides.
    """
    count = len(faces)
    edges = half_edges(faces)
    alike = edges[pairs[:, 0], 0] == edges[pairs[:, 1], 0]
    sides = pairs // 3
    label = _double_cover(sides, alike, count)
    one_sided = label[:count] == label[count:]
    if one_sided.any():
        tree = _spanning_tree(sides, count)
        keep = tree | ~one_sided[sides[:, 0]]
        label = _double_cover(sides[keep], alike[keep], count)
    unflipped = np.bincount(label[:count], minlength=label.max() + 1)
    as_is, turned = unflipped[label[:count]], unflipped[label[count:]]
    return np.asarray((turned > as_is) | ((turned == as_is) & (label[count:] < label[:count])))


def _double_cover(sides: Ints, alike: Mask, count: int) -> Ints:
    """The piece of the double cover each face (first half) and flipped face belongs to."""
    f, g = sides.T
    start = np.concatenate([f, f + count])
    end = np.concatenate([g + count * alike, g + count * ~alike])
    graph = sparse.coo_array((np.ones(len(start)), (start, end)), shape=(2 * count, 2 * count))
    return np.asarray(csgraph.connected_components(graph, directed=False)[1], dtype=np.int64)


def _spanning_tree(sides: Ints, count: int) -> Mask:
    """Which pairs of faces make up a spanning forest."""
    ordered = np.sort(sides, axis=1)
    _, first = np.unique(ordered, axis=0, return_index=True)
    weights = first + 1.0  # all different: the tree's weights name the pairs
    graph = sparse.csr_array(
        (weights, (ordered[first, 0], ordered[first, 1])), shape=(count, count)
    )
    tree = csgraph.minimum_spanning_tree(graph)
    mask = np.zeros(len(sides), dtype=bool)
    mask[np.round(tree.data).astype(np.int64) - 1] = True
    return mask


def capped_volume(vertices: Floats, faces: Ints) -> float:
    """Signed volume of an oriented mesh whose borders are closed by fans; positive: outward.

    All borders are closed by fans to the common middle of the border, so that an
    open dome encloses the space below it.
    """
    border = border_edges(faces)
    middle = vertices[np.unique(border)].mean(axis=0) if len(border) else vertices.mean(axis=0)
    a, b, c = (vertices[faces[:, k]] - middle for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def roundness(volume: float, area: float) -> float:
    """The volume as a share of that of the sphere of the same area."""
    return float(abs(volume) * 6 * np.sqrt(np.pi) / area**1.5)
