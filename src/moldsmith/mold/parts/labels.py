"""Part numbers on the outside of a mold's parts, with an arrow to the assembly's top."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from ...geometry import solid
from ...geometry.lettering import lettering, up_arrow

__all__ = ["Label", "Labels", "OuterFaces", "label_solid", "labelled", "place_label"]

Floats = NDArray[np.float64]
Labels = Literal["engraved", "embossed", "none"]
DEPTH_MM = 0.6  # three layers of 0.2 mm (common practice)
_HEIGHTS_MM = (12.0, 10.0, 8.0, 6.0, 5.0)
_MARGIN_MM = 2.0
_WALL_MM = 1.2  # that stays behind an engraved letter
_SKIN_MM = 0.05
_LEVEL = 0.98
_GRID_MM = 3.0
_LEAST_EDGE_MM = 25.0


@dataclass(frozen=True, slots=True)
class Label:
    """A text on a plane of the mold's outside.

    matrix : 4 x 4, from the text's plane (x along it, y up, z out) to the mold; upright :
    the arrow shows the assembly's top; on a level face a word says which side it is
    """

    text: str
    height_mm: float
    matrix: Floats
    upright: bool

    def shape(self) -> shapely.Geometry:
        """The text and its arrow about the plane's origin."""
        return _centred(self.text, self.height_mm, self.upright)

    def described(self) -> dict[str, Any]:
        return {
            "text": self.text,
            "height_mm": self.height_mm,
            "normal": np.round(self.matrix[:3, 2], 5).tolist(),
            "at": np.round(self.matrix[:3, 3], 3).tolist(),
            "arrow": "up" if self.upright else None,
        }


class OuterFaces:
    """The planes that touch the whole mold from outside: what lies in one of them shows outside.

    No cavity, parting surface or joint does: they lie inside the mold's hull. plates : rows of a
    jacket's log, flat places on its outside
    """

    def __init__(
        self,
        bodies: Iterable[solid.Solid],
        outline: Sequence[Sequence[float]],
        plates: Iterable[Mapping[str, Any]] = (),
    ) -> None:
        boxes = np.array([body.bounding_box() for body in bodies])
        self.low, self.high = boxes[:, :3].min(axis=0), boxes[:, 3:].max(axis=0)
        stated = [(np.asarray(row["normal"]), np.asarray(row["at"])) for row in plates]
        written_on = [(normal, float(at @ normal)) for normal, at in stated]
        self.planes = [*self._upright(outline), *written_on, *self._level()]

    def _upright(self, outline: Sequence[Sequence[float]]) -> list[tuple[Floats, float]]:
        """Sides of the outline's hull that are long enough to write on, longest first."""
        if len(outline) < 3:
            ends = (self.low[:2], self.high[:2])
            outline = shapely.box(*ends[0], *ends[1]).exterior.coords[:-1]
        hull = shapely.orient_polygons(shapely.MultiPoint(np.asarray(outline)).convex_hull)
        ring = np.asarray(hull.simplify(0.02).exterior.coords)
        sides = np.diff(ring, axis=0)
        length = np.linalg.norm(sides, axis=1)
        found = []
        for row in np.argsort(-length.round(3), kind="stable"):
            if length[row] >= _LEAST_EDGE_MM:
                normal = np.array([sides[row, 1], -sides[row, 0], 0.0]) / length[row]
                found.append((normal, float(ring[row] @ normal[:2])))
        return found

    def _level(self) -> list[tuple[Floats, float]]:
        return [
            (np.array([0.0, 0.0, 1.0]), float(self.high[2])),
            (np.array([0.0, 0.0, -1.0]), float(-self.low[2])),
        ]


