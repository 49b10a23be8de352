"""Rows of vectors."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["unit"]


def unit(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """The rows (n, k) at length 1; a row of zeros stays."""
    length = np.linalg.norm(rows, axis=-1, keepdims=True)
    return np.asarray(rows / np.maximum(length, 1e-30))
