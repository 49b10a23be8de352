"""What jackets of side pieces and core save, and how far they give way. Estimates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.radial import TURNS
from ...supplies.filament import Filament
from ...workpiece import Finding
from ..jackets.jacketing import JacketSizes
from ..jackets.rings import ring_deflection_mm
from ..jackets.stiffness import PRINT_MODULUS_MPA, printed_cm3
from ..plates import rectangular_plate
from .core_prints import Plugged
from .jacket_rooms import hollow_room, is_round
from .jackets import SideJackets, outline_reach
from .pulls import Surface
from .shell_faces import Face
from .wedges import Sides

__all__ = ["jacket_bends", "jacket_faces", "jacket_rows"]

Floats = NDArray[np.float64]
_POISSON = 0.3
_LEVELS = np.linspace(0.15, 0.85, 5)  # of the height


def jacket_faces(jackets: SideJackets, low_mm: float) -> dict[str, Any]:
    """The faces of wall and hollow, and the plates, for the log, in the mold's frame."""
    return {
        "flange_mm": round(jackets.flange_mm, 4),
        "outside": None if jackets.outside is None else jackets.outside.figures(low_mm),
        "inside": None if jackets.inside is None else jackets.inside.figures(low_mm),
        "plates": [
            {
                "at": [round(x, 4), round(y, 4), round(z - low_mm, 4)],
                "normal": [round(value, 6) for value in plate.normal],
            }
            for plate in jackets.plates
            for x, y, z in (plate.at,)
        ],
    }


def jacket_rows(
    figures: Mapping[str, Any],
    jackets: SideJackets,
    bodies: Mapping[str, solid.Solid],
    bends: Mapping[str, Mapping[str, float]],
    filament: Filament,
) -> dict[str, Any]:
    """What each body weighs, against the block; figures : of `block`, with the jackets' faces.

    bodies : in the mold's frame
    """
    rows: list[dict[str, Any]] = []
    for name, body in bodies.items():
        hollow, full = is_round(figures, name), body
        if hollow:
            _, _, low, _, _, high = body.bounding_box()
            full = solid.union(body, hollow_room(figures, name, low, high))
        core = name == "core"
        cells = 1 if core else jackets.cells // (len(bodies) - 1)
        rows.append(
            {
                "body": name,
                "cells": cells if hollow else 0,
                "wall_mm": round(jackets.walls_mm[core], 3) if hollow else None,
                "on_the_bed_mm2": round(float(solid.section(body, 0.02).area), 1),
                **_weights(full, body, filament),
                **{key: round(value, 4) for key, value in bends[name].items()},
            }
        )
    grams, before = (sum(row[key] for row in rows) for key in ("solid_g", "block_solid_g"))
    return {
        "bodies": rows,
        "filament": filament.name,
        "solid_g": round(grams, 1),
        "block_solid_g": round(before, 1),
        "saved_percent": round(100 * (1 - grams / before), 1),
    }


def _weights(full: solid.Solid, body: solid.Solid, filament: Filament) -> dict[str, float]:
    density, found = filament.density_g_cm3, {}
    for key, item in (("", body), ("block_", full)):
        found[f"{key}solid_g"] = round(solid.volume_mm3(item) / 1000 * density, 1)
        found[f"{key}printed_g"] = round(printed_cm3(solid.to_mesh(item)) * density, 1)
    return found


def jacket_bends(
    jackets: SideJackets,
    outline: shapely.Polygon,
    made: Plugged,
    surface: Surface,
    plan: Sides,
    sizes: JacketSizes,
) -> tuple[dict[str, dict[str, float]], list[Finding]]:
    """How far each body gives way under the pour's pressure, and what is too far.

    The wall between flanges and ribs as a flat plate, held all round (`plates`, case 8a): a
    bent wall gives way less. Side pieces, held to one another, as a ring at five heights, the
    hollow core as another: bent (`rings`), and stretched by p r^2 / (E t).
    """
    sides, core = _sides_bend(jackets, outline, surface, plan, sizes), _core_bends(jackets, sizes)
    bends = {f"side-{number}": sides for number in range(1, plan.count + 1)} | {"core": core}
    told = [
        (sides.get("wall_deflection_mm", 0.0), "jacket-wall-bends", "side-1",
         "the side pieces' wall gives way between its ribs", " or a smaller rib_spacing_mm"),
        (sides.get("body_deflection_mm", 0.0), "jacket-bends", "side-1",
         "held to one another alone the side pieces give way", ""),
        (core.get("body_deflection_mm", 0.0), "jacket-bends", "core",
         "the hollow core gives way", ""),
    ]  # fmt: skip
    findings = [
        Finding(
            code,
            "warning",
            f"{what} by about {bent:.2f} mm under {sizes.pressure_kpa:.1f} kPa (limit "
            f"{sizes.bend_limit_mm:g}). Choose a thicker wall_mm{more}",
            body,
        )
        for bent, code, body, what, more in told
        if bent > sizes.bend_limit_mm
    ]
    return bends, findings


