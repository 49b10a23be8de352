"""How far a closed ring of any form gives way under even pressure from one side. An estimate.

A mold's side pieces, held to one another, are such a ring at every height; so is a hollow
core. The force in the ring follows from the pressure on the chord between two places, so the
moment is M = p/2 |x|^2 + a + b x + c y along it; a, b and c are those with which it stays
closed (the ring as a thin beam that does not stretch, bent by M / (E I); any text on
strength of materials).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["ring_deflection_mm"]

Floats = NDArray[np.float64]


def ring_deflection_mm(
    points: Floats, thick_mm: Floats, pressure_kpa: float, youngs_mpa: float
) -> float:
    """The farthest that any place of a ring moves, besides the ring as a whole.

    points (n, 2) : its middle line, in order; thick_mm (n,) : its wall at each
    """
    ahead, behind = np.roll(points, -1, axis=0), np.roll(points, 1, axis=0)
    along = (ahead - behind) / 2
    length = np.linalg.norm(along, axis=1)
    gives = length * 12 / (youngs_mpa * thick_mm**3)
    size = np.sqrt((points**2).sum(axis=1).mean())
    place = (points - points.mean(axis=0)) / size
    free = np.column_stack([np.ones(len(points)), place])
    load = (place**2).sum(axis=1)
    root = np.sqrt(gives)[:, None]
    moment = load - free @ np.linalg.lstsq(free * root, load * root[:, 0], rcond=None)[0]
    turned = np.cumsum(moment * gives)
    moved = np.cumsum(turned[:, None] * np.column_stack([-along[:, 1], along[:, 0]]), axis=0)
    rigid = np.zeros((2 * len(points), 3))
    rigid[::2, 0] = rigid[1::2, 1] = 1.0
    rigid[::2, 2], rigid[1::2, 2] = -place[:, 1], place[:, 0]
    rest = moved.ravel() - rigid @ np.linalg.lstsq(rigid, moved.ravel(), rcond=None)[0]
    far = float(np.linalg.norm(rest.reshape(-1, 2), axis=1).max())
    return pressure_kpa / 1000 * float(size) ** 2 / 2 * far
