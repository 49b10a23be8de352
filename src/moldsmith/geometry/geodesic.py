"""Shortest distance along a triangle surface, exact on its triangles.

Rays run from their sources over the unfolded triangles. All rays that cross an
edge from one source, an interval of it, are a window; windows move from
triangle to triangle in rounds of growing distance, many at a time, and one
that a vertex's own distance rules out is dropped. Where rays cannot follow, at
vertices with more than a full turn of triangles about them, they start anew.

Sources: Mitchell, Mount and Papadimitriou, SIAM J. Comput. 16 (1987) 647
(windows); Xin and Wang, ACM Trans. Graph. 28 (2009) 104 (which are dropped);
Ying, Xin and He, ACM Trans. Graph. 33 (2014) 9 (many at a time).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .topology import border_edges, edge_keys, half_edges

__all__ = ["border_distance", "point_distance"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

# A straight source is a point so far off that its rays are parallel: over 10 mm they
# part by 1e-4 mm, and distances keep ten digits.
_FAR_MM = 1e6
_TINY = 1e-9
_FEW = 3000  # windows that are moved all at once: more rounds would take longer than they


class _Windows:
    """Intervals of edges that the rays of one source cross, each about to enter a face.

    edge (n,) half-edge of the face entered; it runs from (0, 0) to (length, 0),
    the face above it. low, high (n,) : the interval. x, y (n,) : the source, y < 0.
    start (n,) : distance at the source. least (n,) : the least distance on the interval.
    """

    __slots__ = ("_rows", "edge", "high", "least", "low", "start", "x", "y")

    def __init__(self, edge: Ints, rows: Floats) -> None:
        self.edge, self._rows = edge, rows  # (6, n): taken and joined as one array
        self.low, self.high, self.x, self.y, self.start, self.least = rows

    def __getitem__(self, which: Mask) -> _Windows:
        number = np.flatnonzero(which)
        return _Windows(self.edge.take(number), self._rows.take(number, axis=1))

    def at(self, place: Floats) -> Floats:
        """Distance (n,) at a place of each edge, over the window's source."""
        return np.asarray(self.start + np.hypot(place - self.x, self.y))

    @staticmethod
    def joined(windows: list[_Windows]) -> _Windows:
        return _Windows(
            np.concatenate([w.edge for w in windows]),
            np.concatenate([w._rows for w in windows], axis=1),
        )


def _windows(
    edge: Ints, low: Floats, high: Floats, x: Floats, y: Floats, start: Floats
) -> _Windows:
    least = start + np.hypot(np.minimum(np.maximum(x, low), high) - x, y)
    return _Windows(edge, np.stack([low, high, x, y, start, least]))


