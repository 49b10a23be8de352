"""A shallow belly to make molds of."""

from __future__ import annotations

import numpy as np
import trimesh

import moldsmith as ms
from shapes import heightfield, patched

__all__ = ["belly", "padded"]


def belly(bumps: tuple[tuple[float, float], ...] = ()) -> trimesh.Trimesh:
    """A rounded hill on a rectangle, with small bumps where told."""

    def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        height = 14 * np.exp(-(x**2 + y**2) / 700)
        for a, b in bumps:
            height = height + 6 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 30)
        return np.asarray(height)

    return heightfield(ground, (90, 70), 2)


def padded(mesh: trimesh.Trimesh, side: str = "inward") -> ms.Workpiece:
    return ms.shell(patched(mesh), thickness_mm=5, side=side, taper_mm=12, edge_mm=1, cell_mm=1.5)
