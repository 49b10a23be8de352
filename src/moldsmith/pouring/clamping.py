"""What pushes the mold open while it fills, and what holds it shut: pressure, force, lid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..geometry import solid
from ..geometry.visibility import grid_over, highest
from ..mold.bodies import mold_bodies, opens_sideways
from ..mold.hardware import Strength
from ..mold.plates import rectangular_plate, rectangular_thickness_mm
from ..mold.pressure import GRAVITY_M_S2, head_kpa, sealed_pressure_kpa
from ..mold.sheet_lids import (
    SHEET_MM,
    SHEET_POISSON,
    SHEET_STRESS_MPA,
    SHEET_YOUNGS_MPA,
    cut_from_sheet,
)
from ..ranges import check_range
from ..stage import stage
from ..supplies.materials import Material
from ..workpiece import Finding, Severity, Workpiece
from .channels import channel_rows, height_mm, pouring_up
from .holding import Holding, held_shut, holding_findings
from .voids import mold_meshes

__all__ = ["clamp"]

Floats = NDArray[np.float64]
BoltName = Literal["M3", "M4", "M5", "M6", "M8"]
_ROUND_MM = 0.5


@dataclass(frozen=True, slots=True)
class _Load:
    """Pressures in kPa, areas in mm² and forces in N on what the mix pushes open.

    opens : 'upward', the cover; or 'sideways', the side pieces of a mold that opens level
    shadow_mm2, around_mm, span_mm : of the void along the way it opens
    uplift_n : by the liquid's head; sides_mm2 : shadows of the void along x and y
    """

    opens: Literal["upward", "sideways"]
    head_kpa: float
    extra_kpa: float
    assumption: str
    shadow_mm2: float
    uplift_n: float
    sides_mm2: tuple[float, float]
    around_mm: float
    span_mm: tuple[float, float]

    @property
    def force_n(self) -> float:
        """The pressure on the shadow, and the head under each place of it."""
        return self.extra_kpa * self.shadow_mm2 / 1000 + self.uplift_n

    @property
    def mean_kpa(self) -> float:
        return 1000 * self.force_n / self.shadow_mm2


@stage
def clamp(
    piece: Workpiece,
    *,
    material: Material,
    pressure_kpa: float | None = None,
    packing_factor: float | None = None,
    bolts: BoltName = "M5",
    strength: Strength = "8.8",
    safety: float = 2.0,
    allow_mpa: float = 10.0,
    clamp_n: float = 500.0,
    youngs_mpa: float = 2000.0,
    deflection_mm: float = 0.5,
) -> Workpiece:
    """Say what holds the mold shut: pressure, forces, bolts, clamps, bands or weights, the lid.

    Parameters
    ----------
    material : what is cast
    pressure_kpa : of a foam on the walls, if it is known, over the air's; 0 to 500. Left out,
        the bound of a sealed mold that no gas leaves (our model); a liquid has its head alone
    packing_factor : of a foam, 1 to 2; the mix plan's or the material's if left out
    bolts, strength : size, and property class by ISO 898-1, to reckon with; the size of the
        bolts that `fasten` put into the mold, where it has any
    safety : factor on the force, 1 to 5
    allow_mpa : stress allowed in the print, under washers and bending, 1 to 40; 10 is a
        fifth of the PLA class (common practice, for creep and infill)
    clamp_n : what one clamp presses, 20 to 10000; 500 is a light screw clamp (from memory)
    youngs_mpa : of the print, 200 to 10000; 2000 is the PLA class printed solid (common practice)
    deflection_mm : that the lid may bulge; 0.05 to 5

    Force: pressure times projected area, whatever the cavity's form; under a liquid, weight of
    the column from the cover's face up to the funnel's mouth. Side pieces are pushed
    apart by the larger of the level shadows: bands and clamps hold them, weights do not. Bolts
    are counted on only where the mold has them. Lid: Roark's rectangular plate,
    edges supported, over the rectangle round the void: on the safe side.

    Findings: 'pressure-assumed', 'lid-thin', 'bolts-few', 'force-large' (notes where the
    pressure is the bound), 'weights-heavy'.

    Raises
    ------
    BadParameter : a value out of range, or the piece has no mold
    """
    _check(pressure_kpa, packing_factor, safety, allow_mpa, clamp_n, youngs_mpa, deflection_mm)
    load = _load(piece, material, pressure_kpa, packing_factor)
    holding = Holding(
        load.opens, load.force_n, load.mean_kpa, load.shadow_mm2, load.around_mm,
        bolts, strength, allow_mpa, clamp_n, safety,
    )  # fmt: skip
    lid = _lid(piece, load, youngs_mpa, allow_mpa, deflection_mm)
    figures: dict[str, Any] = {
        "opens": load.opens,
        "head_kpa": round(load.head_kpa, 4),
        "pressure_kpa": round(load.extra_kpa, 3),
        "assumption": load.assumption,
        "projected_cm2": round(load.shadow_mm2 / 100, 3),
        "uplift_n": round(load.uplift_n, 2),
        "force_n": round(load.force_n, 2),
        "side_cm2": [round(area / 100, 3) for area in load.sides_mm2],
        "side_force_n": [
            round((load.extra_kpa + load.head_kpa / 2) * area / 1000, 2) for area in load.sides_mm2
        ],
        "safety": safety,
        **held_shut(piece, holding),
        "lid": lid,
    }
    return piece.note(figures, _findings(piece, material, pressure_kpa, load, figures))


def _check(
    pressure: float | None,
    packing: float | None,
    safety: float,
    allow: float,
    clamp_n: float,
    youngs: float,
    deflection: float,
) -> None:
    ranges = (
        ("pressure_kpa", pressure, 0, 500),
        ("packing_factor", packing, 1, 2),
        ("safety", safety, 1, 5),
        ("allow_mpa", allow, 1, 40),
        ("clamp_n", clamp_n, 20, 10_000),
        ("youngs_mpa", youngs, 200, 10_000),
        ("deflection_mm", deflection, 0.05, 5),
    )
    for key, value, least, most in ranges:
        check_range(key, value, least, most)


def _load(
    piece: Workpiece, material: Material, pressure: float | None, packing: float | None
) -> _Load:
    piece.record("block")
    pad = piece.body("pad")
    up = pouring_up(piece)
    heights = pad.vertices @ up
    mouths = [
        height_mm(row, row["outside_z"], up) for row in channel_rows(piece) if not row["vent"]
    ]
    level = max([float(heights.max()), *mouths])
    # What weighs in the mold: the liquid; of a foam, the foam it becomes.
    density = material.density_kg_m3 if material.rises else material.mix_density_kg_m3
    head = head_kpa(level - float(heights.min()), density)
    extra, assumption = _extra_pressure(piece, material, pressure, packing)
    shadows = [_shadow(pad, axis) for axis in range(3)]
    areas = (float(shadows[0].area), float(shadows[1].area))
    if opens_sideways(piece):
        widest = max(shadows[:2], key=lambda shadow: float(shadow.area))
        # Mean head over a wall: half of that at its foot.
        pushed = head / 2 * float(widest.area) / 1000
        shadow = widest
    else:
        pushed = _uplift_n(pad, up, level, density)
        shadow = shadows[2]
    return _Load(
        "upward" if shadow is shadows[2] else "sideways",
        head,
        extra,
        assumption,
        float(shadow.area),
        pushed,
        areas,
        float(shadow.length),
        _span_mm(shadow),
    )


def _extra_pressure(
    piece: Workpiece, material: Material, pressure: float | None, packing: float | None
) -> tuple[float, str]:
    """Pressure beside the head, kPa, and what it rests on."""
    if pressure is not None:
        return pressure, f"{pressure:g} kPa as given (pressure_kpa)"
    if material.free_rise_kg_m3 is None:
        return 0.0, "the liquid's own head alone: it does not rise, and vents stay open"
    factor, free_rise = packing or material.packing_factor, material.free_rise_kg_m3
    mixed = piece.figures_of("mix")
    if mixed:
        factor = packing or float(mixed["packing_factor"])
        free_rise = float(mixed["density_kg_m3"])
    bound = sealed_pressure_kpa(factor, free_rise, material.mix_density_kg_m3)
    return bound, (
        f"{bound:.1f} kPa is the bound of our model, not a measured value: a sealed mold, packing "
        f"factor {factor:g}, no gas escapes, heat left out (Boyle). Open vents keep it far lower"
    )


def _shadow(pad: trimesh.Trimesh, axis: int) -> shapely.Geometry:
    """The void's shadow along x, y or z."""
    turned = np.roll(np.asarray(pad.vertices), 2 - axis, axis=1)
    return shapely.union_all(solid.silhouette(solid.from_arrays(turned, pad.faces)))


