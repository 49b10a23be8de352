"""A pad that one pull cannot release, put into side pieces round a core."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ...errors import BadParameter, MoldsmithError
from ...geometry import solid
from ...geometry.radial import TURNS
from ...supplies.filament import Filament
from ...workpiece import Vector, Workpiece
from ..casting import Cast, in_mold_frame, with_room_for_coat
from ..enclosing import Outer, outline_of
from ..jackets.jacketing import JacketSizes
from ..pressure import head_kpa
from ..release.opening import Release, opened
from .core_prints import Plugged, axis_of, plugged
from .findings import (
    Hold,
    core_stretch,
    findings_of,
    held_picture,
    hold_of,
    hold_picture,
    refusal,
    unopened,
)
from .jacket_figures import jacket_bends, jacket_faces, jacket_rows
from .jackets import side_jackets
from .keys import Joint, grooved, keyed
from .print_relief import relieved_sides
from .pulls import MOST_SIDES, Surface
from .wedges import Sides, block_of, planned, side_solids, surface_of

__all__ = ["block_of_sides", "sides_that_release"]

Floats = NDArray[np.float64]
_LEAST_PRINT_MM = 12.0  # room for a key on it
_MOST_PERMITTED_MM = 20.0
_USUAL_FLANGE_MM = 24.0


def block_of_sides(
    piece: Workpiece,
    *,
    outer: Outer,
    wall_mm: float,
    floor_mm: float,
    flange_mm: float,
    pull: Vector | None,
    pieces: int,
    permitted_undercut_mm: float,
    parting_gap_mm: float = 0.0,
    jacket: JacketSizes,
    mix_kg_m3: float,
    filament: Filament,
) -> Workpiece:
    """The piece in its mold frame with 'side-1' to 'side-N' and 'core'; see `block`.

    jacket : for outer = 'jacket', its pressure without the head of the mix
    """
    _check(pieces, permitted_undercut_mm, parting_gap_mm)
    piece = with_room_for_coat(piece)
    axis = axis_of(piece) if pull is None else pull
    if not np.linalg.norm(axis) > 1e-9:
        raise BadParameter(f"pull = {pull}", "Give a direction as three numbers, not all 0")
    before = np.asarray(piece.frame.moved)
    piece = in_mold_frame(piece, np.asarray(axis, dtype=float) / np.linalg.norm(axis))
    made = plugged(piece, max(floor_mm, _LEAST_PRINT_MM))
    surface = surface_of(made, permitted_undercut_mm)
    head = head_kpa(float(np.ptp(made.pad.bounds[:, 2])), mix_kg_m3)
    sizes = replace(jacket, pressure_kpa=jacket.pressure_kpa + head)
    mold = _Mold(
        piece,
        made,
        _outline(made, outer, max(wall_mm, flange_mm)),
        parting_gap_mm,
        sizes if outer == "jacket" else None,
        filament,
    )
    plans = planned(surface, pieces)
    back = before @ np.linalg.inv(np.asarray(piece.frame.moved))
    if not plans[-1].releases:
        others = list(_other_plans(surface, plans))
        other = _that_opens(mold, surface, plans, others)
        softer = None if other else _softer(mold, surface, [*plans, *others])
        stop = refusal(plans[-1], other.plan.count if other else None, softer, back)
        return piece.note({}, [stop], held_picture(made, surface, plans[-1]))
    first = _built(mold, surface, plans)
    if first.hold is None:
        return first.piece
    other = _that_opens(mold, surface, plans, _other_plans(surface, plans))
    if other is not None and pieces == 0:
        return other.piece
    enough = None if other is None else other.plan.count
    stop = unopened(first.hold, first.plan, enough, permitted_undercut_mm, back)
    shown = hold_picture(made, surface, first.plan, first.sides, first.hold)
    return piece.note({}, [stop], shown)


def _outline(made: Plugged, outer: Outer, margin: float) -> shapely.Polygon:
    cast = Cast(made.vertices, made.show, made.back, made.rims[0])
    # Bands lie on a jacket's ribs all round.
    return outline_of(cast, "outline" if outer == "jacket" else outer, margin)


@dataclass(frozen=True, slots=True)
class _Mold:
    """What is put into a mold, and what that is made to: plan outline, gap between side pieces,
    jackets."""

    piece: Workpiece
    made: Plugged
    outline: shapely.Polygon
    gap_mm: float
    jacket: JacketSizes | None
    filament: Filament


@dataclass(frozen=True, slots=True)
class _Built:
    """A piece in its mold, its side pieces as planned, and what keeps them from opening."""

    piece: Workpiece
    plan: Sides
    sides: dict[str, solid.Solid]
    hold: Hold | None


def _other_plans(surface: Surface, tried: list[Sides]) -> Iterator[Sides]:
    """Plans of all numbers of side pieces that were not tried, fewest first."""
    known = {plan.count for plan in tried}
    for count in range(2, MOST_SIDES + 1):
        if count not in known:
            yield from planned(surface, count)


def _that_opens(
    mold: _Mold, surface: Surface, tried: list[Sides], others: Iterable[Sides]
) -> _Built | None:
    """The mold of the fewest side pieces, of another number, that come off when moved."""
    for plan in others:
        if plan.releases:
            made = _built(mold, surface, [*tried, plan])
            if made.hold is None:
                return made
    return None


def _softer(mold: _Mold, surface: Surface, plans: list[Sides]) -> tuple[int, float] | None:
    """The number of side pieces and the undercut permitted with which they come off when moved,
    where it is the casting alone that they are held by."""
    least = min(plans, key=lambda plan: plan.depth_mm)
    if least.depth_mm < surface.permitted_mm * least.strain:  # a print, which gives way by nothing
        return None
    depth = least.depth_mm
    for _ in range(2):
        permitted = float(np.ceil(10 * depth)) / 10
        if not surface.permitted_mm < permitted <= _MOST_PERMITTED_MM:
            return None
        soft = replace(surface, permitted_mm=permitted)
        (plan,) = planned(soft, least.count)
        hold = _built(mold, soft, [plan]).hold if plan.releases else None
        if plan.releases and hold is None:
            return least.count, permitted
        if hold is None or not hold.in_casting:
            return None
        depth = hold.depth_mm
    return None


def sides_that_release(piece: Workpiece, permitted_mm: float = 2.0) -> int | None:
    """How many side pieces come off the piece's pad when moved; None where six do not or none can
    be made."""
    try:
        piece = in_mold_frame(piece, np.asarray(axis_of(piece)))
        made = plugged(piece, _LEAST_PRINT_MM)
        surface = surface_of(made, permitted_mm)
        outline = _outline(made, "outline", _USUAL_FLANGE_MM)
        mold = _Mold(piece, made, outline, 0.0, None, Filament())
        found = _that_opens(mold, surface, [], _other_plans(surface, []))
    except MoldsmithError:
        return None
    return None if found is None else found.plan.count


def _check(pieces: int, permitted: float, gap: float) -> None:
    if pieces != 0 and not 2 <= pieces <= MOST_SIDES:
        raise BadParameter(
            f"pieces = {pieces}", f"Choose 2 to {MOST_SIDES} side pieces, or 0 for the fewest"
        )
    if not 0.1 <= permitted <= _MOST_PERMITTED_MM:
        raise BadParameter(f"permitted_undercut_mm = {permitted:g}", "Choose 0.1 to 20 mm")
    if not 0 <= gap <= 0.5:
        raise BadParameter(f"parting_gap_mm = {gap:g}", "Choose 0 to 0.5 mm")


def _built(mold: _Mold, surface: Surface, plans: list[Sides]) -> _Built:
    made, plan, outline = mold.made, plans[-1], mold.outline
    whole = block_of(outline, made)
    core = solid.intersection(made.core, whole)
    banded, grooves = grooved(whole, outline, made.low_mm, made.high_mm)
    within = solid.extrude(outline, made.low_mm + 1, made.high_mm - 1)
    jackets = None
    if mold.jacket is not None:
        jackets = side_jackets(whole, core, outline, made, surface, plan, mold.jacket)
        banded, core = solid.intersection(banded, jackets.body), jackets.core
        within = solid.intersection(within, jackets.body)
    sides = side_solids(banded, made, surface, plan, mold.gap_mm)
    sides, relieved_mm3 = relieved_sides(sides, made, surface, plan)
    sides, core, joints = keyed(sides, core, made, surface, plan, outline, within)
    bodies = {f"side-{number}": side for number, side in enumerate(sides, start=1)}
    low = made.low_mm
    shift = np.eye(4)
    shift[2, 3] = -low
    meshes = {
        name: solid.printable(solid.moved(body, shift))
        for name, body in {**bodies, "core": core}.items()
    }
    solids = {name: solid.from_mesh(mesh) for name, mesh in meshes.items()}
    ways = {f"side-{k}": way for k, way in enumerate(plan.directions, start=1)}
    stretch, core_way = core_stretch(made, surface)
    releases, stuck = opened(
        solids,
        {**ways, "core": core_way},
        solid.moved(solid.from_mesh(made.pad), shift),
    )
    hold = hold_of(releases, stuck, surface.permitted_mm)
    if hold is not None:
        x, y, z = hold.where
        return _Built(mold.piece, plan, bodies, replace(hold, where=(x, y, z + low)))
    findings = findings_of(joints, plan, stretch, low)
    figures: dict[str, Any] = {
        "style": "pieces",
        "mold_bodies": list(meshes),
        "sides": plan.count,
        "pull_degrees": [round(value, 3) for value in plan.pulls.degrees],
        "pulls": [{"direction": [round(v, 5) for v in way]} for way in plan.directions],
        "held_mm": round(plan.depth_mm, 3),
        "tried": [{"pieces": item.count, "held_mm": round(item.depth_mm, 3)} for item in plans],
        "plane_curtains": [curtain.plane for curtain in plan.curtains],
        "parting_gap_mm": mold.gap_mm,
        "relieved_mm3": round(relieved_mm3, 3),
        "opening": _opening(releases, stretch),
        "joints": [_lowered(joint, low).figures() for joint in joints if joint.pegs],
        "grooves_mm": [round(height - low, 3) for height in grooves],
        "outline_mm": [round(value, 3) for value in outline.bounds],
        "outline_plan": np.round(np.asarray(outline.exterior.coords)[:-1], 4).tolist(),
        "trim_plan": np.round(made.vertices[made.rims[-1]][:, :2], 4).tolist(),
        "axis": np.round(np.column_stack([surface.map.middle, surface.map.z - low]), 3).tolist(),
        "curtains_deg": [np.round(c.degrees % TURNS, 3).tolist() for c in plan.curtains],
        "stops": [],
        "land_mm": 0.0,
        "relief_mm": 0.0,
        "void_cm3": round(float(made.pad.volume) / 1000, 3),
        "block_cm3": round(sum(float(mesh.volume) for mesh in meshes.values()) / 1000, 3),
    }
    if jackets is not None and mold.jacket is not None:
        bends, bending = jacket_bends(jackets, outline, made, surface, plan, mold.jacket)
        figures["jacket"] = jacket_faces(jackets, low)
        figures["jacket"] |= jacket_rows(figures, jackets, solids, bends, mold.filament)
        figures["jacket"]["pressure_kpa"] = round(mold.jacket.pressure_kpa, 3)
        findings += bending
    # The bodies were shifted as solids: what is rounded for STL must not be moved again.
    moved = mold.piece.with_bodies(pad=made.pad).moved(shift).with_named(meshes)
    return _Built(moved.note(figures, findings), plan, bodies, None)


def _opening(releases: list[Release], stretch_percent: float) -> list[dict[str, object]]:
    rows = [item.figures() for item in releases]
    for row in rows:
        if row["body"] == "core":
            row["casting_stretch_percent"] = round(stretch_percent, 1)
    return rows


def _lowered(joint: Joint, low: float) -> Joint:
    pegs = tuple(replace(peg, base=(*peg.base[:2], peg.base[2] - low)) for peg in joint.pegs)
    return replace(joint, pegs=pegs)
