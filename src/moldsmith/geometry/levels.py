"""Volume of a closed body below a level: what fills to which height.

Along an upright ray that enters the body at a and leaves it at b, the length
below the level h is min(b, h) - min(a, h). Summed over the plan: the volume is
the sum over faces of their signed plan area times the mean of min(z, h) over
the face, which for a triangle is a cubic spline in h (Hermite and Genocchi's
form of the divided difference of (h - z)^3). Exact for any closed mesh.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["volumes_below"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def volumes_below(vertices: Floats, faces: Ints, levels: ArrayLike) -> Floats:
    """Volume (k,) of the closed mesh below each of the heights `levels` (k,), mm³.

    Cost: faces times levels.
    """
    corners = vertices[faces]
    one, two = corners[:, 1, :2] - corners[:, 0, :2], corners[:, 2, :2] - corners[:, 0, :2]
    area = (one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]) / 2
    # Heights from the foot of the body: their smallness keeps the digits.
    foot = float(vertices[:, 2].min())
    low, middle, high = np.sort(corners[..., 2], axis=1).T - foot
    order = np.argsort(low, kind="stable")
    area, low, middle, high = area[order], low[order], middle[order], high[order]
    total = np.concatenate([[0.0], np.cumsum(area)])
    found = []
    for level in np.atleast_1d(np.asarray(levels, dtype=float)) - foot:
        # Faces wholly above the level: the mean is the level itself.
        reached = int(np.searchsorted(low, level))
        sure = level * (total[-1] - total[reached])
        part = slice(0, reached)
        mean = _mean_below(low[part], middle[part], high[part], level)
        found.append(sure + float(area[part] @ mean))
    return np.asarray(found)


def _mean_below(low: Floats, middle: Floats, high: Floats, level: float) -> Floats:
    """Mean of min(z, level) over triangles with these corner heights, low < level."""
    mean = (low + middle + high) / 3
    over = level < high
    lower = over & (level <= middle)
    upper = over & (level > middle)
    a, b, c = low[lower], middle[lower], high[lower]
    mean[lower] = level - (level - a) ** 3 / (3 * (b - a) * (c - a))
    a, b, c = low[upper], middle[upper], high[upper]
    mean[upper] -= (c - level) ** 3 / (3 * (c - a) * (c - b))
    return mean
