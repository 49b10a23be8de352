"""Where side pieces meet: curtains from the axis to the outside, and the wedges between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.radial import TURNS
from .pulls import Surface

__all__ = ["Curtain", "curtain_slab", "curtains", "flange", "wedge"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_CLEAR_DEG = 20  # a curtain stands at least so far off the pulls on both sides
_MOST_TURN_DEG = 3  # from row to row
_PLANE_STRAIN = 0.25  # held so little, the curtain may as well be plane
_STIFF = 0.1
_SMOOTHED_ROWS = 15
_ARC = 8


@dataclass(frozen=True, slots=True)
class Curtain:
    """A surface of level rays from the axis, one a row of the map.

    degrees (r,) : the direction of the ray, continuous from row to row; plane : whether
    it is the same in all rows
    """

    degrees: Floats
    plane: bool


def curtains(surface: Surface, degrees: tuple[float, ...], labels: Ints) -> list[Curtain]:
    """The curtain between each direction and the next, the last with the first.

    labels : of `labelled`. In each row the curtain may stand anywhere between two
    pulls; held places and places on the wrong side of a label's border cost, and so
    does turning from row to row (shortest path by dynamic programming).
    """
    found = []
    for number, low in enumerate(degrees):
        after = (number + 1) % len(degrees)
        high = degrees[after] + (TURNS if after == 0 else 0)
        found.append(_between(surface, low, high, labels == number))
    return found


def _between(surface: Surface, low: float, high: float, on_low: NDArray[np.bool_]) -> Curtain:
    first, last = round(low), round(high)
    columns = np.arange(first, last + 1)
    wrapped = columns % TURNS
    usable = (columns >= max(low, high - 180) + _CLEAR_DEG) & (
        columns <= min(high, low + 180) - _CLEAR_DEG
    )
    if high - low <= 2 * _CLEAR_DEG:
        usable = columns == (first + last) // 2
    before, beyond = _strains(surface, low, high, wrapped, calm=True)
    sided = _spread_out(on_low, surface)[:, wrapped]
    one = np.minimum(before, 10) ** 2 + 0.02 * ~sided
    two = np.minimum(beyond, 10) ** 2 + 0.02 * sided
    cost = np.cumsum(one, axis=1) + np.cumsum(two[:, ::-1], axis=1)[:, ::-1]
    cost = np.where(usable, cost, np.inf)
    ends = columns[usable][[0, -1]]
    path = _smoothed(columns[_shortest(cost)].astype(float))
    degrees: Floats = np.clip(path, float(ends[0]), float(ends[1]))
    before, beyond = _strains(surface, low, high, wrapped, calm=False)
    curved = _worst(before, beyond, np.rint(degrees).astype(np.int64) - first)
    # Held as little by a plane curtain, or next to nothing: the plane one.
    rows = np.ones(len(degrees), dtype=np.int64)
    level = np.array(
        [_worst(before, beyond, k * rows) if usable[k] else np.inf for k in range(len(columns))]
    )
    enough = max(_PLANE_STRAIN, min(1.2 * curved, 0.9))
    alike = np.flatnonzero(level <= enough)
    if len(alike) == 0:
        return Curtain(degrees, False)
    least = np.flatnonzero(level <= max(float(level.min()) * 1.1, 0.1))
    pick = int(least[np.argmin(np.abs(columns[least] - (low + high) / 2))])
    return Curtain(np.full(len(degrees), float(columns[pick])), True)


def _strains(
    surface: Surface, low: float, high: float, wrapped: Ints, *, calm: bool
) -> tuple[Floats, Floats]:
    """How far columns between two pulls are held by the one before and the one after."""
    before, beyond = (surface.full_strain(d % TURNS, calm=calm) for d in (low, high))
    return before[:, wrapped], beyond[:, wrapped]


def _worst(before: Floats, beyond: Floats, at: Ints) -> float:
    """The greatest strain with the curtain at a column (r,) in each row."""
    columns = np.arange(before.shape[1])
    low = np.where(columns <= at[:, None], before, 0).max()
    return float(max(low, np.where(columns >= at[:, None], beyond, 0).max()))


def _spread_out(on_low: NDArray[np.bool_], surface: Surface) -> NDArray[np.bool_]:
    """Labels of the reduced grid carried to all rows and columns of the map."""
    rows = np.arange(len(surface.map.z))
    near = np.abs(rows[:, None] - surface.rows[None]).argmin(axis=1)
    every = TURNS // on_low.shape[1]
    return np.asarray(np.roll(np.repeat(on_low[near], every, axis=1), -(every // 2), axis=1))


def _shortest(cost: Floats) -> Ints:
    """The column in each row of the path of least cost from the first row to the last."""
    rows, columns = cost.shape
    turns = np.arange(-_MOST_TURN_DEG, _MOST_TURN_DEG + 1)
    total = cost[0]
    steps = np.zeros((rows, columns), dtype=np.int64)
    for row in range(1, rows):
        padded = np.pad(total, _MOST_TURN_DEG, constant_values=np.inf)
        options = np.stack(
            [padded[_MOST_TURN_DEG + t : _MOST_TURN_DEG + t + columns] for t in turns]
        )
        options = options + (_STIFF * turns**2)[:, None]
        pick = np.argmin(options, axis=0)
        steps[row] = turns[pick]
        total = options[pick, np.arange(columns)] + cost[row]
    path = np.empty(rows, dtype=np.int64)
    path[-1] = int(np.argmin(total))
    for row in range(rows - 1, 0, -1):
        path[row - 1] = path[row] + steps[row, path[row]]
    return path


def _smoothed(path: Floats) -> Floats:
    half = _SMOOTHED_ROWS // 2
    kernel = np.hanning(_SMOOTHED_ROWS + 2)[1:-1]
    padded = np.pad(path, half, mode="edge")
    return np.convolve(padded, kernel / kernel.sum(), mode="valid")


def wedge(axis: Floats, low: Curtain, high: Curtain, far_mm: float) -> solid.Solid:
    """The solid between two curtains, out to at least `far_mm` from the axis (r, 3).

    Wedges that share a curtain share its triangles.
    """
    pick = _rows(axis, low, high)
    low_deg, high_deg = low.degrees[pick], high.degrees[pick]
    gap = (high_deg - low_deg) % TURNS
    degrees = low_deg[:, None] + gap[:, None] * np.linspace(0, 1, _ARC)
    degrees[:, -1] = high_deg
    far = far_mm / np.cos(np.radians(TURNS / (_ARC - 1) / 2))
    middle = axis[pick, :2]
    ring = middle[:, None] + far * _rays(degrees)
    plan = np.concatenate([middle[:, None], ring], axis=1)  # the axis, then along the arc
    return _lofted(plan, axis[pick, 2])


def curtain_slab(axis: Floats, curtain: Curtain, far_mm: float, gap_mm: float) -> solid.Solid:
    """The solid that lies within half a gap of a curtain from the axis (r, 3)."""
    pick = _rows(axis, curtain)
    ray = _rays(curtain.degrees[pick])
    aside = gap_mm / 2 * np.stack([ray[:, 1], -ray[:, 0]], axis=1)
    middle, far = axis[pick, :2], axis[pick, :2] + far_mm * ray
    plan = np.stack([middle, middle + aside, far + aside, far - aside, middle - aside], axis=1)
    return _lofted(plan, axis[pick, 2])


def flange(
    axis: Floats, curtain: Curtain, far_mm: float, thick_mm: float, run: float
) -> solid.Solid:
    """What lies within `thick_mm` of a curtain; more under it where the curtain turns so fast
    with height that it would lean out by more than `run` for each millimetre up."""
    pick = _rows(axis, curtain)
    z, middle = axis[pick, 2], axis[pick, :2]
    low, high = curtain.degrees[pick].copy(), curtain.degrees[pick].copy()
    for row in range(len(z) - 2, -1, -1):
        shift = float(np.linalg.norm(middle[row + 1] - middle[row]))
        turn = np.degrees((run * (z[row + 1] - z[row]) - shift) / far_mm)
        low[row] = min(low[row], low[row + 1] + max(turn, 0.0))
        high[row] = max(high[row], high[row + 1] - max(turn, 0.0))
    one, two = _rays(low), _rays(high)
    # Clockwise of the lower direction, anticlockwise of the higher.
    beside = thick_mm * np.stack([one[:, 1], -one[:, 0]], axis=1)
    beyond = thick_mm * np.stack([-two[:, 1], two[:, 0]], axis=1)
    ends = middle + far_mm * one, middle + far_mm * two
    plan = [middle, middle + beside, ends[0] + beside, ends[1] + beyond, middle + beyond]
    return _lofted(np.stack(plan, axis=1), z)


def _rows(axis: Floats, *hung: Curtain) -> Ints:
    """The rows that a solid along curtains needs: between plane ones on an upright axis, its
    ends alone."""
    upright = float(np.ptp(axis[:, :2], axis=0).max()) == 0
    if upright and all(curtain.plane for curtain in hung):
        return np.array([0, len(axis) - 1])
    return np.arange(len(axis))


def _rays(degrees: Floats) -> Floats:
    turn = np.radians(degrees % TURNS)
    return np.stack([np.cos(turn), np.sin(turn)], axis=-1)


def _lofted(plan: Floats, heights: Floats) -> solid.Solid:
    """The solid through level polygons (r, n, 2), star-shaped from their first corners.

    It ends a little under the first height and over the last.
    """
    rows, count = plan.shape[:2]
    z = heights.copy()
    z[0] -= 2.0
    z[-1] += 2.0
    points = np.concatenate([plan, np.broadcast_to(z[:, None, None], (rows, count, 1))], axis=2)
    number = np.arange(rows * count).reshape(rows, count)
    p, q = number, np.roll(number, -1, axis=1)
    a, b, c, d = p[:-1], q[:-1], q[1:], p[1:]  # along the row, then up
    sides = np.stack([np.stack([a, b, c], axis=-1), np.stack([a, c, d], axis=-1)])
    # The last quad runs back to the first corner: cut as the first is, from that corner up.
    sides[0, :, -1] = np.stack([b[:, -1], c[:, -1], d[:, -1]], axis=-1)
    sides[1, :, -1] = np.stack([b[:, -1], d[:, -1], a[:, -1]], axis=-1)
    fan = np.stack([number[0, :1].repeat(count - 2), number[0, 1:-1], number[0, 2:]], axis=1)
    top = fan + (rows - 1) * count
    faces = np.concatenate([sides.reshape(-1, 3), fan[:, ::-1], top])
    return solid.from_arrays(points.reshape(-1, 3), faces)