def place_label(part: solid.Solid, name: str, faces: OuterFaces) -> Label | None:
    """Where the part's name stands largest on an outer face, upright faces first; None: nowhere."""
    best: Label | None = None
    for normal, offset in faces.planes:
        upright = abs(normal[2]) < 1 - _LEVEL
        if best is not None and best.upright and not upright:
            break
        frame = _frame(normal)
        frame[:3, 3] = normal * offset
        region = _outside_in(part, frame)
        text = name if upright else f"{name} {'top' if normal[2] > 0 else 'bottom'}"
        for height in _HEIGHTS_MM:
            if best is not None and height <= best.height_mm:
                break
            spot = _room_for(region, _centred(text, height, upright).bounds)
            if spot is not None:
                matrix = frame.copy()
                matrix[:3, 3] = (frame @ [*spot, 0.0, 1.0])[:3]
                best = Label(text, height, matrix, upright)
                break
    return best


def label_solid(label: Label, style: Labels) -> solid.Solid:
    """The letters as a solid: into the part, or out of it."""
    low, high = (-DEPTH_MM, 0.5) if style == "engraved" else (-0.5, DEPTH_MM)
    return solid.moved(solid.extrude(label.shape(), low, high), label.matrix)


def labelled(part: solid.Solid, label: Label, style: Labels) -> solid.Solid:
    letters = label_solid(label, style)
    if style == "engraved":
        return solid.difference(part, letters)
    return solid.union(part, letters)


def _frame(normal: Floats) -> Floats:
    """Axes of a plane: x along it to the right, y up (for a level plane: along y), z out."""
    up = np.array([0.0, 0.0, 1.0]) if abs(normal[2]) < 0.5 else np.array([0.0, 1.0, 0.0])
    matrix = np.eye(4)
    matrix[:3, 0] = np.cross(up, normal)
    matrix[:3, 1] = up
    matrix[:3, 2] = normal
    return matrix


def _outside_in(part: solid.Solid, frame: Floats) -> shapely.Geometry:
    """The part's region of an outer plane that has material behind it, in the plane's axes."""
    turned = solid.moved(part, np.linalg.inv(frame))
    if float(turned.bounding_box()[5]) < -_SKIN_MM:
        return shapely.Polygon()  # the part does not reach the plane
    region: shapely.Geometry = solid.section(turned, -_SKIN_MM)
    behind = region.intersection(solid.section(turned, -DEPTH_MM - _WALL_MM))
    return behind.difference(solid.section(turned, _SKIN_MM))  # nothing stands before it


def _room_for(region: shapely.Geometry, bounds: tuple[float, ...]) -> Floats | None:
    """The place nearest the region's middle where a rectangle about it lies inside."""
    if region.is_empty:
        return None
    wide, tall = (bounds[2] - bounds[0]) / 2 + _MARGIN_MM, (bounds[3] - bounds[1]) / 2 + _MARGIN_MM
    low_x, low_y, high_x, high_y = region.bounds
    if high_x - low_x < 2 * wide or high_y - low_y < 2 * tall:
        return None
    grid = np.meshgrid(
        _steps(low_x + wide, high_x - wide), _steps(low_y + tall, high_y - tall), indexing="ij"
    )
    places = np.column_stack([line.ravel() for line in grid])
    x, y = places.T
    shapely.prepare(region)
    free = shapely.contains(region, shapely.box(x - wide, y - tall, x + wide, y + tall))
    if not free.any():
        return None
    middle = np.asarray(region.centroid.coords[0])
    places = places[free]
    away = np.linalg.norm(places - middle, axis=1).round(3)
    return np.asarray(places[int(np.argmin(away))])


def _steps(low: float, high: float) -> Floats:
    """From one end to the other in steps of about 3 mm, the middle among them."""
    count = max(int((high - low) / _GRID_MM) | 1, 1)
    return np.linspace(low, high, count) if count > 1 else np.array([(low + high) / 2])


def _centred(text: str, height: float, upright: bool) -> shapely.Geometry:
    letters = lettering(text, height)
    if upright:
        arrow = up_arrow(height * 1.2)
        letters = letters.union(affinity.translate(arrow, letters.bounds[2] + 0.4 * height, 0.0))
    low_x, low_y, high_x, high_y = letters.bounds
    return affinity.translate(letters, -(low_x + high_x) / 2, -(low_y + high_y) / 2)
