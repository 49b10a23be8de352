"""The draft of a casting's face, counted by angle and coloured; what it may stretch on its way out.

Draft of 1 degree a side is standard for rigid parts and half a degree the least, with one
degree more for each 0.025 mm of texture (a published design guide for injection-molded
parts; common practice). A soft casting leaves with none where the cavity is shallow.
"""

from __future__ import annotations

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..geometry import colours, ply
from .draft import draft_deg

__all__ = ["PERMITTED_PERCENT", "draft_figures", "draft_picture", "held_percent"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
PERMITTED_PERCENT = 20.0  # soft foam strips off 20 to 50 % (from memory)
_BANDS = (("below_0_mm2", -91, 0), ("0_to_1_mm2", 0, 1), ("1_to_3_mm2", 1, 3), ("more_mm2", 3, 91))
_SHOWN_DEG = 15.0
_DIRECTIONS = 24


def draft_figures(vertices: Floats, show: Ints) -> dict[str, float]:
    """Area of the face by its draft along z: held, below 1 degree, below 3 degrees, more."""
    angle = draft_deg(vertices, show, np.array([0.0, 0.0, 1.0]))
    mesh = trimesh.Trimesh(vertices, show, process=False)
    area = mesh.area_faces
    return {
        name: round(float(area[(angle >= low) & (angle < high)].sum()), 1)
        for name, low, high in _BANDS
    }


def draft_picture(vertices: Floats, show: Ints) -> bytes:
    """The face as PLY: red where it is held, blue where it draws freely."""
    angle = draft_deg(vertices, show, np.array([0.0, 0.0, 1.0]))
    used, faces = np.unique(show, return_inverse=True)
    paint = colours.diverging(angle, _SHOWN_DEG)
    return ply.encode(vertices[used], faces.reshape(-1, 3), face_colours=paint)


def held_percent(shadow: shapely.Geometry, place: tuple[float, float], depth_mm: float) -> float:
    """How much the casting must give to come past an undercut: 100 (D - d) / d.

    D : the shortest chord of the casting's shadow through the place, d : what the
    undercut leaves of it, D - depth (Malloy, Plastic Part Design for Injection Molding,
    strip-off of undercuts; the base d from memory)
    """
    chord = _shortest_chord(shadow, place)
    left = max(chord - depth_mm, 1e-3)
    return 100 * depth_mm / left


def _shortest_chord(shadow: shapely.Geometry, place: tuple[float, float]) -> float:
    low_x, low_y, high_x, high_y = shadow.bounds
    far = float(np.hypot(high_x - low_x, high_y - low_y))
    # A place on the rim itself would have no chord along it: drawn in by a hair.
    inner = shadow.buffer(-0.5)
    point = shapely.Point(place)
    if not inner.is_empty and not inner.contains(point):
        point = shapely.Point(shapely.shortest_line(inner, point).coords[0])
    middle = np.asarray(point.coords[0])
    chords = []
    for turn in np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS:
        along = far * np.array([np.cos(turn), np.sin(turn)])
        line = shapely.LineString([middle - along, middle + along]).intersection(shadow)
        parts = [part for part in shapely.get_parts(line) if part.length > 0]
        if parts:
            chords.append(min(parts, key=lambda part: part.distance(point)).length)
    return min(chords, default=far)
