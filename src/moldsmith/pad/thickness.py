"""How thick the pad is to be at each point of the scanned face."""

from __future__ import annotations

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry.distance import vertex_normals
from ..geometry.geodesic import border_distance

__all__ = ["Floats", "check_thickness", "rim_distance", "tapered_thickness"]

Floats = NDArray[np.float64]


def check_thickness(thickness_mm: float, taper_mm: float, edge_mm: float, cell_mm: float) -> None:
    """`BadParameter` where the wanted thicknesses contradict each other."""
    if not 0.5 <= thickness_mm <= 200:
        raise BadParameter(f"thickness_mm = {thickness_mm:g}", "Choose 0.5 to 200 mm")
    if not 0.2 <= edge_mm <= thickness_mm:
        raise BadParameter(
            f"edge_mm = {edge_mm:g}", f"Choose 0.2 mm to the thickness, {thickness_mm:g} mm"
        )
    if not 0 <= taper_mm <= 1000:
        raise BadParameter(f"taper_mm = {taper_mm:g}", "Choose 0 (none) to 1000 mm")
    if not 0.3 <= cell_mm <= 10:
        raise BadParameter(f"cell_mm = {cell_mm:g}", "Choose 0.3 (fine) to 10 mm (rough)")


def rim_distance(patch: trimesh.Trimesh, limit_mm: float) -> Floats:
    """Distance (n,) of each vertex from the trim line along the surface, at most `limit_mm`."""
    normals = vertex_normals(patch.vertices, patch.faces)
    return border_distance(patch.vertices, patch.faces, normals, limit_mm)


def tapered_thickness(
    rim_mm: Floats, thickness_mm: float, taper_mm: float, edge_mm: float
) -> Floats:
    """Thickness (n,): `edge_mm` on the trim line, eased up to `thickness_mm` over `taper_mm`.

    The profile is 3 u² − 2 u³, flat at both ends, so that neither the edge nor
    the shoulder shows under cloth.
    """
    if taper_mm == 0:
        return np.full(len(rim_mm), float(thickness_mm))
    share = np.clip(rim_mm / taper_mm, 0, 1)
    return edge_mm + (thickness_mm - edge_mm) * share * share * (3 - 2 * share)