class _Unfolding:
    """Every face laid flat upon each of its edges, and the vertices' distances so far."""

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        half = half_edges(faces)
        self.tail, self.head = half[:, 0], half[:, 1]
        self.tip = faces[:, [2, 0, 1]].reshape(-1)
        number = np.arange(len(half))
        self.next = number // 3 * 3 + (number + 1) % 3
        self.last = number // 3 * 3 + (number + 2) % 3
        self.twin = _twins(half)
        length = np.linalg.norm(vertices[self.head] - vertices[self.tail], axis=1)
        self.length = np.maximum(length, _TINY)
        back, across = self.length[self.last], self.length[self.next]
        self.tip_x = (self.length**2 + back**2 - across**2) / (2 * self.length)
        self.tip_y = np.sqrt(np.maximum(back**2 - self.tip_x**2, _TINY**2))
        corner = np.arctan2(self.tip_y, self.tip_x)  # the angle at each half-edge's tail
        count = len(vertices)
        turn = np.bincount(self.tail, corner, minlength=count)
        border = np.zeros(count, dtype=bool)
        border[half[self.twin < 0]] = True
        # Rays start anew where the surface is a saddle, or a border stands into it.
        self.starts_rays = turn > np.where(border, np.pi, 2 * np.pi) + 1e-9
        self.by_tail = np.argsort(self.tail, kind="stable")
        self.first_of = np.searchsorted(self.tail[self.by_tail], np.arange(count + 1))
        self.distance = np.full(count, np.inf)

    def from_vertices(self, which: Ints) -> _Windows:
        """Windows on the edges opposite these vertices, over their full length."""
        count = self.first_of[which + 1] - self.first_of[which]
        vertex = np.repeat(which, count)
        rank = np.arange(len(vertex)) - np.repeat(np.cumsum(count) - count, count)
        half = self.by_tail[self.first_of[vertex] + rank]
        opposite = self.next[half]
        within = self.twin[opposite] >= 0
        opposite, vertex = opposite[within], vertex[within]
        # Seen from the far side the edge runs the other way and the vertex lies below it.
        length = self.length[opposite]
        return _windows(
            self.twin[opposite],
            np.zeros(len(opposite)),
            length,
            length - self.tip_x[opposite],
            -self.tip_y[opposite],
            self.distance[vertex],
        )

    def worth(self, windows: _Windows, limit: float) -> Mask:
        """Which windows are not ruled out by the distances of their edge's own ends."""
        tail, head = self.tail[windows.edge], self.head[windows.edge]
        ruled = self.distance[tail] + windows.high <= windows.at(windows.high) - _TINY
        rest = self.length[windows.edge] - windows.low
        ruled |= self.distance[head] + rest <= windows.at(windows.low) - _TINY
        wide = windows.high - windows.low > 1e-7 * self.length[windows.edge]
        return np.asarray(~ruled & wide & (windows.least < limit))

    def lower(self, vertices: Ints, distance: Floats) -> None:
        np.minimum.at(self.distance, vertices, distance)

    def cross(self, w: _Windows) -> _Windows:
        """Take windows over the face they enter, to its two other edges."""
        tip_x, tip_y, length = self.tip_x[w.edge], self.tip_y[w.edge], self.length[w.edge]
        middle = w.x - (tip_x - w.x) * w.y / (tip_y - w.y)  # of the ray to the tip
        slack = 1e-9 * length
        seen = (middle >= w.low - slack) & (middle <= w.high + slack)
        tip, at_low, at_high = self.tip[w.edge], w.at(w.low), w.at(w.high)
        self.lower(tip[seen], (w.start + np.hypot(tip_x - w.x, tip_y - w.y))[seen])
        self.lower(tip, at_low + np.hypot(tip_x - w.low, tip_y))
        self.lower(tip, at_high + np.hypot(tip_x - w.high, tip_y))
        self.lower(self.tail[w.edge], at_low + w.low)
        self.lower(self.head[w.edge], at_high + length - w.high)
        to_left = (self.twin[self.last[w.edge]] >= 0) & (w.low < middle)
        to_right = (self.twin[self.next[w.edge]] >= 0) & (w.high > middle)
        left = self._left(w[to_left], middle[to_left])
        right = self._right(w[to_right], middle[to_right])
        return _Windows.joined([left, right])

    def _left(self, w: _Windows, middle: Floats) -> _Windows:
        """Windows that leave over the edge from the tail to the tip."""
        x, y, edge = self.tip_x[w.edge], self.tip_y[w.edge], self.last[w.edge]
        size = self.length[edge]

        def place(at: Floats) -> Floats:
            share = -w.y * at / np.maximum(-x * w.y - y * (at - w.x), 1e-300)
            return np.asarray(np.minimum(np.maximum(share, 0), 1) * size)

        high = np.where(w.high < middle, place(np.minimum(w.high, middle)), size)
        out = _windows(
            self.twin[edge],
            place(w.low),
            high,
            (w.x * x + w.y * y) / size,
            np.minimum((x * w.y - y * w.x) / size, -_TINY),
            w.start,
        )
        # The far end of the entered edge may rule the window out as well.
        head = self.length[w.edge]
        gap = np.hypot(out.low * x / size - head, out.low * y / size)
        return out[self.distance[self.head[w.edge]] + gap > out.at(out.low) - _TINY]

    def _right(self, w: _Windows, middle: Floats) -> _Windows:
        """Windows that leave over the edge from the tip to the head."""
        x, y, edge = self.tip_x[w.edge], self.tip_y[w.edge], self.next[w.edge]
        size, head = self.length[edge], self.length[w.edge]
        along_x, along_y = (head - x) / size, -y / size
        from_x, from_y = w.x - x, w.y - y

        def place(at: Floats) -> Floats:
            ray_x, ray_y = at - w.x, -w.y
            under = along_x * ray_y - along_y * ray_x
            share = (from_x * ray_y - from_y * ray_x) / np.maximum(under, 1e-300)
            return np.asarray(np.minimum(np.maximum(share, 0), size))

        low = np.where(w.low > middle, place(np.maximum(w.low, middle)), 0)
        out = _windows(
            self.twin[edge],
            low,
            place(w.high),
            from_x * along_x + from_y * along_y,
            np.minimum(along_x * from_y - along_y * from_x, -_TINY),
            w.start,
        )
        gap = np.hypot(x + out.high * along_x, y + out.high * along_y)
        return out[self.distance[self.tail[w.edge]] + gap > out.at(out.high) - _TINY]

    def spread(self, waiting: _Windows, limit: float) -> Floats:
        """Let the windows run out; gives the vertices' distances, at most `limit`."""
        # Longer strides leave more windows to be dropped late, shorter ones make more rounds.
        stride = 2 * float(np.median(self.length))
        started = np.where(np.isfinite(self.distance), self.distance, np.inf)
        while len(waiting.edge):
            due = waiting.least <= waiting.least.min() + stride
            if len(due) < _FEW:
                due[:] = True
            now = waiting[due]
            fresh = self.cross(now[self.worth(now, limit)])
            anew = np.flatnonzero(self.starts_rays & (self.distance < started - _TINY))
            anew = anew[self.distance[anew] < limit]
            started = self.distance.copy()
            waiting = _Windows.joined([waiting[~due], fresh, self.from_vertices(anew)])
        return np.asarray(np.minimum(self.distance, limit))


