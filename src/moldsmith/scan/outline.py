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

__all__ = ["Outline", "outlines", "parted"]

Floats = NDArray[np.float64]

WEB_MM = 12.0  # half the width of skin, or of a healed gap, that joins arm and trunk
ARM_WEBS_MM = (18.0, 24.0, 30.0, 36.0)  # the same of an arm that grew onto the trunk in the scan
ARM_SHARE = 0.35  # of the trunk's area: a section of what is less beside it is an arm
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
    Analysis and Mathematical Morphology, 1982). An arm is cut off a trunk also where
    scan or healing let it grow on, by as much as 72 mm. Lines that end at a border of
    the mesh are closed straight.

    Raises
    ------
    BadParameter : the normal has no length
    """
    return parted(plane_section(mesh, origin, normal), origin, normal)


def parted(lines: list[Floats], origin: ArrayLike, normal: ArrayLike) -> list[Outline]:
    """As `outlines`, of the lines (k, 3) of a section.

    Raises
    ------
    BadParameter : the normal has no length
    """
    start = np.asarray(origin, dtype=float)
    axes = _axes(np.asarray(normal, dtype=float))
    found: list[shapely.Polygon] = []
    for line in lines:
        flat = (line - start) @ axes.T
        if len(flat) < 4 or float(np.ptp(flat, axis=0).max()) < np.sqrt(SPECK_MM2):
            continue
        found += _simple(shapely.Polygon(flat))
    pieces = [piece for whole in _outermost(found) for piece in _taken_apart(whole)]
    parts = [part for piece in pieces for part in _without_arms(piece)]
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
    cores = _cores(whole, WEB_MM)
    if len(cores) < 2:
        return [whole]
    return [part for core in cores for part in _simple(_grown(core, WEB_MM, whole))]


def _without_arms(whole: shapely.Polygon) -> list[shapely.Polygon]:
    """The trunk, and the arms that grew onto it; most often the one."""
    trunk, arms = whole, []
    for web in ARM_WEBS_MM:
        cores = sorted(_cores(trunk, web), key=lambda one: -one.area)
        first, *others = [_grown(core, web, trunk) for core in cores] or [trunk]
        small = [one for one in others if one.area < ARM_SHARE * first.area]
        if small:
            # Between the two notches each bulges into the other; the crease belongs to neither.
            grown = shapely.union_all(small)
            rest = trunk.difference(grown.buffer(web))
            (trunk,) = _simple(_largest(rest.union(first.difference(grown))))
            arms += [part for one in small for part in _simple(one)]
    return [trunk, *arms]


def _cores(whole: shapely.Polygon, web_mm: float) -> list[shapely.Polygon]:
    """What is left of the parts with a web's half width taken off all round."""
    # A coarse outline is enough to see whether it parts, and much faster.
    core = whole.simplify(1.0).buffer(-web_mm, quad_segs=4)
    return [part for part in shapely.get_parts(core) if part.area > CORE_MM2]


def _grown(core: shapely.Polygon, web_mm: float, whole: shapely.Polygon) -> shapely.Polygon:
    return _largest(core.buffer(web_mm + 1.5, quad_segs=8).intersection(whole))


def _largest(parts: shapely.Geometry) -> shapely.Polygon:
    return max(shapely.get_parts(parts), key=lambda one: one.area)
