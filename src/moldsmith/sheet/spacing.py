"""Names beside a drawing, kept from lying on one another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["spaced"]

Floats = NDArray[np.float64]


def spaced(wanted: Floats, step: float, low: float, high: float) -> Floats:
    """Ascending rows (n,) near the wanted ones, at least `step` apart while they fit."""
    rows = np.sort(np.clip(wanted, low, high))
    if len(rows) < 2:
        return rows
    step = min(step, (high - low) / (len(rows) - 1))
    for k in range(1, len(rows)):
        rows[k] = max(rows[k], rows[k - 1] + step)
    rows[-1] = min(rows[-1], high)
    for k in range(len(rows) - 2, -1, -1):
        rows[k] = min(rows[k], rows[k + 1] - step)
    return rows
