"""A closed upright surface as distances from an axis: rows of height, columns of angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ..errors import CannotBuild
from . import solid
from .hollows import Hollows, hollows

__all__ = ["TURNS", "RadialMap", "held_mm", "outermost", "radial_map", "star_solid"]

Floats = NDArray[np.float64]
TURNS = 360  # columns: one a degree
_STEP_MM = 0.4
_PART_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class RadialMap:
    """How far a solid's surface is from an axis that runs through it.

    z (r,) : heights of the rows; middle (r, 2) : the axis there;
    reach (r, 360) : the outermost distance in each direction, column k at k degrees;
    0 in rows above or below the solid; hollows : what lies hidden behind the outermost
    """

    z: Floats
    middle: Floats
    reach: Floats
    hollows: Hollows

    @property
    def step_mm(self) -> float:
        return float(self.z[1] - self.z[0])

    @property
    def axis(self) -> Floats:
        """Places (r, 3) of the axis."""
        return np.column_stack([self.middle, self.z])

    def points(self, row: int) -> Floats:
        """The row's outline (360, 3)."""
        turn = np.radians(np.arange(TURNS))
        plan = self.middle[row] + self.reach[row][:, None] * np.stack(
            [np.cos(turn), np.sin(turn)], axis=1
        )
        return np.column_stack([plan, np.full(TURNS, self.z[row])])


def radial_map(body: solid.Solid, low_mm: float, high_mm: float, step_mm: float) -> RadialMap:
    """The solid's map between two heights, at most `step_mm` apart.

    The axis is one upright line if one lies well inside all sections, else it runs
    through their middles. `CannotBuild` where a section falls into several parts, or where
    there is none: a solid turned inside out has no inside.
    """
    rows = int(np.ceil((high_mm - low_mm) / step_mm)) + 1
    z = np.linspace(low_mm, high_mm, rows)
    # Just inside at both ends: a section in the plane of an end is any or none.
    sections = [_outline(solid.section(body, float(h)), float(h)) for h in _inset(z)]
    if all(outline is None for outline in sections):
        raise CannotBuild(
            f"no level section between z {low_mm:.0f} and {high_mm:.0f} has an inside: the "
            "surface is turned inside out",
            "Put the scan through heal, which turns it outward",
        )
    middle = _axis(sections)
    rings = [None if outline is None else _ring(outline) for outline in sections]
    reach = np.array([outermost(ring, place) for ring, place in zip(rings, middle, strict=True)])
    return RadialMap(z, middle, reach, hollows(rings, middle, reach))


def _inset(z: Floats) -> Floats:
    inner = z.copy()
    inner[0] += 1e-3
    inner[-1] -= 1e-3
    return inner


def _outline(section: shapely.MultiPolygon, height: float) -> shapely.Polygon | None:
    parts = sorted(shapely.get_parts(section), key=lambda part: -part.area)
    if not parts:
        return None
    if len(parts) > 1 and parts[1].area > _PART_SHARE * parts[0].area:
        x, y = parts[1].centroid.coords[0]
        raise CannotBuild(
            f"a level section at z {height:.0f} falls into parts (one at x {x:.0f}, y {y:.0f}): "
            "the pad bends away from its axis",
            "Crop a shorter sleeve, or give block another axis (pull)",
        )
    return shapely.Polygon(parts[0].exterior)


def _axis(sections: list[shapely.Polygon | None]) -> Floats:
    """Plan places (r, 2) of the axis; rows without a section take the nearest one's."""
    present = [row for row, outline in enumerate(sections) if outline is not None]
    outlines = [outline for outline in sections if outline is not None]
    shared = shapely.intersection_all(outlines)
    largest = max(shapely.get_parts(shared), key=lambda part: part.area, default=None)
    least = min(outline.area for outline in outlines)
    if largest is not None and largest.geom_type == "Polygon" and largest.area > 0.25 * least:
        pole = shapely.maximum_inscribed_circle(largest, tolerance=0.5).coords[0]
        return np.tile(np.asarray(pole), (len(sections), 1))
    middles = np.array([outline.centroid.coords[0] for outline in outlines])
    rows = np.arange(len(sections))
    axis = np.stack([np.interp(rows, present, middles[:, k]) for k in (0, 1)], axis=1)
    kernel = np.hanning(11)[1:-1] / np.hanning(11)[1:-1].sum()
    padded = np.pad(axis, ((4, 4), (0, 0)), mode="edge")
    return np.stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)], axis=1)


def _ring(outline: shapely.Polygon) -> Floats:
    return np.asarray(outline.exterior.segmentize(_STEP_MM).coords)[:-1]


def outermost(outline: Floats | None, middle: Floats) -> Floats:
    """Outermost distance (360,) of an outline, points (n, 2) less than half a degree apart, from
    a place; 0 without an outline."""
    if outline is None:
        return np.zeros(TURNS)
    ring = outline - middle
    column = np.rint(np.degrees(np.arctan2(ring[:, 1], ring[:, 0]))).astype(np.int64) % TURNS
    reach = np.zeros(TURNS)
    np.maximum.at(reach, column, np.linalg.norm(ring, axis=1))
    found = np.flatnonzero(reach > 0)
    if len(found) == 0:
        return reach
    wrapped = np.r_[found - TURNS, found, found + TURNS]
    return np.interp(np.arange(TURNS), wrapped, np.tile(reach[found], 3))


def held_mm(reach: Floats, direction_deg: float) -> Floats:
    """How far (r, 360) each place lies behind others when the mold moves off that way, mm.

    The lateral distance, square to the direction and level, by which what lies between
    the place and the middle of that side stands out over it; 0 where it comes free.
    From the middle out to both sides the outline must go outward only, since a level
    move keeps every section to itself.
    """
    start = round(direction_deg) % TURNS
    half = TURNS // 2
    turn = np.radians(np.arange(half + 1))
    result = np.empty_like(reach)
    for side in (1, -1):
        columns = (start + side * np.arange(half + 1)) % TURNS
        across = reach[:, columns] * np.sin(turn)
        behind = np.maximum.accumulate(across, axis=1) - across
        if side == 1:
            result[:, columns] = behind
        else:
            result[:, columns[1:-1]] = behind[:, 1:-1]
    return result


def star_solid(z: Floats, middle: Floats, reach: Floats) -> solid.Solid:
    """The solid through level rings: distances reach (r, c) from middle (r, 2) at heights z (r,).

    The c directions stand evenly round, the first along x; heights rise.
    """
    rows, count = reach.shape
    turn = 2 * np.pi * np.arange(count) / count
    plan = middle[:, None] + reach[:, :, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    height = np.broadcast_to(z[:, None, None], (rows, count, 1))
    points = np.concatenate([plan, height], axis=2).reshape(-1, 3)
    ends = np.column_stack([middle[[0, -1]], z[[0, -1]]])
    number = np.arange(rows * count).reshape(rows, count)
    after = np.roll(number, -1, axis=1)
    a, b, c, d = number[:-1], after[:-1], after[1:], number[1:]
    foot, top = np.full(count, rows * count), np.full(count, rows * count + 1)
    faces = [
        np.stack([a, b, c], axis=-1).reshape(-1, 3),
        np.stack([a, c, d], axis=-1).reshape(-1, 3),
        np.stack([foot, after[0], number[0]], axis=-1),
        np.stack([top, number[-1], after[-1]], axis=-1),
    ]
    return solid.from_arrays(np.concatenate([points, ends]), np.concatenate(faces))
