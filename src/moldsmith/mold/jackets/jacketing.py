"""Mold bodies as jackets, told with what they save and how stiff they stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.placing import discs
from ...supplies.filament import Filament
from ...workpiece import Finding
from ..enclosing import STOP_RADIUS_MM
from .hollowing import Jacket, jacketed
from .stiffness import Giving, giving_way, printed_cm3

__all__ = ["JacketSizes", "Jackets", "jackets_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class JacketSizes:
    """Wall under the working face, thickness and spacing of ribs, and the load, in mm and kPa."""

    wall_mm: float
    rib_mm: float
    rib_spacing_mm: float
    pressure_kpa: float
    bend_limit_mm: float


@dataclass(frozen=True, slots=True)
class Jackets:
    """The bodies, hollowed where there was room, and what to say about them."""

    bodies: dict[str, solid.Solid]
    figures: dict[str, Any]
    findings: list[Finding]


def jackets_of(
    blocks: Mapping[str, solid.Solid],
    outline: shapely.Polygon,
    stops: Floats,
    loaded: shapely.Geometry,
    sizes: JacketSizes,
    filament: Filament,
    bed_mm: float,
) -> Jackets:
    """Hollow out every body: the cavity from below, what closes it from above.

    stops : places (k, 2) under which full material stays; loaded : the void's plan region;
    bed_mm : height at which the mold's frame is to begin
    """
    full = discs(stops, STOP_RADIUS_MM)
    bodies: dict[str, solid.Solid] = {}
    rows, cells = [], {}
    findings = []
    for name, block in blocks.items():
        made = jacketed(
            block,
            outline,
            wall_mm=sizes.wall_mm,
            rib_mm=sizes.rib_mm,
            rib_spacing_mm=sizes.rib_spacing_mm,
            full=full,
            upside_down=name != "cavity",
        )
        giving = giving_way(
            block,
            made.body,
            made.cells,
            wall_mm=sizes.wall_mm,
            pressure_kpa=sizes.pressure_kpa,
            loaded=loaded,
        )
        bodies[name] = made.body
        cells[name] = [np.round(cell - [0, 0, bed_mm], 4) for cell in made.cells]
        rows.append(_row(name, block, made, giving, filament))
        findings += _findings(name, giving, sizes)
    grams, before = (sum(row[key] for row in rows) for key in ("solid_g", "block_solid_g"))
    figures = {
        "bodies": rows,
        "filament": filament.name,
        "solid_g": round(grams, 1),
        "block_solid_g": round(before, 1),
        "saved_percent": round(100 * (1 - grams / before), 1),
        "pressure_kpa": round(sizes.pressure_kpa, 3),
        "cells": cells,
    }
    return Jackets(bodies, figures, findings)


def _row(
    name: str, block: solid.Solid, made: Jacket, giving: Giving, filament: Filament
) -> dict[str, Any]:
    density = filament.density_g_cm3
    return {
        "body": name,
        "cells": len(made.cells),
        "wall_mm": round(made.wall_mm, 3) if made.cells else None,
        "widest_cell_mm": round(made.span_mm, 2),
        "on_the_bed_mm2": round(made.bed_mm2, 1),
        "solid_g": round(solid.volume_mm3(made.body) / 1000 * density, 1),
        "block_solid_g": round(solid.volume_mm3(block) / 1000 * density, 1),
        "printed_g": round(printed_cm3(solid.to_mesh(made.body)) * density, 1),
        "block_printed_g": round(printed_cm3(solid.to_mesh(block)) * density, 1),
        "wall_deflection_mm": round(giving.wall_mm, 4),
        "body_deflection_mm": round(giving.body_mm, 4),
        "block_deflection_mm": round(giving.block_mm, 4),
        "stiffness_kept": round(giving.stiffness_kept, 3),
    }


def _findings(name: str, giving: Giving, sizes: JacketSizes) -> list[Finding]:
    found = []
    if giving.wall_mm > sizes.bend_limit_mm:
        found.append(
            Finding(
                "jacket-wall-bends",
                "warning",
                f"{name}: between its ribs the wall of {sizes.wall_mm:g} mm gives way by about "
                f"{giving.wall_mm:.2f} mm under {sizes.pressure_kpa:.1f} kPa (limit "
                f"{sizes.bend_limit_mm:g}). Choose a thicker wall_mm or a smaller rib_spacing_mm",
                name,
            )
        )
    if giving.body_mm > sizes.bend_limit_mm:
        found.append(
            Finding(
                "jacket-bends",
                "warning",
                f"{name}: held at its flanges alone it gives way by about {giving.body_mm:.2f} mm "
                f"under {sizes.pressure_kpa:.1f} kPa (limit {sizes.bend_limit_mm:g}; a solid "
                f"block {giving.block_mm:.2f}). Choose a larger floor_mm or rib_mm, or lay a "
                "board across it under the clamps",
                name,
            )
        )
    return found
