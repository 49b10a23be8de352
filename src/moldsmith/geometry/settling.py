"""Laying one surface on another: the rigid motion that closes the distance between them.

Iterated closest points, each pulled along the surface's normal only, so that
points may slide. Source: Chen and Medioni, Image Vis. Comput. 10 (1992) 145.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from .distance import SurfaceIndex

__all__ = ["settled"]

Floats = NDArray[np.float64]

_MOST_POINTS = 20_000
_FREE = 1e-2  # a motion that changes distances by less than this share is left alone
_STRAYS = 4.0  # times the median distance: farther points do not pull


def settled(
    surface: SurfaceIndex, points: Floats, weights: Floats, rounds: int = 20
) -> NDArray[np.float64]:
    """The 4 x 4 rigid motion that brings points (n, 3) nearest to the surface.

    The weighted squares of the distances along the normals are made least.
    Motions that leave the distances as they are, as a turn of a ball in its
    socket, are not made. Points whose closest point lies on the surface's
    border do not pull. Finds the nearest rest, not the best of all.
    """
    every = max(1, -(-len(points) // _MOST_POINTS))
    start, share = points[::every], weights[::every]
    moved, total = start, np.eye(4)
    for _ in range(rounds):
        step = _step(surface, moved, share)
        total = step @ total
        before, moved = moved, start @ total[:3, :3].T + total[:3, 3]
        if np.linalg.norm(moved - before, axis=1).max(initial=0.0) < 1e-3:
            break
    return total


def _step(surface: SurfaceIndex, points: Floats, weights: Floats) -> Floats:
    found = surface.closest(points)
    normal = surface.normal_at(found)
    off = np.einsum("ij,ij->i", points - found.point, normal)
    pulls = ~found.on_border & (found.distance <= _STRAYS * np.median(found.distance) + 1e-6)
    result = np.eye(4)
    if pulls.sum() < 6:
        return result
    at, normal, off, root = points[pulls], normal[pulls], off[pulls], np.sqrt(weights[pulls])
    centre = np.average(at, axis=0, weights=root**2)
    arm = at - centre
    radius = max(float(np.sqrt((arm**2).sum(axis=1).mean())), 1e-9)  # turns weigh like shifts
    system = np.hstack([np.cross(arm, normal) / radius, normal]) * root[:, None]
    solution = np.linalg.lstsq(system, -off * root, rcond=_FREE)[0]
    turn = Rotation.from_rotvec(solution[:3] / radius).as_matrix()
    result[:3, :3] = turn
    result[:3, 3] = centre + solution[3:] - turn @ centre
    return result
