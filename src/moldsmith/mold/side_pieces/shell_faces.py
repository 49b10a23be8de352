"""Faces of round jackets: at a wall's distance from what they go round, steep enough to print.

A face is known by its distance from an upright axis, in rows of height and columns of
angle: outside a side piece's wall, or inside a hollow core.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.radial import TURNS, RadialMap, outermost, star_solid
from ..jackets.roofs import STEEP

__all__ = ["RUN", "Face", "inner_face", "outer_face"]

Floats = NDArray[np.float64]
_EVERY_DEG = 5  # columns of a face
_SEGMENT_MM = 0.4
_OVERRUN_MM = 1.0
_LEAST_REACH_MM = 1.0
RUN = 1 / STEEP  # of a slope that prints without support, over its rise


@dataclass(frozen=True, slots=True)
class Face:
    """A closed face round an axis: heights z (r,), rising; the axis there, middle (r, 2); its
    distances reach (r, c) from it in c directions evenly round."""

    z: Floats
    middle: Floats
    reach: Floats

    @property
    def solid(self) -> solid.Solid:
        """What lies inside it."""
        return star_solid(self.z, self.middle, self.reach)

    def moved_out(self, by_mm: float, up_mm: float = 0.0) -> Face:
        """The same farther from its axis, and its top higher; nearer by less than 0."""
        z = np.r_[self.z[:-1], self.z[-1] + up_mm]
        return Face(z, self.middle, np.maximum(self.reach + by_mm, 0.1))

    def figures(self, low_mm: float) -> dict[str, Any]:
        """For the log, in a frame that begins at that height."""
        return {
            "z": np.round(self.z - low_mm, 4).tolist(),
            "middle": np.round(self.middle, 4).tolist(),
            "reach": np.round(self.reach, 3).tolist(),
        }

    @classmethod
    def read(cls, figures: Mapping[str, Any]) -> Face:
        """The face that a log tells of."""
        return cls(*(np.asarray(figures[key], dtype=float) for key in ("z", "middle", "reach")))


def outer_face(map_: RadialMap, wall_mm: float) -> Face:
    """The face `wall_mm` outside a solid, by the solid's map.

    Where it would lean out farther than prints without support it runs out from below.
    """
    z = np.unique(np.concatenate([map_.z[::2], map_.z[-1:]]))
    fine = np.array([_at_distance(map_, height, wall_mm) for height in z])
    last = int(np.flatnonzero(fine.max(axis=1) > _LEAST_REACH_MM)[-1])
    if last + 1 < len(z):  # over a cap's top: to the next row, not to end under it
        fine[last + 1], last = fine[last], last + 1
    z, fine = z[: last + 1], fine[: last + 1]
    middle = _middle(map_, z)
    reach = _run_out(z, middle, _knots(fine, inside=False))
    return _past_the_ends(map_, Face(z, middle, reach))


def inner_face(map_: RadialMap, wall_mm: float) -> Face | None:
    """The face of a hollow, open below, that leaves `wall_mm` of a solid; None without room.

    It narrows upward no faster than its roof prints without support.
    """
    z = np.unique(np.concatenate([map_.z[::2], map_.z[-1:]]))
    fine = np.array([_at_distance(map_, height, -wall_mm) for height in z])
    room = np.flatnonzero(fine.min(axis=1) <= _LEAST_REACH_MM)
    end = int(room[0]) if len(room) else len(z)
    if end < 2:
        return None
    z, middle = z[:end], _middle(map_, z[:end])
    reach = _knots(fine[:end], inside=True)
    reach[-1] = _LEAST_REACH_MM
    face = Face(z, middle, _roofed(z, middle, reach))
    return replace(face, z=np.r_[z[0] - _OVERRUN_MM, z[1:]])


def _at_distance(map_: RadialMap, height: float, away_mm: float) -> Floats:
    """How far (360,) from the axis lies what is `away_mm` from the solid, at one height.

    Inside it where `away_mm` is less than 0. A ball rolled over the solid's level outlines.
    """
    wall = abs(away_mm)
    rows = np.flatnonzero(np.abs(map_.z - height) < wall)
    if away_mm > 0:
        rows = rows[map_.reach[rows].max(axis=1) > 0]
    elif height + wall > map_.z[-1]:
        return np.zeros(TURNS)
    if len(rows) == 0 or (map_.reach[rows] == 0).all(axis=1).any():
        return np.zeros(TURNS)
    outlines = shapely.polygons([map_.points(int(row))[:, :2] for row in rows])
    aside = np.sqrt(wall**2 - (map_.z[rows] - height) ** 2)
    grown = shapely.buffer(outlines, np.sign(away_mm) * aside)
    middle = _middle(map_, np.array([height]))[0]
    if away_mm > 0:
        return outermost(_ring(shapely.union_all(grown)), middle)
    left = shapely.intersection_all(grown)
    if not shapely.contains_xy(left, *middle):
        return np.zeros(TURNS)
    return _innermost(_ring(left), middle)


def _ring(region: shapely.Geometry) -> Floats:
    """The outer border of a region's largest part, points closely spaced."""
    part = max(shapely.get_parts(region), key=lambda item: item.area)
    return np.asarray(part.exterior.segmentize(_SEGMENT_MM).coords)[:-1]


