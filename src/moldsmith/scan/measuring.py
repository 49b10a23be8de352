"""Lengths, girths and areas taken off a body as a tape and a caliper would.

A tape girth is the perimeter of the convex hull of the section of one limb or
of the trunk: a tape bridges hollows, and goes round no arm with the chest
(common practice in measuring bodies). Terms: ISO 7250-1:2017, ISO 8559-1:2017.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import shapely
import trimesh
from numpy.typing import ArrayLike, NDArray

from ..errors import BadParameter
from ..geometry.distance import SurfaceIndex
from ..geometry.paths import path_length_mm, shortest_path
from ..workpiece import Frame, Vector, Workpiece
from .outline import Outline, outlines

__all__ = [
    "Kind",
    "Measure",
    "Stance",
    "breadth",
    "depth",
    "girth",
    "section_area_mm2",
    "stance_of",
    "surface_length",
]

Floats = NDArray[np.float64]
Kind: TypeAlias = Literal["height", "girth", "breadth", "depth", "length"]
Subject: TypeAlias = Workpiece | trimesh.Trimesh

OFF_SURFACE_MM = 50.0  # a point farther from the skin was not meant for it


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure and where it was taken.

    name; value_mm; kind; where : (x, y, z) mm in the scan's coordinates, the
    middle of it; definition : what is measured, and by which source;
    height_mm : of `where` above the lowest point; line : the tape, caliper or
    way along the skin, points (x, y, z) mm
    """

    name: str
    value_mm: float
    kind: Kind
    where: Vector
    definition: str
    height_mm: float
    line: tuple[Vector, ...] = ()


@dataclass(frozen=True, slots=True)
class Stance:
    """A body in its own directions: x to the wearer's right, y forward, z up from the floor.

    mesh : so turned, mm; axes (3, 3) : right, forward, up in the scan's
    coordinates; floor : how high the lowest point lies along up; middle : x
    between left and right
    """

    mesh: trimesh.Trimesh
    axes: Floats
    floor: float
    middle: float

    def back(self, points: ArrayLike) -> Floats:
        """Points (..., 3) in the scan's coordinates."""
        raised_up = np.asarray(points, dtype=float) + np.array([0, 0, self.floor])
        return np.asarray(raised_up @ self.axes)

    def into(self, points: ArrayLike) -> Floats:
        """Points (..., 3) of the scan's coordinates in the body's."""
        return np.asarray(np.asarray(points, dtype=float) @ self.axes.T - [0, 0, self.floor])

    @property
    def height(self) -> float:
        """From the floor to the highest point, mm."""
        return float(self.mesh.vertices[:, 2].max())


def stance_of(subject: Subject, *, body: str = "scan", frame: Frame | None = None) -> Stance:
    """A body turned into its own directions.

    subject : a piece, of which `body` is taken and the frame unless one is
        given, or a mesh in mm, which is +z up and faces -y unless a frame is given

    Raises
    ------
    BadParameter : the piece has no such body, or the body no faces
    """
    piece = isinstance(subject, Workpiece)
    mesh = subject.body(body) if isinstance(subject, Workpiece) else subject
    used = frame or (subject.frame if isinstance(subject, Workpiece) else Frame())
    if len(mesh.faces) == 0:
        raise BadParameter(
            f"body '{body}' has no faces" if piece else "the mesh has no faces",
            "Measure a body that has",
        )
    up, forward = np.asarray(used.up), np.asarray(used.facing)
    axes = np.stack([np.cross(forward, up), forward, up])
    placed = np.asarray(mesh.vertices) @ axes.T
    faces = np.asarray(mesh.faces)
    floor = float(placed[faces, 2].min())
    turned = trimesh.Trimesh(placed - [0, 0, floor], faces, process=False)
    corners = turned.vertices[faces]
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    middle = float(area @ corners[:, :, 0].mean(axis=1) / max(area.sum(), 1e-300))
    return Stance(turned, axes, floor, middle)


