"""Where along one axis the cuts of a body stand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...geometry import solid
from .cut_costs import Costs
from .cut_planes import Cut, turning
from .pegging import PEG_LENGTH_MM

__all__ = ["places_along"]

Floats = NDArray[np.float64]
_TRIES = 9
_STEP_MM = 1.0
_LEAST_MM = 2 * PEG_LENGTH_MM  # a part stays long enough for a key and its socket
_SAME = 1e-9


def places_along(
    body: solid.Solid, axis: int, count: int, room: float, ends: tuple[float, float], costs: Costs
) -> list[Cut]:
    """The cuts across an axis that part a body in `count`, none longer than `room`.

    ends : of the body along the axis. Before all else the cuts together keep off what they
    should not pass; of the places that do, each takes the one that costs least.
    """
    way = -1 if costs.upside_down and axis == 2 else 1
    turned = solid.moved(body, turning(axis, way))
    row = _Row(axis, count, room, ends, costs)
    cuts: list[Cut] = []
    before = ends[0]
    for number in range(1, count):
        tries = [
            Cut(axis, at, way=way, passed=costs.passed(axis, at))
            for at in row.tries(number, before)
        ]
        rated = [costs.of_cut(turned, cut, before, 1 / count) for cut in tries]
        cuts.append(tries[int(np.argmin(rated))])
        before = cuts[-1].at
    return cuts


class _Row:
    """The cuts across an axis, and the least harm that they can do together.

    least : for each number of a cut, that of it and all after it, by its place; from the last
    cut backward (Bellman, Bull. Amer. Math. Soc. 60 (1954) 503)
    """

    def __init__(
        self, axis: int, count: int, room: float, ends: tuple[float, float], costs: Costs
    ) -> None:
        self.axis, self.count, self.room, self.costs = axis, count, room, costs
        self.low, self.high = ends
        beside = [end for end in costs.ends(axis) if self.low < end < self.high]
        fine = np.arange(self.low, self.high, _STEP_MM)
        self.places: Floats = np.unique(np.concatenate([fine, beside]))
        self.least: dict[int, Floats] = {}
        for number in range(count - 1, 0, -1):
            self.least[number] = self.harm(number, self.places)

    def harm(self, number: int, places: Floats) -> Floats:
        """The least that a cut at each place and those after it can do."""
        own = self.costs.harm(self.axis, places)
        if number == self.count - 1:
            return own
        first, last = self.window(number + 1, places)
        inside = (self.places >= first[:, None]) & (self.places <= last[:, None])
        later = np.where(inside, self.least[number + 1], np.inf).min(axis=1)
        only = self.costs.harm(self.axis, (first + last) / 2)  # no play between the printer's ends
        return np.asarray(own + np.where(np.isfinite(later), later, only))

    def window(self, number: int, before: Floats) -> tuple[Floats, Floats]:
        """From where to where a cut may stand after one at each of some places."""
        first = np.maximum(self.high - (self.count - number) * self.room, before + _LEAST_MM)
        return first, np.minimum(before + self.room, self.high - _LEAST_MM)

    def tries(self, number: int, before: float) -> list[float]:
        """Places for a cut from which all can do the least harm, the nearest to even first."""
        even = before + (self.high - before) / (self.count - number + 1)
        first, last = (float(end[0]) for end in self.window(number, np.array([before])))
        if not first < even < last:
            return [even]
        about = even + min(even - first, last - even) * np.linspace(-1, 1, _TRIES)
        beside = [end for end in self.costs.ends(self.axis) if first <= end <= last]
        few = np.unique(np.concatenate([about, beside]))
        many = np.concatenate([few, self.places[(first <= self.places) & (self.places <= last)]])
        found = few, self.harm(number, few)
        if found[1].min() > _SAME:
            all_ = self.harm(number, many)
            if all_.min() < found[1].min() - _SAME:
                found = many, all_
        places, harm = found
        best = places[harm <= harm.min() + _SAME]
        nearest: list[float] = best[np.argsort(np.abs(best - even), kind="stable")].tolist()
        return nearest[: 2 * _TRIES]
