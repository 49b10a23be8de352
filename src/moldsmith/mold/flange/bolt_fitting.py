"""Bolts and jack-screws fitted to a flange: how many its load asks for, and where."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from ...workpiece import Finding
from ..hardware import BoltSize, bolt
from .bolting import (
    WALL_MM,
    Bolt,
    JackScrew,
    bolt_radius_mm,
    jack_pockets_mm,
    place_bolts,
    place_jacks,
)
from .fittings import Fitted, Wanted
from .loads import BoltLoad, bolt_limit_n, bolts_for, deflection_mm, thickness_mm
from .room import Flange
from .shortages import no_room, screw_shortage

__all__ = ["MARGIN_MM", "fit_bolts", "fit_jacks"]

MARGIN_MM = 1.5  # between hardware and what else stands on the flange
_EDGE_MM = 2.4
_LEAST_FLANGE_MM = 5.0
_NEAR_MM = 12.0


def fit_bolts(
    fitted: Fitted, flange: Flange, taken: shapely.Geometry, wanted: Wanted
) -> shapely.Geometry:
    size = bolt(wanted.bolts)
    hole = size.hole_mm[wanted.hole]
    radius = bolt_radius_mm(size, wanted.clearance_mm)
    limit = bolt_limit_n(size, hole, wanted.strength, wanted.allow_mpa)
    load = bolts_for(
        wanted.pressure_kpa, flange.pressed_mm2, flange.outline.length, limit, wanted.safety
    )
    if wanted.bolt_count:
        each = wanted.safety * load.opening_n / wanted.bolt_count
        load = BoltLoad(load.opening_n, each, limit, wanted.bolt_count)
    reach = radius + WALL_MM
    region = _near_land(flange, flange.region(taken, _EDGE_MM - WALL_MM, MARGIN_MM), reach)
    sizes = {"hole_mm": hole, "clearance_mm": wanted.clearance_mm}
    least = max(_LEAST_FLANGE_MM, _thickness_asked(flange, region, radius, load, size, wanted))
    found = place_bolts(flange, region, size, load.count, least_mm=least, **sizes)
    if len(found) < load.count and least > _LEAST_FLANGE_MM:
        found = place_bolts(flange, region, size, load.count, least_mm=_LEAST_FLANGE_MM, **sizes)
    fitted.bolts = found
    fitted.load = load
    if len(found) < load.count:
        over = 0.0 if flange.sheet else _LEAST_FLANGE_MM
        lack = screw_shortage(flange, region, reach, _LEAST_FLANGE_MM, over)
        fitted.findings.append(no_room(flange, "bolt", len(found), load.count, lack))
    _judge(fitted, flange, size, load, wanted)
    return taken.union(
        shapely.union_all(
            [shapely.Point(item.x, item.y).buffer(radius + MARGIN_MM) for item in found]
        )
    )


def _near_land(flange: Flange, region: shapely.Geometry, radius: float) -> shapely.Geometry:
    """The part of the region nearest to the land: there a bolt bends the flange least."""
    rays = flange.rays_in(region.buffer(-radius))
    if len(rays) == 0:
        return region
    away = shapely.distance(shapely.points(flange.grid.places(rays)), flange.shut)
    return region.intersection(flange.shut.buffer(float(away.min()) + radius + _NEAR_MM))


def _thickness_asked(
    flange: Flange,
    region: shapely.Geometry,
    radius: float,
    load: BoltLoad,
    size: BoltSize,
    wanted: Wanted,
) -> float:
    """The thickness that the farthest place a bolt may stand at would ask for."""
    rays = flange.rays_in(region.buffer(-radius - WALL_MM))
    if len(rays) == 0:
        return 0.0
    away = shapely.distance(shapely.points(flange.grid.places(rays)), flange.shut)
    lever = float(np.max(away))
    width = _breadth(lever, size)
    return thickness_mm(load.each_n, lever, width, wanted.allow_mpa)


def _breadth(lever: float, size: BoltSize) -> float:
    """The width of flange that carries a bolt: its washer and 45 degrees to both sides."""
    return size.washer_mm + 2 * lever


def _judge(fitted: Fitted, flange: Flange, size: BoltSize, load: BoltLoad, wanted: Wanted) -> None:
    """What a beam formula says of each bolt's flange, and whether the bolts hold the load."""
    each = wanted.safety * load.opening_n / max(len(fitted.bolts), 1)
    fitted.load = BoltLoad(load.opening_n, each, load.limit_n, load.count)
    for item in fitted.bolts:
        lever = float(shapely.Point(item.x, item.y).distance(flange.shut))
        width = _breadth(lever, size)
        asked = thickness_mm(each, lever, width, wanted.allow_mpa)
        bend = deflection_mm(each, lever, width, item.thick_mm)
        fitted.beams.append(
            {"lever_mm": lever, "asked_mm": asked, "thick_mm": item.thick_mm, "bends_mm": bend}
        )
    thin = [beam for beam in fitted.beams if beam["asked_mm"] > beam["thick_mm"] + 0.05]
    if thin:
        worst = max(thin, key=lambda beam: beam["asked_mm"])
        fitted.findings.append(
            Finding(
                "flange-thin",
                "warning",
                f"{len(thin)} bolts stand on {worst['thick_mm']:.1f} mm of flange where a beam "
                f"formula asks for {worst['asked_mm']:.1f} mm (an estimate): make "
                f"{'lid_thickness_mm' if flange.sheet else 'floor_mm'} larger, land_mm wider, or "
                "use more bolts",
                flange.upper,
            )
        )
    if fitted.bolts and each > load.limit_n:
        fitted.findings.append(
            Finding(
                "bolt-weak",
                "warning",
                f"each of {len(fitted.bolts)} bolts {size.size} would carry {each:.0f} N, its nut "
                f"may press on the print with {load.limit_n:.0f} N: use more or larger bolts, or "
                "boards on both sides",
                flange.lower,
            )
        )
    fitted.findings += _too_long(fitted.bolts, flange)


