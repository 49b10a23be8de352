"""Mold bodies round the pad: cavity and core, or cavity and lid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter, CannotBuild
from ..geometry import solid, terrain
from ..geometry.placing import discs, spread_discs
from ..geometry.topology import border_loops
from ..stage import stage
from ..workpiece import Finding, Vector, Workpiece
from .parting import (
    PartingSheet,
    eased_trim,
    hindrance,
    parting_sheet,
    pull_direction,
    trim_plan,
)

__all__ = ["Outer", "Style", "block"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Style = Literal["lidded", "cored"]
Outer = Literal["rectangle", "outline"]
_STOP_RADIUS_MM = 5.0
_RELIEF_BELOW_MM = 1.0
_APRON_MM = 1.0


@dataclass(frozen=True, slots=True)
class _Cast:
    """What will be cast, in the mold frame: its surface told apart.

    show : faces that lie in the cavity; back : faces that look at core or lid;
    loop : vertex numbers of the trim line between them, anticlockwise seen from above
    """

    vertices: Floats
    show: Ints
    back: Ints
    loop: Ints

    @property
    def mesh(self) -> trimesh.Trimesh:
        return trimesh.Trimesh(self.vertices, np.concatenate([self.show, self.back]), process=False)


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
) -> Workpiece:
    """Put the pad into mold bodies that enclose it.

    Parameters
    ----------
    style : 'cored', cavity and core with the pad as the gap between them;
        'lidded', an open cavity and a flat lid, the pad's back made flat
    outer : 'rectangle', or 'outline' that follows the pad (less filament)
    wall_mm : least material beside the pad; 1.2 to 60
    floor_mm : least material under and over the pad, and the lid's thickness; wall_mm to 100
    flange_mm : width of the parting surface round the pad; wall_mm to 150
    land_mm : width of the band round the rim on which cavity and core shut; 2 to flange_mm
    relief_mm : how far the core clears the cavity's flange outside the land, but for
        the stops that hold the gap; 0 for full contact
    pull : direction (scan coordinates) in which the casting leaves the cavity; found when left out

    Makes bodies 'cavity' and 'core' or 'lid'. All bodies move into the mold
    frame: z is the pull, the cavity stands on z = 0. With style 'lidded' the
    pad is made anew with its flat back.

    Findings: 'undercut-rigid' where core and cavity lock, 'undercut-casting'
    where the casting must flex to leave the cavity, 'flat-back', 'no-room-for-stops'.

    Raises
    ------
    BadParameter : a size out of range, or thinner than the wall
    CannotBuild : the pad is closed all round, or the trim line crosses itself along the pull
    """
    _check_sizes(style, outer, wall_mm, floor_mm, flange_mm, land_mm, relief_mm)
    piece = _in_mold_frame(_with_room_for_coat(piece), pull)
    cast = _cast(piece)
    if style == "lidded":
        cast = _flat_backed(cast, float(piece.record("shell")["parameters"]["edge_mm"]))
    outline = _outline(cast, outer, max(wall_mm, flange_mm))
    loop = cast.vertices[cast.loop]
    flat_at = None if style == "cored" else float(loop[:, 2].max())
    sheet = parting_sheet(loop, outline, flat_at)
    low = float(cast.vertices[:, 2].min()) - floor_mm
    cavity = _stitched(cast.vertices, cast.show[:, ::-1], cast.loop, sheet, low, up=True)
    pad = cast.mesh
    if style == "lidded":
        lid = solid.extrude(outline, float(flat_at or 0), float(flat_at or 0) + floor_mm)
        bodies, stops = {"cavity": cavity, "lid": lid}, np.empty((0, 2))
    else:
        top = max(float(cast.vertices[:, 2].max()), float(sheet.points[:, 2].max())) + floor_mm
        core = _stitched(cast.vertices, cast.back[:, ::-1], cast.loop, sheet, top, up=False)
        core, stops = _relieved(core, cast, sheet, outline, land_mm, relief_mm)
        bodies = {"cavity": cavity, "core": core}
    shift = np.eye(4)
    shift[2, 3] = -low
    meshes = {name: solid.printable(body) for name, body in bodies.items()}
    findings = _findings(meshes, pad, style, piece, stops, relief_mm)
    figures = {
        "style": style,
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
        "trim_line_eased_mm": round(_eased_by(piece, cast), 3),
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
    if style not in ("lidded", "cored"):
        raise BadParameter(f"style = {style!r}", "Choose 'lidded' or 'cored'")
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


def _with_room_for_coat(piece: Workpiece) -> Workpiece:
    """The piece with the pad grown by the seal coat, where shell made such a one, as its pad."""
    if "void" not in piece.bodies:
        return piece
    return piece.with_bodies(pad=piece.body("void")).without("void")


def _in_mold_frame(piece: Workpiece, pull: Vector | None) -> Workpiece:
    """The piece turned so that z is the pull and its plan lies square in x and y, at 0, 0."""
    pad = piece.body("pad")
    show = _told_apart(piece)[0]
    if pull is None:
        direction = pull_direction(pad.vertices, show)
    else:
        direction = np.asarray(pull, dtype=float)
        if direction.shape != (3,) or not np.linalg.norm(direction) > 1e-9:
            raise BadParameter(f"pull = {pull}", "Give a direction as three numbers, not all 0")
        direction = direction / np.linalg.norm(direction)
    turn = solid.rotation_to(direction).T
    plan = (pad.vertices @ turn.T)[:, :2]
    square = _square_turn(plan)
    turn = square @ turn
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = -np.floor((pad.vertices @ turn.T).min(axis=0))
    moved = piece.moved(matrix)
    frame = moved.frame
    return Workpiece(
        moved.name,
        moved.bodies,
        type(frame)(frame.up, frame.facing, (0.0, 0.0, 1.0), frame.moved),
        moved.records,
        moved.folder,
    )


def _square_turn(plan: Floats) -> Floats:
    """The turn about z that lays the smallest rectangle round the plan square, long side in x."""
    box = shapely.minimum_rotated_rectangle(shapely.MultiPoint(plan))
    corners = np.asarray(box.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    x, y = sides[int(np.argmax(np.linalg.norm(sides, axis=1)))]
    if x < -1e-9 or (abs(x) <= 1e-9 and y < 0):
        x, y = -x, -y
    length = np.hypot(x, y)
    return np.asarray(np.array([[x, y, 0], [-y, x, 0], [0, 0, length]]) / length)


def _told_apart(piece: Workpiece) -> tuple[Ints, Ints]:
    """The pad's faces that show on the finished piece, and those of its back."""
    faces = np.asarray(piece.body("pad").faces)
    record = piece.record("shell")
    scanned = int(record["figures"]["scanned_face_triangles"])
    first, rest = faces[:scanned], faces[scanned:]
    return (first, rest) if record["parameters"]["side"] == "inward" else (rest, first)


