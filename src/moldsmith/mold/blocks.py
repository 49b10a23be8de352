"""Mold bodies round the pad: cavity and core, or cavity and lid."""

from __future__ import annotations

from typing import Literal

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry import solid
from ..stage import stage
from ..workpiece import Finding, Vector, Workpiece
from .casting import (
    cast_of,
    eased_by,
    flat_backed,
    in_mold_frame,
    told_apart,
    with_room_for_coat,
)
from .draft import Undercut, best_pulls, undercut
from .enclosing import Outer, outline_of, relieved, stitched
from .parting import hindrance, parting_sheet
from .side_blocks import block_of_sides

__all__ = ["Outer", "Style", "block"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Style = Literal["lidded", "cored", "pieces"]
_RAY_MM = 0.5


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
    permitted_undercut_mm: float = 1.0,
) -> Workpiece:
    """Put the pad into mold bodies that enclose it.

    Parameters
    ----------
    style : 'cored', cavity and core with the pad as the gap between them;
        'lidded', an open cavity and a flat lid, the pad's back made flat; 'pieces', side
        pieces round a core, for a sleeve or a deeply curved cap
    outer : 'rectangle', or 'outline' that follows the pad (less filament)
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
        piece as it leaves, 0.1 to 20; 1 mm suits flexible foam (common practice)

    Makes bodies 'cavity' and 'core' or 'lid'. All bodies move into the mold
    frame: z is the pull, the cavity stands on z = 0. With style 'lidded' the
    pad is made anew with its flat back. Style 'pieces' makes 'side-1' to 'side-N', which
    leave level, and 'core', which its ends beyond the trim lines (core prints) hold;
    ``opening`` in the figures is the order to open them in, each step verified.

    Findings: 'not-released' (a stop) where side pieces hold the casting deeper than
    permitted, with what number would release it and the picture ``held.png``;
    'undercut-rigid' where core and cavity lock, 'undercut-casting' where the casting must
    flex to leave the cavity, 'flat-back', 'no-room-for-stops', 'stretch-off-core', 'no-order', 'no-room-for-key', 'few-keys'.

    Raises
    ------
    BadParameter : a size out of range, or thinner than the wall
    CannotBuild : the pad is closed all round, or the trim line crosses itself along the pull
    """
    _check_sizes(style, outer, wall_mm, floor_mm, flange_mm, land_mm, relief_mm)
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
        cover = solid.extrude(outline, float(flat_at or 0), float(flat_at or 0) + floor_mm)
    else:
        top = max(float(cast.vertices[:, 2].max()), float(sheet.points[:, 2].max())) + floor_mm
        cover = stitched(cast.vertices, cast.back[:, ::-1], cast.loop, sheet, top, up=False)
    pad = cast.mesh
    stops = np.empty((0, 2))
    if style == "cored":
        cover, stops = relieved(cover, pad, sheet, outline, land_mm, relief_mm)
    bodies = {"cavity": cavity, "lid" if style == "lidded" else "core": cover}
    shift = np.eye(4)
    shift[2, 3] = -low
    meshes = {name: solid.printable(body) for name, body in bodies.items()}
    findings = _findings(meshes, pad, style, piece, stops, relief_mm)
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
        "void_cm3": round(float(pad.volume) / 1000, 3),
        "block_cm3": round(sum(float(mesh.volume) for mesh in meshes.values()) / 1000, 3),
    }
    moved = piece.with_bodies(pad=pad).with_named(meshes).moved(shift)
    lowered = [
        Finding(f.code, f.severity, f.message, f.body, f.where and (*f.where[:2], f.where[2] - low))
        for f in findings
    ]
    return moved.note(figures, lowered)


def _check_sizes(
    style: str, outer: str, wall: float, floor: float, flange: float, land: float, relief: float
) -> None:
    if style not in ("lidded", "cored", "pieces"):
        raise BadParameter(f"style = {style!r}", "Choose 'lidded', 'cored' or 'pieces'")
    if outer not in ("rectangle", "outline"):
        raise BadParameter(f"outer = {outer!r}", "Choose 'rectangle' or 'outline'")
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
    }


def _findings(
    meshes: dict[str, trimesh.Trimesh],
    pad: trimesh.Trimesh,
    style: Style,
    piece: Workpiece,
    stops: Floats,
    relief_mm: float,
) -> list[Finding]:
    findings = []
    cavity = meshes["cavity"]
    if style == "cored":
        lock = hindrance(meshes["core"], cavity, _RAY_MM)
        if lock.area_mm2 > 0:
            findings.append(
                Finding(
                    "undercut-rigid",
                    "warning",
                    f"core and cavity lock over {lock.area_mm2 / 100:.1f} cm², {lock.depth_mm:.1f} "
                    "mm deep: the printed core does not lift straight out. Crop less far round "
                    "the body, or try another pull",
                    "core",
                    lock.where,
                )
            )
        if relief_mm > 0 and len(stops) < 3:
            findings.append(
                Finding(
                    "no-room-for-stops",
                    "warning",
                    f"only {len(stops)} of 3 stops found room outside the land: the land alone "
                    "holds the gap. Make flange_mm larger or land_mm smaller",
                    "core",
                )
            )
    drag = hindrance(pad, cavity, _RAY_MM)
    if drag.area_mm2 > 0:
        findings.append(
            Finding(
                "undercut-casting",
                "warning" if drag.depth_mm > 3 else "note",
                f"the casting is held back over {drag.area_mm2 / 100:.1f} cm², "
                f"{drag.depth_mm:.1f} mm deep: it must flex to leave the cavity. A soft foam "
                "does (common practice), a stiff material does not",
                "cavity",
                drag.where,
            )
        )
    if style == "lidded":
        before = float(piece.body("pad").volume)
        findings.append(
            Finding(
                "flat-back",
                "note",
                f"the pad's back is now flat: {pad.volume / 1000:.0f} cm³ to cast, "
                f"{(pad.volume - before) / 1000:+.0f} cm³ against the even thickness",
                "pad",
            )
        )
    return findings
