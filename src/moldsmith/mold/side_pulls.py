"""The fewest level pulls that free a round body's outside, and which place goes which way."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ..geometry.labelling import expanded_labels
from ..geometry.radial import TURNS, RadialMap, held_mm

__all__ = ["MOST_SIDES", "SidePulls", "Surface", "labelled", "side_pulls"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
MOST_SIDES = 6
_EVERY_DEG = 3  # columns of the reduced graph
_MOST_CELLS = 9000
_CANDIDATES_DEG = 10
_LEAST_APART_DEG = 40
_ALIKE_MM = 0.02
_SMOOTH_MM = 3.0
_CALM = (4.0, 4.0)  # rows and columns


@dataclass(frozen=True)
class Surface:
    """The outside of plug and prints on a grid of height and angle.

    limit_mm (r, 360) : how far each place may be held: what the casting stretches to, and
    almost nothing on the prints, which are rigid
    """

    map: RadialMap
    limit_mm: Floats

    @cached_property
    def calm_mm(self) -> Floats:
        """The map's distances without the scan's roughness: for curtains that run smoothly."""
        return np.asarray(ndimage.gaussian_filter(self.map.reach, _CALM, mode=("nearest", "wrap")))

    @cached_property
    def rows(self) -> Ints:
        """Rows of the reduced grid: those with a surface, so few that its cells are."""
        present = np.flatnonzero(self.map.reach.min(axis=1) > 0)
        stride = int(np.ceil(len(present) * (TURNS // _EVERY_DEG) / _MOST_CELLS))
        return np.asarray(present[::stride])

    @cached_property
    def area_mm2(self) -> Floats:
        """Of each cell of the reduced grid, seen from the axis."""
        high = self.map.step_mm * float(np.diff(self.rows).mean()) if len(self.rows) > 1 else 1.0
        width = self.map.reach[self.rows][:, ::_EVERY_DEG] * np.radians(_EVERY_DEG)
        return np.asarray(width * high)

    def strain(self, direction_deg: float) -> Floats:
        """How far each cell of the reduced grid is held, in parts of its limit."""
        held = held_mm(self.map.reach[self.rows], direction_deg)[:, ::_EVERY_DEG]
        return np.asarray(held / self.limit_mm[self.rows][:, ::_EVERY_DEG])


@dataclass(frozen=True, slots=True)
class SidePulls:
    """Level directions in degrees, rising; how far the worst place is held by all, in parts
    of its limit, its row and column of the map, and the depth there in mm."""

    degrees: tuple[float, ...]
    worst: float
    row: int
    column: int
    depth_mm: float


def side_pulls(surface: Surface, count: int) -> SidePulls:
    """The best `count` level directions: the least held, then the most even."""
    candidates = np.arange(0, TURNS, _CANDIDATES_DEG)
    strain = np.array([surface.strain(float(d)) for d in candidates])
    chosen = _best_set(strain, surface.area_mm2, candidates, count)
    degrees = _refined(surface, [float(candidates[k]) for k in chosen])
    return _rated(surface, degrees)


def _rated(surface: Surface, degrees: list[float]) -> SidePulls:
    least = np.min([surface.strain(d) for d in degrees], axis=0)
    row, column = np.unravel_index(int(np.argmax(least)), least.shape)
    at = int(surface.rows[row]), int(column) * _EVERY_DEG
    worst = float(least[row, column])
    return SidePulls(
        tuple(sorted(degrees)), worst, *at, worst * float(surface.limit_mm[at[0], at[1]])
    )


def _best_set(strain: Floats, area: Floats, candidates: Ints, count: int) -> tuple[int, ...]:
    """Numbers of the candidates that together hold the surface least.

    All pairs and triples; beyond, the best triple is added to one by one, and each is
    then exchanged while that gains (greedy set cover, Chvatal, Math. Oper. Res. 4 (1979) 233).
    """
    flat = strain.reshape(len(strain), -1)
    weight = area.ravel() / area.sum()

    def rating(numbers: tuple[int, ...]) -> tuple[float, ...]:
        least = flat[list(numbers)].min(axis=0)
        over = max(float(least.max()) - 1, 0.0)
        bent = float(np.sqrt(weight @ np.minimum(least, 10) ** 2))
        return (
            round(over, 1),
            round(bent / _ALIKE_MM),
            _unevenness(candidates[list(numbers)]),
            # Square to the longer side of the block, as plane a joint as can be.
            float(abs(np.cos(np.radians(candidates[list(numbers)]))).min()),
            *numbers,
        )

    few = min(count, 3)
    tried = [
        numbers
        for numbers in combinations(range(len(candidates)), few)
        if _apart(candidates[list(numbers)])
    ]
    best = min(tried, key=rating)
    while len(best) < count:
        best = min((_with(best, k) for k in range(len(candidates)) if k not in best), key=rating)
    if count > few:
        improved = True
        while improved:
            improved = False
            for place in range(count):
                rest = best[:place] + best[place + 1 :]
                other = min(
                    (_with(rest, k) for k in range(len(candidates)) if k not in rest), key=rating
                )
                if rating(other) < rating(best):
                    best, improved = other, True
    return best


def _with(numbers: tuple[int, ...], another: int) -> tuple[int, ...]:
    return tuple(sorted((*numbers, another)))


def _gaps(degrees: Ints | Floats) -> Floats:
    ordered = np.sort(np.asarray(degrees, dtype=float))
    return np.diff(np.r_[ordered, ordered[0] + TURNS])


def _apart(degrees: Ints) -> bool:
    return float(_gaps(degrees).min()) >= _LEAST_APART_DEG


def _unevenness(degrees: Ints) -> float:
    gaps = _gaps(degrees)
    crowded = 100.0 if gaps.min() < _LEAST_APART_DEG else 0.0
    return round(float(np.ptp(gaps)) + crowded, 3)


def _refined(surface: Surface, degrees: list[float]) -> list[float]:
    """Each direction turned by 5, then 2 degrees while the whole is held clearly less."""

    def rating(tried: list[float]) -> float:
        least = np.min([surface.strain(d) for d in tried], axis=0)
        return float(max(least.max() - 1, 0.0) + np.sqrt((np.minimum(least, 10) ** 2).mean()))

    best = rating(degrees)
    for step in (5.0, 2.0):
        for place in range(len(degrees)):
            for turn in (step, -step):
                tried = list(degrees)
                tried[place] = (tried[place] + turn) % TURNS
                if _apart(np.array(tried)) and rating(tried) < best - 5 * _ALIKE_MM:
                    degrees, best = tried, rating(tried)
    return degrees


def labelled(surface: Surface, degrees: tuple[float, ...]) -> Ints:
    """Which direction (rows of the reduced grid, 120) each cell goes with: a graph cut.

    A cell costs its area by the square of its strain; neighbours of two labels cost the
    length of the edge between them.
    """
    strain = np.array([surface.strain(d) for d in degrees])
    rows, columns = strain.shape[1:]
    number = np.arange(rows * columns).reshape(rows, columns)
    area = surface.area_mm2
    upright = np.stack([number, np.roll(number, -1, axis=1)], axis=-1).reshape(-1, 2)
    level = np.stack([number[:-1], number[1:]], axis=-1).reshape(-1, 2)
    width = surface.map.reach[surface.rows][:, ::_EVERY_DEG] * np.radians(_EVERY_DEG)
    height = area / np.maximum(width, 1e-9)
    costs = (area * np.minimum(strain, 5) ** 2).reshape(len(degrees), -1).T
    labels = expanded_labels(
        costs,
        np.concatenate([upright, level]),
        _SMOOTH_MM * np.concatenate([height.ravel(), width[:-1].ravel()]),
    )
    return labels.reshape(rows, columns)
