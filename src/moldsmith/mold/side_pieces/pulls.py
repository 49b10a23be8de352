"""The fewest level pulls that free a round body's outside, and which place goes which way."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ...geometry.labelling import expanded_labels
from ...geometry.radial import TURNS, RadialMap, held_mm

__all__ = ["MOST_SIDES", "SidePulls", "Surface", "labelled", "side_pulls"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
MOST_SIDES = 6
_EVERY_DEG = 3  # columns of the reduced graph
_MOST_CELLS = 9000
_CANDIDATES_DEG = 10
_LEAST_APART_DEG = 40
_ALIKE_MM = 0.02
_SMOOTH_MM = 3.0
_CALM = (4.0, 4.0)  # rows and columns
_FLAT = 0.3  # 17 degrees off the level


@dataclass(frozen=True)
class Surface:
    """The outside of plug and prints on a grid of height and angle.

    rigid (r, 360) : where a print shows, not the casting; permitted_mm : how far a place may
    be held, since the casting gives way; rigid_mm : how far a print by another part of it
    """

    map: RadialMap
    rigid: Mask
    permitted_mm: float
    rigid_mm: float

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
        """How far each cell of the reduced grid is held, in parts of what it may."""
        rows, hidden = self.rows, self.map.hollows
        reach, rigid = self.map.reach[rows], self.rigid[rows]
        strain = np.ascontiguousarray(self._strain(reach, rigid, direction_deg)[:, ::_EVERY_DEG])
        at = np.clip(np.searchsorted(rows, hidden.row), 0, len(rows) - 1)
        cells = at, hidden.column // _EVERY_DEG
        np.maximum.at(strain, cells, self._hidden_mm(direction_deg) / self.permitted_mm)
        return strain

    def full_strain(self, direction_deg: float, *, calm: bool = False) -> Floats:
        """The same (r, 360) for every place of the map, or of its calm form."""
        reach = self.calm_mm if calm else self.map.reach
        strain = self._strain(reach, self.rigid, direction_deg)
        return self._with_hidden(strain, direction_deg, self.permitted_mm)

    def depth_mm(self, direction_deg: float) -> Floats:
        """How far (r, 360) each place is held: a print by prints, the casting by anything."""
        soft = held_mm(self.map.reach, direction_deg)
        hard = held_mm(np.where(self.rigid, self.map.reach, 0.0), direction_deg)
        depth = np.where(self.rigid & (hard / self.rigid_mm > soft / self.permitted_mm), hard, soft)
        return self._with_hidden(depth, direction_deg, 1.0)

    def _with_hidden(self, values: Floats, direction_deg: float, limit_mm: float) -> Floats:
        """Values (r, 360) at least as great as what hollows behind hooks are held by."""
        hidden = self.map.hollows
        held = self._hidden_mm(direction_deg) / limit_mm
        np.maximum.at(values, (hidden.row, hidden.column), held)
        return values

    @cached_property
    def _known(self) -> dict[float, Floats]:
        return {}

    def _hidden_mm(self, direction_deg: float) -> Floats:
        """How far hollows behind hooks are held; kept, since a search asks for it often."""
        if direction_deg not in self._known:
            hidden = self.map.hollows
            steep = self._steep[hidden.row, hidden.column]
            self._known[direction_deg] = hidden.held_mm(direction_deg) * steep
        return self._known[direction_deg]

    @cached_property
    def _steep(self) -> Floats:
        """The level share (r, 360) of the surface's normal, which a depth square to it has of one
        along a level; 0 where the surface lies nearly flat.

        There its roughness makes level outlines wind far to and fro, and holds by no more
        than it is high.
        """
        run = np.gradient(self.map.reach, self.map.step_mm, axis=0)
        share = 1 / np.hypot(1, run)
        return np.where(share < _FLAT, 0.0, share)

    def _strain(self, reach: Floats, rigid: Mask, direction_deg: float) -> Floats:
        soft = held_mm(reach, direction_deg) / self.permitted_mm
        # What stands out over a print and is casting gives way; another print does not.
        hard = held_mm(np.where(rigid, reach, 0.0), direction_deg) / self.rigid_mm
        return np.where(rigid, np.maximum(soft, hard), soft)


@dataclass(frozen=True, slots=True)
class SidePulls:
    """Level directions in degrees, rising; how far the worst place is held by all of them, in
    parts of what it may."""

    degrees: tuple[float, ...]
    worst: float


def side_pulls(surface: Surface, count: int) -> SidePulls:
    """The best `count` level directions: the least held, then the most even."""
    candidates = np.arange(0, TURNS, _CANDIDATES_DEG)
    strain = np.array([surface.strain(float(d)) for d in candidates])
    chosen = _best_set(strain, surface.area_mm2, candidates, count)
    degrees = _refined(surface, [float(candidates[k]) for k in chosen])
    least = np.min([surface.strain(d) for d in degrees], axis=0)
    return SidePulls(tuple(sorted(degrees)), float(least.max()))


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
