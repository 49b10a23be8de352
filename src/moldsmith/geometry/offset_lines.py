"""Lines on a surface, and lines at a distance from them along it.

A front is moved over the triangles in short steps, each time traced anew where
the distance to the last trace is the step (Huygens' principle), so that straight
distances do where only those along the surface would be right over the whole way.
Moving a closed line in by r, out by 2 r and in by r rounds its corners both ways
with radius r: opening and closing, Serra, Image Analysis and Mathematical
Morphology (1982). A trace keeps its corners: where distances to two stretches meet
in a triangle, it turns where their level lines do, as in Kobbelt et al., Feature
sensitive surface extraction, SIGGRAPH (2001) 57.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from .topology import edge_keys, half_edges
from .vectors import unit

__all__ = ["Front", "Line", "Signed", "closed_line", "level_line", "spread_signs"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

_WINDOW = np.arange(-6, 7)  # segments tried on either side of the nearest one so far
_ON_LEVEL = 1e-9
_FAIR = 0.2
_CORNER = np.cos(np.radians(25.0))  # between two slopes that are no bend but a corner


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


@dataclass(frozen=True, slots=True)
class Signed:
    """Distances (n,) to a line on a surface, negative inside, at its vertices.

    slopes (n, 3) : unit vectors in which they grow; 0 where that is not known
    """

    values: Floats
    slopes: Floats

    def __neg__(self) -> Signed:
        return Signed(-self.values, -self.slopes)


class _Nearest:
    """For points (n, 3) the nearest segment (n,) of a line so far, how far off, the share along."""

    def __init__(
        self, points: Floats, line: Line, segment: Ints, away: Floats, share: Floats
    ) -> None:
        self.points, self.line = points, line
        self.segment, self.away, self.share = segment, away, share

    def slide(self, moving: Ints) -> None:
        """Go along the line as long as that is nearer, from where these points are."""
        while len(moving):
            moving = self._try(moving, self.segment[moving])

    def compare(self, pairs: Ints) -> None:
        """Try for each of two neighbours (p, 2) what is nearest to the other.

        Ways along edges are longer than straight ones, not all by one share: where two
        stretches of the line are about as near, they can lead to the wrong one.
        """
        both = np.concatenate([pairs, pairs[:, ::-1]])
        while len(both):
            one, two = self.segment[both].T
            both = both[np.abs(one - two) > len(_WINDOW) // 2]
            nearer = np.unique(self._try(both[:, 1], self.segment[both[:, 0]]))
            self.slide(nearer)
            changed = np.zeros(len(self.points), dtype=bool)
            changed[nearer] = True
            both = np.concatenate([pairs, pairs[:, ::-1]])
            both = both[changed[both[:, 0]]]

    def _try(self, who: Ints, segment: Ints) -> Ints:
        """Try segments about these for these points; gives the points that are nearer now."""
        tried = self.line.beside(segment[:, None], _WINDOW[None, :])
        points = np.repeat(self.points[who], len(_WINDOW), axis=0)
        away, along = _to_segments(points, self.line, tried.ravel())
        away, along = away.reshape(tried.shape), along.reshape(tried.shape)
        row, pick = np.arange(len(who)), np.argmin(away, axis=1)
        least = away[row, pick]
        order = np.argsort(-least, kind="stable")  # the nearest is written last
        order = order[least[order] < self.away[who[order]] - 1e-12]
        at = who[order]
        self.away[at] = away[order, pick[order]]
        self.share[at] = along[order, pick[order]]
        self.segment[at] = tried[order, pick[order]]
        return np.asarray(at)


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
        beside = self.faces[line.face].ravel()
        segment = np.repeat(np.arange(len(line.face)), 3)
        away, _ = _to_segments(self.vertices[beside], line, segment)
        order = np.lexsort((segment, away, beside))
        seeds, pick = np.unique(beside[order], return_index=True)
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
        label = label[source[who]]
        best, share = _to_segments(self.vertices[who], line, label)
        near = _Nearest(self.vertices[who], line, label, best, share)
        near.slide(np.arange(len(who)))
        row = np.full(len(self.vertices), -1)
        row[who] = np.arange(len(who))
        pairs = row[self.edges]
        near.compare(pairs[(pairs >= 0).all(axis=1)])
        count = len(self.vertices)
        distance, segments, shares = np.full(count, np.inf), np.full(count, -1), np.zeros(count)
        distance[who], segments[who], shares[who] = near.away, near.segment, near.share
        return distance, segments, shares

    def sides(self, line: Line, reach_mm: float, sure_mm: float) -> tuple[Signed, Floats]:
        """Distance to a directed line, not signed yet, and its sides (n,): -1 left, 1 right of it.

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
        return Signed(distance, self.directions(distance, segment, share, line)), result

    def directions(self, distance: Floats, segment: Ints, share: Floats, line: Line) -> Floats:
        """Unit vectors (n, 3) from the nearest points of a line, as `distance` gives them."""
        away = np.zeros_like(self.vertices)
        known = np.flatnonzero(np.isfinite(distance) & (distance > _ON_LEVEL))
        at = segment[known]
        foot = line.start[at] + share[known, None] * (line.end[at] - line.start[at])
        away[known] = (self.vertices[known] - foot) / distance[known, None]
        return away

    def moved(self, signed: Signed, way_mm: float, step_mm: float, reach_mm: float) -> Signed:
        """Signed distance to the line moved outward by `way_mm` (inward where negative).

        signed : that to the line as it is, right within `step_mm` of it
        """
        steps = max(int(np.ceil(abs(way_mm) / step_mm)), 1)
        for step in range(steps):
            values = signed.values - way_mm / steps
            line = level_line(self.vertices, self.faces, Signed(values, signed.slopes))
            if len(line.face) == 0:
                return Signed(values, signed.slopes)
            reach = reach_mm if step == steps - 1 else 1.2 * abs(way_mm) / steps
            found = self.distance(line, reach)
            far = np.maximum(np.abs(values), reach)
            side = np.where(values < 0, -1.0, 1.0)
            values = side * np.where(np.isfinite(found[0]), found[0], far)
            signed = Signed(values, side[:, None] * self.directions(*found, line))
        return signed


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


