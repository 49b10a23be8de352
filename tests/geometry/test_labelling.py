"""Labels by graph cut against every labelling there is, on graphs small enough to try all."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from moldsmith.geometry.labelling import cut_edges, expanded_labels

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def energy(costs: Floats, edges: Ints, weights: Floats, labels: Ints) -> float:
    own = float(costs[np.arange(len(costs)), labels].sum())
    return own + float(weights[labels[edges[:, 0]] != labels[edges[:, 1]]].sum())


def small_graph(rng: np.random.Generator, nodes: int) -> tuple[Ints, Floats]:
    pairs = [pair for pair in combinations(range(nodes), 2) if rng.random() < 0.5]
    edges = np.array(pairs).reshape(-1, 2)
    return edges, rng.random(len(edges))


def test_two_labels_get_the_least_cost_of_all_labellings() -> None:
    rng = np.random.default_rng(4)
    for _ in range(60):
        edges, weights = small_graph(rng, 7)
        costs = 2 * rng.random((7, 2))
        found = energy(costs, edges, weights, expanded_labels(costs, edges, weights))
        least = min(energy(costs, edges, weights, np.array(x)) for x in product((0, 1), repeat=7))
        assert found <= least + 1e-6


def test_three_labels_stay_within_twice_the_least_cost() -> None:
    """The bound of alpha expansion; in fact they come much nearer."""
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(30):
        edges, weights = small_graph(rng, 6)
        costs = 2 * rng.random((6, 3))
        found = energy(costs, edges, weights, expanded_labels(costs, edges, weights))
        least = min(energy(costs, edges, weights, np.array(x)) for x in product(range(3), repeat=6))
        ratios.append(found / least)
    assert max(ratios) < 2
    assert np.mean(ratios) < 1.02


def test_smoothness_takes_a_lone_node_to_its_neighbours() -> None:
    side = 12
    number = np.arange(side * side).reshape(side, side)
    edges = np.concatenate(
        [
            np.stack([number[:, :-1], number[:, 1:]], axis=-1).reshape(-1, 2),
            np.stack([number[:-1], number[1:]], axis=-1).reshape(-1, 2),
        ]
    )
    costs = np.zeros((side * side, 2))
    costs[number[:, : side // 2].ravel(), 1] = 1
    costs[number[:, side // 2 :].ravel(), 0] = 1
    costs[number[3, 2]] = [1, 0]
    labels = expanded_labels(costs, edges, np.full(len(edges), 0.5)).reshape(side, side)
    assert (labels[:, : side // 2] == 0).all()
    assert (labels[:, side // 2 :] == 1).all()
    assert cut_edges(edges, labels.ravel()).sum() == side