def _span_mm(shadow: shapely.Geometry) -> tuple[float, float]:
    """Sides (long, short) of the smallest rectangle round a shadow."""
    box = np.asarray(shapely.minimum_rotated_rectangle(shadow).exterior.coords)
    sides = np.linalg.norm(np.diff(box[:3], axis=0), axis=1)
    return float(sides.max()), float(sides.min())


def _uplift_n(pad: trimesh.Trimesh, up: Floats, level: float, density: float) -> float:
    """Force of a liquid along z on the cover: its head at each place, over the shadow."""
    step = max(float(np.ptp(pad.bounds[:, :2], axis=0).max()) / 200, 0.3)
    grid = grid_over(pad.bounds[0, :2], pad.bounds[1, :2], step)
    ceiling = highest(np.asarray(pad.vertices), np.asarray(pad.faces), grid).ravel()
    met = np.flatnonzero(np.isfinite(ceiling))
    height = grid.places(met) @ up[:2] + up[2] * ceiling[met]
    return density * GRAVITY_M_S2 * float((level - height).sum()) * step**2 * 1e-9


def _lid(
    piece: Workpiece, load: _Load, youngs: float, allow: float, most_mm: float
) -> dict[str, Any]:
    """A flat lid over the void: what it needs, and where there is one, what it has.

    A core stiffens itself by its form: no plate formula is held against it.
    """
    long, short = load.span_mm
    kpa = load.mean_kpa
    needed = rectangular_thickness_mm(
        long, short, kpa, youngs, stress_limit_mpa=allow, deflection_limit_mm=most_mm
    )
    sheet = rectangular_thickness_mm(
        long,
        short,
        kpa,
        SHEET_YOUNGS_MPA,
        stress_limit_mpa=SHEET_STRESS_MPA,
        deflection_limit_mm=most_mm,
        poisson=SHEET_POISSON,
    )
    flat = "lid" in mold_bodies(piece)
    cut = "lid" in cut_from_sheet(piece)
    thickness = _cover_mm(piece)
    bent = rectangular_plate(
        long,
        short,
        max(thickness, 0.1),
        kpa,
        SHEET_YOUNGS_MPA if cut else youngs,
        poisson=SHEET_POISSON if cut else 0.3,
    )
    return {
        "made_of": "sheet" if cut else "print",
        "body": "lid" if flat else "core" if load.opens == "upward" else "sides",
        "span_mm": [round(long, 1), round(short, 1)],
        "thickness_mm": round(thickness, 2) if flat else None,
        "stress_mpa": round(bent.stress_mpa, 3) if flat else None,
        "deflection_mm": round(bent.deflection_mm, 3) if flat else None,
        "needed_mm": round(math.ceil((sheet if cut else needed) / _ROUND_MM) * _ROUND_MM, 2),
        "sheet_mm": max(round(math.ceil(sheet / _ROUND_MM) * _ROUND_MM, 2), SHEET_MM[0]),
        "formula": "Roark 7th ed., Table 11.4 case 1a: edges supported, small deflections",
    }


