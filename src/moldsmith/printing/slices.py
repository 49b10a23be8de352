"""What each layer of a part takes: walls, skins, infill, support, and moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..geometry.sectioning import level_sections
from ..supplies.printer import Printer
from .flagging import face_angles_deg
from .sampling import sampled_layers
from .supports import support_profile

__all__ = ["Slices", "sliced"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Polygons = NDArray[np.object_]
_OUTLINE_MM = 0.02  # an outline may lose points that stand out less
_CORNER_DEG = 30.0  # a sharper turn brings the nozzle nearly to a stop
_LEVEL_DEG = 89.0
_LEAST_LEVEL_MM2 = 2.0
_MOST_BREAKS = 40


@dataclass(frozen=True, slots=True)
class Slices:
    """Per layer (n,) of a part on z = 0, from the bed up; areas in mm2, lengths in mm.

    section : of the part; wall, skin, infill : of the section, in solid area
    (infill before its share); outer : length of outer wall; loops : outlines;
    corners : sharp turns on one line round all of them; chords : mean straight
    line through the inside; support : of the room under overhangs; brim : on
    the first layer only
    """

    layer_mm: float
    section: Floats
    wall: Floats
    skin: Floats
    infill: Floats
    outer: Floats
    loops: Floats
    corners: Floats
    chords: Floats
    support: Floats
    brim: Floats

    def __len__(self) -> int:
        return len(self.section)


def sliced(mesh: trimesh.Trimesh, printer: Printer, *, every: int = 10) -> Slices:
    """Slice a closed part that stands on z = 0.

    Sections are taken in the middle of layers. Not every layer is: between the
    heights where level faces begin or end a skin, each tenth (or `every`) and
    the first and last of the stretch, and the others by straight lines between
    them. Then all areas are scaled, by well under a percent, so that the layers'
    volume is the part's: sampling neither adds nor loses filament.

    Walls are the section less the section shrunk by their width; skin is what
    of the rest is not covered by the section `top_layers` above or
    `bottom_layers` below. A line's mean straight run through a region is pi
    area / perimeter (Cauchy's formula for the mean chord).

    Raises
    ------
    BadParameter : the mesh is not closed
    """
    count = max(1, int(np.floor(np.ptp(mesh.vertices[:, 2]) / printer.layer_mm + 0.5)))
    sampling = sampled_layers(count, _breaks(mesh, printer, count), every)
    measured = _measured(mesh, printer, sampling.layers, count)
    columns = {key: sampling.spread(values) for key, values in measured.items()}
    bulk = columns["section"].sum() * printer.layer_mm
    share = abs(float(mesh.volume)) / bulk if bulk > 0 else 1.0
    for key in ("section", "wall", "skin", "infill", "outer"):
        columns[key] = columns[key] * share
    return Slices(
        printer.layer_mm,
        **columns,
        support=support_profile(mesh, printer, count),
        brim=_brim(mesh, printer, count),
    )


def _breaks(mesh: trimesh.Trimesh, printer: Printer, count: int) -> Ints:
    """Layers at which something begins: a level face, or the skin that belongs to it."""
    angle, area = face_angles_deg(mesh)
    level = np.abs(angle) > _LEVEL_DEG
    height = mesh.vertices[:, 2][mesh.faces[level]].mean(axis=1)
    starts = np.ceil(np.round(height / printer.layer_mm - 0.5, 6)).astype(np.int64)
    kinds, place = np.unique(np.stack([starts, angle[level] > 0]), axis=1, return_inverse=True)
    total = np.bincount(place.reshape(-1), area[level], kinds.shape[1])
    large = np.argsort(-total, kind="stable")[:_MOST_BREAKS]
    start, down = kinds[:, large[total[large] >= _LEAST_LEVEL_MM2]]
    skins = np.where(down > 0, start + printer.bottom_layers, start - printer.top_layers)
    known = np.r_[0, 1, printer.bottom_layers, start, skins, count - printer.top_layers, count]
    return np.unique(np.clip(known, 0, count))


def _measured(
    mesh: trimesh.Trimesh, printer: Printer, layers: Ints, count: int
) -> dict[str, Floats]:
    """What is measured on each of some layers."""
    width = printer.line_width_mm
    section, above, below = _sections(mesh, printer, layers, count)
    inside = shapely.buffer(section, -printer.walls * width, join_style="mitre")
    core = shapely.intersection(inside, shapely.intersection(above, below))
    area, infill = shapely.area(section), shapely.area(core)
    wall = area - shapely.area(inside)
    outer = shapely.length(shapely.buffer(section, -width / 2, join_style="mitre"))
    loops, corners = _outlines(section)
    around = shapely.length(inside)
    chords = np.divide(
        np.pi * shapely.area(inside), around, out=np.zeros_like(area), where=around > 0
    )
    return {
        "section": area,
        "wall": wall,
        "skin": area - wall - infill,
        "infill": infill,
        "outer": np.minimum(outer, wall / width),
        "loops": loops,
        "corners": corners,
        "chords": chords,
    }


def _sections(
    mesh: trimesh.Trimesh, printer: Printer, layers: Ints, count: int
) -> tuple[Polygons, Polygons, Polygons]:
    """Sections in the layers, and in those that must cover them from above and below."""
    wanted = np.stack([layers, layers + printer.top_layers, layers - printer.bottom_layers])
    there = (wanted >= 0) & (wanted < count)
    numbers, place = np.unique(wanted[there], return_inverse=True)
    heights = mesh.vertices[:, 2].min() + (numbers + 0.5) * printer.layer_mm
    found = level_sections(mesh.vertices, mesh.faces, heights, tolerance_mm=_OUTLINE_MM)
    polygons = np.full(wanted.shape, shapely.Polygon(), dtype=object)
    polygons[there] = found[place]
    return polygons[0], polygons[1], polygons[2]


def _outlines(section: Polygons) -> tuple[Floats, Floats]:
    """Number of outlines of each section, and of sharp turns on them."""
    count = len(section)
    parts, owner = shapely.get_parts(section, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    layer = owner[part]
    if len(rings) == 0:
        return np.zeros(count), np.zeros(count)
    step = np.diff(points, axis=0)
    inner = np.diff(ring) == 0
    heading = np.arctan2(step[:, 1], step[:, 0])
    # The step after each; that after a ring's last is its first.
    first = np.flatnonzero(np.r_[True, ring[1:] != ring[:-1]])
    after = np.arange(len(step)) + 1
    last = np.r_[first[1:] - 2, len(step) - 1]
    after[last] = first
    after = np.minimum(after, len(step) - 1)
    turn = np.abs((heading[after] - heading + np.pi) % (2 * np.pi) - np.pi)
    sharp = inner & (turn > np.radians(_CORNER_DEG))
    corners = np.bincount(layer[ring[:-1][sharp]], minlength=count)
    return np.bincount(layer, minlength=count).astype(float), corners.astype(float)


def _brim(mesh: trimesh.Trimesh, printer: Printer, count: int) -> Floats:
    """Area of the brim in the first layer, 0 in all others."""
    area = np.zeros(count)
    if printer.brim_mm > 0:
        height = mesh.vertices[:, 2].min() + printer.layer_mm / 2
        (base,) = level_sections(mesh.vertices, mesh.faces, [height], tolerance_mm=_OUTLINE_MM)
        outline = shapely.union_all(
            shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(base)))
        )
        area[0] = outline.buffer(printer.brim_mm).area - outline.area
    return area
