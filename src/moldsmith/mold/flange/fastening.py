"""What holds a mold shut and what opens it: bolts, jack-screws, pry slots, reliefs, grooves."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...errors import BadParameter
from ...geometry import solid
from ...ranges import check_range
from ...stage import stage
from ...supplies.materials import Material
from ...workpiece import Finding, Workpiece
from ..bodies import mold_bodies
from ..hardware import Series, Strength, bolt
from ..jackets.hollowing import as_blocks, filled_over
from ..pressure import assumed_kpa
from ..side_pieces.keys import GROOVE_MM
from .bolt_fitting import MARGIN_MM, fit_bolts, fit_jacks
from .bolting import (
    bolt_cutters,
    bolt_radius_mm,
    jack_cutters,
)
from .edge_pockets import place_pockets, place_straps, pocket_cutter
from .fittings import JACK_SIZE, BoltChoice, Fitted, Wanted, described
from .flat_flanges import FlatFlange, flat_flanges
from .room import Flange, flange_between, obstacles, shadow_of
from .seam_slots import seam_slots, slot_cutter
from .shortages import no_room

__all__ = ["fasten"]

_ROUND_MM = 2.4  # full material round a bore
_SPARE_MM = 0.1  # past the corners of a bore's polygon


@stage
def fasten(
    piece: Workpiece,
    *,
    bolts: BoltChoice = "none",
    bolt_count: int = 0,
    strength: Strength = "8.8",
    hole: Series = "medium",
    pressure_kpa: float | None = None,
    safety: float = 2.0,
    allow_mpa: float = 10.0,
    jack_screws: int = 0,
    pry_slots: int = 2,
    finger_reliefs: int = 0,
    strap_grooves: int = 0,
    strap_mm: float = 27.0,
    clearance_mm: float = 0.2,
    material: Material | None = None,
) -> Workpiece:
    """Give the mold what holds it shut and what opens it, where its flange has room.

    Parameters
    ----------
    bolts : size of through-bolts in the flange, each with a washer under its head and a
        hexagon pocket for its nut; 'none' for clamps or straps
    bolt_count : 1 to 24; 0 finds it from the load, at least 4 and no more than 120 mm apart
    strength : property class by ISO 898-1
    hole : series of the clearance holes by ISO 273
    pressure_kpa : of the mix on the void's walls, 0 to 300; left out, what the material
        reaches in a mold that lets no gas out (ideal gas; a bound), 11 without one
    safety : factor on the load, 1 to 5
    allow_mpa : stress allowed in the print, bending and under washers, 1 to 40; 10 is a
        fifth of the PLA class (common practice, for creep and infill)
    jack_screws : screws that push the bodies apart, 0 to 6, of the bolts' size or M5
    pry_slots : slots for a flat tool in the outer edge of the parting, 0 to 8
    finger_reliefs : recesses under the upper body's edge, 0 to 8
    strap_grooves : pairs of upright grooves for straps of `strap_mm` (10 to 60), 0 to 4
    clearance_mm : round nuts, heads and washers on every side, 0.05 to 1
    material : what is cast, for its pressure

    Everything stands clear of void, land, stops, channels and each other; pockets and
    holes circumscribe what goes in. Run it after `channels` and before `split`, which
    keeps cuts and keys clear of what stands here. A lid cut from sheet is only cut and drilled
    through: washers lie on its top, pry slots in the cavity. Side pieces round a core get pry
    slots, as many on each seam between two, and bolts and jack-screws, a set for each flange that
    lies in one plane; bands in the grooves that `block` cut hold the others.

    Findings: 'no-room-for-bolt', '...-jack-screw', '...-pry-slot', '...-finger-relief',
    '...-strap-groove' where fewer than asked found room, 'flange-thin' where the flange is
    thinner than a beam formula asks, 'bolt-weak' where nuts would press in too far,
    'bolt-length' where no stock length serves, 'no-jacks-in-sheet' where nuts of jack-screws
    would stand in a lid cut from sheet, 'not-on-side-pieces' where finger reliefs or strap
    grooves were asked of side pieces, 'no-flange' where the mold has no flange all
    in one plane.

    Raises
    ------
    BadParameter : a value out of range, or the piece has no mold
    """
    mix_kpa = assumed_kpa(material) if pressure_kpa is None else pressure_kpa
    wanted = Wanted(
        bolts, bolt_count, strength, hole, mix_kpa, safety, allow_mpa, jack_screws,
        pry_slots, finger_reliefs, strap_grooves, strap_mm, clearance_mm,
    )  # fmt: skip
    _check(wanted)
    names = mold_bodies(piece)
    if len(names) < 2:
        piece.body("cavity")
        raise BadParameter("the piece has no mold of two bodies", "Run block first")
    if names[0] != "cavity" or len(names) != 2:
        return _pieces_fastened(piece, names, wanted)
    whole = {name: solid.from_mesh(piece.body(name)) for name in names}
    full = as_blocks(piece, names)
    blocks = {name: solid.from_mesh(full.body(name)) for name in names}
    flange = flange_between(full, blocks, *names)
    fitted = _fit(piece, flange, wanted)
    # What was drilled before stays open, also where it is near.
    region = _full_under(fitted, wanted).difference(obstacles(piece, _SPARE_MM))
    whole = {name: filled_over(piece, name, body, region) for name, body in whole.items()}
    return piece.with_named(_cut(whole, flange, fitted)).note(
        described(fitted, wanted), fitted.findings
    )


def _check(wanted: Wanted) -> None:
    if wanted.bolts != "none":
        bolt(wanted.bolts)
    ranges = (
        ("bolt_count", wanted.bolt_count, 0, 24),
        ("pressure_kpa", wanted.pressure_kpa, 0, 300),
        ("safety", wanted.safety, 1, 5),
        ("allow_mpa", wanted.allow_mpa, 1, 40),
        ("jack_screws", wanted.jack_screws, 0, 6),
        ("pry_slots", wanted.pry_slots, 0, 8),
        ("finger_reliefs", wanted.finger_reliefs, 0, 8),
        ("strap_grooves", wanted.strap_grooves, 0, 4),
        ("strap_mm", wanted.strap_mm, 10, 60),
        ("clearance_mm", wanted.clearance_mm, 0.05, 1),
    )
    for key, value, least, most in ranges:
        check_range(key, value, least, most)


def _fit(piece: Workpiece, flange: Flange, wanted: Wanted) -> Fitted:
    """Find places one kind after another, each clear of those before it."""
    fitted = Fitted()
    taken = obstacles(piece, MARGIN_MM)
    if wanted.bolts != "none":
        taken = fit_bolts(fitted, flange, taken, wanted)
    size = bolt(JACK_SIZE if wanted.bolts == "none" else wanted.bolts)
    if wanted.jack_screws and flange.sheet:
        fitted.findings.append(_no_jacks(wanted.jack_screws, flange.upper))
    elif wanted.jack_screws:
        taken = fit_jacks(fitted, flange, taken, size, wanted)
    for kind, count in (("pry_slot", wanted.pry_slots), ("finger_relief", wanted.finger_reliefs)):
        region = flange.region(taken, 0.0, MARGIN_MM)
        found, lack = place_pockets(flange, region, kind, count)  # type: ignore[arg-type]
        fitted.pockets += found
        taken = taken.union(shapely.union_all([p.plan.buffer(MARGIN_MM) for p in found]))
        if lack is not None:
            fitted.findings.append(no_room(flange, kind, len(found), count, lack))
    if wanted.strap_grooves:
        void = shadow_of(piece)
        fitted.straps = place_straps(flange, taken, void, wanted.strap_grooves, wanted.strap_mm)
        if len(fitted.straps) < wanted.strap_grooves:
            fitted.findings.append(
                Finding(
                    "no-room-for-strap-groove",
                    "warning",
                    f"{len(fitted.straps)} of {wanted.strap_grooves} strap grooves of "
                    f"{wanted.strap_mm:g} mm found a stretch of the outside with no stop, bolt or "
                    "pocket behind it: choose a smaller strap_mm, or make flange_mm larger",
                    flange.upper,
                )
            )
    return fitted


def _full_under(fitted: Fitted, wanted: Wanted) -> shapely.Geometry:
    """The plan over which a jacket needs full material: round screws and pockets."""
    screws = [
        shapely.Point(item.x, item.y).buffer(bolt_radius_mm(item.size, wanted.clearance_mm))
        for item in fitted.screws
    ]
    return shapely.union_all([*screws, *fitted.plans]).buffer(_ROUND_MM)


def _cut(whole: dict[str, solid.Solid], flange: Flange, fitted: Fitted) -> dict[str, Any]:
    """The two bodies with all holes and pockets cut; those that lost nothing are left out."""
    below: list[solid.Solid] = []
    above: list[solid.Solid] = []
    for lower, upper in _screw_cutters(fitted):
        below.append(lower)
        above.append(upper)
    for pocket in fitted.pockets:
        below.append(pocket_cutter(pocket))
        if pocket.kind == "pry_slot" and not flange.sheet:
            above.append(pocket_cutter(pocket))
    for groove in fitted.straps:
        upright = solid.extrude(groove.plan, flange.floor_z - 1, flange.roof_z + 1)
        below.append(upright)
        above.append(upright)
    made = {}
    for name, cutters in ((flange.lower, below), (flange.upper, above)):
        if cutters:
            made[name] = solid.printable(solid.difference(whole[name], *cutters))
    return made


def _pieces_fastened(piece: Workpiece, names: tuple[str, ...], wanted: Wanted) -> Workpiece:
    """Side pieces bolted together where they meet in one plane, and slots in their seams."""
    whole = {name: solid.from_mesh(piece.body(name)) for name in names}
    sides = [name for name in names if name != "core"]
    fitted = Fitted()
    asked = {
        key: count for key in ("finger_reliefs", "strap_grooves") if (count := getattr(wanted, key))
    }
    if asked:
        fitted.findings.append(_not_on_sides(asked))
    cutters: dict[str, list[solid.Solid]] = {}
    if wanted.bolts != "none" or wanted.jack_screws:
        flanges = flat_flanges(piece, whole)
        if not flanges:
            fitted.findings.append(_no_flange(names))
        # Jack-screws after all bolts: those hold the mold, and have the first choice of room.
        for kind, flat in product(("bolts", "jack_screws"), flanges):
            _take_up(fitted, cutters, flat, wanted, whole, kind)
    if wanted.pry_slots:
        screws = [cutter for pair in _screw_cutters(fitted) for cutter in pair]
        fitted.seam_slots, said = seam_slots(piece, sides, wanted.pry_slots, screws)
        fitted.findings += said
        for slot in fitted.seam_slots:
            for name in slot.between:
                cutters.setdefault(name, []).append(slot_cutter(slot))
    made = {
        name: solid.printable(solid.difference(whole[name], *taken))
        for name, taken in cutters.items()
    }
    figures = {**described(fitted, wanted), "straps": _bands(piece)}
    return piece.with_named(made).note(figures, fitted.findings)


def _bands(piece: Workpiece) -> list[dict[str, Any]]:
    """The level grooves for bands that `block` cut, told as those of straps are."""
    width, depth = GROOVE_MM
    return [
        {"axis": "z", "at_mm": height, "width_mm": width, "depth_mm": depth}
        for height in piece.record("block")["figures"].get("grooves_mm", ())
    ]


def _take_up(
    fitted: Fitted,
    cutters: dict[str, list[solid.Solid]],
    flat: FlatFlange,
    wanted: Wanted,
    whole: dict[str, solid.Solid],
    kind: str,
) -> None:
    """Put what one flat flange has room for beside the rest to it."""
    names = flat.flange.lower, flat.flange.upper
    earlier = [(whole[name], cutter) for name in names for cutter in cutters.get(name, ())]
    own = _fit_flat(flat, wanted, flat.taken.union(_bored(earlier, flat)), kind)
    for lower, upper in _screw_cutters(own):
        cutters.setdefault(flat.flange.lower, []).append(lower)
        cutters.setdefault(flat.flange.upper, []).append(upper)
    fitted.bolts += own.bolts
    fitted.beams += own.beams
    fitted.jacks += own.jacks
    fitted.findings += own.findings
    fitted.load = own.load or fitted.load


def _bored(earlier: list[tuple[solid.Solid, solid.Solid]], flat: FlatFlange) -> shapely.Geometry:
    """What the bores of earlier screws take from a flange's two bodies, seen along its axis.

    A screw stands square to its flange, with bores for its head and nut out to both sides.
    """
    level = np.linalg.inv(flat.matrix)
    bores = [solid.moved(solid.intersection(body, cutter), level) for body, cutter in earlier]
    shadows = [part for bore in bores for part in shapely.get_parts(solid.silhouette(bore))]
    return shapely.union_all(shadows).buffer(MARGIN_MM)


def _fit_flat(flat: FlatFlange, wanted: Wanted, taken: shapely.Geometry, kind: str) -> Fitted:
    """Bolts or jack-screws of one flat flange, in the mold's coordinates."""
    own = Fitted()
    if kind == "bolts" and wanted.bolts != "none":
        fit_bolts(own, flat.flange, taken, wanted)
    if kind == "jack_screws" and wanted.jack_screws:
        size = bolt(JACK_SIZE if wanted.bolts == "none" else wanted.bolts)
        fit_jacks(own, flat.flange, taken, size, wanted)
    frame = tuple(tuple(row) for row in flat.matrix.tolist())
    own.bolts = [replace(item, frame=frame) for item in own.bolts]
    own.jacks = [replace(item, frame=frame) for item in own.jacks]
    own.findings = [_in_mold(finding, flat.matrix) for finding in own.findings]
    return own


