"""Lids cut from sheet: their outline and holes, and whether the sheet is thick enough.

A sheet is cut along its outline and drilled through, nothing else: what the stages cut from such
a lid is as wide on top as it is below, so that its drawing is its body.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely

from ..errors import BadParameter
from ..geometry import solid
from ..workpiece import Finding, Workpiece
from .hardware import bolt
from .plates import rectangular_plate, rectangular_thickness_mm

__all__ = [
    "SHEET_MM",
    "SHEET_POISSON",
    "SHEET_STRESS_MPA",
    "SHEET_YOUNGS_MPA",
    "Hole",
    "LidKind",
    "LidPlan",
    "check_has_lid",
    "cut_from_sheet",
    "drilled",
    "key_hole",
    "lid_plan",
    "sheet_check",
]

LidKind = Literal["printed", "sheet"]

# Cast acrylic sheet: 2.8 to 3.3 GPa (ISO 527, makers' tables); kept under 10 MPa so that it
# does not craze under lasting load (10 MPa or 1500 psi: from memory).
SHEET_YOUNGS_MPA = 3000.0
SHEET_POISSON = 0.37  # 0.35 to 0.40, from memory
SHEET_STRESS_MPA = 10.0
SHEET_MM = (2.0, 30.0)  # thicknesses to be had: common practice
_WHOLE_MM = 0.5  # thicknesses are asked for in steps of this
_UNDER_MM = 0.05
_SIDES = 48


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole to drill: its middle in the mold's plan, its width, and what it is for."""

    x: float
    y: float
    diameter_mm: float
    what: str


@dataclass(frozen=True, slots=True)
class LidPlan:
    """A flat lid seen from outside, mold mm in plan.

    outline : to cut; holes : to drill; casting : the void's edge under the lid, to engrave
    """

    name: str
    outline: shapely.Polygon
    holes: tuple[Hole, ...]
    casting: shapely.Polygon
    thickness_mm: float


def check_has_lid(style: str, lid_thickness_mm: float | None) -> None:
    """Refuse a thickness for a lid where a mold's style has none."""
    if lid_thickness_mm is not None and style != "lidded":
        raise BadParameter(
            f"lid_thickness_mm = {lid_thickness_mm:g} with style '{style}', which has no lid",
            "Choose style = 'lidded', or leave it out",
        )


def lid_plan(piece: Workpiece) -> LidPlan:
    """The lid cut from sheet, as its body is, with every hole that the stages up to now gave it.

    The outline, with grooves for straps, is a section of the body. Sprues and vents are drilled
    at the width they have at the void; bolts at the hole they were given, pegs of the flange at
    their width and clearance.

    Raises
    ------
    BadParameter : the mold has no flat lid that is cut from sheet
    """
    lid = _cut_lid(piece)
    if lid is None:
        raise BadParameter(
            "the mold has no flat lid to cut from sheet",
            'Run block with style = "lidded" and lid = "sheet"',
        )
    body = piece.body("lid")
    low, high = body.bounds[:, 2].tolist()
    outline = _largest(solid.section(solid.from_mesh(body), (low + high) / 2))
    holes = (*_bores(piece), *_bolts(piece), *_pegs(piece))
    return LidPlan(piece.name, outline, holes, _under_the_lid(piece), float(lid["thickness_mm"]))


def key_hole(x: float, y: float, base_mm: float, clearance_mm: float) -> Hole:
    """The hole for a peg of that width at its base."""
    return Hole(x, y, round(base_mm + 2 * clearance_mm, 2), "key")


def drilled(hole: Hole, low_mm: float, high_mm: float) -> solid.Solid:
    """What a drill takes away; its polygon stands round the circle, never too tight."""
    reach = hole.diameter_mm / 2 / np.cos(np.pi / _SIDES)
    length = high_mm - low_mm
    return solid.frustum((hole.x, hole.y, low_mm), (0, 0, length), reach, reach, _SIDES)


def _largest(plan: shapely.Geometry) -> shapely.Polygon:
    """The outline of the largest part of a section."""
    parts = shapely.get_parts(plan)
    return shapely.Polygon(max(parts, key=lambda part: part.area).exterior)


def _under_the_lid(piece: Workpiece) -> shapely.Polygon:
    """The casting's outline just under the lid, also where blocking out widened it."""
    body = solid.from_mesh(piece.body("pad"))
    return _largest(solid.section(body, body.bounding_box()[5] - _UNDER_MM))


def cut_from_sheet(piece: Workpiece) -> tuple[str, ...]:
    """Names of the mold's bodies that are cut from sheet and not printed."""
    return () if _cut_lid(piece) is None else ("lid",)


