"""What is joined to what on a triangle mesh: edges, borders, pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse, spatial
from scipy.sparse import csgraph

from .threads import threads

__all__ = [
    "border_edges",
    "border_loops",
    "compact",
    "components",
    "crowded_faces",
    "degenerate",
    "edge_keys",
    "face_pairs",
    "half_edges",
    "mated_edges",
    "pinched",
    "pulled_apart",
    "repeated",
    "split_corners",
    "vertex_faces",
    "weld_near",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def half_edges(faces: Ints) -> Ints:
    """The directed edges (3 m, 2) of faces (m, 3): edge k of face f stands at 3 f + k."""
    return np.asarray(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2))


def edge_keys(edges: Ints) -> Ints:
    """One integer an edge, the same for both directions."""
    tail, head = edges[:, 0].astype(np.int64), edges[:, 1].astype(np.int64)
    return np.asarray(np.minimum(tail, head) << 32 | np.maximum(tail, head))


def border_edges(faces: Ints) -> Ints:
    """Directed edges (b, 2) that only one face has, as that face runs along them."""
    edges = half_edges(faces)
    if len(edges) == 0:
        return edges
    keys = edge_keys(edges)
    ordered = np.sort(keys)
    alone = np.r_[True, ordered[1:] != ordered[:-1]]
    alone[:-1] &= alone[1:]
    return np.asarray(edges[_among(keys, ordered[alone])])


def crowded_faces(faces: Ints) -> NDArray[np.bool_]:
    """Which faces (m,) have an edge of more than two faces."""
    keys = edge_keys(half_edges(faces))
    ordered = np.sort(keys)
    third = ordered[2:][ordered[2:] == ordered[:-2]]
    return np.asarray(_among(keys, np.unique(third)).reshape(-1, 3).any(axis=1))


def _among(keys: Ints, few: Ints) -> NDArray[np.bool_]:
    """Which keys are among few sorted ones; without the temporaries of a join of equals."""
    if len(few) == 0:
        return np.zeros(len(keys), dtype=bool)
    at = np.minimum(np.searchsorted(few, keys), len(few) - 1)
    return np.asarray(few[at] == keys)


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


def vertex_faces(faces: Ints, count: int) -> sparse.csr_array:
    """Which of `count` vertices lies on which face: a (count, m) matrix of ones."""
    columns = np.repeat(np.arange(len(faces)), 3)
    ones = np.ones(faces.size, dtype=np.int8)
    return sparse.csr_array((ones, (faces.reshape(-1), columns)), shape=(count, len(faces)))


def weld_near(vertices: Floats, faces: Ints, distance: float) -> Ints:
    """The faces with vertices no farther apart than `distance` made one, the first of them."""
    tree = spatial.cKDTree(vertices, balanced_tree=False, compact_nodes=False)
    bound = distance * (1 + 1e-9) + 1e-12  # the query leaves out what lies at the bound itself
    gap = tree.query(vertices, k=[2], distance_upper_bound=bound, workers=threads())[0]
    close = np.flatnonzero(np.isfinite(gap[:, 0]))  # only these have a neighbour at all
    del tree, gap
    if len(close) == 0:
        return faces
    pairs = spatial.cKDTree(vertices[close]).query_pairs(distance, output_type="ndarray")
    pairs = close[pairs]
    count = len(vertices)
    graph = sparse.coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (count, count))
    _, label = csgraph.connected_components(graph, directed=False)
    _, first, inverse = np.unique(label, return_index=True, return_inverse=True)
    return first[inverse.reshape(-1)][faces].astype(np.int64)


def degenerate(faces: Ints) -> NDArray[np.bool_]:
    """Which faces name a vertex twice."""
    a, b, c = faces.T
    return np.asarray((a == b) | (b == c) | (c == a))


def repeated(faces: Ints) -> NDArray[np.bool_]:
    """Which faces name the same three vertices as an earlier one, in any order."""
    ordered = np.sort(faces, axis=1)
    order = np.lexsort((ordered[:, 2], ordered[:, 1], ordered[:, 0]))  # stable: earlier first
    rows = ordered[order]
    mask = np.zeros(len(faces), dtype=bool)
    mask[order[1:]] = (rows[1:] == rows[:-1]).all(axis=1)
    return mask


def compact(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """The mesh without the vertices that no face names."""
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    number = np.cumsum(used) - 1
    return vertices[used], number[faces].astype(np.int64)


def mated_edges(vertices: Floats, faces: Ints) -> Ints:
    """Pairs (p, 2) of half-edges across which the surface goes on.

    An edge of two faces is one pair, whichever way the two run along it. On an
    edge of more, faces that run along it in opposite directions are paired, the
    flattest pair first; what finds no mate is left out and becomes a border.
    """
    edges = half_edges(faces)
    keys = edge_keys(edges)
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    first = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    counts = np.diff(np.r_[first, len(ordered)])
    plain = first[counts == 2]
    pairs = [np.stack([order[plain], order[plain + 1]], axis=1)]
    for crowd in np.unique(counts[counts > 2]).tolist():
        group = order[first[counts == crowd][:, None] + np.arange(crowd)]
        left, right = np.triu_indices(crowd, 1)
        candidates = np.stack([group[:, left].ravel(), group[:, right].ravel()], axis=1)
        opposite = edges[candidates[:, 0], 0] != edges[candidates[:, 1], 0]
        pairs.append(_flattest(vertices, faces, candidates[opposite]))
    return np.concatenate(pairs)


def _flattest(vertices: Floats, faces: Ints, candidates: Ints) -> Ints:
    """Of candidate half-edge pairs, those that leave no half-edge twice, flattest first."""
    if len(candidates) == 0:
        return candidates
    away = _away_from_edge(vertices, faces, candidates.reshape(-1)).reshape(-1, 2, 3)
    fold = np.einsum("ij,ij->i", away[:, 0], away[:, 1])  # -1: flat, 1: folded back
    candidates = candidates[np.lexsort((candidates[:, 1], candidates[:, 0], np.round(fold, 9)))]
    chosen = []
    while len(candidates):
        rank = np.arange(len(candidates))
        best = np.full(faces.size, len(candidates))
        np.minimum.at(best, candidates[:, 0], rank)
        np.minimum.at(best, candidates[:, 1], rank)
        wins = (best[candidates] == rank[:, None]).all(axis=1)
        chosen.append(candidates[wins])
        taken = np.zeros(faces.size, dtype=bool)
        taken[candidates[wins]] = True
        candidates = candidates[~taken[candidates].any(axis=1)]
    return np.concatenate(chosen)


def _away_from_edge(vertices: Floats, faces: Ints, half: Ints) -> Floats:
    """Unit vectors in the faces of half-edges, square to the edge, into the face."""
    face, corner = half // 3, half % 3
    tail = vertices[faces[face, corner]]
    along = vertices[faces[face, (corner + 1) % 3]] - tail
    across = vertices[faces[face, (corner + 2) % 3]] - tail
    share = np.einsum("ij,ij->i", across, along) / np.einsum("ij,ij->i", along, along)
    across = across - share[:, None] * along
    return np.asarray(across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-300))


def pinched(faces: Ints) -> bool:
    """Whether faces of a closed, oriented mesh meet at a vertex in more than one fan."""
    edges = half_edges(faces)
    pairs = np.argsort(edge_keys(edges), kind="stable").reshape(-1, 2)
    corners, _ = split_corners(faces, pairs)
    return int(corners.max(initial=-1)) + 1 > len(np.unique(faces))


def split_corners(faces: Ints, pairs: Ints) -> tuple[Ints, Ints]:
    """Faces (m, 3) in which only mated faces share vertices, and the old number of each vertex.

    Corners of faces are made one vertex where a pair of half-edges joins them,
    running in opposite directions; so every vertex has a single fan of faces.

    Source: cutting at singular vertices and edges, Gueziec et al. 2001.
    """
    edges = half_edges(faces)
    pairs = pairs[edges[pairs[:, 0], 0] == edges[pairs[:, 1], 1]]
    tails = pairs
    heads = pairs // 3 * 3 + (pairs % 3 + 1) % 3
    start = np.concatenate([tails[:, 0], heads[:, 0]])
    end = np.concatenate([heads[:, 1], tails[:, 1]])
    graph = sparse.coo_array((np.ones(len(start)), (start, end)), shape=(faces.size, faces.size))
    _, label = csgraph.connected_components(graph, directed=False)
    _, first, inverse = np.unique(label, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[inverse.reshape(-1)].reshape(-1, 3), faces.reshape(-1)[np.sort(first)]


def pulled_apart(vertices: Floats, faces: Ints, step: float) -> tuple[Floats, int]:
    """Vertices no two of which are one in float32, and how many had to move.

    Each of the vertices at one place moves by `step` towards the middle of its
    own faces, farther where that is not enough.
    """
    vertices = np.array(vertices)
    moved = np.zeros(len(vertices), dtype=bool)
    for attempt in range(1, 9):
        _, inverse, counts = np.unique(
            vertices.astype(np.float32), axis=0, return_inverse=True, return_counts=True
        )
        together = np.flatnonzero(counts[inverse.reshape(-1)] > 1)
        if len(together) == 0:
            break
        middles = vertices[faces].mean(axis=1)
        fans = vertex_faces(faces, len(vertices))[together]
        inward = fans @ middles / fans.sum(axis=1)[:, None] - vertices[together]
        length = np.linalg.norm(inward, axis=1, keepdims=True)
        reach = np.minimum(step * attempt, length / 2)
        vertices[together] += inward / np.maximum(length, 1e-12) * reach
        moved[together] = True
    return vertices, int(moved.sum())
