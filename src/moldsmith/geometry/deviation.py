"""How far a mesh with fewer triangles lies off the one it was made of, and where too far.

Measured both ways by exact closest points. Trials of the same mesh resemble each
other: what has come out as it did the last time, to the last bit, keeps what was
measured then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import topology
from .distance import SurfaceIndex

__all__ = ["Original", "Trial", "faulty", "grown"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Mesh = tuple[Floats, Ints]

STARTS = 16  # of the second search for a closest point
STRAYS = 0.2  # share of the points that may be strays, sought a second time
RINGS = 2  # round what changed, in which a closest point is sought


@dataclass(frozen=True, slots=True)
class Trial:
    """A mesh with fewer triangles, measured.

    off (n,) : how far each old vertex lies off the new mesh, mm, and on which face; worst
    (m,) : the farthest that a corner, an edge's or the own middle of each new face lies
    off the old mesh, mm; bad (m,) : new faces that are too far off or at a fault;
    failed (k,) : old faces that lie where something is wrong; keys (m,) : of new faces
    """

    off: Floats
    face: Ints
    worst: Floats
    bad: Mask
    failed: Mask
    keys: NDArray[np.uint64]

    @property
    def deviation_mm(self) -> float:
        return float(max(self.off.max(initial=0.0), self.worst.max(initial=0.0)))


class Original:
    """The mesh that trials with fewer triangles are held against.

    Parameters
    ----------
    vertices (n, 3), faces (m, 3) : oriented
    tolerance_mm : farther off is wrong
    """

    def __init__(self, vertices: Floats, faces: Ints, tolerance_mm: float) -> None:
        self.tolerance_mm = tolerance_mm
        self.index = _index(vertices, faces, tolerance_mm)
        self._vertex_keys = _vertex_keys(vertices)
        self._face_keys = np.sort(_face_keys(self._vertex_keys, faces))
        # A cut-out block is pinched here and there along its seams: that is no new fault.
        self._faults = np.sort(self._vertex_keys[faulty(faces, len(vertices))])

    def measured(self, fewer: Mesh, last: Trial | None = None) -> Trial:
        """The trial's deviations and faults; `last` is one of the same mesh."""
        vertices, faces = fewer
        vertex_keys = _vertex_keys(vertices)
        keys = _face_keys(vertex_keys, faces)
        same = np.full(len(faces), -1) if last is None else _rows(last.keys, keys)
        if last is not None:
            same[last.bad[same]] = -1
        plain = _among(self._face_keys, keys)
        worst, far_from = self._worst(fewer, same, plain, last)
        off, face = self._off(fewer, vertex_keys, same, last)
        fault = self._fault(fewer, vertex_keys, same < 0)
        bad = (worst > self.tolerance_mm) | fault[faces].any(axis=1)
        astray: Mask = np.asarray((off > self.tolerance_mm) | bad[face])
        failed: Mask = np.asarray(astray[self.index.faces].any(axis=1))
        failed[far_from] = True
        failed[self.index.closest(vertices[fault]).face] = True
        return Trial(off, face, worst, np.asarray(bad), failed, keys)

    def _worst(
        self, fewer: Mesh, same: Ints, plain: Mask, last: Trial | None
    ) -> tuple[Floats, Ints]:
        """`Trial.worst`, and the old faces nearest to points too far off."""
        vertices, faces = fewer
        worst = np.zeros(len(faces))
        if last is not None:
            worst[same >= 0] = last.worst[same[same >= 0]]
        fresh = (same < 0) & ~plain
        own = faces[fresh]
        corners, local = topology.compact(vertices, own)
        edges = topology.half_edges(own)
        _, first, side = np.unique(
            topology.edge_keys(edges), return_index=True, return_inverse=True
        )
        points = [
            corners,
            vertices[edges[first]].mean(axis=1),
            vertices[own].mean(axis=1),
        ]
        face, distance = _closest(self.index, np.concatenate(points), self.tolerance_mm)
        at_corner, at_side, at_middle = np.split(distance, np.cumsum([len(p) for p in points[:2]]))
        worst[fresh] = np.maximum(
            np.maximum(at_corner[local], at_side[side].reshape(-1, 3)).max(axis=1),
            at_middle,
        )
        return worst, face[distance > self.tolerance_mm]

    def _off(
        self, fewer: Mesh, vertex_keys: NDArray[np.uint64], same: Ints, last: Trial | None
    ) -> tuple[Floats, Ints]:
        """`Trial.off` and `Trial.face`."""
        vertices, faces = fewer
        off, face = np.zeros(len(self.index.vertices)), np.full(len(self.index.vertices), -1)
        stayed = _rows(vertex_keys, self._vertex_keys)
        one_face = np.zeros(len(vertices), dtype=np.int64)
        one_face[faces] = np.arange(len(faces))[:, None]
        face[stayed >= 0] = one_face[stayed[stayed >= 0]]
        near = np.ones(len(faces), dtype=bool)
        if last is not None:
            now = np.full(len(last.keys), -1)
            now[same[same >= 0]] = np.flatnonzero(same >= 0)
            again = (face < 0) & (now[last.face] >= 0) & (last.off <= self.tolerance_mm)
            off[again], face[again] = last.off[again], now[last.face[again]]
            near = same < 0
            strayed = now[last.face[face < 0]]
            near[strayed[strayed >= 0]] = True
            near = grown(faces, near, len(vertices), RINGS)
        rest = np.flatnonzero(face < 0)
        if len(rest):
            rows = np.flatnonzero(near)
            index = _index(*topology.compact(vertices, faces[rows]), self.tolerance_mm)
            found, off[rest] = _closest(index, self.index.vertices[rest], self.tolerance_mm)
            face[rest] = rows[found]
        return off, face

    def _fault(self, fewer: Mesh, vertex_keys: NDArray[np.uint64], changed: Mask) -> Mask:
        """Which vertices are at a fault that the old mesh has not, among those of changed faces."""
        vertices, faces = fewer
        judged = np.zeros(len(vertices), dtype=bool)
        judged[faces[changed]] = True
        around = faces[judged[faces].any(axis=1)]
        fault = faulty(around, len(vertices))
        return np.asarray(judged & fault & ~_among(self._faults, vertex_keys))


