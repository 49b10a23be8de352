"""How far a casting caught under an edge must give way to come out through what is left open.

Found on a grid of rays, then measured along the few lines that decide (`throat_lines`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ...geometry.visibility import Grid
from .throat_lines import Look, OnLine, measured

__all__ = ["HeldBack", "held_back"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_MOST_PLACES = 400
_NEAR_DEEPEST = 0.5  # places at least so deep, in parts of the deepest, are asked what they give
_SAMPLES = 2  # of a line for each ray it passes
_MEASURED = 4  # lines that are measured closely, for depth and for stretch
_FAN = np.radians([-8.0, 0.0, 8.0])  # the shortest way out among these
# From the shortest way out: a casting gives where it gives least, and a line along a rim is short.
_EASIER = np.radians([0.0, -60.0, -30.0, 30.0, 60.0])
_ROUGH_RAYS = 1.5  # by which the grid may be mistaken


@dataclass(frozen=True, slots=True)
class HeldBack:
    """What a casting seen along the pull must do to come free.

    depth_mm : the farthest that a caught place has to go sideways to the throat, the overhang
    of one side; stretch_percent : 100 (D - d) / d, D the casting's width and d the throat's on
    a line through a deep place: the least of lines in five directions, the most of all places;
    ray : flat number of the deepest place
    """

    depth_mm: float
    stretch_percent: float
    ray: int


def held_back(
    caught: Mask, bottom: Floats, edge: Floats, grid: Grid, look: Look | None = None
) -> HeldBack:
    """Depth and stretch of what is caught, on a grid of rays along the pull.

    caught : rays on which an edge hangs over the casting, at least one; bottom : the
    casting's lowest height on each ray, inf where there is none; edge : what hangs over it,
    read on caught rays alone; look : rays on a line, to measure what the grid found. Where
    nothing is open the depth is the caught part's width, and the throat counts as wide as a
    ray. The stretch is that of stripping a part off its undercut (Malloy, Plastic Part Design
    for Injection Molding; the base d from memory).
    """
    throat = _throat(caught, bottom, edge)
    if not throat.any():
        reach = ndimage.distance_transform_edt(caught)
        width = 2 * float(reach.max())
        return HeldBack(width * grid.step_mm, 100 * width, int(np.argmax(reach)))
    away, nearest = ndimage.distance_transform_edt(~throat, return_indices=True)
    depth = np.where(caught, away, 0.0)
    places = _deep_places(depth)
    toward = np.where(caught, nearest - np.indices(caught.shape), 0.0)
    # Of a place and those round it: a single ray sees only eight directions near the edge.
    ways = np.array([ndimage.uniform_filter(part, 5)[tuple(places.T)] for part in toward]).T
    length = np.linalg.norm(ways, axis=1, keepdims=True)
    single = toward[:, places[:, 0], places[:, 1]].T
    ways = np.where(length > 1e-6, ways, single)
    ways = ways / np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-9)
    inside = ndimage.binary_closing(np.isfinite(bottom) | caught, np.ones((3, 3), dtype=bool))
    stretch, most = np.min(
        [
            _stretch(places, _turned(ways, angle), inside | caught, caught, throat)
            for angle in _EASIER
        ],
        axis=0,
    )
    deepest = int(np.argmax(depth))
    rough = HeldBack(float(depth.max()) * grid.step_mm, float(stretch.max()), deepest)
    if look is None:
        return rough
    return _measured(rough, places, ways, depth[tuple(places.T)], (stretch, most), grid, look)


def _measured(
    rough: HeldBack,
    places: Ints,
    ways: Floats,
    depth: Floats,
    stretch: tuple[Floats, Floats],
    grid: Grid,
    look: Look,
) -> HeldBack:
    """What the grid found, on the lines through its deepest and most stretched places."""
    far = grid.step_mm * float(np.hypot(*grid.shape))
    starts = grid.low + grid.step_mm * places

    def on_line(start: Floats, way: Floats) -> OnLine:
        return measured(look, start, way, far, grid.step_mm)

    deep = np.flatnonzero(depth >= depth.max() - _ROUGH_RAYS)
    tight = np.argsort(-stretch[0], kind="stable")[:_MEASURED]
    depths, stretches = [], []
    for place in sorted({*_spread(deep).tolist(), *tight.tolist()}):
        fan = [on_line(starts[place], _turned(ways[place], angle)) for angle in _FAN]
        way = _turned(ways[place], _least([line.depth_mm for line in fan]))
        lines = [on_line(starts[place], _turned(way, angle)) for angle in _EASIER]
        depths.append(lines[0].depth_mm)
        found = [line.stretch_percent for line in lines if line.stretch_percent > 0]
        # A single line may run along the grains of a rough rim: no farther than the grid allows.
        stretches.append(min(*found, float(stretch[1][place])) if found else 0.0)
    least, most = (rough.depth_mm + sign * _ROUGH_RAYS * grid.step_mm for sign in (-1, 1))
    if not any(stretches):
        return HeldBack(0.0, 0.0, rough.ray)  # no edge as wide as a ray: grains
    deepest = max((value for value in depths if np.isfinite(value)), default=rough.depth_mm)
    return HeldBack(float(np.clip(deepest, least, most)), max(stretches), rough.ray)


def _least(ends: list[float]) -> float:
    """The angle of the fan at which a parabola through its lengths is lowest."""
    before, middle, after = ends
    bend = before - 2 * middle + after
    if not (np.isfinite(bend) and bend > 1e-6):
        return float(_FAN[int(np.argmin(ends))])
    return float(np.clip((before - after) / (2 * bend), -1, 1) * _FAN[2])


def _spread(rows: Ints) -> Ints:
    """A few of the rows, evenly taken."""
    return rows[:: max(len(rows) // _MEASURED, 1)][:_MEASURED]


def _turned(ways: Floats, angle: float) -> Floats:
    """Ways (..., 2) turned in plan."""
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(ways @ np.array([[c, s], [-s, c]]))


def _throat(caught: Mask, bottom: Floats, edge: Floats) -> Mask:
    """Rays free to leave under the edge that is nearest to each.

    A ray whose casting lies higher than halfway up to that edge is beyond it, not under it: a
    lip outside a neck is no way out.
    """
    nearest = ndimage.distance_transform_edt(~caught, return_distances=False, return_indices=True)
    there = np.isfinite(bottom)
    low = np.where(there, bottom, edge)[tuple(nearest)]
    halfway = (low + edge[tuple(nearest)]) / 2
    return np.asarray(there & ~caught & (bottom < halfway))


def _deep_places(depth: Floats) -> Ints:
    """Rays (n, 2) deepest of those round them, of at least half the greatest depth."""
    summit = (depth == ndimage.maximum_filter(depth, 5)) & (depth >= _NEAR_DEEPEST * depth.max())
    places = np.argwhere(summit)
    order = np.argsort(-depth[tuple(places.T)], kind="stable")
    return np.asarray(places[order[:: max(len(order) // _MOST_PLACES, 1)]])


def _stretch(places: Ints, ways: Floats, inside: Mask, caught: Mask, throat: Mask) -> Floats:
    """100 (D - d) / d along the line through each place, as far as the casting reaches: (2, n)."""
    far = int(np.ceil(np.hypot(*inside.shape))) * _SAMPLES
    along = np.arange(-far, far + 1) / _SAMPLES
    at = np.rint(places[:, None] + along[:, None] * ways[:, None]).astype(np.int64)
    within = ((at >= 0) & (at < inside.shape)).all(axis=2)
    i, j = np.clip(at, 0, np.array(inside.shape) - 1).transpose(2, 0, 1)
    present = within & inside[i, j]
    # The part of the line on which the place itself lies, and no other.
    onward = np.logical_and.accumulate(present[:, far:], axis=1)
    back = np.logical_and.accumulate(present[:, far::-1], axis=1)
    run = np.hstack([back[:, :0:-1], onward])
    held = (run & caught[i, j]).sum(axis=1)
    left = (run & throat[i, j]).sum(axis=1)
    # As much, and the most it may be when each end is mistaken by a ray.
    off = 2 * _SAMPLES
    pairs = ((held, left), (held + off, left - off))
    return np.array([100 * over / np.maximum(free, _SAMPLES) for over, free in pairs])
