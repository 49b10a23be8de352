"""The parts to print, gathered in one folder, each in its print pose."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import ArrayLike

from .errors import CannotBuild
from .geometry import solid, stl
from .geometry.topology import pinched
from .printing.parts import listed_parts
from .printing.pose import laid
from .summary import Part
from .workpiece import Workpiece, frozen_mesh
from .writing import remove, write_bytes

__all__ = ["PARTS_NAME", "gather", "posed"]

PARTS_NAME = "parts"
_ON_BED_MM = 1e-4  # rounding of a turned part that lay flat; print layers are a thousand times that


def gather(piece: Workpiece, folder: Path) -> tuple[Part, ...]:
    """Write each part of a split piece to `folder`/parts/<body>.stl, standing on z = 0.

    STL files of earlier runs that are no parts any more are removed last.

    Raises
    ------
    CannotBuild : a part does not stay closed as it is turned for printing; nothing was written
    CannotWrite : the folder cannot be written to
    """
    listed = listed_parts(piece)
    meshes = {part["body"]: posed(piece.body(part["body"]), part["pose"]) for part in listed}
    for body, mesh in meshes.items():
        if not (mesh.is_watertight and mesh.is_winding_consistent):
            raise CannotBuild(
                f"part {body} does not stay closed in its print pose",
                "Its walls touch themselves: change the sizes by a little",
                piece.name,
            )
    parts_folder = folder / PARTS_NAME
    for body, mesh in meshes.items():
        write_bytes(parts_folder / f"{body}.stl", stl.encode(mesh.vertices, mesh.faces))
    for file in sorted(parts_folder.glob("*.stl")):
        if file.stem not in meshes:
            remove(file)
    return tuple(_part(piece, body, mesh, parts_folder) for body, mesh in meshes.items())


def posed(mesh: trimesh.Trimesh, pose: ArrayLike) -> trimesh.Trimesh:
    """The mesh moved by the rigid 4 x 4 `pose` and set on z = 0, as its STL will be read back.

    What was closed where the part was made may not be elsewhere, as float32 is coarser far from
    0, or may touch itself in a corner: such corners are then moved apart and its shortest edges
    collapsed, by a micrometre or some.
    """
    vertices = np.array(laid(mesh, pose).vertices)
    vertices[vertices[:, 2] < _ON_BED_MM, 2] = 0.0
    rounded, faces = stl.decode(stl.encode(vertices, mesh.faces))
    # Corners that rounding made one leave triangles without area behind.
    flat = (np.diff(np.sort(faces, axis=1), axis=1) == 0).any(axis=1)
    read = frozen_mesh(rounded, faces[~flat])
    merged = len(rounded) < len(mesh.vertices)
    sound = read.is_watertight and not (merged and pinched(faces[~flat]))
    if sound or not mesh.is_watertight:
        return read
    closed = solid.printable(solid.from_arrays(vertices, mesh.faces))
    return frozen_mesh(np.array(closed.vertices), np.array(closed.faces))


def _part(piece: Workpiece, body: str, mesh: trimesh.Trimesh, folder: Path) -> Part:
    x, y, z = np.round(mesh.extents, 3).tolist()
    return Part(
        body,
        f"{folder.parent.name}/{folder.name}/{body}.stl",
        round(float(mesh.volume) / 1000, 3),
        (x, y, z),
        tuple(finding for finding in piece.findings if finding.body == body),
    )
