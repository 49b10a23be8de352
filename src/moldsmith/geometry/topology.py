"""What is joined to what on a triangle mesh: edges, borders, pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

__all__ = ["border_edges", "border_loops", "components", "edge_keys", "face_pairs", "half_edges"]

Ints = NDArray[np.int64]


def half_edges(faces: Ints) -> Ints:
    """The directed edges (3 m, 2) of faces (m, 3): edge k of face f stands at 3 f + k."""
    return faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)


def edge_keys(edges: Ints) -> Ints:
    """One integer an edge, the same for both directions."""
    low, high = edges.min(axis=1), edges.max(axis=1)
    return low.astype(np.int64) << 32 | high.astype(np.int64)


def border_edges(faces: Ints) -> Ints:
    """Directed edges (b, 2) that only one face has, as that face runs along them."""
    edges = half_edges(faces)
    _, inverse, counts = np.unique(edge_keys(edges), return_inverse=True, return_counts=True)
    return edges[counts[inverse.reshape(-1)] == 1]


def face_pairs(faces: Ints) -> tuple[Ints, Ints]:
    """Pairs of faces (p, 2) that share an edge of exactly two faces, and their edges (p, 2)."""
    edges = half_edges(faces)
    keys = edge_keys(edges)
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    first = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    counts = np.diff(np.r_[first, len(ordered)])
    start = first[counts == 2]
    return np.stack([order[start] // 3, order[start + 1] // 3], axis=1), edges[order[start]]


def border_loops(faces: Ints) -> list[Ints]:
    """The closed borders of a mesh, each as vertex numbers in the faces' direction; longest first.

    The mesh must be oriented, and no vertex may lie on two borders. Raises
    ValueError otherwise.
    """
    edges = border_edges(faces)
    if len(edges) == 0:
        return []
    tails = edges[:, 0]
    if len(np.unique(tails)) != len(tails):
        raise ValueError("a vertex lies on two borders")
    after = dict(zip(tails.tolist(), edges[:, 1].tolist(), strict=True))
    loops: list[Ints] = []
    while after:
        start, following = after.popitem()
        loop = [start]
        while following != start:
            loop.append(following)
            if following not in after:
                raise ValueError("a border does not close: faces are not oriented alike")
            following = after.pop(following)
        turn = loop.index(min(loop))  # start at the least number, for equal results on every run
        loops.append(np.array(loop[turn:] + loop[:turn], dtype=np.int64))
    return sorted(loops, key=lambda item: (-len(item), int(item[0])))


def components(faces: Ints) -> tuple[int, Ints]:
    """Number of edge-connected pieces and the piece (m,) each face belongs to."""
    pairs, _ = face_pairs(faces)
    count = len(faces)
    graph = sparse.coo_array(
        (np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(count, count)
    )
    number, label = csgraph.connected_components(graph, directed=False)
    return int(number), label.astype(np.int64)
