"""How thick the pad thins out toward its trim line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry.denoising import denoised
from ..geometry.geodesic import border_distance
from ..workpiece import Workpiece

__all__ = [
    "Floats",
    "Profile",
    "check_thickness",
    "mold_scale",
    "profile_share",
    "rim_distance",
    "tapered_thickness",
]

Floats = NDArray[np.float64]
Profile = Literal["straight", "eased", "feather"]

THINNEST_MM, THICKEST_MM = 0.5, 200.0

_PROFILES: Mapping[str, Callable[[Floats], Floats]] = {
    "straight": lambda u: u,
    "eased": lambda u: u * u * (3 - 2 * u),
    "feather": lambda u: u**4 * (3 - 2 * u * u),
}


def check_thickness(
    thickness_mm: float | None,
    taper_mm: float,
    edge_mm: float,
    cell_mm: float,
    min_mm: float = 0.0,
    coat_mm: float = 0.0,
    profile: str = "eased",
) -> None:
    """`BadParameter` where the wanted thicknesses contradict each other."""
    most = THICKEST_MM
    if thickness_mm is not None:
        check_range("thickness_mm", thickness_mm, THINNEST_MM, THICKEST_MM)
        most = thickness_mm
    check_range("edge_mm", edge_mm, 0.2, most, ", the thickness" if most == thickness_mm else "")
    check_range("taper_mm", taper_mm, 0, 1000, "; 0 for none")
    check_range("cell_mm", cell_mm, 0.3, 10, ": fine to rough")
    check_range("min_mm", min_mm, 0, THICKEST_MM, "; 0 for none")
    if not 0 <= coat_mm <= 3:
        raise BadParameter(f"coat_mm = {coat_mm:g}", "Choose 0 (no coat) to 3 mm")
    if profile not in _PROFILES:
        raise BadParameter(f"profile = {profile!r}", "Choose 'straight', 'eased' or 'feather'")


def check_range(key: str, value: float, low: float, high: float, note: str = "") -> None:
    """`BadParameter` where a value is no number from `low` to `high`."""
    number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
    if not number or not low <= value <= high:
        shown = f"{value:g}" if number else repr(value)
        raise BadParameter(f"{key} = {shown}", f"Choose {low:g} to {high:g} mm{note}")


def mold_scale(piece: Workpiece) -> float:
    """How much larger than the casting `fit` has made the scan, for the casting's shrink."""
    for record in reversed(piece.records):
        shrink = record["figures"].get("casting_shrink")
        if shrink:
            return float(shrink["scale"])
    return 1.0


def rim_distance(patch: trimesh.Trimesh, limit_mm: float) -> Floats:
    """Distance (n,) of each vertex from the trim line along the surface, at most `limit_mm`.

    Measured on the form under the scan's noise, which would lengthen every way.
    """
    faces = np.asarray(patch.faces, dtype=np.int64)
    return border_distance(denoised(np.asarray(patch.vertices), faces), faces, limit_mm)


def profile_share(share: Floats, profile: Profile) -> Floats:
    """Height of a profile (0 to 1) at shares of the way in from the trim line (0 to 1).

    straight : u; eased : 3 u² − 2 u³, flat at both ends; feather : 3 u⁴ − 2 u⁶, thin
    over the outer third, so that it lies down on what is under it
    """
    return _PROFILES[profile](np.clip(share, 0, 1))


def tapered_thickness(
    rim_mm: Floats,
    thickness_mm: float | Floats,
    taper_mm: float,
    edge_mm: float,
    profile: Profile = "eased",
) -> Floats:
    """Thickness (n,): `edge_mm` on the trim line, up to `thickness_mm` over `taper_mm`."""
    full = np.broadcast_to(np.asarray(thickness_mm, dtype=float), rim_mm.shape)
    if taper_mm == 0:
        return full.copy()
    edge = np.minimum(edge_mm, full)
    return np.asarray(edge + (full - edge) * profile_share(rim_mm / taper_mm, profile))
