"""Mold bodies round the pad: cavity and core, cavity and lid, or side pieces round a core."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry import solid
from ..ranges import check_range
from ..stage import stage
from ..supplies.filament import Filament
from ..supplies.materials import Material
from ..workpiece import Finding, Vector, Workpiece
from .block_findings import blocked_out_finding, held_findings, told_findings
from .casting import (
    cast_of,
    eased_by,
    flat_backed,
    in_mold_frame,
    told_apart,
    with_room_for_coat,
)
from .enclosing import Outer, outline_of, relieved, stitched
from .jackets.jacketing import JacketSizes, jackets_of
from .lifting import cover_release
from .parting import hindrance, parting_sheet
from .pressure import assumed_kpa, head_kpa
from .release.blocking_out import fill_undercuts, filled_picture
from .release.draft import Undercut, best_pulls, undercut
from .release.draft_map import PERMITTED_PERCENT, draft_figures, draft_picture
from .sheet_lids import SHEET_MM, LidKind, check_has_lid, sheet_check
from .shutoff import shut_off, shut_off_figures, shut_off_findings
from .side_pieces.building import block_of_sides

__all__ = ["Outer", "Style", "block"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Style = Literal["lidded", "cored", "pieces"]
_RAY_MM = 0.5
_MIX_KG_M3 = 1100.0  # liquid polyurethanes and silicones, 1000 to 1250 (from memory)


@stage
def block(
    piece: Workpiece,
    *,
    style: Style = "cored",
    outer: Outer = "rectangle",
    wall_mm: float = 6.0,
    floor_mm: float = 6.0,
    flange_mm: float = 24.0,
    land_mm: float = 8.0,
    relief_mm: float = 0.5,
    pull: Vector | None = None,
    pieces: int = 0,
    permitted_undercut_mm: float = 2.0,
    parting_gap_mm: float = 0.0,
    block_out: bool = False,
    permitted_undercut_percent: float | None = None,
    rib_mm: float = 2.4,
    rib_spacing_mm: float = 90.0,
    pressure_kpa: float | None = None,
    bend_limit_mm: float = 0.5,
    lid: LidKind = "printed",
    lid_thickness_mm: float | None = None,
    filament: Filament = Filament(),  # noqa: B008 - frozen, so one default serves all calls
    material: Material | None = None,
) -> Workpiece:
    """Put the pad into mold bodies that enclose it.

    Parameters
    ----------
    style : 'cored', cavity and core with the pad as the gap between them;
        'lidded', an open cavity and a flat lid, the pad's back made flat; 'pieces', side
        pieces round a core, for a sleeve or a deeply curved cap
    outer : 'rectangle'; 'outline' that follows the pad (less filament); 'jacket', a rectangle
        hollowed out from the bed under a wall of `wall_mm`, on ribs (least filament), or side
        pieces that follow the pad at that wall, with flanges and upright ribs, and a hollow core
    wall_mm : least material beside the pad; 1.2 to 60
    floor_mm : least material under and over the pad, and the lid's thickness; wall_mm to 100
    flange_mm : width of the parting surface round the pad; wall_mm to 150
    land_mm : width of the band round the rim on which cavity and core shut; 2 to flange_mm
    relief_mm : how far the core clears the cavity's flange outside the land, but for
        the stops that hold the gap; 0 for full contact
    pull : direction (scan coordinates) in which the casting leaves the cavity; found when left
        out: least undercut depth first, then least tilt from the face's mean. With style
        'pieces' the axis that is to stand upright, along a sleeve or out of a cap's top
    pieces : with style 'pieces', how many side pieces, 2 to 6; 0 for the fewest that release
    permitted_undercut_mm : with style 'pieces', how far the casting may be held by a side
        piece as it leaves, 0.1 to 20; 2 mm suits flexible foam (common practice)
    parting_gap_mm : with style 'pieces', what side pieces stand off each other, 0 to 0.5: 0 for
        faces that touch; twice the seal coat where they are coated too
    block_out : fill what of the cavity hangs over the casting along the pull, so that a rigid
        mold lets go; the casting gains that volume
    permitted_undercut_percent : what the casting may give to leave the cavity, (D - d) / d of
        its width D and the throat's d, 0 to 200; the material's when left out, 20 without one
        (soft foam takes 20 to 50, from memory)
    rib_mm, rib_spacing_mm : of a jacket, 1.2 to 20 and 20 to 200
    pressure_kpa : of the mix besides the weight of its column, for jackets and sheet lids,
        0 to 400; left out, the bound of the material in a sealed mold, 11 without one
    bend_limit_mm : by which jackets and sheet lids may give way, 0.05 to 5
    lid, lid_thickness_mm : with style 'lidded': 'printed', or cut from 'sheet' (acrylic) of
        2 to 30 mm; floor_mm thick when left out
    filament, material : for weights, the mix's density and what it can stretch

    Makes bodies 'cavity' and 'core' or 'lid'. All bodies move into the mold frame: z is the pull,
    the cavity stands on z = 0. With style 'lidded' the pad is made anew with its flat back. Style
    'pieces' makes 'side-1' to 'side-N' and 'core', which its ends beyond the trim lines (core
    prints) hold; ``opening`` in the figures is the order to open them in, each step verified.
    Side pieces leave level: at its seams a half bears on faces that look up and on others that
    look down, print or bulge, and a tilted way runs into one or the other. A fold that opens
    along the axis alone, which one of three or more might leave by a tilted way, is refused.

    Findings: 'not-released' (a stop) where side pieces, planned or moved out, hold the casting
    deeper than permitted or block each other, with the number that came off when moved out, if
    any, and the picture ``failed-held.png``; 'undercut-rigid' where core and cavity lock,
    'undercut-casting' where the casting must flex to leave the cavity, 'flat-back',
    'no-room-for-stops', 'stretch-off-core', 'few-keys', 'no-room-for-key', 'flash', 'land-narrow'
    and 'parting-overlaps' round the rim, 'blocked-out', 'jacket-bends', 'jacket-wall-bends',
    'lid-bends'.

    Attaches ``draft.ply``, the casting's face coloured by its draft, ``block_out.ply``, the
    casting coloured by how far it was filled, and ``held.png``, where core and cavity lock.

    Raises
    ------
    BadParameter : a size out of range, or thinner than the wall; a lid from sheet, blocking
        out with a style that has no place for it
    CannotBuild : the pad is closed all round, or the trim line crosses itself along the pull
    """
    _check_style(style, block_out, lid)
    _check_sizes(wall_mm, floor_mm, flange_mm, land_mm, relief_mm)
    permitted = _permitted(permitted_undercut_percent, material)
    lid_mm = floor_mm if lid_thickness_mm is None else lid_thickness_mm
    mix_kpa = assumed_kpa(material) if pressure_kpa is None else pressure_kpa
    check_has_lid(style, lid_thickness_mm)
    _check_more(rib_mm, rib_spacing_mm, mix_kpa, bend_limit_mm, permitted, lid, lid_mm)
    density = material.mix_density_kg_m3 if material else _MIX_KG_M3
    if style == "pieces":
        return block_of_sides(
            piece,
            outer=outer,
            wall_mm=wall_mm,
            floor_mm=floor_mm,
            flange_mm=flange_mm,
            pull=pull,
            pieces=pieces,
            permitted_undercut_mm=permitted_undercut_mm,
            parting_gap_mm=parting_gap_mm,
            jacket=JacketSizes(wall_mm, rib_mm, rib_spacing_mm, mix_kpa, bend_limit_mm),
            mix_kg_m3=density,
            filament=filament,
        )
    piece = with_room_for_coat(piece)
    pulls = _pulls(piece, pull)
    piece = in_mold_frame(piece, np.array(pulls[0].direction))
    cast = cast_of(piece)
    if style == "lidded":
        cast = flat_backed(cast, float(piece.record("shell")["parameters"]["edge_mm"]))
    outline = outline_of(cast, outer, max(wall_mm, flange_mm))
    loop = cast.vertices[cast.loop]
    flat_at = None if style == "cored" else float(loop[:, 2].max())
    sheet = parting_sheet(loop, outline, flat_at)
    low = float(cast.vertices[:, 2].min()) - floor_mm
    cavity = stitched(cast.vertices, cast.show[:, ::-1], cast.loop, sheet, low, up=True)
    if style == "lidded":
        cover = solid.extrude(outline, float(flat_at or 0), float(flat_at or 0) + lid_mm)
    else:
        top = max(float(cast.vertices[:, 2].max()), float(sheet.points[:, 2].max())) + floor_mm
        cover = stitched(cast.vertices, cast.back[:, ::-1], cast.loop, sheet, top, up=False)
    pad, filled = cast.mesh, None
    if block_out:
        filled = fill_undercuts(cavity, cover, solid.from_mesh(pad))
        cavity, cover, pad = filled.cavity, filled.cover, solid.printable(filled.pad)
    shadow = solid.shadow(pad)
    stops = np.empty((0, 2))
    if style == "cored":
        cover, stops = relieved(cover, pad, sheet, outline, land_mm, relief_mm)
    covering = "lid" if style == "lidded" else "core"
    bodies = {"cavity": cavity, covering: cover}
    shift = np.eye(4)
    shift[2, 3] = -low
    load_kpa = mix_kpa + head_kpa(float(np.ptp(pad.bounds[:, 2])), density)
    more: dict[str, Any] = {"draft": draft_figures(cast.vertices, cast.show)}
    findings: list[Finding] = []
    if outer == "jacket":
        sizes = JacketSizes(wall_mm, rib_mm, rib_spacing_mm, load_kpa, bend_limit_mm)
        kept = {name: body for name, body in bodies.items() if (name, lid) != ("lid", "sheet")}
        jackets = jackets_of(kept, outline, stops, shadow, sizes, filament, low)
        bodies |= jackets.bodies
        more["jacket"], findings = jackets.figures, jackets.findings
    meshes = {name: solid.printable(body) for name, body in bodies.items()}
    if style == "lidded" and lid == "sheet":
        more["lid"], bending = sheet_check(shadow, lid_mm, load_kpa, bend_limit_mm)
        findings += bending
    shut = shut_off(meshes["cavity"], meshes[covering], shadow, outline, land_mm)
    more["land"] = shut_off_figures(shut, sheet, land_mm)
    findings += shut_off_findings(shut, sheet, land_mm, relief_mm)
    drag = hindrance(pad, meshes["cavity"], _RAY_MM)
    more["undercut"] = {
        "depth_mm": round(drag.depth_mm, 2),
        "percent": round(drag.stretch_percent, 2),
        "permitted_percent": permitted,
    }
    release, locked, shown = cover_release(piece, meshes)
    findings += [*locked, *told_findings(pad, style, piece, stops, relief_mm)]
    findings += held_findings(drag, permitted, block_out)
    attachments = {"draft.ply": draft_picture(cast.vertices - [0, 0, low], cast.show), **shown}
    if filled is not None:
        more["block_out"] = {
            "added_cm3": round(filled.added_mm3 / 1000, 3),
            "from_core_cm3": round(filled.hooked_mm3 / 1000, 3),
            "area_mm2": round(filled.area_mm2, 1),
        }
        findings.append(blocked_out_finding(filled.added_mm3, filled.area_mm2))
        lowered_pad, before = pad.copy(), cast.mesh
        lowered_pad.apply_translation([0, 0, -low])
        before.apply_translation([0, 0, -low])
        attachments["block_out.ply"] = filled_picture(lowered_pad, before)
    figures = {
        "style": style,
        "mold_bodies": list(meshes),
        "outline_mm": [round(value, 3) for value in outline.bounds],
        "parting_height_mm": [
            round(float(sheet.points[:, 2].min() - low), 3),
            round(float(sheet.points[:, 2].max() - low), 3),
        ],
        "trim_plan": np.round(loop[:, :2], 4).tolist(),
        "outline_plan": np.round(np.asarray(outline.exterior.coords)[:-1], 4).tolist(),
        "stops": np.round(stops, 3).tolist(),
        "land_mm": land_mm,
        "relief_mm": relief_mm if style == "cored" else 0.0,
        "trim_line_eased_mm": round(eased_by(piece, cast), 3),
        "pulls": [_pull_figures(item) for item in pulls[:3]],
        "opening": [release.figures()],
        "void_cm3": round(float(pad.volume) / 1000, 3),
        "block_cm3": round(sum(float(mesh.volume) for mesh in meshes.values()) / 1000, 3),
        **more,
    }
    moved = piece.with_bodies(pad=pad).with_named(meshes).moved(shift)
    lowered = [
        Finding(f.code, f.severity, f.message, f.body, f.where and (*f.where[:2], f.where[2] - low))
        for f in findings
    ]
    return moved.note(figures, lowered, attachments)


def _check_sizes(wall: float, floor: float, flange: float, land: float, relief: float) -> None:
    if not 1.2 <= wall <= 60:
        raise BadParameter(f"wall_mm = {wall:g}", "Choose 1.2 (three printed lines) to 60 mm")
    for key, value, most in (("floor_mm", floor, 100), ("flange_mm", flange, 150)):
        if not wall <= value <= most:
            raise BadParameter(
                f"{key} = {value:g}: the block would be thinner than its wall of {wall:g} mm",
                f"Choose {wall:g} (wall_mm) to {most} mm",
            )
    if not 2 <= land <= flange:
        raise BadParameter(f"land_mm = {land:g}", f"Choose 2 to {flange:g} mm (flange_mm)")
    if not 0 <= relief <= 2:
        raise BadParameter(f"relief_mm = {relief:g}", "Choose 0 to 2 mm")


def _check_style(style: Style, block_out: bool, lid: LidKind) -> None:
    """Refuse what a style has no place for, rather than leave it out unsaid."""
    if block_out and style == "pieces":
        raise BadParameter(
            "block_out = true with style 'pieces': what hangs over is left to the side pieces' "
            "own pulls, and nothing is filled",
            "Choose block_out = false, and more pieces where the casting is held",
        )
    if lid == "sheet" and style != "lidded":
        raise BadParameter(
            f"lid = 'sheet' with style '{style}', which has no lid",
            "Choose style = 'lidded', or lid = 'printed'",
        )


def _permitted(percent: float | None, material: Material | None) -> float:
    if percent is not None:
        return percent
    return PERMITTED_PERCENT if material is None else material.permitted_undercut_percent


def _check_more(
    rib: float,
    spacing: float,
    pressure: float,
    bend: float,
    permitted: float,
    lid: LidKind,
    lid_mm: float,
) -> None:
    thin, thick = SHEET_MM if lid == "sheet" else (1.2, 100.0)
    ranges = (
        ("rib_mm", rib, 1.2, 20.0),
        ("rib_spacing_mm", spacing, 20.0, 200.0),
        ("pressure_kpa", pressure, 0.0, 400.0),
        ("bend_limit_mm", bend, 0.05, 5.0),
        ("permitted_undercut_percent", permitted, 0.0, 200.0),
        ("lid_thickness_mm", lid_mm, thin, thick),
    )
    for key, value, least, most in ranges:
        check_range(key, value, least, most)


def _pulls(piece: Workpiece, pull: Vector | None) -> list[Undercut]:
    """The pull given, or the best found and its runners-up, with what each would hold."""
    pad, show = piece.body("pad"), told_apart(piece)[0]
    if pull is None:
        return best_pulls(pad.vertices, show)
    direction = np.asarray(pull, dtype=float)
    if direction.shape != (3,) or not np.linalg.norm(direction) > 1e-9:
        raise BadParameter(f"pull = {pull}", "Give a direction as three numbers, not all 0")
    return [undercut(pad.vertices, show, direction)]


def _pull_figures(item: Undercut) -> dict[str, object]:
    return {
        "direction": [round(value, 5) for value in item.direction],
        "undercut_mm2": round(item.area_mm2, 1),
        "undercut_depth_mm": round(item.depth_mm, 2),
        "stretch_percent": round(item.stretch_percent, 2),
    }