def girth(
    subject: Subject | Stance,
    *,
    height_mm: float | None = None,
    at: ArrayLike | None = None,
    normal: ArrayLike | None = None,
    frame: Frame | None = None,
    name: str = "girth",
    definition: str = "girth by tape: convex hull of the section; common practice",
) -> Measure:
    """What a tape reads at a height, or round the limb or trunk at a point.

    Parameters
    ----------
    subject, frame : as of `stance_of`; or a stance, which has its frame
    height_mm : above the lowest point, for a level tape. The trunk is taken, or
        where the middle is empty the largest outline, the wearer's right one of two
    at : (x, y, z) mm in the scan's coordinates, on or in the limb or trunk meant
    normal : direction along the limb for a tape at `at`; the wearer's up if left out
    name, definition : of the measure given back

    Raises
    ------
    BadParameter : neither or both of height_mm and at, nothing is there, or at is off the body
    """
    stance = _stance(subject, frame)
    found = _outline(stance, height_mm, at, normal)
    return taped(stance, found, name, definition)


def breadth(
    subject: Subject | Stance,
    *,
    height_mm: float | None = None,
    at: ArrayLike | None = None,
    frame: Frame | None = None,
    name: str = "breadth",
    definition: str = "greatest level distance from left to right of the section",
) -> Measure:
    """What a caliper reads from left to right of the limb or trunk; parameters as of `girth`."""
    stance = _stance(subject, frame)
    return spanned(stance, _outline(stance, height_mm, at, None), "breadth", name, definition)


def depth(
    subject: Subject | Stance,
    *,
    height_mm: float | None = None,
    at: ArrayLike | None = None,
    frame: Frame | None = None,
    name: str = "depth",
    definition: str = "greatest level distance from front to back of the section",
) -> Measure:
    """What a caliper reads from front to back of the limb or trunk; parameters as of `girth`."""
    stance = _stance(subject, frame)
    return spanned(stance, _outline(stance, height_mm, at, None), "depth", name, definition)


def section_area_mm2(
    subject: Subject | Stance,
    *,
    height_mm: float | None = None,
    at: ArrayLike | None = None,
    normal: ArrayLike | None = None,
    frame: Frame | None = None,
) -> float:
    """Area of the section of the limb or trunk, mm2, hollows left out; parameters as of `girth`."""
    return float(_outline(_stance(subject, frame), height_mm, at, normal).flat.area)


