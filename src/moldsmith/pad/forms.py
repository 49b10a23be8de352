"""Thickness from a second scan: the pad fills what lies between the two."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import spsolve

from ..errors import BadParameter
from ..geometry.denoising import denoised
from ..geometry.distance import SurfaceIndex
from ..geometry.filtering import laplacian
from ..scan.reading import load_scan
from ..workpiece import Finding, Workpiece
from .thickness import THICKEST_MM, Floats

__all__ = ["form_body", "form_finding", "thickness_to_form"]

Mask = NDArray[np.bool_]

_STEPS = 60
_HIT_MM = 0.02
_CREEP_MM = 0.5  # what is left after all steps: more, and the ray grazes the form without end
_MISSING_SHARE = 0.001  # of the area: less is not worth a word


def form_body(
    piece: Workpiece, form: trimesh.Trimesh | str | Path | None
) -> trimesh.Trimesh | None:
    """The second scan: a mesh in mm, a body of the piece, or a file (its unit guessed).

    Raises
    ------
    BadScan : the file cannot be used
    BadParameter : it is none of these
    """
    if form is None or isinstance(form, trimesh.Trimesh):
        return form
    if not isinstance(form, str | Path):
        raise BadParameter(f"form = {form!r}", "Give a mesh, the name of a body, or a scan file")
    if str(form) in piece.bodies:
        return piece.body(str(form))
    return load_scan(form, name=piece.name).body("scan")


def thickness_to_form(
    index: SurfaceIndex, form: trimesh.Trimesh, side: float, smooth_mm: float
) -> tuple[Floats, Mask]:
    """Distance (n,) from each vertex along its normal to the form, and where there was none.

    0 where the form lies on the wrong side of the scan. Where the normal meets
    no form within 200 mm, the thickness goes on smoothly from where it does
    (least Dirichlet energy, so within the values round about). Then the whole is
    smoothed over `smooth_mm`.

    Raises
    ------
    BadParameter : the form is nowhere over the scan
    """
    vertices = denoised(index.vertices, index.faces)
    calm = SurfaceIndex(vertices, index.faces, index.spacing_mm)
    normals = side * calm.smoothed_normals(6)
    target = SurfaceIndex(np.asarray(form.vertices), np.asarray(form.faces), index.spacing_mm)
    travel, missing = _along(target, vertices, normals)
    if missing.all():
        raise BadParameter(
            "form lies nowhere over the cropped scan",
            "Bring both scans into the same place and unit, or choose the other side",
        )
    stiffness, mass = laplacian(vertices, index.faces)
    if missing.any():
        travel = _continued(stiffness, travel, missing)
    smooth = spsolve((mass + smooth_mm**2 * stiffness).tocsc(), mass @ travel)
    return np.clip(smooth, 0, THICKEST_MM), missing


def _along(target: SurfaceIndex, start: Floats, direction: Floats) -> tuple[Floats, Mask]:
    """How far (n,) rays run to the target, and which miss it.

    Each step is as long as the distance to the target, so that no ray steps over it:
    sphere tracing, Hart, The Visual Computer 12 (1996) 527.
    """
    travel = np.zeros(len(start))
    found = target.closest(start)
    # What starts in front of the form already is past it.
    past = (target.side_of(start, found) > 0) & ~found.on_border
    past &= np.einsum("ij,ij->i", direction, start - found.point) >= 0
    missing = np.zeros(len(start), dtype=bool)
    active = np.flatnonzero(~past)
    gap = found.distance
    for _ in range(_STEPS):
        travel[active] += gap[active]
        far = travel[active] > THICKEST_MM
        missing[active[far]] = True
        active = active[~far & (gap[active] > _HIT_MM)]
        if len(active) == 0:
            break
        tips = start[active] + travel[active, None] * direction[active]
        gap[active] = target.closest(tips).distance
    missing[active[gap[active] > _CREEP_MM]] = True
    return travel, missing


def _continued(stiffness: sparse.csr_array, value: Floats, missing: Mask) -> Floats:
    """Values with those missing put in by the harmonic function of the others."""
    rows = stiffness[missing]
    # The weak pull toward the mean settles pieces that no known value borders on.
    pull = 1e-9
    inner = rows[:, missing] + pull * sparse.eye_array(int(missing.sum()))
    right = pull * value[~missing].mean() - rows[:, ~missing] @ value[~missing]
    filled = value.copy()
    filled[missing] = spsolve(inner.tocsc(), right)
    low, high = value[~missing].min(), value[~missing].max()
    return np.clip(filled, low, high)


def form_finding(patch: trimesh.Trimesh, missing: Mask) -> list[Finding]:
    """Says over how much of the patch there was no form."""
    area = float(patch.area_faces[missing[patch.faces].any(axis=1)].sum())
    if area <= _MISSING_SHARE * patch.area:
        return []
    x, y, z = (float(value) for value in patch.vertices[np.flatnonzero(missing)].mean(axis=0))
    return [
        Finding(
            "form-missing",
            "warning",
            f"over {area / 100:.1f} cm² the form has no surface in front of the scan: the "
            "thickness there goes on from round about. Scan the form there, or crop the pad to it",
            "pad",
            (x, y, z),
        )
    ]
