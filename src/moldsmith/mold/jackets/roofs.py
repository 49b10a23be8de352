"""Hollows under a face that print without support: cells with roofs of planes at 45 degrees.

A cell is a convex polygon in plan. From each side that a rib holds, a plane rises inward,
steeper than a printer needs to lay one line on the last; the hollow lies under all of them.
Along its side a plane may slope as it likes: it only gets steeper by that. So the roof
follows the face over it, and hangs nowhere. Sides without a rib are open to the outside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, HalfspaceIntersection

__all__ = ["Ceiling", "Roof", "roof_under"]

Floats = NDArray[np.float64]

# Rise of a roof over its run: 44 degrees from the vertical, 1 within the limit of 45.
STEEP = float(1 / np.tan(np.radians(44.0)))
_BELOW_MM = 1.0  # how far a hollow reaches under the bed, so that it opens cleanly
_LEAST_HEIGHT_MM = 4.0


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The heights that hollows may rise to: plan places (n, 2), heights (n,), area of each, mm2."""

    places: Floats
    heights: Floats
    cell_mm2: float

    def over(self, polygon: shapely.Polygon) -> Ceiling:
        """The part over a plan polygon."""
        low_x, low_y, high_x, high_y = polygon.bounds
        x, y = self.places.T
        near = np.flatnonzero((x > low_x) & (x < high_x) & (y > low_y) & (y < high_y))
        inside = near[shapely.contains_xy(polygon, x[near], y[near])]
        return Ceiling(self.places[inside], self.heights[inside], self.cell_mm2)


@dataclass(frozen=True, slots=True)
class Roof:
    """A hollow: sides of its plan polygon, and a plane that rises from each.

    normals (k, 2) look inward, offsets (k,): a place is inside by normals . place - offset;
    slopes (k, 2), levels (k,): the plane over side k has the height slopes . place + level
    """

    normals: Floats
    offsets: Floats
    slopes: Floats
    levels: Floats
    volume_mm3: float

    def heights(self, places: Floats) -> Floats:
        """Heights (n,) of the roof over plan places (n, 2); -inf outside its sides."""
        inside = (places @ self.normals.T >= self.offsets).all(axis=1)
        height = (places @ self.slopes.T + self.levels).min(axis=1)
        return np.where(inside, height, -np.inf)

    def lowered(self, by_mm: float) -> Roof:
        """The same, its roof farther from the face by so much."""
        drop = by_mm * np.sqrt(1 + (self.slopes**2).sum(axis=1))
        return Roof(self.normals, self.offsets, self.slopes, self.levels - drop, self.volume_mm3)

    def corners(self) -> Floats:
        """The corners (n, 3) of the convex hollow; none if nothing is left of it."""
        sides = np.column_stack([-self.normals, np.zeros(len(self.normals)), self.offsets])
        roof = np.column_stack([-self.slopes, np.ones(len(self.slopes)), -self.levels])
        floor = np.array([[0.0, 0.0, -1.0, -_BELOW_MM]])
        inner = self._inner()
        if inner is None:
            return np.empty((0, 3))
        found = HalfspaceIntersection(np.concatenate([sides, roof, floor]), inner)
        return np.unique(np.round(found.intersections, 5), axis=0)

    def saving_mm3(self, skin_mm: float, infill: float) -> float:
        """Filament that the hollow saves: the infill it takes the place of, less its own skin."""
        corners = self.corners()
        if len(corners) < 4:
            return 0.0
        whole = ConvexHull(corners)
        foot = ConvexHull(corners[corners[:, 2] < -_BELOW_MM + 1e-3, :2])
        open_mm2, around_mm = float(foot.volume), float(foot.area)
        volume = float(whole.volume) - open_mm2 * _BELOW_MM
        skin = float(whole.area) - 2 * open_mm2 - around_mm * _BELOW_MM
        return infill * volume - (1 - infill) * skin_mm * skin

    def _inner(self) -> Floats | None:
        """A point well inside, on a grid over the sides' polygon."""
        ring = _ring(self.normals, self.offsets)
        low, high = ring.min(axis=0), ring.max(axis=0)
        share = (np.arange(24) + 0.5) / 24
        x, y = np.meshgrid(*(low + (high - low) * share[:, None]).T)
        places = np.stack([x.ravel(), y.ravel()], axis=1)
        clear = (places @ self.normals.T - self.offsets).min(axis=1)
        height = (places @ self.slopes.T + self.levels).min(axis=1) + _BELOW_MM
        room = np.minimum(clear, height / 2)
        best = int(np.argmax(room))
        if room[best] < 0.05:
            return None
        return np.array([*places[best], height[best] / 2 - _BELOW_MM])


