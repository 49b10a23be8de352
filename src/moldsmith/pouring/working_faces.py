"""The faces of the mold's parts that shape the casting, and the steps that layers leave there."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..errors import BadParameter, MissingPackage
from ..geometry import colours, ply
from ..geometry.vectors import unit
from ..mold.sheet_lids import cut_from_sheet
from ..printing.cusps import cusp_heights_mm
from ..printing.parts import listed_parts
from ..workpiece import Workpiece
from .voids import mold_meshes

__all__ = ["WorkingFace", "cusp_pictures", "working_faces"]

Floats = NDArray[np.float64]
_ON_MM = 0.05
_AGAINST = -0.9
_LEVEL = np.cos(np.radians(0.5))


@dataclass(frozen=True, slots=True)
class WorkingFace:
    """What of a part shapes the casting, and the steps there.

    mesh : those faces alone, in the mold; slope (m,) : |n . u| of each with u the way up
    in print; area (m,) mm²
    """

    body: str
    mesh: trimesh.Trimesh
    slope: Floats
    area: Floats

    def cusps_mm(self, layer_mm: float) -> Floats:
        """Step heights (m,): the layer's height times the slope; a level face has no steps."""
        return np.where(self.slope > _LEVEL, 0.0, layer_mm * self.slope)


def working_faces(piece: Workpiece) -> list[WorkingFace]:
    """The faces of each printed part that lie on the pad's surface, with their slope in print.

    Parts in the poses of `lay_out` or `split`; before, as the mold stands.
    """
    pad = piece.body("pad")
    corners = pad.vertices[pad.faces]
    middles = corners.mean(axis=1)
    normals = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    reach = np.linalg.norm(corners - middles[:, None], axis=2).max(axis=1) + _ON_MM
    tree = cKDTree(middles)
    upward, sheet = _upward(piece), cut_from_sheet(piece)
    found = []
    for name, mesh in mold_meshes(piece).items():
        if name in sheet:
            continue
        part = mesh.vertices[mesh.faces]
        centre = part.mean(axis=1)
        cross = np.cross(part[:, 1] - part[:, 0], part[:, 2] - part[:, 0])
        within = ((centre >= pad.bounds[0] - _ON_MM) & (centre <= pad.bounds[1] + _ON_MM)).all(
            axis=1
        )
        rows = np.flatnonzero(within)
        # Most faces are the pad's own, turned round; those that a cut made smaller lie on one.
        count = min(8, len(middles))
        away, near = (item.reshape(-1, count) for item in tree.query(centre[rows], k=count))
        off = np.abs(np.einsum("ijk,ijk->ij", centre[rows][:, None] - middles[near], normals[near]))
        against = np.einsum("ik,ijk->ij", unit(cross[rows]), normals[near]) < _AGAINST
        on = ((off < _ON_MM) & against & (away <= reach[near])).any(axis=1)
        face = trimesh.Trimesh(mesh.vertices, np.asarray(mesh.faces)[rows[on]], process=False)
        area = np.linalg.norm(cross[rows[on]], axis=1) / 2
        up = upward.get(name, np.array([0.0, 0.0, 1.0]))
        found.append(WorkingFace(name, face, cusp_heights_mm(face, 1.0, up), area))
    return found


def cusp_pictures(faces: list[WorkingFace], layer_mm: float) -> dict[str, bytes]:
    """The working faces coloured by step height: a coloured mesh, and a picture if it can be drawn.

    File name -> bytes. The scale runs from 0 to the layer's height.
    """
    shown = [face for face in faces if len(face.mesh.faces)]
    if not shown:
        return {}
    made = {"cusp.ply": ply.encode(*_joined(shown), face_colours=_painted(shown, layer_mm))}
    # Seen from above, what looks down would hide what looks up and shows on the piece.
    shown = [face for face in shown if _looks_up(face)] or shown
    return {**made, **_drawn(*_joined(shown), _painted(shown, layer_mm), layer_mm)}


def _painted(faces: list[WorkingFace], layer_mm: float) -> NDArray[np.uint8]:
    cusp = np.concatenate([face.cusps_mm(layer_mm) for face in faces])
    return colours.scale(cusp, 0.0, layer_mm)


def _looks_up(face: WorkingFace) -> bool:
    return float(face.mesh.face_normals[:, 2] @ face.mesh.area_faces) > 0


def _joined(shown: list[WorkingFace]) -> tuple[Floats, NDArray[np.int64]]:
    """The faces of several parts as one mesh, without the vertices that none uses."""
    sizes = np.cumsum([0, *(len(face.mesh.vertices) for face in shown)])
    vertices = np.concatenate([face.mesh.vertices for face in shown])
    triangles = np.concatenate(
        [face.mesh.faces + start for face, start in zip(shown, sizes, strict=False)]
    )
    used, triangles = np.unique(triangles, return_inverse=True)
    return vertices[used], triangles.reshape(-1, 3)


def _drawn(
    vertices: Floats, faces: NDArray[np.int64], painted: NDArray[np.uint8], layer_mm: float
) -> dict[str, bytes]:
    from ..sheet.pictures import picture

    try:
        figure = picture(
            trimesh.Trimesh(vertices, faces, process=False),
            view=(0.25, -0.35, 1.0),
            colours=painted,
            title=f"steps of the layers: dark 0, pale {layer_mm:g} mm",
        )
    except MissingPackage:
        return {}
    data = io.BytesIO()
    figure.savefig(data, format="png", metadata={"Software": None})
    return {"cusp.png": data.getvalue()}


def _upward(piece: Workpiece) -> Mapping[str, Floats]:
    """For each part the direction in the mold that is up in print."""
    try:
        rows = listed_parts(piece)
    except BadParameter:
        return {}
    return {row["body"]: np.asarray(row["pose"], dtype=float)[2, :3] for row in rows}