def surface_length(
    subject: Subject | Stance,
    start: ArrayLike,
    end: ArrayLike,
    *,
    frame: Frame | None = None,
    name: str = "length",
    definition: str = "shortest way along the skin, into its hollows",
) -> Measure:
    """Length of the shortest way along the skin between two points.

    Parameters
    ----------
    subject, frame : as of `stance_of`; or a stance, which has its frame
    start, end : (x, y, z) mm in the scan's coordinates; the nearest points of the skin are taken

    Raises
    ------
    BadParameter : a point is more than 50 mm off the skin, or no way joins the two
    """
    stance = _stance(subject, frame)
    mesh = stance.mesh
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    index = SurfaceIndex(vertices, faces, max(stance.height / 60, 1.0))
    ends = stance.into(np.array([_point(start, "start"), _point(end, "end")]))
    found = index.closest(ends)
    for which, off in zip(("start", "end"), found.distance, strict=True):
        if off > OFF_SURFACE_MM:
            raise BadParameter(
                f"{which} lies {off:.0f} mm off the surface (at most {OFF_SURFACE_MM:.0f} mm)",
                "Give a point on the skin, in mm in the scan's coordinates",
            )
    places = [(int(face), weight) for face, weight in zip(found.face, found.weights, strict=True)]
    path = shortest_path(vertices, faces, places[0], places[1])
    middle = path[len(path) // 2]
    return _measure(stance, name, path_length_mm(path), "length", middle, definition, path)


def taped(stance: Stance, outline: Outline, name: str, definition: str) -> Measure:
    """The girth of an outline."""
    return _measure(
        stance, name, outline.girth_mm, "girth", outline.middle, definition, outline.tape
    )


def spanned(
    stance: Stance, outline: Outline, kind: Literal["breadth", "depth"], name: str, definition: str
) -> Measure:
    """The breadth or depth of a level outline."""
    axis = 0 if kind == "breadth" else 1
    points, middle = outline.points, outline.middle
    line = np.array([middle, middle])
    line[:, axis] = points[:, axis].min(), points[:, axis].max()
    value = float(np.ptp(line[:, axis]))
    return _measure(stance, name, value, kind, line.mean(axis=0), definition, line)


def raised(stance: Stance, point: Floats, name: str, definition: str) -> Measure:
    """The height of a point in the body's directions above the floor."""
    foot = np.array([point[0], point[1], 0.0])
    value = float(point[2])
    return _measure(stance, name, value, "height", point, definition, np.array([foot, point]))


def trunk_or_largest(stance: Stance, found: list[Outline]) -> Outline:
    """Of level outlines the one across the middle; else the largest, of two alike the right one."""
    central = [one for one in found if one.flat.bounds[0] < stance.middle < one.flat.bounds[2]]
    if central:
        return central[0]
    alike = [one for one in found if one.flat.area > 0.8 * found[0].flat.area]
    return max(alike, key=lambda one: float(one.middle[0]))


def _stance(subject: Subject | Stance, frame: Frame | None) -> Stance:
    return subject if isinstance(subject, Stance) else stance_of(subject, frame=frame)


def _outline(
    stance: Stance, height_mm: float | None, at: ArrayLike | None, normal: ArrayLike | None
) -> Outline:
    if (height_mm is None) == (at is None):
        raise BadParameter("a section needs a height or a point", "Give one of height_mm and at")
    if at is None:
        level = _number(height_mm)
        if not 0 < level < stance.height:
            raise BadParameter(
                f"height_mm = {level:g} is not on the body (0 to {stance.height:.0f} mm)",
                "Give the height above the lowest point",
            )
        found = outlines(stance.mesh, (0, 0, level), (0, 0, 1))
        if not found:
            raise BadParameter(f"nothing is cut at height_mm = {level:g}", "Give another height")
        return trunk_or_largest(stance, found)
    point = stance.into(_point(at, "at"))
    along = (0.0, 0.0, 1.0) if normal is None else stance.axes @ _point(normal, "normal")
    found = outlines(stance.mesh, point, along)
    if not found:
        raise BadParameter("the plane through at cuts nothing", "Give a point on the body")
    one = nearest(found)
    off = float(one.flat.distance(shapely.Point(0.0, 0.0)))
    if off > OFF_SURFACE_MM:
        raise BadParameter(
            f"at lies {off:.0f} mm beside the body (at most {OFF_SURFACE_MM:.0f} mm)",
            "Give a point on or in the limb or trunk meant, in the scan's coordinates",
        )
    return one


def nearest(found: list[Outline]) -> Outline:
    """The outline that holds its plane's origin, or lies nearest to it."""
    origin = shapely.Point(0.0, 0.0)
    return min(found, key=lambda one: (one.flat.distance(origin), one.flat.area))


def _number(height_mm: float | None) -> float:
    if isinstance(height_mm, bool) or not isinstance(height_mm, int | float | np.number):
        raise BadParameter(f"height_mm = {height_mm!r} is no number", "Give a number, in mm")
    return float(height_mm)


def _point(point: ArrayLike, name: str) -> Floats:
    try:
        place = np.asarray(point, dtype=float)
    except (TypeError, ValueError):
        place = np.empty(0)
    if place.shape != (3,) or not np.isfinite(place).all():
        raise BadParameter(f"{name} = {point!r} is no point", "Give three numbers, in mm")
    return place


def _measure(
    stance: Stance,
    name: str,
    value: float,
    kind: Kind,
    where: Floats,
    definition: str,
    line: Floats,
) -> Measure:
    x, y, z = stance.back(where).tolist()
    drawn = tuple((a, b, c) for a, b, c in stance.back(line).tolist())
    return Measure(name, value, kind, (x, y, z), definition, float(where[2]), drawn)