def _cut_lid(piece: Workpiece) -> Mapping[str, Any] | None:
    """What `block` says of the lid that is cut from sheet, if it is."""
    figures = _figures(piece, "block") or {}
    lid: Mapping[str, Any] = figures.get("lid") or {}
    cut = figures.get("style") == "lidded" and lid.get("kind") == "sheet"
    return lid if cut else None


def _figures(piece: Workpiece, stage: str) -> Mapping[str, Any] | None:
    """Figures of the stage's newest record, if it ran."""
    for record in reversed(piece.records):
        if record["stage"] == stage:
            found: Mapping[str, Any] = record["figures"]
            return found
    return None


def _bores(piece: Workpiece) -> list[Hole]:
    figures = _figures(piece, "channels") or {}
    found = [
        Hole(bore["x"], bore["y"], bore["void_mm"], f"sprue {number}")
        for number, bore in enumerate(figures.get("sprues", ()), start=1)
    ]
    return found + [
        Hole(bore["x"], bore["y"], bore["void_mm"], f"vent {number}")
        for number, bore in enumerate(figures.get("vents", ()), start=1)
    ]


def _bolts(piece: Workpiece) -> list[Hole]:
    figures = _figures(piece, "fasten") or {}
    return [
        Hole(item["x"], item["y"], _clearance_hole_mm(item), f"bolt {item['size']}")
        for item in figures.get("bolts", ())
    ]


def _clearance_hole_mm(item: Mapping[str, Any]) -> float:
    """The hole the bolt was given; without one that of the medium series, ISO 273."""
    given = item.get("hole_mm")
    return float(bolt(item["size"]).hole_mm["medium"] if given is None else given)


def _pegs(piece: Workpiece) -> list[Hole]:
    figures = _figures(piece, "split") or {}
    clearance = float(figures.get("clearance_mm", 0.2))
    return [
        key_hole(peg["base"][0], peg["base"][1], peg["base_mm"], clearance)
        for joint in figures.get("joints", ())
        if joint["kind"] == "flange"
        for peg in joint.get("pegs", ())
    ]


def sheet_check(
    loaded: shapely.Geometry, thickness_mm: float, pressure_kpa: float, bend_limit_mm: float
) -> tuple[dict[str, Any], list[Finding]]:
    """How a sheet of this thickness over the void bends under the pressure; figures, findings.

    The void's plan rectangle as a plate: deflection between that of supported edges (Roark's
    Table 11.4, case 1a: held down loosely) and that of fixed ones (case 8a: clamped all
    round); the limits are held against the supported, on the safe side.
    """
    low_x, low_y, high_x, high_y = loaded.bounds
    sides = (high_x - low_x, high_y - low_y)
    plate: dict[str, Any] = {"youngs_mpa": SHEET_YOUNGS_MPA, "poisson": SHEET_POISSON}
    loose = rectangular_plate(*sides, thickness_mm, pressure_kpa, **plate)
    held = rectangular_plate(*sides, thickness_mm, pressure_kpa, edges="fixed", **plate)
    least = rectangular_thickness_mm(
        *sides,
        pressure_kpa,
        stress_limit_mpa=SHEET_STRESS_MPA,
        deflection_limit_mm=bend_limit_mm,
        **plate,
    )
    wanted = float(np.ceil(least / _WHOLE_MM) * _WHOLE_MM)
    figures = {
        "kind": "sheet",
        "thickness_mm": thickness_mm,
        "span_mm": [round(max(sides), 1), round(min(sides), 1)],
        "pressure_kpa": round(pressure_kpa, 3),
        "supported": {
            "deflection_mm": round(loose.deflection_mm, 3),
            "stress_mpa": round(loose.stress_mpa, 3),
        },
        "fixed": {
            "deflection_mm": round(held.deflection_mm, 3),
            "stress_mpa": round(held.stress_mpa, 3),
        },
        "youngs_mpa": SHEET_YOUNGS_MPA,
        "thickness_needed_mm": wanted,
    }
    if loose.deflection_mm <= bend_limit_mm and loose.stress_mpa <= SHEET_STRESS_MPA:
        return figures, []
    finding = Finding(
        "lid-bends",
        "warning",
        f"a sheet lid of {thickness_mm:g} mm over {max(sides):.0f} x {min(sides):.0f} mm bends by "
        f"about {loose.deflection_mm:.1f} mm at {loose.stress_mpa:.1f} MPa under "
        f"{pressure_kpa:.1f} kPa ({held.deflection_mm:.1f} mm if clamped all round). Choose "
        f"{wanted:g} mm, or clamp battens across it",
        "lid",
    )
    return figures, [finding]