def _in_mold(finding: Finding, matrix: NDArray[np.float64]) -> Finding:
    if finding.where is None:
        return finding
    x, y, z = (matrix @ [*finding.where, 1.0])[:3].tolist()
    return replace(finding, where=(x, y, z))


def _screw_cutters(fitted: Fitted) -> list[tuple[solid.Solid, solid.Solid]]:
    pairs = [bolt_cutters(item) for item in fitted.bolts]
    return pairs + [jack_cutters(item) for item in fitted.jacks]


def _no_jacks(count: int, lid: str) -> Finding:
    return Finding(
        "no-jacks-in-sheet",
        "warning",
        f"{count} jack-screws left out: a sheet has no pockets for their nuts. Part the mold at "
        "its pry slots, or choose lid = 'printed'",
        lid,
    )


def _not_on_sides(asked: dict[str, int]) -> Finding:
    listed = " and ".join(f"{key} = {count}" for key, count in asked.items())
    return Finding(
        "not-on-side-pieces",
        "warning",
        f"{listed} left out: a mold of side pieces opens by the pry slots in its seams, and is "
        "bound in the level grooves that block cut round it",
    )


def _no_flange(names: tuple[str, ...]) -> Finding:
    return Finding(
        "no-flange",
        "warning",
        f"a mold of {', '.join(names)} has no flange all in one plane for bolts and slots: hold "
        "it with straps or clamps",
    )
