"""Labels on a graph that cost little in themselves and change over few edges.

Alpha expansion (Boykov, Veksler and Zabih, IEEE PAMI 23 (2001) 1222): each label in turn
may take over any nodes, by the least cut of a graph; repeated until none gains. The cut's
graph is that of Kolmogorov and Zabih, IEEE PAMI 26 (2004) 147.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

__all__ = ["cut_edges", "expanded_labels"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_MOST_ROUNDS = 8
_LARGEST = 2**30  # the flow counts in int32


def expanded_labels(costs: Floats, edges: Ints, weights: Floats) -> Ints:
    """The label (n,) of each node.

    Parameters
    ----------
    costs (n, k) : of each label at each node
    edges (e, 2) : pairs of nodes; weights (e,) : what it costs that their labels differ
    """
    labels: Ints = np.argmin(costs, axis=1).astype(np.int64)
    best = _energy(costs, edges, weights, labels)
    for _ in range(_MOST_ROUNDS):
        before = best
        for alpha in range(costs.shape[1]):
            tried = _expanded(costs, edges, weights, labels, alpha)
            energy = _energy(costs, edges, weights, tried)
            if energy < best - 1e-9 * max(abs(best), 1.0):
                labels, best = tried, energy
        if best >= before:
            break
    return labels


def cut_edges(edges: Ints, labels: Ints) -> NDArray[np.bool_]:
    """Which edges (e,) join two labels."""
    return np.asarray(labels[edges[:, 0]] != labels[edges[:, 1]])


def _energy(costs: Floats, edges: Ints, weights: Floats, labels: Ints) -> float:
    own = costs[np.arange(len(costs)), labels].sum()
    return float(own + weights[cut_edges(edges, labels)].sum())


def _expanded(costs: Floats, edges: Ints, weights: Floats, labels: Ints, alpha: int) -> Ints:
    """The labels after the best expansion of one: nodes on the sink's side take it."""
    count = len(labels)
    keep = costs[np.arange(count), labels].copy()  # paid where the node keeps its label
    take = costs[:, alpha].copy()
    keep[labels == alpha] = take[labels == alpha]
    one, two = edges.T
    # Cost of an edge by (first takes, second takes): both 0; and d10, d01, d00.
    d00 = np.where(labels[one] != labels[two], weights, 0.0)
    d01 = np.where(labels[one] != alpha, weights, 0.0)
    d10 = np.where(labels[two] != alpha, weights, 0.0)
    # d(x, y) = d00 + (d10 - d00) x + (0 - d10) y + (d01 + d10 - d00) (1 - x) y
    np.add.at(keep, one, d00 - d10)
    np.add.at(take, two, -d10)
    across = d01 + d10 - d00
    low = np.minimum(keep, take)
    keep, take = keep - low, take - low
    source, sink = count, count + 1
    nodes = np.arange(count)
    # A node on the source's side keeps its label: its edge to the sink is cut, and paid.
    rows = np.concatenate([np.full(count, source), nodes, one])
    columns = np.concatenate([nodes, np.full(count, sink), two])
    capacity = np.concatenate([take, keep, across])
    scale = _LARGEST / max(float(capacity.max()) * 64, 1e-12)
    whole = np.rint(capacity * scale).astype(np.int32)
    used = whole > 0
    graph = sparse.csr_array(
        (whole[used], (rows[used], columns[used])), shape=(count + 2, count + 2)
    )
    graph.indices, graph.indptr = graph.indices.astype(np.int32), graph.indptr.astype(np.int32)
    flow = csgraph.maximum_flow(sparse.csr_matrix(graph), source, sink).flow
    left = sparse.csr_matrix(graph) - flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = csgraph.breadth_first_order(left, source, return_predecessors=False)
    result = np.full(count, alpha, dtype=np.int64)
    kept = reached[reached < count]
    result[kept] = labels[kept]
    return result
