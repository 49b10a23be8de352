"""From the cropped scan to the pad: thickness, feathered edge, closed body."""

from __future__ import annotations

from typing import Literal

import numpy as np
import trimesh

from ..errors import BadParameter, CannotBuild
from ..geometry.distance import SurfaceIndex
from ..geometry.inscribed import inner_radius
from ..geometry.offset import Sheet, offset_sheet
from ..geometry.topology import border_loops
from ..geometry.zipping import zip_loops
from ..stage import stage
from ..workpiece import Finding, Workpiece
from .thickness import Floats, check_thickness, rim_distance, tapered_thickness

__all__ = ["Side", "shell"]

Side = Literal["inward", "outward"]


@stage
def shell(
    piece: Workpiece,
    *,
    thickness_mm: float,
    side: Side = "inward",
    taper_mm: float = 25.0,
    edge_mm: float = 1.0,
    cell_mm: float = 2.0,
) -> Workpiece:
    """Give the cropped scan its thickness: the pad that will be cast.

    Parameters
    ----------
    thickness_mm : 0.5 to 200, away from the rim
    side : 'inward', the scan is the outer skin of the finished piece; 'outward',
        the scan is the wearer's body and the pad is built on it
    taper_mm : width over which the pad thins toward the trim line; 0 for none
    edge_mm : what is left at the rim, 0.2 to the thickness
    cell_mm : resolution of the offset face, 0.3 to 10

    Makes body 'pad', closed; the scanned face keeps its own triangles.

    Findings: 'filled-solid' where the body is less deep than the thickness.

    Raises
    ------
    BadParameter : a size out of range, thicker than the body is deep, or no trim line
    """
    if side not in ("inward", "outward"):
        raise BadParameter(f"side = {side!r}", "Choose 'inward' or 'outward'")
    check_thickness(thickness_mm, taper_mm, edge_mm, cell_mm)
    patch = piece.body("scan")
    if not border_loops(patch.faces):
        raise BadParameter("the scan is closed: the pad has no trim line", "Run crop first")
    rim_mm = rim_distance(patch, max(taper_mm, 4 * cell_mm))
    wanted = tapered_thickness(rim_mm, thickness_mm, taper_mm, edge_mm)
    index = SurfaceIndex(patch.vertices, patch.faces, cell_mm)
    sign = 1.0 if side == "outward" else -1.0
    sheet = offset_sheet(index, wanted, side=sign, cell_mm=cell_mm)
    depth = inner_radius(index, sign, float(wanted.max()))
    pad = _closed(patch, sheet, side, wanted, depth)
    return piece.with_bodies(pad=pad).note(
        _figures(patch, pad, sheet, wanted), _findings(patch, wanted, depth, side)
    )


def _closed(
    patch: trimesh.Trimesh, sheet: Sheet, side: Side, wanted: Floats, depth: Floats
) -> trimesh.Trimesh:
    """Scanned face, offset face and the rim between them as one closed body."""
    face = np.asarray(patch.faces)
    face = face if side == "inward" else face[:, ::-1]
    vertices = np.concatenate([patch.vertices, sheet.vertices])
    back = sheet.faces + len(patch.vertices)
    try:
        rims, ends = border_loops(face), border_loops(back)
    except ValueError as error:
        raise _too_thick(patch, wanted, depth, str(error)) from error
    if len(rims) != len(ends):
        raise _too_thick(patch, wanted, depth, f"{len(ends)} rims for {len(rims)} trim lines")
    bands = [zip_loops(vertices, rim, end) for rim, end in _paired(vertices, rims, ends)]
    pad = trimesh.Trimesh(vertices, np.concatenate([face, back, *bands]), process=False)
    if not pad.is_watertight or not pad.is_winding_consistent or pad.volume <= 0:
        raise _too_thick(patch, wanted, depth, "the two faces do not close")
    return pad


def _paired(
    vertices: Floats, rims: list[np.ndarray], ends: list[np.ndarray]
) -> list[tuple[np.ndarray, np.ndarray]]:
    """Each trim line with the nearest end of the offset face."""
    from scipy.spatial import cKDTree

    pairs, left = [], list(ends)
    for rim in rims:
        tree = cKDTree(vertices[rim])
        gaps = [float(tree.query(vertices[end])[0].mean()) for end in left]
        pairs.append((rim, left.pop(int(np.argmin(gaps)))))
    return pairs


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
        f"thickness_mm = {wanted.max():g} is more than the body is deep here "
        f"({depth[worst]:.0f} mm at x {x:.0f}, y {y:.0f}, z {z:.0f})",
        f"Choose at most {0.9 * depth[worst]:.0f} mm, or the other side",
    )


def _figures(
    patch: trimesh.Trimesh, pad: trimesh.Trimesh, sheet: Sheet, wanted: Floats
) -> dict[str, object]:
    error = np.abs(sheet.error_mm)
    return {
        "pad_volume_cm3": round(float(pad.volume) / 1000, 3),
        # The scanned face is the first so many triangles of the pad.
        "scanned_face_triangles": len(patch.faces),
        "scanned_face_mm2": round(float(patch.area), 1),
        "thickness_min_mm": round(float(wanted.min()), 3),
        "thickness_mean_mm": round(float(wanted.mean()), 3),
        "thickness_max_mm": round(float(wanted.max()), 3),
        "offset_face_triangles": len(sheet.faces),
        "offset_error_p99_mm": round(float(np.quantile(error, 0.99)), 4),
        "offset_error_max_mm": round(float(error.max()), 4),
        "field_values": sheet.cells,
    }


def _findings(patch: trimesh.Trimesh, wanted: Floats, depth: Floats, side: Side) -> list[Finding]:
    """Where the body is less deep than the pad is to be thick."""
    thin = depth < wanted - 1e-6
    area = patch.area_faces[thin[patch.faces].all(axis=1)].sum()
    if area < 0.02 * patch.area:
        return []
    worst = int(np.argmax(np.where(thin, wanted - depth, 0)))
    x, y, z = (float(value) for value in patch.vertices[worst])
    where = "the body is less deep" if side == "inward" else "the hollow is less wide"
    return [
        Finding(
            "filled-solid",
            "warning",
            f"over {area / 100:.0f} cm² {where} than the pad is thick (least "
            f"{depth[worst]:.0f} mm): the pad is solid there. Choose a smaller thickness_mm "
            "if that is not meant",
            "pad",
            (x, y, z),
        )
    ]
