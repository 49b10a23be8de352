"""What found room on a mold's flange, what was asked for, and both as figures."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import shapely

from ...workpiece import Finding
from ..hardware import Series, Strength, bolt, foot_washer, tightening_torque_nm
from .bolting import LEVEL, Bolt, JackScrew, bolt_radius_mm, place_of
from .edge_pockets import EdgePocket, StrapGroove
from .loads import BoltLoad
from .seam_slots import SeamSlot

__all__ = ["JACK_SIZE", "BoltChoice", "Fitted", "Wanted", "described"]

BoltChoice = Literal["none", "M3", "M4", "M5", "M6", "M8"]
JACK_SIZE = "M5"  # where there are no bolts to go by
_NUT_FACTOR = 0.2


@dataclass(slots=True)
class Fitted:
    """What found room on one flange, or on all of side pieces, and what did not."""

    bolts: list[Bolt] = field(default_factory=list)
    jacks: list[JackScrew] = field(default_factory=list)
    pockets: list[EdgePocket] = field(default_factory=list)
    seam_slots: list[SeamSlot] = field(default_factory=list)
    straps: list[StrapGroove] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    load: BoltLoad | None = None
    beams: list[dict[str, float]] = field(default_factory=list)

    @property
    def plans(self) -> list[shapely.Polygon]:
        """Of all pockets and slots, seen from above."""
        return [item.plan for item in self.pockets] + [item.plan for item in self.seam_slots]

    @property
    def screws(self) -> list[Bolt | JackScrew]:
        return [*self.bolts, *self.jacks]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What `fasten` was asked for, under its parameters' names."""

    bolts: BoltChoice
    bolt_count: int
    strength: Strength
    hole: Series
    pressure_kpa: float
    safety: float
    allow_mpa: float
    jack_screws: int
    pry_slots: int
    finger_reliefs: int
    strap_grooves: int
    strap_mm: float
    clearance_mm: float


def described(fitted: Fitted, wanted: Wanted) -> dict[str, Any]:
    """What stands where, what to lay ready, and the load, for the stage log."""
    load = fitted.load
    size = bolt(JACK_SIZE if wanted.bolts == "none" else wanted.bolts)
    radius = bolt_radius_mm(size, wanted.clearance_mm)
    figures: dict[str, Any] = {
        "bolts": [
            _bolt_row(item, beam) for item, beam in zip(fitted.bolts, fitted.beams, strict=True)
        ],
        "jack_screws": [_jack_row(item) for item in fitted.jacks],
        "pry_slots": [
            *(_pocket_row(item) for item in fitted.pockets if item.kind == "pry_slot"),
            *(item.figures() for item in fitted.seam_slots),
        ],
        "finger_reliefs": [
            _pocket_row(item) for item in fitted.pockets if item.kind == "finger_relief"
        ],
        "straps": [
            {
                "axis": "xy"[item.axis],
                "at_mm": round(item.at, 3),
                "width_mm": item.width_mm,
                "depth_mm": item.depth_mm,
            }
            for item in fitted.straps
        ],
        "hardware": _hardware(fitted),
        "keep_out": [_keep_out(item, radius) for item in fitted.screws],
        "pocket_plans": [
            np.round(np.asarray(plan.exterior.coords)[:-1], 4).tolist() for plan in fitted.plans
        ],
        "clearance_mm": wanted.clearance_mm,
    }
    if load is not None:
        torque = tightening_torque_nm(min(load.each_n, load.limit_n), size.diameter_mm, _NUT_FACTOR)
        figures["load"] = {
            "pressure_kpa": wanted.pressure_kpa,
            "opening_n": round(load.opening_n, 1),
            "each_n": round(load.each_n, 1),
            "limit_n": round(load.limit_n, 1),
            "safety": wanted.safety,
            "torque_nm": round(torque, 3),
            "assumption": f"{wanted.pressure_kpa:g} kPa on the void's and the land's whole shadow; "
            "flange as a cantilever from the land's edge: an estimate",
        }
    return figures


def _keep_out(item: Bolt | JackScrew, radius: float) -> dict[str, float]:
    """A plan disc that no upright cut should pass; one that lies takes its length."""
    place, axis = place_of(item)
    if abs(axis[2]) < 0.99:
        radius = max(radius, (item.length_mm or 0.0) / 2)
    return {
        "x": round(float(place[0]), 4),
        "y": round(float(place[1]), 4),
        "radius_mm": round(radius, 3),
    }


def _placed(item: Bolt | JackScrew) -> dict[str, Any]:
    """Where it crosses the parting; heights of the rows are along `axis` from a plane at `base`."""
    place, axis = place_of(item)
    row: dict[str, Any] = {
        key: round(float(value), 4) for key, value in zip("xyz", place, strict=True)
    }
    if item.frame != LEVEL:
        row["axis"] = np.round(axis, 5).tolist()
        row["base"] = np.round(np.asarray(item.frame)[:3, 3], 4).tolist()
    return row


def _bolt_row(item: Bolt, beam: dict[str, float]) -> dict[str, Any]:
    return {
        **_placed(item),
        "size": item.size.size,
        "length_mm": item.length_mm,
        "grip_mm": round(item.grip_mm, 3),
        "seat_z": round(item.seat_z, 4),
        "nut_z": round(item.nut_z, 4),
        "hole_mm": item.hole_mm,
        "nut_flats_mm": round(item.pocket_flats_mm, 4),
        "nut_pocket_mm": round(item.pocket_mm, 4),
        "nut_bore_mm": round(item.nut_bore_mm, 4),
        "head_bore_mm": round(item.head_bore_mm, 4),
        **{key: round(value, 3) for key, value in beam.items()},
    }


def _jack_row(item: JackScrew) -> dict[str, Any]:
    return {
        **_placed(item),
        "size": item.size.size,
        "length_mm": item.length_mm,
        "foot_washer": foot_washer(item.size).size,
        "nut_ceiling_z": round(item.ceiling_z, 4),
        "seat_z": round(item.seat_z, 4),
        "foot_z": round(item.foot_z, 4),
        "hole_mm": item.hole_mm,
        "nut_flats_mm": round(item.pocket_flats_mm, 4),
    }


def _pocket_row(item: EdgePocket) -> dict[str, Any]:
    return {
        "x": round(item.x, 4),
        "y": round(item.y, 4),
        "low_z": round(item.low_z, 4),
        "high_z": round(item.high_z, 4),
        "plan": np.round(np.asarray(item.plan.exterior.coords)[:-1], 4).tolist(),
    }


def _hardware(fitted: Fitted) -> list[dict[str, Any]]:
    """What to lay ready: the same things counted together."""
    counted: dict[tuple[str, str, str], int] = {}
    for item in fitted.screws:
        size = item.size.size
        washer = foot_washer(item.size).size if isinstance(item, JackScrew) else size
        long = "threaded rod" if item.length_mm is None else f"{size} x {item.length_mm:g}"
        for row in (
            ("cap screw", long, "ISO 4762"),
            ("hexagon nut", size, "ISO 4032"),
            ("washer", washer, "ISO 7089"),
        ):
            counted[row] = counted.get(row, 0) + 1
    return [
        {"what": what, "size": size, "standard": standard, "count": count}
        for (what, size, standard), count in counted.items()
    ]
