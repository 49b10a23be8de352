"""A plane that cuts a body: where it is, what lies in it, and where keys have material."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ..keys import Key

__all__ = ["TURNS", "Cut", "Passed", "fields", "key_region", "turning"]

Floats = NDArray[np.float64]
_OVER_MM = 1.0
# Rows that turn an axis to z, keeping the other two in order.
TURNS = tuple(np.roll(np.eye(3), -(axis + 1), axis=0) for axis in range(3))


@dataclass(frozen=True, slots=True)
class Passed:
    """What a cut runs through, at a gap below 0, or comes nearer to than it should."""

    what: str
    gap_mm: float


@dataclass(frozen=True, slots=True)
class Cut:
    """The plane where coordinate `axis` equals `at`.

    joint : the kind of its keys; way : 1 where pegs stand on its low side and point along the
    axis, -1 where on its high side, against it; passed : what it should keep off but does not
    """

    axis: int
    at: float
    keys: list[Key] = field(default_factory=list)
    joint: str = "pegs"
    way: int = 1
    passed: tuple[Passed, ...] = ()

    @property
    def level(self) -> float:
        """Its height where `turning` takes it."""
        return self.way * self.at


def turning(axis: int, way: int = 1) -> Floats:
    """The 4 x 4 matrix that turns a cut's axis to z, or, where `way` is -1, its opposite.

    The other two axes stay the same: with -1 it mirrors.
    """
    matrix = np.eye(4)
    matrix[:3, :3] = TURNS[axis] * [[1], [1], [way]]
    return matrix


def key_region(turned: solid.Solid, at: float, start: float, end: float) -> shapely.Geometry:
    """Plan region, in a cut's own plane, with material all the way between two depths from it.

    What is not material there casts its shadow on the plane: so a bore across the way of a key
    is found however thin.
    """
    low, high = np.reshape(turned.bounding_box(), (2, 3))
    low[2], high[2] = at + start, at + end
    low[:2] -= _OVER_MM
    high[:2] += _OVER_MM
    missing = solid.difference_or_empty(solid.box(low, high), turned)
    return shapely.box(*low[:2], *high[:2]).difference(shapely.union_all(solid.silhouette(missing)))


def fields(
    section: shapely.Geometry, axis: int, others: list[Cut], clear_mm: float
) -> list[shapely.Geometry]:
    """The rectangles of a cut's plane between the other cuts, kept clear of them."""
    low_x, low_y, high_x, high_y = section.bounds
    marks: list[list[float]] = [[], []]
    for other in others:
        marks[int(np.argmax(TURNS[axis][:2, other.axis]))].append(other.at)
    spans = [
        _spans(low - 1, high + 1, sorted(set(cuts)), clear_mm)
        for low, high, cuts in zip((low_x, low_y), (high_x, high_y), marks, strict=True)
    ]
    return [
        shapely.box(x0, y0, x1, y1) for (x0, x1), (y0, y1) in product(*spans) if x0 < x1 and y0 < y1
    ]


def _spans(low: float, high: float, cuts: list[float], clear: float) -> list[tuple[float, float]]:
    ends = [low, *(end for cut in cuts for end in (cut - clear, cut + clear)), high]
    return list(zip(ends[::2], ends[1::2], strict=True))