def roof_under(ceiling: Ceiling, polygon: shapely.Polygon, within: shapely.Geometry) -> Roof | None:
    """The hollow under a ceiling over a convex plan polygon; None where there is no room.

    within : plan region; sides of the polygon outside it are open, with no plane of their own
    """
    over = ceiling.over(polygon)
    if len(over.places) < 3:
        return None
    ring = np.asarray(shapely.orient_polygons(polygon.simplify(0.05)).exterior.coords)[:-1]
    along = np.roll(ring, -1, axis=0) - ring
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    normals = np.stack([-along[:, 1], along[:, 0]], axis=1)
    offsets = (normals * ring).sum(axis=1)
    middle = shapely.points((ring + np.roll(ring, -1, axis=0)) / 2)
    held = shapely.intersects(within, middle)
    if not held.any():
        return None
    inward = np.where(held, over.places @ normals.T - offsets, np.inf)
    nearest = np.argmin(inward, axis=1)
    slopes, levels = np.array(STEEP * normals), np.full(len(ring), np.inf)
    for side in range(len(ring)):
        rows = np.flatnonzero(nearest == side)
        if len(rows):
            slopes[side], levels[side] = _rising(
                over.places[rows], over.heights[rows], normals[side], along[side]
            )
    _fill_in(ring, slopes, levels)
    slopes, levels = slopes[held], levels[held]
    height = (over.places @ slopes.T + levels).min(axis=1)
    if height.max() < _LEAST_HEIGHT_MM:
        return None
    volume = float(np.maximum(height, 0).sum() * ceiling.cell_mm2)
    return Roof(normals, offsets, slopes, levels, volume)


def _rising(places: Floats, heights: Floats, normal: Floats, along: Floats) -> tuple[Floats, float]:
    """Slope (2,) and level of the highest plane that rises from a side and stays under all."""
    best: tuple[float, Floats, float] = (-np.inf, STEEP * normal, 0.0)
    travel = places @ along
    rest = heights - STEEP * (places @ normal)
    tilts = [0.0]
    if len(places) > 3 and np.ptp(travel) > 1:
        fitted = float(np.polyfit(travel, rest, 1)[0])
        tilts += [fitted, fitted / 2]
    for tilt in tilts:
        slope = STEEP * normal + tilt * along
        level = float((heights - places @ slope).min())
        mean = float((places @ slope).mean()) + level
        if mean > best[0] + 1e-9:
            best = (mean, slope, level)
    return best[1], best[2]


def _fill_in(ring: Floats, slopes: Floats, levels: Floats) -> None:
    """Sides too short to have a place of their own rise from the roof of the others."""
    known = np.isfinite(levels)
    middle = (ring + np.roll(ring, -1, axis=0)) / 2
    for side in np.flatnonzero(~known):
        height = (slopes[known] @ middle[side] + levels[known]).min()
        levels[side] = height - slopes[side] @ middle[side]


def _ring(normals: Floats, offsets: Floats) -> Floats:
    """The corners of the convex polygon that the sides enclose, in order."""
    after = np.roll(np.arange(len(normals)), -1)
    pairs = np.stack([normals, normals[after]], axis=1)
    return np.linalg.solve(pairs, np.stack([offsets, offsets[after]], axis=1)[..., None])[..., 0]