def _cast(piece: Workpiece) -> _Cast:
    pad = piece.body("pad")
    show, back = _told_apart(piece)
    loops = border_loops(show)
    if len(loops) != 1:
        sizes = sorted((_extent(pad.vertices[loop]) for loop in loops), reverse=True)
        raise CannotBuild(
            f"the pad has {len(loops)} trim lines ({', '.join(f'{s:.0f} mm' for s in sizes)} "
            "across): a cavity and a core close round one",
            "Crop to a patch with one rim (half a sleeve at a time), or fill the holes in heal",
        )
    loop = loops[0]
    vertices = eased_trim(np.asarray(pad.vertices), np.asarray(pad.faces), loop)
    if not trim_plan(vertices[loop]).exterior.is_ccw:
        loop = loop[::-1]
    return _Cast(vertices, show, back, loop)


def _eased_by(piece: Workpiece, cast: _Cast) -> float:
    """How far the trim line was smoothed at most."""
    before = np.asarray(piece.body("pad").vertices)
    return float(np.abs(cast.vertices[: len(before)] - before).max())


def _extent(points: Floats) -> float:
    return float(np.ptp(points, axis=0).max())


def _flat_backed(cast: _Cast, edge_mm: float) -> _Cast:
    """The cast with its back cut off flat, just over the highest of trim line and face."""
    loop = cast.loop
    used = np.unique(cast.show)
    top = max(cast.vertices[loop, 2].max() + edge_mm, cast.vertices[used, 2].max() + edge_mm)
    count = len(cast.vertices)
    raised = cast.vertices[loop].copy()
    raised[:, 2] = top
    lifted = np.arange(count, count + len(loop))
    following, above = np.roll(loop, -1), np.roll(lifted, -1)
    walls = np.concatenate(
        [
            np.stack([loop, following, above], axis=1),
            np.stack([loop, above, lifted], axis=1),
        ]
    )
    cap = lifted[solid.triangulate([raised[:, :2]])]
    return _Cast(
        np.concatenate([cast.vertices, raised]), np.concatenate([cast.show, walls]), cap, lifted
    )


