"""A scan file becomes a workpiece, in mm."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from ..errors import BadScan, MoldsmithError
from ..stage import stage
from ..workpiece import Finding, Workpiece
from .directions import Direction, upright_frame
from .files import SUFFIXES, parse
from .units import MM_PER_UNIT, Unit, check_unit, guessed_unit, size_findings

__all__ = ["load_scan"]


def load_scan(
    path: str | Path,
    *,
    unit: Unit | None = None,
    name: str | None = None,
    up: Direction = "z",
    facing: Direction = "-y",
    folder: str | Path | None = None,
) -> Workpiece:
    """Read a body scan: the first stage of every piece.

    Parameters
    ----------
    path : an STL, OBJ, PLY, GLB or 3MF file; of several meshes all are taken
    unit : 'mm', 'cm', 'm' or 'inch' of the file's numbers. Left out, it is what
        the file states (GLB: metres, 3MF), else guessed from the size
    name : of the piece; the file's name without ending if left out
    up, facing : the wearer's upward and forward directions in the file: an axis
        ('x', '-y', ...) or three numbers
    folder : where the stages write; without it all stays in memory

    Returns
    -------
    Workpiece with the body 'scan' in mm, coordinates otherwise as in the file

    Raises
    ------
    BadScan : the file is missing, empty, cut short, of an unknown kind, has no
        usable triangle, or its size fits no unit or two
    BadParameter : unit, up or facing make no sense
    """
    path = Path(path)
    piece = Workpiece(name or path.stem, folder=None if folder is None else Path(folder))
    try:
        check_unit(unit)
        frame = upright_frame(up, facing)
        data = _bytes(path)
    except MoldsmithError as error:
        raise error.located(piece.name, "load_scan") from error

    @stage
    def _load_scan(
        piece: Workpiece, *, file: str, sha256: str, unit: Unit | None, up: Any, facing: Any
    ) -> Workpiece:
        parsed = parse(data, file, path.suffix.lower())
        return _scaled(piece, parsed.vertices, parsed.faces, unit, parsed.stated_mm)

    start = Workpiece(piece.name, frame=frame, folder=piece.folder)
    return _load_scan(
        start,
        file=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        unit=unit,
        up=frame.up,
        facing=frame.facing,
    )


def _bytes(path: Path) -> bytes:
    """The file's content; the errors that need no look into it."""
    if path.suffix.lower() not in SUFFIXES:
        raise BadScan(
            f"{path} is of an unknown kind ({path.suffix or 'no ending'})",
            f"Export the scan as one of {', '.join(SUFFIXES)}",
        )
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise BadScan(f"there is no file {path}", "Check the path") from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise BadScan(f"{path} cannot be read ({reason})", "Check its rights") from error


def _scaled(
    piece: Workpiece, vertices: Any, faces: Any, unit: Unit | None, stated_mm: float | None
) -> Workpiece:
    size = float(np.ptp(vertices[np.unique(faces)], axis=0).max())
    findings: list[Finding] = []
    if unit is not None:
        factor, source = MM_PER_UNIT[unit], "given"
        findings += size_findings(size, unit)
        if stated_mm is not None and not np.isclose(stated_mm, factor):
            message = (
                f"unit = '{unit}' was given, but the file states {stated_mm:g} mm a unit. "
                "Leave unit out if the file is right"
            )
            findings.append(Finding("unit-contradicted", "warning", message, "scan"))
    elif stated_mm is not None:
        factor, source = stated_mm, "file"
        findings += size_findings(size * stated_mm, "mm")
    else:
        guess, finding = guessed_unit(size)
        factor, source = MM_PER_UNIT[guess], "guessed"
        findings.append(finding)
    mesh = trimesh.Trimesh(vertices * factor, faces, process=False)
    low, high = mesh.bounds
    figures = {
        "unit_source": source,
        "mm_per_unit": factor,
        "vertices_read": len(vertices),
        "triangles_read": len(faces),
        "size_mm": np.round(high - low, 3),
    }
    return piece.with_bodies(scan=mesh).note(figures, findings)
