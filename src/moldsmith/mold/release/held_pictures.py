"""Pictures of what holds a body in its mold: the places in red."""

from __future__ import annotations

import io

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from ...errors import MissingPackage
from ...geometry import solid
from ...geometry.vectors import unit
from ...geometry.visibility import grid_over, highest, lowest
from ...workpiece import Vector

__all__ = ["PICTURE", "held_faces", "held_png", "near"]

Mask = NDArray[np.bool_]
PICTURE = "held.png"
_FREE = np.array([196, 190, 178])
_HELD = np.array([196, 40, 30])
_RAY_MM = 0.7
_CONTACT_MM = 0.05
_NEAR_MM = 3.0


def held_faces(body: trimesh.Trimesh, other: trimesh.Trimesh, direction: Vector) -> Mask:
    """Which faces (m,) of a body would run into another if it moved off along a direction.

    Those that look that way, and from which a ray that way meets the other (by a grid of
    rays; a region narrower than two of them is none).
    """
    turn = solid.rotation_to(unit(np.asarray(direction, dtype=float)))
    vertices, others = np.asarray(body.vertices) @ turn, np.asarray(other.vertices) @ turn
    faces = np.asarray(body.faces)
    grid = grid_over(vertices[:, :2].min(axis=0), vertices[:, :2].max(axis=0), _RAY_MM)
    ahead = highest(others, np.asarray(other.faces), grid)
    caught = ahead > lowest(vertices, faces, grid) + _CONTACT_MM
    caught = ndimage.binary_opening(caught, np.ones((2, 2), dtype=bool))
    # A face at the edge of what is caught has its middle beside the last ray.
    caught = ndimage.binary_dilation(caught, np.ones((3, 3), dtype=bool))
    ahead = ndimage.maximum_filter(ahead, 3)
    corners = vertices[faces]
    middles = corners.mean(axis=1)
    looks = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] >= 0
    at = np.rint((middles[:, :2] - grid.low) / grid.step_mm).astype(np.int64)
    i, j = np.clip(at, 0, np.array(grid.shape) - 1).T
    return np.asarray(looks & caught[i, j] & (ahead[i, j] > middles[:, 2] + _CONTACT_MM))


def near(body: trimesh.Trimesh, where: Vector) -> Mask:
    """Which faces (m,) of a body lie as near to a place as its nearest, but for 3 mm."""
    away, _ = cKDTree(np.asarray(where)[None]).query(body.triangles_center)
    return np.asarray(away <= away.min() + _NEAR_MM)


def held_png(body: trimesh.Trimesh, held: Mask, toward: Vector, title: str) -> dict[str, bytes]:
    """A body with its held faces in red, seen from a side: file name -> PNG.

    toward : from the body to the eye. Nothing without matplotlib.
    """
    from ...sheet.pictures import picture

    colours = np.where(held[:, None], _HELD, _FREE)
    try:
        figure = picture(body, view=toward, colours=colours, title=title)
    except MissingPackage:
        return {}
    data = io.BytesIO()
    figure.savefig(data, format="png", metadata={"Software": None})
    return {PICTURE: data.getvalue()}
