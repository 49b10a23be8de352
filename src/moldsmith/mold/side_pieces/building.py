"""A pad that one pull cannot release, put into side pieces round a core."""

from __future__ import annotations

from collections.abc import Callable
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
    plans = planned(surface, pieces)
    back = before @ np.linalg.inv(np.asarray(piece.frame.moved))
    if not plans[-1].releases:
        others = [] if pieces == 0 else planned(surface, 0)
        stop = refusal(plans, others, permitted_undercut_mm, back)
        return piece.note({}, [stop], held_picture(made, surface, plans[-1]))

    outline = outline_of(
        Cast(made.vertices, made.show, made.back, made.rims[0]),
        "outline" if outer == "jacket" else outer,  # bands lie on a jacket's ribs all round
        max(wall_mm, flange_mm),
    )
    head = head_kpa(float(np.ptp(made.pad.bounds[:, 2])), mix_kg_m3)
    sizes = replace(jacket, pressure_kpa=jacket.pressure_kpa + head)
    wanted = _Wanted(outline, parting_gap_mm, sizes if outer == "jacket" else None, filament)

    def built(plans: list[Sides]) -> _Built:
        return _built(piece, made, surface, plans, wanted)

    first = built(plans)
    if first.hold is None:
        return first.piece
    other = _that_opens(surface, plans, built)
    if other is not None and pieces == 0:
        return other.piece
    enough = None if other is None else other.plan.count
    stop = unopened(first.hold, first.plan, enough, permitted_undercut_mm, back)
    shown = hold_picture(made, surface, first.plan, first.sides, first.hold)
    return piece.note({}, [stop], shown)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What a mold is made to: its plan outline, the gap between side pieces, jackets."""

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


def _that_opens(
    surface: Surface, tried: list[Sides], built: Callable[[list[Sides]], _Built]
) -> _Built | None:
    """The mold of the fewest side pieces, of another number, that come off when moved."""
    known = {plan.count for plan in tried}
    for count in range(2, MOST_SIDES + 1):
        if count not in known:
            plans = planned(surface, count)
            if plans[-1].releases:
                made = built([*tried, *plans])
                if made.hold is None:
                    return made
    return None


def sides_that_release(piece: Workpiece, permitted_mm: float = 2.0) -> int | None:
    """How many side pieces release the piece's pad; None where six do not or none can be made."""
    try:
        piece = in_mold_frame(piece, np.asarray(axis_of(piece)))
        plan = planned(surface_of(plugged(piece, _LEAST_PRINT_MM), permitted_mm), 0)[-1]
    except MoldsmithError:
        return None
    return plan.count if plan.releases else None


def _check(pieces: int, permitted: float, gap: float) -> None:
    if pieces != 0 and not 2 <= pieces <= MOST_SIDES:
        raise BadParameter(
            f"pieces = {pieces}", f"Choose 2 to {MOST_SIDES} side pieces, or 0 for the fewest"
        )
    if not 0.1 <= permitted <= 20:
        raise BadParameter(f"permitted_undercut_mm = {permitted:g}", "Choose 0.1 to 20 mm")
    if not 0 <= gap <= 0.5:
        raise BadParameter(f"parting_gap_mm = {gap:g}", "Choose 0 to 0.5 mm")


def _built(
    piece: Workpiece, made: Plugged, surface: Surface, plans: list[Sides], wanted: _Wanted
) -> _Built:
    plan, outline = plans[-1], wanted.outline
    whole = block_of(outline, made)
    core = solid.intersection(made.core, whole)
    banded, grooves = grooved(whole, outline, made.low_mm, made.high_mm)
    within = solid.extrude(outline, made.low_mm + 1, made.high_mm - 1)
    jackets = None
    if wanted.jacket is not None:
        jackets = side_jackets(banded, core, outline, made, surface, plan, wanted.jacket)
        banded, core = jackets.body, jackets.core
        within = solid.intersection(within, banded)
    sides = side_solids(banded, made, surface, plan, wanted.gap_mm)
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
        return _Built(piece, plan, bodies, replace(hold, where=(x, y, z + low)))
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
        "parting_gap_mm": wanted.gap_mm,
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
    if jackets is not None and wanted.jacket is not None:
        bends, bending = jacket_bends(jackets, outline, made, surface, plan, wanted.jacket)
        figures["jacket"] = jacket_faces(jackets, low)
        figures["jacket"] |= jacket_rows(figures, jackets, solids, bends, wanted.filament)
        figures["jacket"]["pressure_kpa"] = round(wanted.jacket.pressure_kpa, 3)
        findings += bending
    # The bodies were shifted as solids: what is rounded for STL must not be moved again.
    moved = piece.with_bodies(pad=made.pad).moved(shift).with_named(meshes)
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
