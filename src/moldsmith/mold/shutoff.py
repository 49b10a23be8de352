"""How cavity and core shut round the void: land, gap, and the parting surface's own faults."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..geometry.visibility import grid_over, highest, lowest
from ..workpiece import Finding
from .parting import PartingSheet

__all__ = ["ShutOff", "shut_off", "shut_off_figures", "shut_off_findings", "turned_faces"]

Floats = NDArray[np.float64]
_STEP_MM = 0.5
_FLASH_MM = 0.1
_SHUT_MM = 0.05
_EDGE_MM = 1.0  # rays nearer to a wall than this meet its rounding


@dataclass(frozen=True, slots=True)
class ShutOff:
    """The band round the void's shadow on which the bodies meet, measured on rays along the pull.

    least_mm, mean_mm : width of the land along the rim; gap_mm, gap_95_mm : between the
    bodies on the land, at most and on 95 % of it; where : the widest gap, mm
    """

    least_mm: float
    mean_mm: float
    gap_mm: float
    gap_95_mm: float
    where: tuple[float, float, float]


def turned_faces(sheet: PartingSheet) -> int:
    """Faces of a parting surface that lie over others along the pull, or stand upright."""
    a, b, c = (sheet.points[sheet.faces[:, corner], :2] for corner in range(3))
    one, two = b - a, c - a
    return int((one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0] <= 0).sum())


def shut_off(
    cavity: trimesh.Trimesh,
    cover: trimesh.Trimesh,
    shadow: shapely.Geometry,
    outline: shapely.Polygon,
    land_mm: float,
) -> ShutOff:
    """Measure the land that was asked to be `land_mm` wide, on closed bodies in place.

    Cost: rays half a millimetre apart over land and rim alone.
    """
    band = shadow.buffer(land_mm + 2).intersection(outline.buffer(-_EDGE_MM)).difference(shadow)
    low_x, low_y, high_x, high_y = band.bounds
    grid = grid_over(np.array([low_x, low_y]), np.array([high_x, high_y]), _STEP_MM)
    top = highest(cavity.vertices, cavity.faces, grid)
    bottom = lowest(cover.vertices, cover.faces, grid)
    rows = np.flatnonzero((np.isfinite(top) & np.isfinite(bottom)).ravel())
    places = grid.places(rows)
    shapely.prepare(band)
    inside = shapely.contains_xy(band, places[:, 0], places[:, 1])
    rows, places = rows[inside], places[inside]
    gap = (bottom - top).ravel()[rows]
    rim = np.concatenate([np.asarray(ring.coords)[:-1] for ring in _rings(shadow.segmentize(2.0))])
    away = cKDTree(rim).query(places)[0]
    width = _widths(rim, places, gap, land_mm + 2)
    land = (away > _EDGE_MM) & (away < land_mm - _EDGE_MM)
    if not land.any():
        return ShutOff(float(width.min()), float(width.mean()), 0.0, 0.0, (0.0, 0.0, 0.0))
    worst = int(np.argmax(np.where(land, np.abs(gap), -1)))
    x, y = places[worst].tolist()
    return ShutOff(
        float(width.min()),
        float(width.mean()),
        float(np.abs(gap[land]).max()),
        float(np.quantile(np.abs(gap[land]), 0.95)),
        (x, y, float(top.ravel()[rows[worst]])),
    )


def _widths(rim: Floats, places: Floats, gap: Floats, most: float) -> Floats:
    """From each place of the rim to the nearest ray where the bodies stand apart."""
    apart = places[gap > _SHUT_MM]
    if len(apart) == 0:
        return np.full(len(rim), most)
    return np.asarray(np.minimum(cKDTree(apart).query(rim)[0], most))


def _rings(region: shapely.Geometry) -> list[shapely.Geometry]:
    parts = [part for part in shapely.get_parts(region) if part.geom_type == "Polygon"]
    return [part.exterior for part in parts]


def shut_off_figures(found: ShutOff, sheet: PartingSheet, asked_mm: float) -> dict[str, Any]:
    """For the stage log."""
    return {
        "asked_mm": asked_mm,
        "least_mm": round(found.least_mm, 2),
        "mean_mm": round(found.mean_mm, 2),
        "gap_mm": round(found.gap_mm, 4),
        "gap_95_mm": round(found.gap_95_mm, 4),
        "turned_faces": turned_faces(sheet),
    }


def shut_off_findings(
    found: ShutOff, sheet: PartingSheet, asked_mm: float, relief_mm: float
) -> list[Finding]:
    """Flash that is more than a thin line, a land too narrow, a surface that overlaps itself."""
    findings = []
    if found.gap_95_mm > _FLASH_MM:
        findings.append(
            Finding(
                "flash",
                "warning",
                f"cavity and core stand {found.gap_95_mm:.2f} mm apart on part of the land: the "
                "mix will run out there. Make land_mm larger, or seal the land with clay",
                "cavity",
                found.where,
            )
        )
    if relief_mm > 0 and found.least_mm < 0.5 * asked_mm:
        findings.append(
            Finding(
                "land-narrow",
                "warning",
                f"the land is only {found.least_mm:.1f} mm wide at one place ({asked_mm:g} asked): "
                "make flange_mm larger",
                "cavity",
            )
        )
    turned = turned_faces(sheet)
    if turned:
        findings.append(
            Finding(
                "parting-overlaps",
                "warning",
                f"the parting surface lies over itself along the pull on {turned} faces: crop less "
                "far round the body, or try another pull",
                "cavity",
            )
        )
    return findings
