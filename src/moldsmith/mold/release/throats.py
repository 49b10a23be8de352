"""How far a casting caught under an edge must give way to come out through what is left open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

__all__ = ["HeldBack", "held_back"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_MOST_PLACES = 400
_NEAR_DEEPEST = 0.5  # places at least so deep, in parts of the deepest, are asked what they give
_SAMPLES = 2  # of a line for each ray it passes


@dataclass(frozen=True, slots=True)
class HeldBack:
    """What a casting seen along the pull must do to come free.

    depth_mm : the farthest that a caught place has to go sideways to the throat, the overhang
    of one side; stretch_percent : 100 (D - d) / d, the most of all lines through deep places,
    D the casting's width there and d the throat's; ray : flat number of the deepest place
    """

    depth_mm: float
    stretch_percent: float
    ray: int


def held_back(caught: Mask, bottom: Floats, edge: Floats, step_mm: float) -> HeldBack:
    """Depth and stretch of what is caught, on a grid of rays along the pull.

    caught : rays on which an edge hangs over the casting, at least one; bottom : the
    casting's lowest height on each ray, inf where there is none; edge : what hangs over it,
    read on caught rays alone. Where nothing is open the depth is the caught part's width,
    and the throat counts as wide as a ray. The stretch is that of stripping a part off its
    undercut (Malloy, Plastic Part Design for Injection Molding; the base d from memory).
    """
    throat = _throat(caught, bottom, edge)
    if not throat.any():
        reach = ndimage.distance_transform_edt(caught)
        width = 2 * float(reach.max())
        return HeldBack(width * step_mm, 100 * width, int(np.argmax(reach)))
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
    stretch = _stretch(places, ways, inside | caught, caught, throat)
    deepest = int(np.argmax(depth))
    return HeldBack(float(depth.ravel()[deepest]) * step_mm, float(stretch.max()), deepest)


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
    """100 (D - d) / d along the line through each place, as far as the casting reaches."""
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
    return np.asarray(100 * held / np.maximum(left, _SAMPLES))