def _innermost(ring: Floats, middle: Floats) -> Floats:
    """The innermost distance (360,) of an outline round a place."""
    inverse = (ring - middle) / ((ring - middle) ** 2).sum(axis=1, keepdims=True)
    farthest = outermost(inverse, np.zeros(2))
    return np.asarray(1 / np.maximum(farthest, 1e-9))


def _middle(map_: RadialMap, z: Floats) -> Floats:
    return np.stack([np.interp(z, map_.z, map_.middle[:, k]) for k in (0, 1)], axis=1)


def _knots(fine: Floats, *, inside: bool) -> Floats:
    """Distances (r, c) at a face's columns whose straight chords lie outside all of the fine
    ones (r, 360), or inside them."""
    one = fine[:, ::_EVERY_DEG, None]
    two = np.roll(one, -1, axis=1)
    whole, part = np.radians(_EVERY_DEG), np.radians(np.arange(_EVERY_DEG))
    chord = one * two * np.sin(whole) / (one * np.sin(part) + two * np.sin(whole - part))
    ratio = fine.reshape(chord.shape) / chord
    worst = ratio.min(axis=2) if inside else ratio.max(axis=2)
    both = np.stack([worst, np.roll(worst, 1, axis=1)])
    return np.asarray(one[..., 0] * (both.min(axis=0) if inside else both.max(axis=0)))


def _past_the_ends(map_: RadialMap, face: Face) -> Face:
    """The face on past the ends of the map that it reaches."""
    z = face.z.copy()
    z[0] -= _OVERRUN_MM
    if z[-1] == map_.z[-1]:
        z[-1] += _OVERRUN_MM
    return replace(face, z=z)


def _run_out(z: Floats, middle: Floats, reach: Floats) -> Floats:
    """Distances at least as great, so that nothing leans out too far over what is under it."""
    found = reach.copy()
    for row in range(len(z) - 2, -1, -1):
        shift, aside = _shifts(middle[row + 1] - middle[row], found[row + 1])
        least = found[row + 1] + shift + aside - RUN * (z[row + 1] - z[row])
        found[row] = np.maximum(found[row], least)
    return found


def _roofed(z: Floats, middle: Floats, reach: Floats) -> Floats:
    """Distances no greater, so that the hollow's roof leans in no farther than prints."""
    found = reach.copy()
    for row in range(len(z) - 2, -1, -1):
        shift, aside = _shifts(middle[row + 1] - middle[row], found[row + 1])
        most = found[row + 1] + shift - aside + RUN * (z[row + 1] - z[row])
        found[row] = np.maximum(np.minimum(found[row], most), _LEAST_REACH_MM)
    return found


def _shifts(step: Floats, reach: Floats) -> tuple[Floats, Floats]:
    """What a step of the axis (2,) adds to distances (c,) along their rays, and by moving a
    slanting outline aside."""
    turn = 2 * np.pi * np.arange(len(reach)) / len(reach)
    ray = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    slant = (np.roll(reach, -1) - np.roll(reach, 1)) / (2 * turn[1] * reach)
    return ray @ step, np.abs(slant * (ray @ np.array([step[1], -step[0]])))
