"""Overhang and throat along single lines, on rays so close that what they measure is exact."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Look", "OnLine", "measured"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
# From a place (2,) along a way (2,) by distances (n,), evenly spaced: the casting's lowest
# height on each ray, inf where there is none, and what hangs over it, not finite where nothing.
Look = Callable[[Floats, Floats, Floats], tuple[Floats, Floats]]
_CLOSE_MM = 0.02
_BRIDGED = 2.0  # rays: what opens no wider is no end of the casting


class OnLine(NamedTuple):
    """depth_mm : the farthest way to the throat along the line, inf without one;
    stretch_percent : 100 (D - d) / d on it."""

    depth_mm: float
    stretch_percent: float


def measured(look: Look, start: Floats, way: Floats, far_mm: float, step_mm: float) -> OnLine:
    """What holds the casting along a line through a place under an edge, inf and 0 if it is not.

    step_mm : between the rays that found the place; edges and gaps narrower do not count
    """
    count = int(np.ceil(far_mm / _CLOSE_MM))
    along = np.asarray(_CLOSE_MM * np.arange(-count, count + 1), dtype=np.float64)
    bottom, edge = look(start, way, along)
    least = int(step_mm / _CLOSE_MM)
    over = _without_short(np.isfinite(edge), least)
    there = np.isfinite(bottom) | np.isfinite(edge)
    there = ~_without_short(~there, int(_BRIDGED * least))
    held = _run_at(over, count)
    if held is None:
        return OnLine(np.inf, 0.0)
    low, high = _run_at(there | over, count) or held
    throat = np.isfinite(bottom) & ~np.isfinite(edge) & (bottom < _halfway(bottom, edge, over))
    within = slice(low, high)
    left = max(float(throat[within].sum()) * _CLOSE_MM, step_mm)
    stretch = 100 * float(over[within].sum()) * _CLOSE_MM / left
    return OnLine(_depth_mm(throat, *held), stretch)


def _depth_mm(throat: Mask, first: int, end: int) -> float:
    """From the place of a run [first, end) that is farthest from any throat on the line."""
    open_at = np.flatnonzero(throat)
    before, after = open_at[open_at < first], open_at[open_at >= end]
    low = float(before[-1]) if len(before) else -np.inf
    high = float(after[0]) if len(after) else np.inf
    at = np.arange(first, end)
    return float(np.minimum(at - low, high - at).max()) * _CLOSE_MM


def _halfway(bottom: Floats, edge: Floats, over: Mask) -> Floats:
    """On each ray the height halfway between casting and edge at the nearest ray under one."""
    under = np.flatnonzero(over & np.isfinite(edge))
    seen = np.isfinite(bottom[under])
    low = np.where(seen, bottom[under], edge[under])
    middle = (low + edge[under]) / 2
    after = np.clip(np.searchsorted(under, np.arange(len(bottom))), 1, len(under) - 1)
    nearer = np.abs(np.arange(len(bottom)) - under[after - 1]) <= np.abs(
        under[after] - np.arange(len(bottom))
    )
    return np.asarray(middle[np.where(nearer, after - 1, after)])


def _runs(marks: Mask) -> Ints:
    """First and end (n, 2) of each run of marks."""
    padded = np.concatenate([[False], marks, [False]]).astype(np.int8)
    return np.flatnonzero(np.diff(padded)).reshape(-1, 2)


def _without_short(marks: Mask, least: int) -> Mask:
    kept = np.zeros_like(marks)
    for first, end in _runs(marks):
        kept[first:end] = end - first >= least
    return kept


def _run_at(marks: Mask, place: int) -> tuple[int, int] | None:
    for first, end in _runs(marks):
        if first <= place < end:
            return int(first), int(end)
    return None