def _outline(cast: _Cast, outer: Outer, margin: float) -> shapely.Polygon:
    """The plan outline of the block: the pad's shadow and a margin round it."""
    shadow = solid.silhouette(solid.from_mesh(cast.mesh))
    if outer == "rectangle":
        low_x, low_y, high_x, high_y = shadow.bounds
        return shapely.box(low_x - margin, low_y - margin, high_x + margin, high_y + margin)
    wide = shapely.union_all(shadow).buffer(margin + 20).buffer(-20).simplify(0.2)
    return shapely.Polygon(max(shapely.get_parts(wide), key=lambda part: part.area).exterior)


def _stitched(
    vertices: Floats, face: Ints, loop: Ints, sheet: PartingSheet, base: float, *, up: bool
) -> solid.Solid:
    """The body bounded by a face of the cast, the parting sheet, upright sides and a flat base.

    up : the body lies under face and sheet (a cavity); else over them (a core)
    """
    offset = len(vertices)
    points = np.concatenate([vertices, sheet.points])
    number = np.arange(len(sheet.points)) + offset
    number[sheet.outer : sheet.outer + sheet.inner] = loop[::-1]
    flange = number[sheet.faces]
    rim = number[: sheet.outer]
    foot = np.arange(sheet.outer) + len(points)
    ground = sheet.points[: sheet.outer].copy()
    ground[:, 2] = base
    points = np.concatenate([points, ground])
    after, foot_after = np.roll(rim, -1), np.roll(foot, -1)
    sides = np.concatenate(
        [
            np.stack([foot, foot_after, after], axis=1),
            np.stack([foot, after, rim], axis=1),
        ]
    )
    bottom = foot[solid.triangulate([ground[:, :2]])][:, ::-1]
    rest = np.concatenate([flange, sides, bottom])
    faces = np.concatenate([face, rest if up else rest[:, ::-1]])
    used, faces = np.unique(faces, return_inverse=True)
    return solid.from_arrays(points[used], faces.reshape(-1, 3))


def _relieved(
    core: solid.Solid,
    cast: _Cast,
    sheet: PartingSheet,
    outline: shapely.Polygon,
    land_mm: float,
    relief_mm: float,
) -> tuple[solid.Solid, Floats]:
    """The core hollowed over the flange outside the land, but for the stops; and their places."""
    shadow = shapely.union_all(solid.silhouette(solid.from_mesh(cast.mesh)))
    region = outline.difference(shadow.buffer(land_mm))
    if relief_mm == 0 or region.is_empty:
        return core, np.empty((0, 2))
    stops = spread_discs(region, _STOP_RADIUS_MM, 4 * _STOP_RADIUS_MM, 6)
    # Hollow past the outline: no paper-thin skin may stand at the outer wall.
    wide = outline.buffer(_APRON_MM, join_style="mitre").difference(shadow.buffer(land_mm))
    hollow = wide.difference(discs(stops, _STOP_RADIUS_MM))
    points, faces = terrain.with_apron(sheet.points, sheet.faces, sheet.outer, 2 * _APRON_MM)
    over = terrain.slab(points, faces, -_RELIEF_BELOW_MM, relief_mm)
    low, high = float(sheet.points[:, 2].min()) - 10, float(sheet.points[:, 2].max()) + 10
    prism = solid.extrude(hollow, low, high)
    return solid.difference(core, solid.intersection(over, prism)), stops


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
        lock = hindrance(meshes["core"], cavity)
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
    drag = hindrance(pad, cavity)
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
