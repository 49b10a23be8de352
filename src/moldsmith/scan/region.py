"""Which part of a scan is wanted, as one function of place: negative inside.

Planes, a box and a drawn outline all become signed distances; where several
meet, a rounded maximum joins them, so that the trim line turns its corners
with a radius.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.validation import explain_validity

from ..errors import BadParameter
from .directions import stated_plane

__all__ = ["Field", "box_planes", "half_space", "inside_outline", "rounded_outline", "together"]

Floats = NDArray[np.float64]
Field = Callable[[Floats], Floats]
Outline = Sequence[Sequence[float]]


@dataclass(frozen=True)
class _HalfSpace:
    point: Floats
    normal: Floats

    def __call__(self, points: Floats) -> Floats:
        return np.asarray((self.point - points) @ self.normal)


def half_space(plane: Sequence[ArrayLike], parameter: str) -> Field:
    """Signed distance to a plane (point, normal), negative on the side its normal points to."""
    remedy = (
        "Give ((x, y, z), (nx, ny, nz)): a point in mm and the normal, which points to the side "
        "that is kept"
    )
    return _HalfSpace(*stated_plane(plane, parameter, remedy))


def box_planes(box: Sequence[ArrayLike]) -> list[Field]:
    """The six half-spaces of an axis-parallel box (low corner, high corner), mm."""
    try:
        low, high = (np.asarray(corner, dtype=float) for corner in box)
        good = low.shape == high.shape == (3,) and bool((low < high).all())
    except (TypeError, ValueError):
        good = False
    if not good:
        raise BadParameter(
            f"box = {box!r} is no box",
            "Give ((x, y, z), (x, y, z)) in mm, the first corner below the second in all three",
        )
    axes = np.eye(3)
    return [*(_HalfSpace(low, axis) for axis in axes), *(_HalfSpace(high, -axis) for axis in axes)]


def rounded_outline(outline: Outline, radius_mm: float) -> shapely.Polygon:
    """The polygon of a closed outline (u, v) mm, its corners rounded both ways.

    Raises
    ------
    BadParameter : fewer than three points, crossing itself, or narrower than
        twice the radius
    """
    points = np.asarray(outline, dtype=float)
    plane = points.ndim == 2 and points.shape[1] == 2 and len(points) >= 3
    if not plane or not np.isfinite(points).all():
        raise BadParameter("outline is no closed outline", "Give three or more points (u, v) in mm")
    polygon = shapely.Polygon(points)
    if not polygon.is_valid:
        raise BadParameter(
            f"outline is no simple closed line ({explain_validity(polygon)})",
            "Draw it so that it nowhere crosses or touches itself; the place is in (u, v) mm",
        )
    if radius_mm == 0:
        return polygon
    opened = polygon.buffer(-radius_mm, quad_segs=32).buffer(2 * radius_mm, quad_segs=32)
    rounded = opened.buffer(-radius_mm, quad_segs=32)
    if rounded.geom_type != "Polygon" or rounded.is_empty:
        raise BadParameter(
            f"round_mm = {radius_mm:g} is too much for the outline, which is narrower than "
            f"{2 * radius_mm:g} mm somewhere",
            "Draw the narrow place wider, or choose a smaller round_mm",
        )
    return rounded


def inside_outline(polygon: shapely.Polygon, right: Floats, upright: Floats) -> Field:
    """Signed distance in the view's plane to a polygon drawn there, negative inside."""
    plane = np.stack([right, upright], axis=1)
    edge = polygon.boundary
    shapely.prepare(polygon)
    shapely.prepare(edge)

    def signed(points: Floats) -> Floats:
        flat = points @ plane
        distance = shapely.distance(edge, shapely.points(flat))
        within = shapely.contains_xy(polygon, flat[:, 0], flat[:, 1])
        return np.asarray(np.where(within, -distance, distance))

    return signed


def together(fields: Sequence[Field], radius_mm: float) -> Field:
    """The field whose inside is what is inside all, with convex corners of this radius.

    Where only one field is nearer than the radius it is that one; where more are,
    the level line is an arc: -r + |max(a_i + r, 0)|.
    """

    def joined(points: Floats) -> Floats:
        values = np.stack([field(points) for field in fields])
        greatest = values.max(axis=0)
        if radius_mm == 0 or len(fields) == 1:
            return np.asarray(greatest)
        raised = np.maximum(values + radius_mm, 0)
        arc = np.linalg.norm(raised, axis=0) - radius_mm
        return np.asarray(np.where(greatest > -radius_mm, arc, greatest))

    return joined