def faulty(faces: Ints, count: int) -> Mask:
    """Which of `count` vertices lie on an edge of more than two faces, on faces of the same three
    vertices, or have more than one fan."""
    fault = np.zeros(count, dtype=bool)
    edges = topology.half_edges(faces)
    keys = topology.edge_keys(edges)
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    crowded = order[2:][ordered[2:] == ordered[:-2]]
    fault[edges[crowded]] = True
    fault[faces[topology.degenerate(faces)]] = True
    follows = ordered[1:] == ordered[:-1]
    alone = follows & ~np.r_[False, follows[:-1]] & ~np.r_[follows[1:], False]
    pairs = np.stack([order[:-1][alone], order[1:][alone]], axis=1)  # on edges of two faces
    tips = faces[pairs // 3, (pairs % 3 + 2) % 3]
    fault[faces[pairs[tips[:, 0] == tips[:, 1], 0] // 3]] = True
    fault |= _fans(edges, pairs, count) > 1
    return fault


def _fans(edges: Ints, pairs: Ints, count: int) -> Ints:
    """How many fans of faces each vertex has, joined across pairs of half-edges.

    A half-edge leads to the one after it round its tail. Where that ends, a fan has its
    border; where it goes round, the least half-edge of the round stands for the fan (found
    by pointer jumping: Wyllie, The complexity of parallel computations, Cornell 1979).
    """
    tail = edges[:, 0]
    one, two = pairs[edges[pairs[:, 0], 0] == edges[pairs[:, 1], 1]].T
    number = np.arange(len(edges))
    onward = number.copy()
    onward[_next_in_face(one)], onward[_next_in_face(two)] = two, one
    ends = onward == number
    fans = np.bincount(tail[ends], minlength=count)
    least = number
    most = int(np.bincount(tail, minlength=1).max()) if len(tail) else 1
    for _ in range(most.bit_length()):
        least = np.minimum(least, least[onward])
        onward = onward[onward]
    round_it = (least == number) & ~ends[onward]
    return np.asarray(fans + np.bincount(tail[round_it], minlength=count))


def _next_in_face(half: Ints) -> Ints:
    return half + np.where(half % 3 == 2, -2, 1)


def grown(faces: Ints, chosen: Mask, count: int, rings: int) -> Mask:
    """The chosen faces and so many rings of faces round them; `count` vertices."""
    for _ in range(rings):
        spread = np.zeros(count, dtype=bool)
        spread[faces[chosen]] = True
        chosen = np.asarray(spread[faces].any(axis=1))
    return chosen


def _index(vertices: Floats, faces: Ints, tolerance: float) -> SurfaceIndex:
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    spacing = 2 * float(np.sqrt(np.linalg.norm(cross, axis=1).mean() / 2))
    return SurfaceIndex(vertices, faces, max(spacing, tolerance))


def _closest(index: SurfaceIndex, points: Floats, enough: float) -> tuple[Ints, Floats]:
    """The nearest face and the distance; what is found farther than enough is sought again.

    A walk can end on the wrong one of two surfaces that come close to each other.
    """
    found = index.closest(points)
    face, distance = np.array(found.face), np.array(found.distance)
    far = np.flatnonzero(distance > enough)
    if len(far) > STRAYS * len(points):
        return face, distance  # no use: so many are not strays
    ranks = np.arange(1, min(STARTS, len(index.sample_faces)) + 1)
    for start in index.tree.query(points[far], k=ranks)[1].T:
        again = index.closest(points[far], index.sample_faces[start])
        nearer = again.distance < distance[far]
        face[far[nearer]] = again.face[nearer]
        distance[far[nearer]] = again.distance[nearer]
    return face, distance


def _vertex_keys(vertices: Floats) -> NDArray[np.uint64]:
    """One number a place: equal to the last bit, equal in number (and no two else, but by chance).

    Multiplicative hashing of the three words (Knuth, The Art of Computer Programming 3, 6.4).
    """
    words = np.ascontiguousarray(vertices + 0.0).view(np.uint64)
    return _mixed(words)


def _face_keys(vertex_keys: NDArray[np.uint64], faces: Ints) -> NDArray[np.uint64]:
    return _mixed(vertex_keys[faces])


def _mixed(words: NDArray[np.uint64]) -> NDArray[np.uint64]:
    odd = (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9)
    total = np.zeros(len(words), dtype=np.uint64)
    for k, factor in enumerate(odd):
        total = (total ^ words[:, k]) * np.uint64(factor)
        total ^= total >> np.uint64(29)
    return total


def _rows(keys: NDArray[np.uint64], sought: NDArray[np.uint64]) -> Ints:
    """Where among keys each sought one stands, -1 where it does not."""
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    at = np.minimum(np.searchsorted(ordered, sought), len(keys) - 1)
    return np.where(ordered[at] == sought, order[at], -1)


def _among(ordered: NDArray[np.uint64], sought: NDArray[np.uint64]) -> Mask:
    if len(ordered) == 0:
        return np.zeros(len(sought), dtype=bool)
    at = np.minimum(np.searchsorted(ordered, sought), len(ordered) - 1)
    return np.asarray(ordered[at] == sought)
