"""Level sections of a standing body, one below the other, and the one that is sought."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..geometry.topology import compact
from .outline import Outline, outlines

__all__ = [
    "STEP",
    "Band",
    "Level",
    "NotFoundError",
    "breadth_mm",
    "by_girth",
    "level_outlines",
    "slab_between",
    "smoothed",
    "within",
]

Floats = NDArray[np.float64]
Band = tuple[float, float]

STEP = 0.003  # of stature, between the levels searched
SMOOTHED = 0.012  # of stature, either way: noise moves no level, a prominence is wider


class NotFoundError(Exception):
    """Why a measure cannot be taken on this body."""


@dataclass(frozen=True, slots=True)
class Level:
    height: float
    outline: Outline


def by_girth(levels: list[Level], which: Callable[[Floats], np.intp], what: str) -> Level:
    if not levels:
        raise NotFoundError(f"{what} was not found")
    girths = np.array([one.outline.girth_mm for one in levels])
    return levels[int(which(smoothed(levels, girths)))]


def smoothed(levels: list[Level], values: Floats) -> Floats:
    """Values by height on the parabola through those about each, where a max or min is."""
    heights = np.array([one.height for one in levels])
    step = float(np.median(np.diff(heights))) if len(heights) > 1 else 1.0
    reach = SMOOTHED / STEP * step
    result = np.array(values)
    for row, height in enumerate(heights):
        near = np.abs(heights - height) < reach + step / 2
        if near.sum() > 3:
            fitted = np.polynomial.Polynomial.fit(heights[near], values[near], 2)
            result[row] = fitted(height)
    return result


def within(levels: list[Level], band: Band, stature: float) -> list[Level]:
    return [one for one in levels if band[0] * stature <= one.height <= band[1] * stature]


def breadth_mm(level: Level) -> float:
    low, _, high, _ = level.outline.flat.bounds
    return float(high - low)


def level_outlines(mesh: trimesh.Trimesh, heights: Floats) -> list[tuple[float, list[Outline]]]:
    """The outlines at ascending heights, each cut from the few faces about it."""
    found = []
    for some in np.array_split(heights, max(len(heights) // 8, 1)):
        slab = slab_between(mesh, float(some[0]), float(some[-1]))
        found += [(float(z), outlines(slab, (0, 0, z), (0, 0, 1))) for z in some]
    return found


def slab_between(mesh: trimesh.Trimesh, low: float, high: float) -> trimesh.Trimesh:
    """The faces that reach between two heights: what many level sections are taken of."""
    z = np.asarray(mesh.vertices)[:, 2][mesh.faces]
    kept = (z.max(axis=1) >= low) & (z.min(axis=1) <= high)
    vertices, faces = compact(np.asarray(mesh.vertices), np.asarray(mesh.faces)[kept])
    return trimesh.Trimesh(vertices, faces, process=False)
