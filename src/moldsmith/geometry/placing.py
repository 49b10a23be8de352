"""Finding room: discs inside plan regions, and regions widened or narrowed."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["discs", "largest_disc", "spread", "spread_discs"]

Floats = NDArray[np.float64]


def largest_disc(region: shapely.Geometry, tolerance_mm: float = 0.2) -> tuple[Floats, float]:
    """Centre (2,) and radius of the largest circle inside a region; radius 0 for none."""
    best, radius = np.zeros(2), 0.0
    for part in shapely.get_parts(region):
        if part.area <= np.pi * radius**2:
            continue
        line = shapely.maximum_inscribed_circle(part, tolerance=tolerance_mm)
        if line.length > radius:
            best, radius = np.asarray(line.coords[0]), float(line.length)
    return best, radius


def spread_discs(
    region: shapely.Geometry, radius_mm: float, apart_mm: float, most: int, *, step_mm: float = 2.0
) -> Floats:
    """Centres (k, 2) of up to `most` discs inside a region, far from each other.

    Each next centre is the free place farthest from those before it (Gonzalez,
    Theor. Comput. Sci. 38 (1985) 293), none nearer than `apart_mm`. The first
    is the place farthest from the region's middle.
    """
    room = region.buffer(-radius_mm)
    if room.is_empty:
        return np.empty((0, 2))
    low_x, low_y, high_x, high_y = room.bounds
    x, y = np.meshgrid(
        np.arange(low_x + step_mm / 2, high_x, step_mm),
        np.arange(low_y + step_mm / 2, high_y, step_mm),
    )
    places = np.stack([x.ravel(), y.ravel()], axis=1)
    shapely.prepare(room)
    places = places[shapely.contains_xy(room, places[:, 0], places[:, 1])]
    if len(places) == 0:
        point = room.representative_point()
        places = np.array([[point.x, point.y]])
    return spread(places, apart_mm, most, np.asarray(region.centroid.coords[0]))


def spread(places: Floats, apart_mm: float, most: int, middle: Floats) -> Floats:
    """Up to `most` of the places (n, 2), far from each other and none nearer than `apart_mm`.

    The first is the one farthest from `middle` (2,), as in `spread_discs`.
    """
    gap = np.linalg.norm(places - middle, axis=1)
    chosen: list[Floats] = []
    nearest = np.full(len(places), np.inf)
    while len(chosen) < min(most, len(places)):
        pick = int(np.argmax(gap if not chosen else nearest))
        if chosen and nearest[pick] < apart_mm:
            break
        chosen.append(places[pick])
        nearest = np.minimum(nearest, np.linalg.norm(places - places[pick], axis=1))
    return np.array(chosen).reshape(-1, 2)


def discs(centres: Floats, radius_mm: float) -> shapely.Geometry:
    """The union of discs about centres (k, 2)."""
    if len(centres) == 0:
        return shapely.Polygon()
    return shapely.union_all(shapely.buffer(shapely.points(centres), radius_mm))
