"""The outline of one limb or of the trunk, where a plane cuts a body."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import ArrayLike, NDArray

from ..errors import BadParameter
from ..geometry.section import plane_section
from ..geometry.vectors import unit

__all__ = ["Outline", "outlines"]

Floats = NDArray[np.float64]

WEB_MM = 12.0  # half the width of skin, or of a healed gap, that joins arm and trunk
CORE_MM2 = 200.0  # left of a limb with a web's width taken off all round: of a wrist 400
SPECK_MM2 = 30.0  # a scrap of scan; a small finger has more


@dataclass(frozen=True, slots=True)
class Outline:
    """One closed outline in a plane.

    flat : polygon in mm of the plane; origin (3,), axes (2, 3) : of the plane
    """

    flat: shapely.Polygon
    origin: Floats
    axes: Floats

    @property
    def points(self) -> Floats:
        """Its points (k, 3), the last one the first again."""
        return self.lifted(np.asarray(self.flat.exterior.coords))

    @property
    def tape(self) -> Floats:
        """The points (k, 3) that a tape drawn round it touches, the last one the first again."""
        return self.lifted(np.asarray(self.flat.convex_hull.exterior.coords))

    @property
    def girth_mm(self) -> float:
        """Length of the tape: the perimeter of the convex hull, as `tape_girth_mm` has it."""
        return float(self.flat.convex_hull.length)

    @property
    def middle(self) -> Floats:
        """The centroid (3,) of the enclosed area."""
        return np.asarray(self.lifted(np.asarray(self.flat.centroid.coords))[0])

    def lifted(self, flat: Floats) -> Floats:
        """Points (k, 3) of places (k, 2) in the plane."""
        return np.asarray(self.origin + flat @ self.axes)


def outlines(mesh: trimesh.Trimesh, origin: ArrayLike, normal: ArrayLike) -> list[Outline]:
    """All outlines where a plane cuts the mesh, limbs apart from the trunk; largest first.

    Where arm and trunk touch, or two thighs, the section has a waist of less
    than 24 mm between them: it is cut there (opening by a disc: Serra, Image
    Analysis and Mathematical Morphology, 1982). Lines that end at a border of
    the mesh are closed straight.

    Raises
    ------
    BadParameter : the normal has no length
    """
    start = np.asarray(origin, dtype=float)
    lines = plane_section(mesh, start, normal)
    axes = _axes(np.asarray(normal, dtype=float))
    found: list[shapely.Polygon] = []
    for line in lines:
        flat = (line - start) @ axes.T
        if len(flat) < 4 or float(np.ptp(flat, axis=0).max()) < np.sqrt(SPECK_MM2):
            continue
        found += _simple(shapely.Polygon(flat))
    parts = [part for whole in _outermost(found) for part in _taken_apart(whole)]
    parts.sort(key=lambda part: -part.area)
    return [Outline(part, start, axes) for part in parts]


def _axes(normal: Floats) -> Floats:
    """Two unit vectors (2, 3) square to the normal; for a level plane x and y."""
    length = float(np.linalg.norm(normal))
    if normal.shape != (3,) or not length > 0:
        raise BadParameter(f"the normal {normal.tolist()} gives no plane", "Give three numbers")
    normal = normal / length
    across = np.eye(3)[0] if abs(normal[0]) < 0.9 else np.eye(3)[1]
    one = unit((across - (across @ normal) * normal)[None])[0]
    return np.stack([one, np.cross(normal, one)])


def _simple(polygon: shapely.Polygon) -> list[shapely.Polygon]:
    """The polygon without self-crossings, as its parts without holes."""
    sound = polygon if polygon.is_valid else polygon.buffer(0)
    parts = shapely.get_parts(sound)
    return [shapely.Polygon(part.exterior) for part in parts if part.area > SPECK_MM2]


def _outermost(polygons: list[shapely.Polygon]) -> list[shapely.Polygon]:
    """Those that lie in no other: the inside of a thick shell is no outline."""
    kept: list[shapely.Polygon] = []
    for polygon in sorted(polygons, key=lambda one: -one.area):
        inner = polygon.representative_point()
        if not any(other.contains(inner) for other in kept):
            kept.append(polygon)
    return kept


def _taken_apart(whole: shapely.Polygon) -> list[shapely.Polygon]:
    """The parts that hang together by less than two webs' width; most often the one."""
    # A coarse outline is enough to see whether it parts, and much faster.
    core = whole.simplify(1.0).buffer(-WEB_MM, quad_segs=4)
    cores = [part for part in shapely.get_parts(core) if part.area > CORE_MM2]
    if len(cores) < 2:
        return [whole]
    parts = []
    for part in cores:
        grown = part.buffer(WEB_MM + 1.5, quad_segs=8).intersection(whole)
        parts += _simple(max(shapely.get_parts(grown), key=lambda one: one.area))
    return parts
