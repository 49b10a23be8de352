"""How rough layers leave a slope, and how thin they must be for a given roughness."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray

from ..errors import BadParameter
from ..geometry.vectors import unit

__all__ = ["cusp_heights_mm", "layer_for_cusp_mm"]

Floats = NDArray[np.float64]


def cusp_heights_mm(
    mesh: trimesh.Trimesh, layer_mm: float, upward: ArrayLike = (0.0, 0.0, 1.0)
) -> Floats:
    """Height (m,) of the steps that layers leave on each face, in mm.

    The greatest distance from the face asked for to the stack of layers,
    c = L |n . u| for the unit normal n and the build direction u: 0 on a wall,
    the layer height on a level face. Faces without area have 0. A level face
    has no steps as such; L is how far off its height may be.

    Source: A. Dolenc, I. Mäkelä, Slicing procedures for layered manufacturing
    techniques, Computer-Aided Design 26 (1994) 119-126.
    """
    if not layer_mm > 0:
        raise BadParameter(f"layer_mm = {layer_mm:g}", "Give a layer height above 0 mm")
    corners = mesh.vertices[mesh.faces]
    normal = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    direction = unit(np.asarray(upward, dtype=float))
    heights: Floats = layer_mm * np.abs(normal @ direction)
    return heights


def layer_for_cusp_mm(slopes_deg: ArrayLike, cusp_mm: float, most_mm: float = 0.3) -> Floats:
    """The layer height at which a face leaning `slopes_deg` from level has this cusp.

    L = c / cos(slope), at most `most_mm`; the smallest over a surface prints
    all of it within the cusp height.

    Source: as for `cusp_heights_mm`.
    """
    if not cusp_mm > 0:
        raise BadParameter(f"cusp_mm = {cusp_mm:g}", "Give a cusp height above 0 mm")
    slope = np.abs(np.cos(np.radians(np.asarray(slopes_deg, dtype=float))))
    wanted = np.divide(cusp_mm, slope, out=np.full(slope.shape, np.inf), where=slope > 1e-12)
    layers: Floats = np.minimum(wanted, most_mm)
    return layers
