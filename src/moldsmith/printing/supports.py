"""The room under overhangs that support must fill."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..geometry.visibility import Grid, grid_over, hits
from ..supplies.printer import Printer
from .flagging import hanging_faces

__all__ = ["support_profile"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_STEP_MM = 1.5  # between the columns


def support_profile(mesh: trimesh.Trimesh, printer: Printer, count: int) -> Floats:
    """Area (count,) in mm2 of the columns under overhangs, layer by layer.

    Upright columns on a grid of 1.5 mm, each from an overhanging face down to
    the part below it, or to the bed. Bridges of up to 10 mm need none.
    """
    profile = np.zeros(count)
    if printer.support_share == 0:
        return profile
    bottom = float(mesh.vertices[:, 2].min())
    standing = mesh.vertices - [0, 0, bottom]
    faces = np.asarray(mesh.faces)
    hanging = hanging_faces(
        trimesh.Trimesh(standing, faces, process=False), printer.overhang_deg, printer.layer_mm
    )
    if not hanging.any():
        return profile
    touched = standing[faces[hanging]].reshape(-1, 3)
    # Only the rays under an overhang are of use: the grid is laid over those alone.
    grid = grid_over(touched[:, :2].min(axis=0), touched[:, :2].max(axis=0), _STEP_MM)
    ray, height, face = _hits(standing, faces, grid)
    order = np.lexsort((height, ray))
    ray, height, face = ray[order], height[order], face[order]
    before = np.r_[-1, ray[:-1]] == ray
    floor = np.where(before, np.r_[0.0, height[:-1]], 0.0)
    held = hanging[face]
    low, high = floor[held] / printer.layer_mm, height[held] / printer.layer_mm
    return _stacked(low, high, count) * _STEP_MM**2


def _hits(vertices: Floats, faces: Ints, grid: Grid) -> tuple[Ints, Floats, Ints]:
    """Ray, height and face of all meetings of rays with faces."""
    found = list(hits(vertices, faces, grid))
    if not found:
        return np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64)
    ray, height, face = (np.concatenate(column) for column in zip(*found, strict=True))
    return ray, height, face


def _stacked(low: Floats, high: Floats, count: int) -> Floats:
    """How many columns from `low` to `high` (in layers) stand in each layer, in part counted."""
    # The share of layer k below a height h is clip(h - k, 0, 1); sums of it are cumulative.
    total = np.zeros(count + 1)
    for ends, sign in ((np.clip(high, 0, count), 1.0), (np.clip(low, 0, count), -1.0)):
        whole = np.floor(ends).astype(np.int64)
        np.add.at(total, whole, sign * (ends - whole))
        below = np.bincount(whole, minlength=count + 1)[::-1].cumsum()[::-1]
        total[:count] += sign * below[1:]
    return total[:count]
