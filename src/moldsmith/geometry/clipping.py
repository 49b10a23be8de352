"""A mesh cut along the zero line of a function of place, without slivers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .topology import border_edges, compact, edge_keys, half_edges

__all__ = ["clip", "corner_angles", "without_needles"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Field = Callable[[Floats], Floats]

NEEDLE = 0.25  # a border edge shorter than this share of both other sides makes a needle
STEPS = 40  # of bisection: an edge's length / 2^40


def clip(
    vertices: Floats, faces: Ints, field: Field, *, snap: float = 0.25
) -> tuple[Floats, Ints, Mask]:
    """The part of a mesh where `field` is negative, and which of its vertices the cut made.

    field : takes points (n, 3), gives (n,) values
    snap : a vertex whose nearest cut on one of its edges is closer than this
        share of the edge moves there, so that the cut leaves no slivers

    Marching triangles; the cut of an edge is found by bisection on the field
    itself, so that a curved cut is met however long the edges are.
    """
    values = field(vertices)
    edges = _crossed(faces, values)
    shares = _roots(vertices, edges, values, field)
    vertices, values = _snapped(vertices, faces, values, edges, shares, snap)
    still = (values[edges] != 0).all(axis=1)
    edges, shares = edges[still], shares[still]
    cuts = vertices[edges[:, 0]] + shares[:, None] * (vertices[edges[:, 1]] - vertices[edges[:, 0]])
    whole = np.concatenate([vertices, cuts])
    pieces = _marched(whole, faces, values, edges, field)
    made = np.concatenate([values == 0, np.ones(len(cuts), dtype=bool)])
    used = np.zeros(len(whole), dtype=bool)
    used[pieces] = True
    whole, pieces = compact(whole, pieces)
    return whole, pieces, made[used]


def corner_angles(vertices: Floats, faces: Ints) -> Floats:
    """Angles (m, 3) of the triangles at their corners, in degrees."""
    corners = vertices[faces]
    after = corners[:, [1, 2, 0]] - corners
    before = corners[:, [2, 0, 1]] - corners
    cross = np.linalg.norm(np.cross(after, before), axis=2)
    dot = np.einsum("ijk,ijk->ij", after, before)
    return np.asarray(np.degrees(np.arctan2(cross, dot)))


def without_needles(vertices: Floats, faces: Ints, on_cut: Mask) -> tuple[Floats, Ints, Mask]:
    """The mesh with the needle triangles that stand on a cut collapsed.

    Only edges between two vertices of the cut are collapsed, onto one of the two,
    so that the border keeps to the line it was cut along. Faces must be manifold.
    """
    for turn in range(12):
        edges = _needles(vertices, faces, on_cut)
        if turn % 2:
            edges = edges[:, ::-1]
        edges = _collapsible(vertices, faces, edges)
        if len(edges) == 0 and turn % 2:
            break
        number = np.arange(len(vertices))
        number[edges[:, 1]] = edges[:, 0]
        faces = number[faces]
        a, b, c = faces.T
        faces = faces[(a != b) & (b != c) & (c != a)]
    used = np.zeros(len(vertices), dtype=bool)
    used[faces] = True
    vertices, faces = compact(vertices, faces)
    return vertices, faces, on_cut[used]


def _needles(vertices: Floats, faces: Ints, on_cut: Mask) -> Ints:
    """Border edges (e, 2) on the cut whose face is a needle, shortest first."""
    border = edge_keys(border_edges(faces))
    half = np.flatnonzero(np.isin(edge_keys(half_edges(faces)), border))
    face, corner = half // 3, half % 3
    a, b, c = (faces[face, (corner + k) % 3] for k in range(3))
    ab, bc, ca = (
        np.linalg.norm(vertices[p] - vertices[q], axis=1) for p, q in ((a, b), (b, c), (c, a))
    )
    short = on_cut[a] & on_cut[b] & (ab < NEEDLE * np.minimum(bc, ca))
    order = np.flatnonzero(short)[np.argsort(ab[short], kind="stable")]
    return np.asarray(np.stack([a, b], axis=1)[order])


def _collapsible(vertices: Floats, faces: Ints, edges: Ints) -> Ints:
    """Those edges, no two near each other, whose second end may go to the first.

    An edge qualifies where its ends have the apex as their one common neighbour
    and no face would turn over or become a worse sliver.
    """
    count, rank = len(vertices), np.arange(len(edges))
    nearest = np.full(count, len(edges))
    np.minimum.at(nearest, edges.ravel(), np.repeat(rank, 2))
    ring = nearest.copy()
    np.minimum.at(ring, faces.ravel(), np.repeat(nearest[faces].min(axis=1), 3))
    edges = edges[(ring[edges] == rank[:, None]).all(axis=1)]
    around = half_edges(faces)
    around = np.concatenate([around, around[:, ::-1]])
    near = sparse.csr_array((np.ones(len(around)), around.T), shape=(count, count)) > 0
    common = near[edges[:, 0]].multiply(near[edges[:, 1]]).sum(axis=1)
    edges = edges[np.asarray(common).ravel() == 1]
    number = np.arange(count)
    number[edges[:, 1]] = edges[:, 0]
    concerned = faces[np.isin(faces, edges[:, 1]).any(axis=1)]
    after = number[concerned]
    stays = (after[:, [0, 1, 2]] != after[:, [1, 2, 0]]).all(axis=1)
    concerned, after = concerned[stays], after[stays]
    turned = np.einsum("ij,ij->i", _normals(vertices, concerned), _normals(vertices, after)) < 0.3
    before = corner_angles(vertices, concerned).min(axis=1)
    thin = corner_angles(vertices, after).min(axis=1) < np.minimum(10.0, before)
    return np.asarray(edges[~np.isin(edges[:, 1], concerned[turned | thin])])


def _crossed(faces: Ints, values: Floats) -> Ints:
    """The edges (e, 2) whose ends lie strictly on different sides, in ascending order."""
    edges = np.sort(half_edges(faces), axis=1)
    edges = edges[values[edges[:, 0]] * values[edges[:, 1]] < 0]
    _, first = np.unique(edge_keys(edges), return_index=True)
    return edges[first]


def _roots(vertices: Floats, edges: Ints, values: Floats, field: Field) -> Floats:
    """Where along each edge the field changes sign, 0 at its first end and 1 at its second."""
    start, along = vertices[edges[:, 0]], vertices[edges[:, 1]] - vertices[edges[:, 0]]
    low, high = np.zeros(len(edges)), np.ones(len(edges))
    sign = np.sign(values[edges[:, 0]])
    active = np.arange(len(edges))
    for step in range(STEPS):
        middle = (low[active] + high[active]) / 2
        if step == 0:  # most fields are all but linear along an edge: try that first
            ends = np.abs(values[edges])
            middle = np.clip(ends[:, 0] / ends.sum(axis=1), 1e-9, 1 - 1e-9)
        value = field(start[active] + middle[:, None] * along[active])
        near = value * sign[active] > 0
        low[active] = np.where(near, middle, low[active])
        high[active] = np.where(near, high[active], middle)
        exact = np.abs(value) < 1e-9
        low[active[exact]] = high[active[exact]] = middle[exact]
        active = active[~exact & (high[active] - low[active] > 1e-12)]
        if len(active) == 0:
            break
    return (low + high) / 2


def _snapped(
    vertices: Floats, faces: Ints, values: Floats, edges: Ints, shares: Floats, snap: float
) -> tuple[Floats, Floats]:
    """Vertices near a cut moved onto it, their value then 0; none so far as to turn a face over."""
    length = np.linalg.norm(vertices[edges[:, 1]] - vertices[edges[:, 0]], axis=1)
    ends = np.concatenate([edges[:, 0], edges[:, 1]])
    others = np.concatenate([edges[:, 1], edges[:, 0]])
    parts = np.concatenate([shares, 1 - shares])
    far = np.concatenate([length, length]) * parts
    near = np.flatnonzero(parts < snap)
    near = near[np.lexsort((others[near], far[near], ends[near]))]
    _, first = np.unique(ends[near], return_index=True)
    chosen = near[first]
    who = ends[chosen]
    target = vertices[who] + parts[chosen, None] * (vertices[others[chosen]] - vertices[who])
    allowed = np.ones(len(who), dtype=bool)
    concerned = faces[np.isin(faces, who).any(axis=1)]
    before = corner_angles(vertices, concerned).min(axis=1)
    plain = _normals(vertices, concerned)
    for _ in range(20):
        moved = vertices.copy()
        moved[who[allowed]] = target[allowed]
        turned = np.einsum("ij,ij->i", plain, _normals(moved, concerned)) < 0.3
        thin = corner_angles(moved, concerned).min(axis=1) < np.minimum(3.0, before / 2)
        spoiled = np.unique(concerned[turned | thin])
        back = allowed & np.isin(who, spoiled)
        if not back.any():
            break
        allowed &= ~back
    else:
        allowed[:] = False
    moved = vertices.copy()
    moved[who[allowed]] = target[allowed]
    values = values.copy()
    values[who[allowed]] = 0.0
    return moved, values


def _normals(vertices: Floats, faces: Ints) -> Floats:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300))


def _marched(whole: Floats, faces: Ints, values: Floats, edges: Ints, field: Field) -> Ints:
    """The faces, and parts of faces, on the negative side."""
    side = np.sign(values)[faces].astype(np.int64)
    below, above = (side < 0).sum(axis=1), (side > 0).sum(axis=1)
    kept = [faces[(above == 0) & (below > 0)]]
    level = faces[(above == 0) & (below == 0)]  # all corners on the cut: decided in the middle
    if len(level):
        kept.append(level[field(whole[level].mean(axis=1)) < 0])
    keys, count = edge_keys(edges), len(values)

    def cut(a: Ints, b: Ints) -> Ints:
        pair = np.stack([a, b], axis=1)
        return count + np.searchsorted(keys, edge_keys(pair))

    a, b, c = _led(faces, side, (below == 1) & (above == 2), -1)
    kept.append(np.stack([a, cut(a, b), cut(a, c)], axis=1))
    a, b, c = _led(faces, side, (below == 2) & (above == 1), 1)
    x, y = cut(a, b), cut(a, c)
    diagonals = whole[x] - whole[c], whole[b] - whole[y]
    short = np.linalg.norm(diagonals[0], axis=1) < np.linalg.norm(diagonals[1], axis=1)
    kept.append(np.where(short[:, None], np.stack([x, b, c], axis=1), np.stack([x, b, y], axis=1)))
    kept.append(np.where(short[:, None], np.stack([x, c, y], axis=1), np.stack([b, c, y], axis=1)))
    a, b, c = _led(faces, side, (below == 1) & (above == 1), 0)
    x = cut(b, c)
    first_below = values[b] < 0
    kept.append(
        np.where(first_below[:, None], np.stack([a, b, x], axis=1), np.stack([a, x, c], axis=1))
    )
    return np.concatenate(kept)


def _led(faces: Ints, side: Ints, mask: Mask, leader: int) -> tuple[Ints, Ints, Ints]:
    """Corners of the masked faces, turned so that the one of side `leader` comes first."""
    chosen = faces[mask]
    lead = np.argmax(side[mask] == leader, axis=1)
    row = np.arange(len(chosen))
    return chosen[row, lead], chosen[row, (lead + 1) % 3], chosen[row, (lead + 2) % 3]