def _twins(half: Ints) -> Ints:
    """The half-edge (3 m,) that runs the other way along each, −1 at borders."""
    keys = edge_keys(half)
    order = np.argsort(keys, kind="stable")
    same = np.flatnonzero(keys[order[1:]] == keys[order[:-1]])
    one, two = order[same], order[same + 1]
    fits = half[one, 0] == half[two, 1]
    twin = np.full(len(half), -1, dtype=np.int64)
    twin[one[fits]], twin[two[fits]] = two[fits], one[fits]
    return twin


def border_distance(vertices: Floats, faces: Ints, limit_mm: float) -> Floats:
    """Distance (n,) of each vertex from the border along the surface, at most `limit_mm`.

    Exact on the triangles of an oriented surface; without a border it is the limit.
    """
    border = np.unique(border_edges(faces))
    if len(border) == 0:
        return np.full(len(vertices), float(limit_mm))
    flat = _Unfolding(vertices, faces)
    flat.distance[border] = 0
    edge = np.flatnonzero(flat.twin < 0)
    length = flat.length[edge]
    far = np.full(len(edge), _FAR_MM)
    straight = _windows(edge, np.zeros(len(edge)), length, length / 2, -far, -far)
    turning = flat.from_vertices(border[flat.starts_rays[border]])
    return flat.spread(_Windows.joined([straight, turning]), limit_mm)


def point_distance(
    vertices: Floats, faces: Ints, face: int, weights: Floats, limit_mm: float
) -> Floats:
    """Distance (n,) of each vertex along the surface from a point of it, at most `limit_mm`.

    face, weights (3,) : where the point lies, barycentric
    """
    flat = _Unfolding(vertices, faces)
    point = weights @ vertices[faces[face]]
    gap = np.linalg.norm(vertices[faces[face]] - point, axis=1)
    flat.distance[faces[face]] = gap
    half = 3 * face + np.arange(3)
    half = half[flat.twin[half] >= 0]
    tail, head = vertices[flat.tail[half]], vertices[flat.head[half]]
    along = (tail - head) / flat.length[half][:, None]
    x = np.einsum("ij,ij->i", point - head, along)
    y = -np.maximum(np.linalg.norm(point - head - x[:, None] * along, axis=1), _TINY)
    zero = np.zeros(len(half))
    first = _windows(flat.twin[half], zero, flat.length[half], x, y, zero)
    anew = faces[face]  # also through its corners, should the point lie on one
    return flat.spread(_Windows.joined([first, flat.from_vertices(anew)]), limit_mm)
