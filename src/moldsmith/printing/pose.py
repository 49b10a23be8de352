"""How a part lies on the bed."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull

from ..supplies.printer import Printer

__all__ = ["bed_pose", "bed_pose_of", "fits_flat", "laid"]

Floats = NDArray[np.float64]
_SPARE_MM = 0.01  # rounding may not push a part over the edge


def fits_flat(width_mm: float, depth_mm: float, printer: Printer) -> bool:
    """Whether a rectangle lies on the bed, turned about z as it likes."""
    corners = np.array([[0, 0], [width_mm, 0], [width_mm, depth_mm], [0, depth_mm]])
    return _turn_that_fits(corners, printer) is not None


def bed_pose(vertices: Floats, printer: Printer, *, upside_down: bool) -> Floats | None:
    """The 4 x 4 matrix that lays a part (n, 3) in the middle of the bed, on z = 0.

    Turned about z by the least angle that makes it fit; None where it does not fit.
    """
    turn = np.diag([1.0, -1.0, -1.0]) if upside_down else np.eye(3)
    return bed_pose_of(vertices, turn, printer)


def bed_pose_of(vertices: Floats, rotation: Floats, printer: Printer) -> Floats | None:
    """`bed_pose` of a part (n, 3) that the 3 x 3 `rotation` turns the right side up."""
    pose = np.eye(4)
    pose[:3, :3] = rotation
    points = vertices @ pose[:3, :3].T
    plan = points[:, :2][ConvexHull(points[:, :2]).vertices]
    angle = _turn_that_fits(plan, printer)
    if angle is None or np.ptp(points[:, 2]) > printer.volume_mm[2] + _SPARE_MM:
        return None
    turn = np.eye(4)
    turn[:2, :2] = _turned(angle)
    pose = turn @ pose
    points = vertices @ pose[:3, :3].T
    low, high = points.min(axis=0), points.max(axis=0)
    middle = np.array([printer.volume_mm[0] / 2, printer.volume_mm[1] / 2])
    pose[:2, 3] = middle - (low[:2] + high[:2]) / 2
    pose[2, 3] = -low[2]
    return pose


def laid(mesh: trimesh.Trimesh, pose: ArrayLike) -> trimesh.Trimesh:
    """The mesh moved by the rigid 4 x 4 `pose` and set down on z = 0."""
    matrix = np.asarray(pose, dtype=float)
    vertices = mesh.vertices @ matrix[:3, :3].T + matrix[:3, 3]
    vertices[:, 2] -= vertices[:, 2].min()
    return trimesh.Trimesh(vertices, mesh.faces, process=False)


def _turn_that_fits(plan: Floats, printer: Printer) -> float | None:
    """The first angle, 0 and 90 degrees first, at which a plan outline fits the bed."""
    degrees = np.r_[0, 90, np.arange(1, 90), np.arange(91, 180)]
    bed = np.asarray(printer.volume_mm[:2]) + _SPARE_MM
    for angle in np.radians(degrees):
        if (np.ptp(plan @ _turned(angle).T, axis=0) <= bed).all():
            return float(angle)
    return None


def _turned(angle: float) -> Floats:
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([[cosine, -sine], [sine, cosine]])
