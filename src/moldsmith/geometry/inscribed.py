"""How large a ball fits against a surface at each of its points."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .distance import SurfaceIndex

__all__ = ["inner_radius"]

Floats = NDArray[np.float64]
_SLACK = 0.02  # a ball is told from a larger one by more than this


def inner_radius(index: SurfaceIndex, side: float, limit_mm: float) -> Floats:
    """Radius (n,) of the largest ball that touches each vertex from one side, up to a limit.

    Shrinking ball: start at the limit, shrink until no sample lies inside
    (Ma, Bae and Choi, The Visual Computer 28 (2012) 7). Samples low over the
    vertex's own tangent plane do not count, so that roughness of the surface
    does not read as thinness.

    side : +1 in front of the surface, −1 behind it
    """
    normal = side * index.smoothed_normals(8)
    base = index.vertices
    radius = np.full(len(base), float(limit_mm))
    active = np.arange(len(base))
    for _ in range(12):
        centre = base[active] + normal[active] * radius[active, None]
        gap, sample = index.nearest_samples(centre, _SLACK)
        away = index.sample_points[sample] - base[active]
        square = np.einsum("ij,ij->i", away, away)
        height = np.einsum("ij,ij->i", away, normal[active])
        inside = gap < radius[active] - 0.25 * index.spacing_mm
        touched = inside & (height > np.maximum(index.spacing_mm, 0.4 * np.sqrt(square)))
        if not touched.any():
            break
        active = active[touched]
        radius[active] = np.minimum(radius[active], square[touched] / (2 * height[touched]))
    return radius
