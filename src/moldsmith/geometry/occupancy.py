"""How a solid's volume is spread over its bounding box, from a few horizontal sections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from . import solid

__all__ = ["Occupancy", "occupancy_of"]

Floats = NDArray[np.float64]
_LEVELS = 24
_ACROSS = 64


@dataclass(frozen=True, slots=True)
class Occupancy:
    """A solid on a grid of fixed size: which cells are filled, and running sums over them.

    low : corner of the box; cell : (3,) mm; filled : (nx, ny, nz); sums : one larger each way
    """

    low: Floats
    cell: Floats
    filled: NDArray[np.bool_]
    sums: NDArray[np.int64]

    def volume_mm3(self, low: ArrayLike, high: ArrayLike) -> float:
        """The solid's volume between two corners, to the grid's resolution."""
        ends = zip(np.asarray(low), np.asarray(high), strict=True)
        return float(self.cells_mm3([list(pair) for pair in ends]).sum())

    def cells_mm3(self, marks: Sequence[Sequence[float]]) -> Floats:
        """The solid's volume in each cell of a grid: for each axis, the places that bound cells."""
        numbers = [self._number(np.asarray(line), axis) for axis, line in enumerate(marks)]
        counts = self.sums[np.ix_(*numbers)]
        for axis in range(3):
            counts = np.diff(counts, axis=axis)
        return np.asarray(counts * np.prod(self.cell))

    def overhang_mm2(self, at: float, below: bool = False) -> float:
        """Plan area of what stands over a horizontal plane without standing on its section.

        below : of what hangs under the plane instead
        """
        level = int(self._number(np.array([at]), 2)[0])
        if not 0 < level < self.filled.shape[2]:
            return 0.0
        side = self.filled[:, :, level - 1 :: -1] if below else self.filled[:, :, level:]
        over = side.any(axis=2) & ~side[:, :, 0]
        return float(over.sum() * self.cell[0] * self.cell[1])

    def _number(self, place: Floats, axis: int) -> NDArray[np.int64]:
        number = np.rint((place - self.low[axis]) / self.cell[axis])
        return np.asarray(np.clip(number, 0, self.filled.shape[axis]), dtype=np.int64)


def occupancy_of(body: solid.Solid) -> Occupancy:
    """The solid on 64 x 64 x 24 cells of its bounding box: a fixed cost, whatever its size."""
    low, high = np.reshape(body.bounding_box(), (2, 3))
    shape = np.array([_ACROSS, _ACROSS, _LEVELS])
    cell = (high - low) / shape
    x, y = (
        low[k] + cell[k] * (np.arange(shape[k]) + 0.5) for k in range(2)
    )  # the middles of the cells
    plan = np.meshgrid(x, y, indexing="ij")
    filled = np.zeros(shape, dtype=bool)
    for level in range(_LEVELS):
        region = shapely.union_all(solid.section(body, low[2] + cell[2] * (level + 0.5)))
        shapely.prepare(region)
        filled[:, :, level] = shapely.contains_xy(region, *plan)
    sums = np.zeros(shape + 1, dtype=np.int64)
    sums[1:, 1:, 1:] = filled.cumsum(0).cumsum(1).cumsum(2)
    return Occupancy(low, cell, filled, sums)
