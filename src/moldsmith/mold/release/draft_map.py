"""The draft of a casting's face, counted by angle and coloured.

Draft of 1 degree a side is standard for rigid parts and half a degree the least, with one
degree more for each 0.025 mm of texture (common practice for
injection-molded parts). A soft casting leaves with none where the cavity is shallow.
"""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from ...geometry import colours, ply
from .draft import draft_deg

__all__ = ["PERMITTED_PERCENT", "draft_figures", "draft_picture"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
PERMITTED_PERCENT = 20.0  # soft foam strips off 20 to 50 % (from memory)
_BANDS = (("below_0_mm2", -91, 0), ("0_to_1_mm2", 0, 1), ("1_to_3_mm2", 1, 3), ("more_mm2", 3, 91))
_SHOWN_DEG = 15.0


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