def _cover_mm(piece: Workpiece) -> float:
    """Thickness of what lies over the void's highest place."""
    top = max(float(mesh.bounds[1, 2]) for mesh in mold_meshes(piece).values())
    return top - float(piece.body("pad").bounds[1, 2])


def _findings(
    piece: Workpiece,
    material: Material,
    pressure: float | None,
    load: _Load,
    figures: dict[str, Any],
) -> list[Finding]:
    findings = []
    lid = figures["lid"]
    assumed = pressure is None and material.rises
    # A bound that a vented mold stays far under is worth a note, no more.
    severity: Severity = "note" if assumed else "warning"
    if assumed:
        findings.append(
            Finding(
                "pressure-assumed",
                "note",
                f"{load.assumption}. Give pressure_kpa where it is known; keep every vent open",
            )
        )
    if lid["thickness_mm"] is not None and lid["thickness_mm"] < lid["needed_mm"]:
        findings.append(
            Finding(
                "lid-thin",
                severity,
                f"the lid of {lid['thickness_mm']:.1f} mm bends {lid['deflection_mm']:.1f} mm "
                f"under {load.mean_kpa:.1f} kPa ({lid['stress_mpa']:.1f} MPa): make it "
                f"{lid['needed_mm']:.1f} mm (floor_mm), stiffen it with a board, or lay weights on",
                "lid",
            )
        )
    return [*findings, *holding_findings(figures, load.opens, load.force_n, severity)]
