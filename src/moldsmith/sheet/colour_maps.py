"""Values shown in colour on the bodies of the 3-D view: one for each face, NaN where none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..geometry.distance import SurfaceIndex
from ..geometry.inscribed import inner_radius
from ..mold.release.draft import draft_deg
from ..printing.cusps import cusp_heights_mm
from ..printing.flagging import face_angles_deg
from ..printing.parts import listed_parts
from ..printing.pose import laid
from ..workpiece import Workpiece
from .explosion import family_of, mold_parts
from .logs import figures, parameters, ran

__all__ = ["ColourMap", "colour_maps", "layer_mm", "leaving"]

Floats = NDArray[np.float64]
_AT_PAD_MM = 0.6  # a face this near the pad shapes it; bodies to look at are a little off
_SAMPLES = 60_000  # of the pad's surface, to find its thickness by
_WALL_DEG = 2.0  # a wall may lean by this for the roundings of its file
_LEVEL = float(np.cos(np.radians(0.5)))  # of a layer: steps of no level face
_DRAFT_DEG = 30.0  # both ends of the scale of draft


@dataclass(frozen=True, slots=True)
class ColourMap:
    """Values of faces by body, and the scale they are read on.

    two_sided : 0 lies in the middle of the scale
    """

    key: str
    title: str
    unit: str
    low: float
    high: float
    faces: Mapping[str, Floats]
    two_sided: bool = False


def colour_maps(piece: Workpiece, meshes: Mapping[str, trimesh.Trimesh]) -> tuple[ColourMap, ...]:
    """Thickness of the pad; undercut, overhang and cusp height of the mold's parts.

    meshes : the bodies as they are shown, in the piece's coordinates
    """
    parts = [name for name in mold_parts(piece) if name in meshes]
    found = []
    if "pad" in meshes:
        pad = meshes["pad"]
        # A ball thinner than the spacing of the samples is not told: the finest edge reads as that.
        spacing = max(0.8, float(np.sqrt(pad.area / _SAMPLES)))
        index = SurfaceIndex(pad.vertices, np.asarray(pad.faces), spacing)
        found.append(_thickness(piece, pad, index))
        if parts:
            found.append(_draft(piece, meshes, parts, index))
    if parts and ran(piece, "split"):
        found += _printed(piece, meshes, parts)
    return tuple(found)


def layer_mm(piece: Workpiece) -> float:
    """The printer's layer height, of the newest stage that knew the printer."""
    for record in reversed(piece.records):
        printer = record["parameters"].get("printer")
        if printer:
            return float(printer["layer_mm"])
    return 0.2


def _thickness(piece: Workpiece, pad: trimesh.Trimesh, index: SurfaceIndex) -> ColourMap:
    """The diameter of the largest ball that fits inside at each place."""
    told = figures(piece, "shell").get("thickness_max_mm")
    most = float(told or np.ptp(pad.bounds, axis=0).min())
    if figures(piece, "block").get("style") == "lidded":
        most = max(most, float(np.ptp(pad.bounds[:, 2])))
    across = 2 * inner_radius(index, -1.0, 0.55 * most)
    values = across[np.asarray(pad.faces)].mean(axis=1)
    return ColourMap("thickness", "Thickness of the pad", "mm", 0.0, most, {"pad": values})


def _draft(
    piece: Workpiece,
    meshes: Mapping[str, trimesh.Trimesh],
    parts: list[str],
    index: SurfaceIndex,
) -> ColourMap:
    """The angle between each moulding face and the way its body leaves; below 0 it is held."""
    pad = meshes["pad"]
    values = {}
    for name in parts:
        mesh = meshes[name]
        middles = mesh.vertices[mesh.faces].mean(axis=1)
        near = np.zeros(len(middles), dtype=bool)
        low, high = pad.bounds
        inside = (middles >= low - _AT_PAD_MM) & (middles <= high + _AT_PAD_MM)
        boxed = np.flatnonzero(inside.all(axis=1))
        near[boxed] = index.closest(middles[boxed]).distance <= _AT_PAD_MM
        angle = draft_deg(mesh.vertices, np.asarray(mesh.faces), leaving(piece, name))
        values[name] = np.where(near, angle, np.nan)
    return ColourMap(
        "undercut", "Draft: undercut below 0", "°", -_DRAFT_DEG, _DRAFT_DEG, values, two_sided=True
    )


def leaving(piece: Workpiece, name: str) -> Floats:
    """The way a mold part leaves the casting, a unit vector."""
    pull = np.array(piece.frame.pull or (0.0, 0.0, 1.0))
    family = family_of(piece, name)
    for row in figures(piece, "block").get("opening") or ():
        if row["body"] == family:
            return np.asarray(row["direction"], dtype=float)
    return pull if family in ("core", "lid", "cap") else -pull


def _printed(
    piece: Workpiece, meshes: Mapping[str, trimesh.Trimesh], parts: list[str]
) -> tuple[ColourMap, ColourMap]:
    """Lean over air and cusp height of each face in the part's print pose."""
    poses = {row["body"]: row["pose"] for row in listed_parts(piece)}
    layer = layer_mm(piece)
    lean, cusp = {}, {}
    for name in (name for name in parts if name in poses):
        turned = laid(meshes[name], poses[name])
        angle, _ = face_angles_deg(turned)
        height = turned.vertices[:, 2][turned.faces]
        resting = (angle > 60) & (height.max(axis=1) <= turned.bounds[0, 2] + 2 * layer)
        lean[name] = np.where((angle > _WALL_DEG) & ~resting, angle, np.nan)
        steps = cusp_heights_mm(turned, layer)
        # A level face is one layer's top or underside: it has no steps.
        cusp[name] = np.where(resting | (steps > _LEVEL * layer), np.nan, steps)
    limit = float(parameters(piece, "overhangs").get("limit_deg", 45.0))
    title = f"Lean over air in the print pose, support from {limit:g}° on"
    return (
        ColourMap("overhang", title, "°", 0.0, 90.0, lean),
        ColourMap("cusp", f"Steps of {layer:g} mm layers", "mm", 0.0, layer, cusp),
    )