def _told(wall: float, body: float, block: float, span: float) -> dict[str, float]:
    return {
        "widest_cell_mm": span,
        "wall_deflection_mm": wall,
        "body_deflection_mm": body,
        "block_deflection_mm": block,
        "stiffness_kept": min(block / body, 1.0) if body > 0 else 1.0,
    }


def _sides_bend(
    jackets: SideJackets,
    outline: shapely.Polygon,
    surface: Surface,
    plan: Sides,
    sizes: JacketSizes,
) -> dict[str, float]:
    map_, face = surface.map, jackets.outside
    if face is None:
        return {}
    block, jacket = [0.0], [0.0]
    for row in _level_rows(map_.z, map_.reach):
        inner = map_.reach[row]
        out = outline_reach(outline, map_.middle[row])
        middle = inner + sizes.wall_mm / 2
        block.append(_bent(middle, np.maximum(out - inner, sizes.wall_mm), sizes))
        wall = _at(face, float(map_.z[row])) - inner
        flange = _near_curtains(plan, row, out, jackets.flange_mm)
        jacket.append(_bent(middle, np.where(flange, out - inner, wall), sizes))
    high = float(np.ptp(map_.z))
    wall_mm = _plate_mm(jackets.span_mm, high, sizes)
    return _told(wall_mm, max(jacket), max(block), jackets.span_mm)


def _core_bends(jackets: SideJackets, sizes: JacketSizes) -> dict[str, float]:
    face = jackets.inside
    if face is None:
        return {}
    span = 2 * float(face.reach.max())
    rows = _level_rows(face.z, face.reach)
    bent = [
        _bent(_columns(face.reach[row]) + sizes.wall_mm / 2, np.full(TURNS, sizes.wall_mm), sizes)
        for row in rows
    ]
    rod = _squeezed_mm(span / 2 + sizes.wall_mm, sizes)
    most = max(bent, default=rod)
    return _told(most, most, rod, span)


def _level_rows(z: Floats, reach: Floats) -> list[int]:
    wanted = z[0] + _LEVELS * (z[-1] - z[0])
    rows = np.abs(z[:, None] - wanted).argmin(axis=0).tolist()
    return [row for row in rows if reach[row].min() > 1]


def _columns(reach: Floats) -> Floats:
    """Distances at a face's columns, at every degree."""
    return np.interp(
        np.arange(TURNS), np.arange(len(reach)) * TURNS / len(reach), reach, period=TURNS
    )


def _at(face: Face, height: float) -> Floats:
    return _columns(np.array([np.interp(height, face.z, column) for column in face.reach.T]))


def _near_curtains(plan: Sides, row: int, out: Floats, thick_mm: float) -> NDArray[np.bool_]:
    away = np.abs(
        (np.arange(TURNS) - np.array([[c.degrees[row]] for c in plan.curtains]) + 180) % TURNS - 180
    ).min(axis=0)
    return np.asarray(np.radians(away) * out < thick_mm)


def _bent(reach: Floats, thick: Floats, sizes: JacketSizes) -> float:
    turn = np.radians(np.arange(TURNS))
    points = reach[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    bent = ring_deflection_mm(points, thick, sizes.pressure_kpa, PRINT_MODULUS_MPA)
    pulled = sizes.pressure_kpa / 1000 * float(reach.mean()) ** 2
    return bent + pulled / (PRINT_MODULUS_MPA * float(thick.mean()))


def _squeezed_mm(radius: float, sizes: JacketSizes) -> float:
    """A solid rod's (Lame)."""
    return sizes.pressure_kpa / 1000 * radius * (1 - _POISSON) / PRINT_MODULUS_MPA


def _plate_mm(one: float, other: float, sizes: JacketSizes) -> float:
    plate = rectangular_plate(
        max(one, other), min(one, other), sizes.wall_mm, sizes.pressure_kpa, PRINT_MODULUS_MPA,
        edges="fixed",
    )  # fmt: skip
    return plate.deflection_mm