def _too_long(screws: Sequence[Bolt | JackScrew], flange: Flange) -> list[Finding]:
    """Where cap screws are not commonly made as long as these have to be."""
    longer = [item for item in screws if item.length_mm is None]
    if not longer:
        return []
    size, count = longer[0].size, len(longer)
    named = "jack-screws" if isinstance(longer[0], JackScrew) else "bolts"
    return [
        Finding(
            "bolt-length",
            "warning",
            f"{count} {named} {size.size} have to be longer than {size.longest_mm:g} mm, the "
            "longest commonly made: use threaded rod with a nut on both ends, or a larger size",
            flange.upper,
        )
    ]


def fit_jacks(
    fitted: Fitted, flange: Flange, taken: shapely.Geometry, size: BoltSize, wanted: Wanted
) -> shapely.Geometry:
    radius = bolt_radius_mm(size, wanted.clearance_mm)
    region = flange.region(taken, _EDGE_MM - WALL_MM, MARGIN_MM)
    fitted.jacks = place_jacks(
        flange,
        region,
        size,
        wanted.jack_screws,
        least_mm=_LEAST_FLANGE_MM,
        hole_mm=size.hole_mm[wanted.hole],
        clearance_mm=wanted.clearance_mm,
    )
    if len(fitted.jacks) < wanted.jack_screws:
        under, over = (
            _LEAST_FLANGE_MM + sunk for sunk in jack_pockets_mm(size, wanted.clearance_mm)
        )
        lack = screw_shortage(flange, region, radius + WALL_MM, under, over)
        found = len(fitted.jacks)
        fitted.findings.append(no_room(flange, "jack_screw", found, wanted.jack_screws, lack))
    fitted.findings += _too_long(fitted.jacks, flange)
    return taken.union(
        shapely.union_all(
            [shapely.Point(item.x, item.y).buffer(radius + MARGIN_MM) for item in fitted.jacks]
        )
    )
