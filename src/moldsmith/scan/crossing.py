"""Where a closed line on a surface meets itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import BadParameter

__all__ = ["refuse_crossing"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SAME_MM = 1e-5


def refuse_crossing(
    vertices: Floats, faces: Ints, line: Floats, face: Ints, leg: Ints, numbers: Ints
) -> None:
    """`BadParameter` with the place where a closed line (k, 3) crosses or touches itself.

    face (k,) : that segment i, from point i to the next, lies in
    leg (k,) : between which two of the points it runs; numbers : what each of them is called
    """
    one, two, place = _touching(line)
    if len(one) == 0:
        one, two, place = _crossing(vertices, faces, line, face)
    if len(one) == 0:
        return
    x, y, z = place[0].round(1).tolist()
    legs = sorted((int(leg[one[0]]), int(leg[two[0]])))
    (a, b), (c, d) = ((numbers[k], numbers[(k + 1) % len(numbers)]) for k in legs)
    raise BadParameter(
        f"the trim line crosses itself at x {x:g}, y {y:g}, z {z:g}: between points "
        f"{a} and {b}, and between {c} and {d}, counted from 1",
        "Give the points in the order the line runs, or move the points there apart",
    )


def _touching(line: Floats) -> tuple[Ints, Ints, Floats]:
    """Points of the line at one place: the segments from them, and the place."""
    pairs = cKDTree(line).query_pairs(SAME_MM, output_type="ndarray").reshape(-1, 2)
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    pairs = pairs[_apart(pairs[:, 0], pairs[:, 1], len(line))]
    return pairs[:, 0], pairs[:, 1], line[pairs[:, 0]]


def _crossing(vertices: Floats, faces: Ints, line: Floats, face: Ints) -> tuple[Ints, Ints, Floats]:
    """Segments that cross within their face, and where."""
    one, two = _sharing(face)
    far = _apart(one, two, len(line))
    one, two = one[far], two[far]
    a, b, c = (vertices[faces[face[one]][:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    after = np.roll(line, -1, axis=0)
    p, q, r, s = line[one], after[one], line[two], after[two]

    def turn(u: Floats, v: Floats) -> Floats:
        return np.asarray(np.einsum("ij,ij->i", np.cross(u, v), normal))

    across = turn(q - p, s - r)
    level = np.abs(across) < 1e-12
    across = np.where(level, 1.0, across)
    share, other = turn(r - p, s - r) / across, turn(r - p, q - p) / across
    meets = ~level & (share >= 0) & (share <= 1) & (other >= 0) & (other <= 1)
    place = p + share[:, None] * (q - p)
    return one[meets], two[meets], place[meets]


def _sharing(face: Ints) -> tuple[Ints, Ints]:
    """All pairs of segments in one face."""
    order = np.argsort(face, kind="stable")
    ordered = face[order]
    ones, twos = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for step in range(1, len(face)):
        same = np.flatnonzero(ordered[step:] == ordered[:-step])
        if len(same) == 0:
            break
        ones.append(order[same])
        twos.append(order[same + step])
    return np.concatenate(ones), np.concatenate(twos)


def _apart(one: Ints, two: Ints, count: int) -> NDArray[np.bool_]:
    """Pairs of segments of a closed line that do not follow one another."""
    gap = np.abs(one - two)
    return np.asarray((gap > 1) & (gap < count - 1))
