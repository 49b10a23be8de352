"""Lines on a surface, and lines at a distance from them along it.

A front is moved over the triangles in short steps, each time traced anew where
the distance to the last trace is the step (Huygens' principle), so that straight
distances do where only those along the surface would be right over the whole way.
Moving a closed line in by r, out by 2 r and in by r rounds its corners both ways
with radius r: opening and closing, Serra, Image Analysis and Mathematical
Morphology (1982).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from .topology import edge_keys, half_edges
from .vectors import unit

__all__ = ["Front", "Line", "closed_line", "level_line", "spread_signs"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

_WINDOW = np.arange(-6, 7)  # segments tried on either side of the nearest one so far
_ON_LEVEL = 1e-9
_FAIR = 0.2


@dataclass(frozen=True, slots=True)
class Line:
    """Segments on a surface, chain after chain.

    start, end (s, 3) in mm, face (s,) each lies in; first, count (s,): where its
    chain begins among them and how many it has; closed (s,): the chain's end is its start.
    """

    start: Floats
    end: Floats
    face: Ints
    first: Ints
    count: Ints
    closed: Mask

    def beside(self, segment: Ints, step: Ints) -> Ints:
        """The segment so many steps along; at an open end the last one."""
        rank = segment - self.first[segment] + step
        count = self.count[segment]
        held = np.where(self.closed[segment], rank % count, np.clip(rank, 0, count - 1))
        return np.asarray(self.first[segment] + held)

    def closed_lengths(self) -> list[tuple[float, Floats]]:
        """Length and a point of each closed chain, longest first."""
        length = np.linalg.norm(self.end - self.start, axis=1)
        found = []
        for first in np.unique(self.first[self.closed]).tolist():
            chain = slice(first, first + int(self.count[first]))
            found.append((float(length[chain].sum()), self.start[chain].mean(axis=0)))
        return sorted(found, key=lambda item: -item[0])


class Front:
    """A surface and, at its vertices, the signed distance to a line on it: negative inside.

    Distances are held to `reach_mm`; beyond they only tell the side.
    """

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        self.vertices, self.faces = vertices, faces
        edges = half_edges(faces)
        _, first = np.unique(edge_keys(edges), return_index=True)
        self.edges = edges[first]
        length = np.linalg.norm(vertices[self.edges[:, 0]] - vertices[self.edges[:, 1]], axis=1)
        self.edge_mm, self.longest_mm = float(np.median(length)), float(length.max())
        count = len(vertices)
        self.graph = sparse.coo_array(
            (np.maximum(length, 1e-9), self.edges.T), shape=(count, count)
        ).tocsr()

    def distance(self, line: Line, reach_mm: float) -> tuple[Floats, Ints, Floats]:
        """Straight distance (n,) to the stretch of the line that is nearest along the surface.

        Also the segment (n,) and the share along it of the nearest point; distance
        is infinite beyond about `reach_mm`.
        """
        near = self.faces[line.face].ravel()
        segment = np.repeat(np.arange(len(line.face)), 3)
        away, _ = _to_segments(self.vertices[near], line, segment)
        order = np.lexsort((segment, away, near))
        seeds, pick = np.unique(near[order], return_index=True)
        label = np.zeros(len(self.vertices), dtype=np.int64)
        label[seeds] = segment[order][pick]
        walked, _, source = csgraph.dijkstra(
            self.graph,
            directed=False,
            indices=seeds,
            return_predecessors=True,
            min_only=True,
            limit=1.2 * reach_mm + 2 * self.edge_mm,
        )
        who = np.flatnonzero(np.isfinite(walked))
        nearest = label[source[who]]
        best, share = _to_segments(self.vertices[who], line, nearest)
        moving = np.arange(len(who))
        while len(moving):
            tried = line.beside(nearest[moving][:, None], _WINDOW[None, :])
            points = np.repeat(self.vertices[who[moving]], len(_WINDOW), axis=0)
            away, along = _to_segments(points, line, tried.ravel())
            away, along = away.reshape(tried.shape), along.reshape(tried.shape)
            row, pick = np.arange(len(moving)), np.argmin(away, axis=1)
            nearer = away[row, pick] < best[moving] - 1e-12
            row, pick, moving = row[nearer], pick[nearer], moving[nearer]
            best[moving], share[moving] = away[row, pick], along[row, pick]
            nearest[moving] = tried[row, pick]
        count = len(self.vertices)
        distance, segments, shares = np.full(count, np.inf), np.full(count, -1), np.zeros(count)
        distance[who], segments[who], shares[who] = best, nearest, share
        return distance, segments, shares

    def sides(self, line: Line, reach_mm: float, sure_mm: float) -> tuple[Floats, Floats]:
        """Distance (n,) to a directed line, and its sides (n,): -1 on its left, 1 on its right.

        The side is told within `sure_mm`, where the surface is all but flat, and 0 beyond:
        by the pseudonormal of the line within the surface, as Baerentzen and Aanaes (2005)
        have it for surfaces in space.
        """
        distance, segment, share = self.distance(line, reach_mm)
        near = np.flatnonzero(distance <= sure_mm)
        at, along = segment[near], share[near]
        a, b, c = (self.vertices[self.faces[line.face][:, k]] for k in range(3))
        right = unit(np.cross(line.end - line.start, np.cross(b - a, c - a)))
        one = np.ones(1, dtype=np.int64)
        side = right[at] + np.where((along <= 0)[:, None], right[line.beside(at, -one)], 0)
        side += np.where((along >= 1)[:, None], right[line.beside(at, one)], 0)
        foot = line.start[at] + along[:, None] * (line.end[at] - line.start[at])
        result = np.zeros(len(self.vertices))
        inner = np.einsum("ij,ij->i", self.vertices[near] - foot, side) < 0
        result[near] = np.where(inner, -1.0, 1.0)
        return distance, result

    def moved(self, values: Floats, way_mm: float, step_mm: float, reach_mm: float) -> Floats:
        """Signed distance to the line moved outward by `way_mm` (inward where negative).

        values : signed distance to the line as it is, right within `step_mm` of it
        """
        steps = max(int(np.ceil(abs(way_mm) / step_mm)), 1)
        for step in range(steps):
            values = values - way_mm / steps
            line = level_line(self.vertices, self.faces, values)
            if len(line.face) == 0:
                break
            reach = reach_mm if step == steps - 1 else 1.2 * abs(way_mm) / steps
            distance, _, _ = self.distance(line, reach)
            far = np.maximum(np.abs(values), reach)
            values = np.where(values < 0, -1, 1) * np.where(np.isfinite(distance), distance, far)
        return values


def closed_line(points: Floats, face: Ints) -> Line:
    """The closed line through points (s, 3) in order; segment i lies in face i."""
    count = len(points)
    return Line(
        points,
        np.roll(points, -1, axis=0),
        face,
        np.zeros(count, dtype=np.int64),
        np.full(count, count),
        np.ones(count, dtype=bool),
    )


def level_line(vertices: Floats, faces: Ints, values: Floats) -> Line:
    """Where values (n,), linear over each face, are zero."""
    values = np.where(np.abs(values) < _ON_LEVEL, _ON_LEVEL, values)
    inside = values < 0
    sides = inside[faces].sum(axis=1)
    crossed = np.flatnonzero((sides > 0) & (sides < 3))
    tails = faces[crossed]
    heads = np.roll(tails, -1, axis=1)
    both = np.stack([tails, heads], axis=2)
    enters = both[inside[tails] & ~inside[heads]]
    leaves = both[~inside[tails] & inside[heads]]
    keys, number = np.unique(edge_keys(np.concatenate([enters, leaves])), return_inverse=True)
    low, high = keys >> 32, keys & 0xFFFFFFFF
    share = (values[low] / (values[low] - values[high]))[:, None]
    points = vertices[low] * (1 - share) + vertices[high] * share
    start, end = np.split(number.reshape(-1), 2)
    chains, closed = _chains(start, end)
    order = np.concatenate([np.zeros(0, dtype=np.int64), *chains])
    count = np.array([len(chain) for chain in chains], dtype=np.int64)
    first = np.cumsum(count) - count
    return Line(
        points[start[order]],
        points[end[order]],
        crossed[order],
        np.repeat(first, count),
        np.repeat(count, count),
        np.repeat(np.array(closed, dtype=bool), count),
    )


def spread_signs(edges: Ints, signs: Floats) -> tuple[Floats, Ints]:
    """Signs (n,) given to vertices that have 0, from those they hang together with.

    edges (e, 2) join vertices. Each group that hangs together takes the sign most of its
    neighbours have. Also gives vertices of the other sign round groups that both signs
    have a fair share in: there the line is no border of two sides.
    """
    count = len(signs)
    unknown = signs == 0
    within = edges[unknown[edges].all(axis=1)]
    graph = sparse.coo_array((np.ones(len(within)), within.T), shape=(count, count))
    groups, group = csgraph.connected_components(graph, directed=False)
    rim = edges[unknown[edges].sum(axis=1) == 1]
    rim = np.where(unknown[rim[:, :1]], rim, rim[:, ::-1])  # unknown end first
    ups = np.bincount(group[rim[:, 0]], signs[rim[:, 1]] > 0, minlength=groups)
    downs = np.bincount(group[rim[:, 0]], signs[rim[:, 1]] < 0, minlength=groups)
    result = np.where(unknown, np.sign(ups - downs)[group], signs)
    torn = (np.minimum(ups, downs) > _FAIR * np.maximum(ups, downs))[group[rim[:, 0]]]
    wrong = torn & (np.sign(signs[rim[:, 1]]) != np.sign(result[rim[:, 0]]))
    return result, np.unique(rim[wrong, 1])


def _chains(start: Ints, end: Ints) -> tuple[list[Ints], list[bool]]:
    """Segments start -> end linked up, as their numbers; and whether each chain closes."""
    at = {key: number for number, key in enumerate(start.tolist())}
    ends = end.tolist()
    reached = set(ends)
    heads = [key for key in start.tolist() if key not in reached]
    chains: list[Ints] = []
    closed = []
    for key in [*heads, *start.tolist()]:
        chain = []
        place = key
        while place in at:
            number = at.pop(place)
            chain.append(number)
            place = ends[number]
        if chain:
            chains.append(np.array(chain, dtype=np.int64))
            closed.append(place == key)
    return chains, closed


def _to_segments(points: Floats, line: Line, segment: Ints) -> tuple[Floats, Floats]:
    """Distance from points (n, 3) to a segment each, and the share along it, 0 to 1."""
    a, b = line.start[segment], line.end[segment]
    along = b - a
    length = np.maximum(np.einsum("ij,ij->i", along, along), 1e-30)
    share = np.clip(np.einsum("ij,ij->i", points - a, along) / length, 0, 1)
    foot = a + share[:, None] * along
    return np.linalg.norm(points - foot, axis=1), share