def level_line(vertices: Floats, faces: Ints, signed: Signed) -> Line:
    """Where the values, linear over each face but for corners that the slopes tell, are zero."""
    values = np.where(np.abs(signed.values) < _ON_LEVEL, _ON_LEVEL, signed.values)
    inside = values < 0
    sides = inside[faces].sum(axis=1)
    crossed = np.flatnonzero((sides > 0) & (sides < 3))
    tails = faces[crossed]
    heads = np.roll(tails, -1, axis=1)
    both = np.stack([tails, heads], axis=2)
    enters = both[inside[tails] & ~inside[heads]]
    leaves = both[~inside[tails] & inside[heads]]
    keys, number = np.unique(edge_keys(np.concatenate([enters, leaves])), return_inverse=True)
    ends = np.stack([keys >> 32, keys & 0xFFFFFFFF], axis=1)
    ends = np.where(inside[ends[:, :1]], ends, ends[:, ::-1])  # the inner end first
    points, slopes = _crossings(vertices, ends, values, signed.slopes)
    start, end = np.split(number.reshape(-1), 2)
    place, turns = _corners(vertices[faces[crossed]], points, slopes, start, end)
    corner = len(points) + np.arange(len(turns))
    points = np.concatenate([points, place])
    face = np.concatenate([crossed, crossed[turns]])
    start, end = np.concatenate([start, corner]), np.concatenate([end, end[turns]])
    end[turns] = corner
    chains, closed = _chains(start, end)
    order = np.concatenate([np.zeros(0, dtype=np.int64), *chains])
    count = np.array([len(chain) for chain in chains], dtype=np.int64)
    first = np.cumsum(count) - count
    return Line(
        points[start[order]],
        points[end[order]],
        face[order],
        np.repeat(first, count),
        np.repeat(count, count),
        np.repeat(np.array(closed, dtype=bool), count),
    )


def _crossings(
    vertices: Floats, ends: Ints, values: Floats, slopes: Floats
) -> tuple[Floats, Floats]:
    """Where edges (e, 2), the inner end first, are crossed (e, 3), and the slopes (e, 3) there.

    Where the slopes at both ends differ much, distances to two stretches of the line meet on
    the edge. Is it the greater of both that counts there, its slope grows on the way.
    """
    low, high = ends.T
    along = vertices[high] - vertices[low]
    share = values[low] / (values[low] - values[high])
    slope = slopes[low] * (1 - share)[:, None] + slopes[high] * share[:, None]
    rises = np.stack([np.einsum("ij,ij->i", slopes[end], along) for end in (low, high)])
    bent = np.einsum("ij,ij->i", slopes[low], slopes[high]) < _CORNER
    bent = np.flatnonzero(bent & (rises > 0).any(axis=0))
    rises = rises[:, bent]
    with np.errstate(divide="ignore"):
        zeros = np.stack([-values[low[bent]] / rises[0], 1 - values[high[bent]] / rises[1]])
    greater = rises[1] > rises[0]
    zeros[rises <= 0] = np.inf  # one that does not rise has none
    first = np.where(greater, zeros[0] < zeros[1], zeros[0] > zeros[1])
    first = np.where((rises > 0).all(axis=0), first, rises[0] > 0)
    share[bent] = np.clip(np.where(first, zeros[0], zeros[1]), 0, 1)
    slope[bent] = np.where(first[:, None], slopes[low[bent]], slopes[high[bent]])
    return vertices[low] + share[:, None] * along, unit(slope)


def _corners(
    triangles: Floats, points: Floats, slopes: Floats, start: Ints, end: Ints
) -> tuple[Floats, Ints]:
    """Corners (k, 3) that the line has in triangles (m, 3, 3), and in which (k,) of them.

    start, end (m,) : the points where it enters and leaves each. A tip that pokes out over an
    edge between two of a triangle's corners counts as the triangle's: it is all but flat there.
    """
    a, b, c = (triangles[:, k] for k in range(3))
    normal = np.cross(b - a, c - a)
    twice = np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    normal /= twice
    one, two = (slopes[at] - (slopes[at] * normal).sum(axis=1, keepdims=True) * normal
                for at in (start, end))  # fmt: skip
    one, two = unit(one), unit(two)
    turns = np.flatnonzero(np.einsum("ij,ij->i", one, two) < _CORNER)
    # The level line at the start runs square to its slope.
    way = np.cross(normal[turns], one[turns])
    gap = points[end[turns]] - points[start[turns]]
    across = np.einsum("ij,ij->i", way, two[turns])
    steep = np.abs(across) > 1e-6
    turns, way, gap, across = turns[steep], way[steep], gap[steep], across[steep]
    far = np.einsum("ij,ij->i", gap, two[turns]) / across
    place = points[start[turns]] + far[:, None] * way
    middle = triangles[turns].mean(axis=1)
    reach = np.linalg.norm(triangles[turns] - middle[:, None], axis=2).max(axis=1)
    kept = np.linalg.norm(place - middle, axis=1) < 2 * reach
    return place[kept], turns[kept]


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
