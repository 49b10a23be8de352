"""Smoothing the borders of a surface."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import linalg
from scipy.spatial import cKDTree

from .distance import vertex_normals
from .threads import threads
from .topology import border_loops
from .vectors import unit

__all__ = ["fair_borders"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def fair_borders(vertices: Floats, faces: Ints, radius_mm: float) -> Floats:
    """Vertices with the roughness of every border taken out, the surface beside it going along.

    Each border is held against the closed line x that minimises
    ∫ |x − x0|² + r⁴ ∫ |x''|² along it: waves shorter than 2 pi r go, longer ones
    stay (Whittaker, Proc. Edinb. Math. Soc. 41 (1923) 63, for a closed line).
    Border points move to it along the surface's normal only, so that the line keeps
    its place on the surface. Vertices within 2 r of the border move with its
    nearest point, less the farther they lie.
    """
    loops = border_loops(faces)
    if radius_mm <= 0 or not loops:
        return vertices
    normals = vertex_normals(vertices, faces)
    rim = np.concatenate(loops)
    shift = np.concatenate([_shift(vertices[at], normals[at], radius_mm) for at in loops])
    gap, nearest = cKDTree(vertices[rim]).query(
        vertices, distance_upper_bound=2 * radius_mm, workers=threads()
    )
    near = np.isfinite(gap)
    share = (1 - gap[near] / (2 * radius_mm)) ** 2
    moved = vertices.copy()
    moved[near] += share[:, None] * shift[nearest[near]]
    return moved


def _shift(points: Floats, normals: Floats, radius: float) -> Floats:
    """How far each point of a closed line moves, along normals smoothed as well."""
    if len(points) < 5:
        return np.zeros_like(points)
    smooth = _smoother(points, radius)
    normal = unit(smooth(normals))
    height = np.einsum("ij,ij->i", normal, smooth(points) - points)
    return np.asarray(normal * height[:, None])


def _smoother(points: Floats, radius: float) -> Callable[[Floats], Floats]:
    """The smoothing of any values (n, k) given at the points of a closed line."""
    count = len(points)
    step = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    step = np.maximum(step, 0.05 * step.mean())  # a tiny step would stiffen its neighbourhood
    here = np.arange(count)
    after = np.roll(here, -1)
    mass = (step + np.roll(step, 1)) / 2
    pull = 1 / step
    stiffness = sparse.coo_array(
        (
            np.r_[pull, pull, -pull, -pull],
            (np.r_[here, after, here, after], np.r_[here, after, after, here]),
        ),
        (count, count),
    ).tocsc()
    bending = stiffness @ sparse.diags_array(1 / mass) @ stiffness
    system = sparse.diags_array(mass) + radius**4 * bending
    solve = linalg.factorized(system.tocsc())

    def smooth(values: Floats) -> Floats:
        return np.stack([solve(mass * column) for column in values.T], axis=1)

    return smooth
