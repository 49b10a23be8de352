"""Plane sections of a triangle mesh, and what a tape round them measures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull, QhullError

from ..errors import BadParameter
from .topology import edge_keys

__all__ = ["plane_section", "tape_girth_mm"]

Floats = NDArray[np.float64]


def plane_section(mesh: trimesh.Trimesh, origin: ArrayLike, normal: ArrayLike) -> list[Floats]:
    """Where an oriented mesh crosses a plane, as lines of points; longest line first.

    Each line is (n, 3) in mm. A closed one ends with the point it began with;
    one that ends at a border of the mesh does not. Seen against `normal`,
    closed lines run anticlockwise round the material. A vertex in the plane
    counts as in front of it, so that every crossed face is crossed once.
    Complexity: linear in the faces, then in the crossed ones.

    Raises
    ------
    BadParameter : the normal has no length
    """
    direction = np.asarray(normal, dtype=float)
    length = float(np.linalg.norm(direction))
    if length == 0:
        raise BadParameter("the normal (0, 0, 0) gives no plane", "Give a direction with length")
    height = (mesh.vertices - np.asarray(origin, dtype=float)) @ (direction / length)
    front = height >= 0
    sides = front[mesh.faces].sum(axis=1)
    crossed = np.asarray(mesh.faces)[(sides > 0) & (sides < 3)]
    if len(crossed) == 0:
        return []
    tails, heads = crossed, np.roll(crossed, -1, axis=1)
    leaves = np.stack([tails, heads], axis=2)[front[tails] & ~front[heads]]
    enters = np.stack([tails, heads], axis=2)[~front[tails] & front[heads]]
    keys, number = np.unique(edge_keys(np.concatenate([leaves, enters])), return_inverse=True)
    low, high = keys >> 32, keys & 0xFFFFFFFF
    share = (height[low] / (height[low] - height[high]))[:, None]
    points = mesh.vertices[low] * (1 - share) + mesh.vertices[high] * share
    start, end = np.split(number.reshape(-1), 2)
    lines = [points[chain] for chain in _chains(start, end)]
    return sorted(lines, key=lambda line: -_length_mm(line))


def tape_girth_mm(points: ArrayLike | Sequence[ArrayLike]) -> float:
    """Length of a tape drawn tight round the points: the perimeter of their convex hull.

    points : (n, 2), or (n, 3) in one plane, in mm; or several such arrays,
        which one tape goes round together

    A tape bridges hollows: common practice in measuring bodies.

    Raises
    ------
    BadParameter : fewer than three points, or all in one line
    """
    # Which of the two it is, np.ndim tells; a type checker cannot follow.
    parts = [points] if np.ndim(points[0]) == 1 else list(points)  # type: ignore[index,arg-type]
    place = np.concatenate([np.asarray(part, dtype=float) for part in parts])
    if place.shape[1] == 3:
        centred = place - place.mean(axis=0)
        _, axes = np.linalg.eigh(centred.T @ centred)
        place = centred @ axes[:, 1:]
    try:
        return float(ConvexHull(place).area)  # in two dimensions 'area' is the perimeter
    except (QhullError, ValueError) as error:
        raise BadParameter(
            f"{len(place)} points have no girth: they lie in one line",
            "Give the points of a plane section, three or more",
        ) from error


def _length_mm(line: Floats) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def _chains(start: NDArray[np.int64], end: NDArray[np.int64]) -> list[list[int]]:
    """Steps start -> end linked up; a closed chain repeats its first number."""
    after = dict(zip(start.tolist(), end.tolist(), strict=True))
    heads = sorted(set(after) - set(after.values()))  # open lines are followed from their ends
    chains = []
    for first in [*heads, *sorted(after)]:
        if first not in after:
            continue
        chain = [first]
        while chain[-1] in after:
            chain.append(after.pop(chain[-1]))
        chains.append(chain)
    return chains
