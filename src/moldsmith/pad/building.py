"""The closed body between the scanned face and its offset."""

from __future__ import annotations

from typing import Literal

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import BadParameter, CannotBuild
from ..geometry.distance import SurfaceIndex
from ..geometry.offset import Sheet, offset_sheet
from ..geometry.topology import border_loops, pulled_apart
from ..geometry.vectors import unit
from ..geometry.zipping import zip_loops
from .thickness import Floats

__all__ = ["Side", "closed_pad", "coated_void"]

Side = Literal["inward", "outward"]
Ints = NDArray[np.int64]

APART_MM = 0.02  # well above the step of an STL's float32


def closed_pad(
    patch: trimesh.Trimesh, sheet: Sheet, side: Side, wanted: Floats, depth: Floats
) -> trimesh.Trimesh:
    """Scanned face, offset face and the rim between them as one closed body.

    Raises
    ------
    BadParameter : thicker than the body is deep
    CannotBuild : the offset face tears over a fold of the scan, or the two faces do not close
    """
    face = np.asarray(patch.faces)
    face = face if side == "inward" else face[:, ::-1]
    vertices = np.concatenate([patch.vertices, sheet.vertices])
    back = sheet.faces + len(patch.vertices)
    try:
        rims, ends = border_loops(face), border_loops(back)
    except ValueError as error:
        raise _too_thick(patch, wanted, depth, str(error)) from error
    if side == "outward" and len(ends) > len(rims):
        # Outward a pad may be thicker than a hollow is wide: the scan is at fault, as a rule.
        raise _torn(min((vertices[end] for end in ends), key=len))
    if len(rims) != len(ends):
        raise _too_thick(patch, wanted, depth, f"{len(ends)} rims for {len(rims)} trim lines")
    bands = [zip_loops(vertices, rim, end) for rim, end in _paired(vertices, rims, ends)]
    pad = trimesh.Trimesh(vertices, np.concatenate([face, back, *bands]), process=False)
    if not pad.is_watertight or not pad.is_winding_consistent or pad.volume <= 0:
        raise _too_thick(patch, wanted, depth, "the two faces do not close")
    # Vertices that an STL's float32 makes one would pinch the pad when it is read back.
    vertices, _ = pulled_apart(vertices, pad.faces, APART_MM)
    return trimesh.Trimesh(vertices, pad.faces, process=False)


def coated_void(
    patch: trimesh.Trimesh,
    side: Side,
    wanted: Floats,
    depth: Floats,
    cell_mm: float,
    coat_mm: float,
) -> trimesh.Trimesh:
    """The pad grown by a coat all round: what the bare mold must enclose, so that the
    coated one encloses the pad.

    Both faces move out by the coat, and the trim line too, since the wall at the rim is
    coated as well. The scanned face keeps its triangles.
    """
    sign = 1.0 if side == "outward" else -1.0
    vertices = np.array(patch.vertices)
    faces = np.asarray(patch.faces, dtype=np.int64)
    calm = SurfaceIndex(vertices, faces, cell_mm).smoothed_normals(4)
    for loop in border_loops(faces):
        ring = vertices[loop]
        tangent = unit(np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0))
        vertices[loop] += coat_mm * unit(np.cross(tangent, calm[loop]))
    index = SurfaceIndex(vertices, faces, cell_mm)
    sheet = offset_sheet(index, wanted + coat_mm, side=sign, cell_mm=cell_mm)
    # A vertex moves so far that the faces about it, not it, are the coat away.
    corners = vertices[faces]
    flat = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    lean = np.einsum("ijk,ik->ij", index.normals[faces], flat)
    fan = np.bincount(faces.ravel(), minlength=len(vertices))
    mean = np.bincount(faces.ravel(), lean.ravel(), minlength=len(vertices)) / np.maximum(fan, 1)
    step = coat_mm / np.clip(mean, 0.7, 1)
    moved = vertices - sign * step[:, None] * index.normals
    return closed_pad(
        trimesh.Trimesh(moved, faces, process=False), sheet, side, wanted + coat_mm, depth
    )


def _paired(vertices: Floats, rims: list[Ints], ends: list[Ints]) -> list[tuple[Ints, Ints]]:
    """Each trim line with the nearest end of the offset face."""
    pairs, left = [], list(ends)
    for rim in rims:
        tree = cKDTree(vertices[rim])
        gaps = [float(tree.query(vertices[end])[0].mean()) for end in left]
        pairs.append((rim, left.pop(int(np.argmin(gaps)))))
    return pairs


def _torn(tear: Floats) -> CannotBuild:
    """tear (n, 3) : the border of the smallest hole"""
    x, y, z = tear.mean(axis=0)
    return CannotBuild(
        f"the pad's outer face tears at x {x:.0f}, y {y:.0f}, z {z:.0f}: under it the scan folds "
        "over itself, as noise makes a lid or a lip do, or closes up over a hollow",
        "Smooth the scan before shell (smooth, feature_mm = 5), or choose another thickness_mm "
        "or cell_mm",
    )


def _too_thick(
    patch: trimesh.Trimesh, wanted: Floats, depth: Floats, what: str
) -> BadParameter | CannotBuild:
    worst = int(np.argmax(wanted - depth))
    x, y, z = patch.vertices[worst]
    if wanted[worst] <= depth[worst]:
        return CannotBuild(
            f"the pad does not close: {what}",
            "Smooth the trim line (crop, round_mm), or choose a smaller edge_mm or cell_mm",
        )
    return BadParameter(
        f"thickness_mm = {wanted[worst]:.3g} is more than the body is deep here "
        f"({depth[worst]:.0f} mm at x {x:.0f}, y {y:.0f}, z {z:.0f})",
        f"Choose at most {0.9 * depth[worst]:.0f} mm there, or the other side",
    )
