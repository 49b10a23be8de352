"""Who wears the pad: a scan file, a mesh, or a body of the piece."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry.orientation import capped_volume, roundness
from ..scan.reading import load_scan
from ..scan.units import Unit
from ..workpiece import Workpiece

__all__ = ["refuse_small", "wearer_mesh"]

Floats = NDArray[np.float64]

_SURE_ROUNDNESS = 0.01  # of the enclosed volume that tells which side is out
_LEAST_SIZE = 0.2  # of the pad's: what is smaller wears no such pad


def wearer_mesh(
    piece: Workpiece, wearer: Path | str | trimesh.Trimesh | None, unit: Unit | None
) -> trimesh.Trimesh | None:
    """The wearer's mesh, facing outward, where the piece's bodies are now; None for its own scan.

    Raises
    ------
    BadParameter : it is no mesh, or one without triangles
    BadScan : its file cannot be used
    """
    if wearer is None:
        return None
    if isinstance(wearer, str | Path) and str(wearer) in piece.bodies:
        return piece.body(str(wearer))
    if isinstance(wearer, str | Path):
        mesh = _outward(load_scan(wearer, unit=unit, name=piece.name).body("scan"))
    elif isinstance(wearer, trimesh.Trimesh):
        _refuse_unusable(wearer)
        mesh = _outward(wearer)
    else:
        raise BadParameter(
            f"wearer = {wearer!r}", "Give a scan file, a mesh, or the name of a body"
        )
    moved = np.asarray(piece.frame.moved)
    if np.array_equal(moved, np.eye(4)):
        return mesh
    points = mesh.vertices @ moved[:3, :3].T + moved[:3, 3]
    return trimesh.Trimesh(points, mesh.faces, process=False)


def _refuse_unusable(mesh: trimesh.Trimesh) -> None:
    used = np.asarray(mesh.vertices)[np.unique(mesh.faces).astype(np.int64)]
    if len(mesh.faces) == 0 or not np.isfinite(used).all():
        fault = "has vertices that are not numbers" if len(mesh.faces) else "has no triangles"
        raise BadParameter(f"wearer {fault}", "Give the wearer's healed scan, in mm")


def _outward(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """The mesh facing outward: of a raw scan that is inside out gaps would be overlaps."""
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    volume = capped_volume(vertices, faces)
    if volume >= 0 or roundness(volume, float(mesh.area)) < _SURE_ROUNDNESS:
        return mesh
    return trimesh.Trimesh(vertices, faces[:, ::-1], process=False)


def refuse_small(body: trimesh.Trimesh, cast: Floats) -> None:
    """`BadParameter` for a body in another unit than the pad (n, 3)."""
    size, least = float(np.ptp(body.bounds, axis=0).max()), float(np.ptp(cast, axis=0).max())
    if size < _LEAST_SIZE * least:
        raise BadParameter(
            f"wearer spans {size:.3g} mm, the pad {least:.0f} mm: it is too small to wear it",
            "Give it in mm, or state its unit",
        )
