"""Mesh files as vertices and faces, or an error that says what is wrong with them."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadScan
from ..geometry import stl

__all__ = ["SUFFIXES", "Parsed", "parse"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SUFFIXES = (".stl", ".obj", ".ply", ".glb", ".3mf")

# How the readers name the units that files state.
_STATED_MM = {
    "micron": 0.001,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}


@dataclass(frozen=True)
class Parsed:
    """Vertices (n, 3) in the file's unit, faces (m, 3), and mm per unit where it is stated."""

    vertices: Floats
    faces: Ints
    stated_mm: float | None = None


def parse(data: bytes, file: str, suffix: str) -> Parsed:
    """The one mesh in a file's bytes, its parts where the file's scene puts them.

    Raises
    ------
    BadScan : empty, cut short, not of its kind, or without a usable triangle
    """
    if not data.strip(b"\0 \r\n\t"):
        raise BadScan(f"{file} is empty ({len(data)} bytes)", "Export the scan again")
    if suffix == ".stl" and not _is_text_stl(data):
        parsed = _binary_stl(data, file)
    else:
        parsed = _by_reader(data, file, suffix)
    _refuse_useless(parsed, file)
    return parsed


def _is_text_stl(data: bytes) -> bool:
    """Binary headers may say 'solid' too: the word 'facet' or 'endsolid' tells, or the length."""
    if not data.lstrip().startswith(b"solid"):
        return False
    if len(data) >= 84 and len(data) == 84 + 50 * int.from_bytes(data[80:84], "little"):
        return False
    head = data[:2000].lower()
    return b"facet" in head or b"endsolid" in head


def _binary_stl(data: bytes, file: str) -> Parsed:
    try:
        vertices, faces = stl.decode(data)
    except ValueError as error:
        raise BadScan(f"{file} is cut short: {error}", "Export or copy the scan again") from error
    return Parsed(vertices, faces)


def _by_reader(data: bytes, file: str, suffix: str) -> Parsed:
    if suffix == ".stl" and b"endsolid" not in data[-2000:].lower():
        raise BadScan(f"{file} is cut short: its last line is not 'endsolid'", "Export it again")
    try:
        with _quiet():
            scene = trimesh.load(
                io.BytesIO(data), file_type=suffix[1:], force="scene", process=False
            )
            parts = _placed_parts(scene)
    except Exception as error:  # the readers raise whatever their parsers stumble over
        reason = str(error).strip() or type(error).__name__
        raise BadScan(
            f"{file} cannot be read as {suffix[1:].upper()} ({reason})",
            "It may be cut short, or of another kind than its ending says: export it again",
        ) from error
    counts = np.cumsum([0] + [len(vertices) for vertices, _ in parts])
    vertices = np.concatenate([np.empty((0, 3))] + [part[0] for part in parts])
    faces = [part[1] + start for part, start in zip(parts, counts[:-1], strict=True)]
    whole = np.concatenate([np.empty((0, 3), dtype=np.int64), *faces])
    return Parsed(vertices, whole, _stated_mm(scene, suffix))


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the readers' own warnings and log lines from the user: what matters is raised."""
    logger = logging.getLogger("trimesh")
    before = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            yield
    finally:
        logger.setLevel(before)


def _placed_parts(scene: Any) -> list[tuple[Floats, Ints]]:
    """Each triangle mesh of a scene, moved to where its node puts it; mirrored ones turned over."""
    parts = []
    for node in sorted(scene.graph.nodes_geometry):
        matrix, name = scene.graph[node]
        part = scene.geometry[name]
        if not isinstance(part, trimesh.Trimesh):
            continue
        vertices = np.asarray(part.vertices, dtype=float) @ matrix[:3, :3].T + matrix[:3, 3]
        faces = np.asarray(part.faces, dtype=np.int64).reshape(-1, 3)
        mirrored = np.linalg.det(matrix[:3, :3]) < 0
        parts.append((vertices, faces[:, ::-1] if mirrored else faces))
    return parts


def _stated_mm(scene: Any, suffix: str) -> float | None:
    """mm per unit of the two kinds of file that state it.

    glTF 2.0: all distances are in metres. 3MF core specification: the model's
    unit attribute, millimeter where it is left out.
    """
    if suffix == ".glb":
        return 1000.0
    if suffix != ".3mf":
        return None
    named = str(scene.units or "millimeter").replace("feet", "foot").replace("inches", "inch")
    return _STATED_MM.get(named.rstrip("s"))


def _refuse_useless(parsed: Parsed, file: str) -> None:
    vertices, faces = parsed.vertices, parsed.faces
    if len(faces) == 0:
        points = f", only {len(vertices)} points" if len(vertices) else ""
        raise BadScan(f"{file} has no triangles{points}", "Export the scan as a triangle mesh")
    if faces.min() < 0 or faces.max() >= len(vertices):
        row = int(np.flatnonzero(((faces < 0) | (faces >= len(vertices))).any(axis=1))[0])
        raise BadScan(
            f"{file}: triangle {row} names a vertex that is not there (there are {len(vertices)})",
            "The file is damaged: export the scan again",
        )
    bad = ~np.isfinite(vertices).all(axis=1)
    if bad.any():
        first = int(np.argmax(bad))
        using = np.flatnonzero((faces == first).any(axis=1))
        place = f", in triangle {using[0]}" if len(using) else ""
        raise BadScan(
            f"{file}: {int(bad.sum())} of {len(vertices)} vertices are not numbers "
            f"(NaN or infinite), the first is vertex {first}{place}",
            "The scan's own program made these: delete them there, or export again",
        )
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    area = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)
    if area <= 1e-12 * float(np.ptp(vertices, axis=0).max()) ** 2:
        raise BadScan(
            f"{file}: its {len(faces)} triangles have no area", "Export the scan as a surface"
        )
