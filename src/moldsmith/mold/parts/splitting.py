"""Mold bodies to printable parts: flange keys, cuts, pegs and sockets, print poses."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ...errors import BadParameter, CannotBuild
from ...geometry import solid
from ...printing.pose import bed_pose
from ...ranges import check_range
from ...stage import stage
from ...supplies.filament import Filament
from ...supplies.printer import Printer
from ...workpiece import Finding, Workpiece
from ..bodies import mold_bodies
from ..jackets.hollowing import filled
from ..keys import Key, Peg, peg_solid, socket_solid
from ..sheet_lids import cut_from_sheet, drilled, key_hole
from .assembling import BodyParts, assembled
from .cut_costs import FineFace, Objective
from .cut_planes import Cut
from .cutting import place_cuts
from .findings import boltless, changed, few_keys, no_label, passing
from .flange_keys import FLANGE_KEY_MM, flange_pegs
from .joints import Dovetail, DowelHole, SeamBolt, hardware_list
from .keep_outs import KeepOut, keep_outs
from .keying import Joint
from .labels import Labels, OuterFaces, labelled, place_label
from .part_limits import PartLimits, cut_within
from .refilling import separate_filled
from .separating import Separated
from .side_joints import carried_joints

__all__ = ["split"]

Floats = NDArray[np.float64]
_ROUND_KEY_MM = 3.0  # full material round a socket
_LEAST_ENGAGED_MM = 2.0
_OVER_SHEET_MM = 100.0  # more than any sheet is thick
_TURNED = ("core", "lid")  # lie on a cavity, and are printed the other way up


@dataclass(slots=True)
class _Meeting:
    """A keyed meeting of two parts, for the log."""

    kind: str
    low: str
    high: str
    keys: Sequence[Key]
    joint: str = "pegs"
    axis: int | None = None
    at: float | None = None


@stage
def split(
    piece: Workpiece,
    *,
    printer: Printer = Printer(),  # noqa: B008 - frozen, so one default serves all calls
    filament: Filament = Filament(),  # noqa: B008
    objective: Objective = "parts",
    joint: Joint = "pegs",
    clearance_mm: float = 0.2,
    flange_keys: int = 4,
    most_hours: float | None = None,
    most_grams: float | None = None,
    labels: Labels = "engraved",
) -> Workpiece:
    """Cut the mold bodies into parts that fit the printer, and key them.

    Parameters
    ----------
    printer : whose volume the parts must fit, turned about z as needed
    filament : whose density and greatest flow give grams and hours of a part
    objective : 'parts', the fewest; 'longest', the largest part small, for more parts;
        'seam', little cut across the face that shapes the casting; 'balanced', some of each
    joint : what holds the parts of a cut in line. 'pegs', cone frusta; 'dovetail', a ridge
        on which the next part slides to its place; 'dowels', loose pins by ISO 2338;
        'bolted', M5 to M3 through the seam from pockets in the outer face, beside pegs.
        A cut with no room for it gets pegs
    clearance_mm : gap between a key and its room on every side, 0.05 to 1;
        0.2 slides on a filament printer (common practice)
    flange_keys : pegs between cavity and core or lid, 0 to 8; the first is larger,
        so that they close one way only
    most_hours, most_grams : no part may take more to print, 0.1 to 500 and 5 to 20000, so that
        a failed print costs little; reckoned as by `estimate`, as the part leaves `split`
    labels : each part's name and an arrow to the assembly's top, 0.6 mm deep or high on its
        outside; 'none' for no labels. 'embossed' lies on upright faces only

    Cuts stand where there is room for keys and away from channels, stops, keys between
    bodies, bolts, pockets and thin walls. Keys are placed by largest inscribed circles; their
    number and size follow the section's area, and one is larger, so that parts go together one
    way only.

    Makes a body for each part ('cavity', or 'cavity-1', 'cavity-2', ...), in the
    mold frame; figures hold each part's print pose: cavity and side pieces as they
    stand, a cavity's core and lid upside down, on z = 0 in the middle of the bed.

    Findings: 'no-room-for-flange-key', 'key-short', 'no-room-for-key', 'few-keys', 'joint-changed',
    'cut-passes' where a cut has no place clear of them, 'part-over-limit', 'no-room-for-label',
    'assembly-blocked'.

    Raises
    ------
    BadParameter : the printer is smaller than a key or would need more than 64 parts
    """
    check_range("clearance_mm", clearance_mm, 0.05, 1, " mm")
    check_range("flange_keys", flange_keys, 0, 8)
    limits = PartLimits(printer, filament, most_hours, most_grams)
    limits.check()
    bodies = {name: solid.from_mesh(piece.body(name)) for name in mold_bodies(piece)}
    cover = "lid" if "lid" in bodies else "core"
    if len(bodies) < 2:
        piece.body("cavity")
        raise BadParameter(f"the piece has no body '{cover}'", "Run block first")
    pegs: list[Peg] = []
    findings: list[Finding] = []
    if "cavity" in bodies:
        pegs, findings = _keyed_flange(piece, bodies, cover, clearance_mm, flange_keys)
    keep_out = keep_outs(piece, pegs, clearance_mm)
    made: dict[str, trimesh.Trimesh] = {}
    rows: list[dict[str, Any]] = []
    meetings = [_Meeting("flange", "cavity", cover, pegs)] if "cavity" in bodies else []
    parts: dict[str, dict[str, solid.Solid]] = {}
    of_body: dict[str, BodyParts] = {}
    block = piece.record("block")["figures"]
    plates = (block.get("jacket") or {}).get("plates", ())
    faces = OuterFaces(bodies.values(), block.get("outline_plan", ()), plates)
    for name, body in bodies.items():
        if name in cut_from_sheet(piece):
            made[name] = solid.printable(body)
            of_body[name] = BodyParts([name], Separated([body]), [], 1)
            continue
        turned = name in _TURNED and "cavity" in bodies
        opening_side = 1 if turned else -1
        cut_up = partial(
            _cut_up,
            piece,
            name,
            body,
            printer=printer,
            keep_out=keep_out,
            objective=objective,
            fine=_fine_face(piece, turned),
            keyed=(clearance_mm, joint, opening_side),
        )
        cuts, result = cut_within(body, limits, turned, cut_up)
        names = [name] if len(result.parts) == 1 else _numbered(name, len(result.parts))
        parts[name] = dict(zip(names, result.parts, strict=True))
        of_body[name] = BodyParts(names, result, cuts, opening_side)
        for part_name, part in parts[name].items():
            fits = partial(bed_pose, printer=printer, upside_down=turned)
            written, label = _labelled(part, part_name, faces, labels, fits)
            made[part_name] = solid.printable(written)
            row = _row(part_name, name, made[part_name], printer, turned)
            rows.append({**row, **limits.row(made[part_name], turned), "label": label})
        meetings += [
            _Meeting("cut", names[low], names[high], cut.keys, cut.joint, cut.axis, cut.at)
            for low, high, cut in result.joints
        ]
        findings += [few_keys(name, cut, body) for cut in result.weak]
        findings += [changed(name, cut, joint) for cut in result.changed]
        findings += [passing(name, cut) for cut in cuts if cut.passed]
        findings += [
            boltless(names[low], names[high])
            for low, high, cut in result.joints
            if cut.joint == "bolted" and not any(isinstance(key, SeamBolt) for key in cut.keys)
        ]
    if labels != "none":
        findings += [no_label(row["body"], labels) for row in rows if row["label"] is None]
    findings += limits.findings(rows)
    opening = piece.record("block")["figures"].get("opening", ())
    assembly = assembled(of_body, bodies, opening if "cavity" not in bodies else ())
    findings += assembly.findings()
    figures: dict[str, Any] = {
        "parts": rows,
        "joints": [*carried_joints(piece, parts), *(_described(item) for item in meetings)],
        "assembly": assembly.figures(),
        "hardware": hardware_list(key for item in meetings for key in item.keys),
        "objective": objective,
        "clearance_mm": clearance_mm,
        "filled": {name: cut.separated.filled for name, cut in of_body.items()},
        "bodies_cm3": {
            name: round(solid.volume_mm3(body) / 1000, 4) for name, body in bodies.items()
        },
    }
    return piece.without(*bodies).with_named(made).note(figures, findings)


def _cut_up(
    piece: Workpiece,
    name: str,
    body: solid.Solid,
    most_mm3: float,
    *,
    printer: Printer,
    keep_out: list[KeepOut],
    objective: Objective,
    fine: FineFace,
    keyed: tuple[float, Joint, int],
) -> tuple[list[Cut], Separated] | None:
    cuts = place_cuts(
        body,
        printer,
        keep_out,
        objective,
        fine=fine,
        most_mm3=most_mm3,
        upside_down=keyed[2] > 0,
    )
    if cuts is None:
        return None
    return cuts, separate_filled(piece, name, body, cuts, *keyed, keep_out)


def _fine_face(piece: Workpiece, over: bool) -> FineFace:
    """The pad's surface that looks at a body over it, or at one under and beside it."""
    pad = piece.body("pad")
    up = pad.face_normals[:, 2] > 0
    return FineFace(np.asarray(pad.vertices), np.asarray(pad.faces)[up if over else ~up])


def _keyed_flange(
    piece: Workpiece,
    bodies: dict[str, solid.Solid],
    cover: str,
    clearance: float,
    count: int,
) -> tuple[list[Peg], list[Finding]]:
    """Put pegs on the cavity's flange and sockets in the cover; `bodies` is changed."""
    if count == 0:
        return [], []
    pegs = flange_pegs(piece, cover, count, clearance)
    findings = []
    if pegs:
        columns = [(*peg.base[:2], peg.radius_mm + _ROUND_KEY_MM) for peg in pegs]
        bodies[cover] = filled(piece, cover, bodies[cover], columns)
        bodies["cavity"] = solid.union(bodies["cavity"], *(peg_solid(peg) for peg in pegs))
        bodies[cover] = solid.difference(
            bodies[cover], *_sockets(pegs, clearance, cover in cut_from_sheet(piece))
        )
    if len(pegs) < min(count, 2):
        findings.append(
            Finding(
                "no-room-for-flange-key",
                "warning",
                f"{len(pegs)} of {count} flange keys found room: make flange_mm larger "
                f"(about {2 * FLANGE_KEY_MM + 12:g} mm) or land_mm smaller",
                "cavity",
            )
        )
    elif min(peg.length_mm for peg in pegs) < _LEAST_ENGAGED_MM:
        findings.append(
            Finding(
                "key-short",
                "warning",
                f"a flange key guides for less than {_LEAST_ENGAGED_MM:g} mm before the flanges "
                "touch: make floor_mm larger",
                cover,
            )
        )
    elif len(pegs) < count:
        findings.append(
            Finding(
                "few-keys",
                "note",
                f"{len(pegs)} of {count} flange keys found room",
                "cavity",
            )
        )
    return pegs, findings


def _sockets(pegs: list[Peg], clearance: float, sheet: bool) -> list[solid.Solid]:
    if not sheet:
        return [socket_solid(peg, clearance) for peg in pegs]
    return [
        drilled(key_hole(*peg.base[:2], 2 * peg.radius_mm, clearance), z - 1, z + _OVER_SHEET_MM)
        for peg in pegs
        for z in (peg.base[2],)
    ]


def _numbered(name: str, count: int) -> list[str]:
    return [f"{name}-{number}" for number in range(1, count + 1)]


def _row(
    name: str,
    of: str,
    mesh: trimesh.Trimesh,
    printer: Printer,
    upside_down: bool,
) -> dict[str, Any]:
    pose = bed_pose(mesh.vertices, printer, upside_down=upside_down)
    if pose is None:
        size = np.ptp(mesh.bounds, axis=0)
        raise CannotBuild(
            f"part {name} of {size[0]:.0f} x {size[1]:.0f} x {size[2]:.0f} mm does not fit "
            f"printer.volume_mm = {list(printer.volume_mm)}",
            "Use a larger printer or fewer, smaller keys",
        )
    laid = mesh.vertices @ pose[:3, :3].T + pose[:3, 3]
    return {
        "body": name,
        "of": of,
        "pose": np.round(pose, 9).tolist(),
        "size_mm": np.round(np.ptp(laid, axis=0), 3).tolist(),
        "volume_cm3": round(float(mesh.volume) / 1000, 4),
    }


def _described(meeting: _Meeting) -> dict[str, Any]:
    def rows(kind: type) -> list[Any]:
        return [key.described() for key in meeting.keys if isinstance(key, kind)]

    return {
        "kind": meeting.kind,
        "joint": meeting.joint,
        "low": meeting.low,
        "high": meeting.high,
        "axis": None if meeting.axis is None else "xyz"[meeting.axis],
        "at_mm": meeting.at,
        "engages_mm": _engages_mm(meeting),
        "pegs": rows(Peg),
        "dovetails": rows(Dovetail),
        "dowels": rows(DowelHole),
        "bolts": rows(SeamBolt),
    }


def _engages_mm(meeting: _Meeting) -> float | None:
    """How far apart two parts still are when the last of their pegs enters its socket.

    A peg's base is the highest flange about it: its whole length stands over what could touch.
    """
    pegs = [key.length_mm for key in meeting.keys if isinstance(key, Peg)]
    return round(min(pegs), 3) if pegs else None


def _labelled(
    part: solid.Solid,
    name: str,
    faces: OuterFaces,
    style: Labels,
    fits: Callable[[Floats], Floats | None],
) -> tuple[solid.Solid, dict[str, Any] | None]:
    """The part with its name on it, and the label for the log; None where it found no room.

    fits : vertices to a pose on the bed, None where there is none: letters may stand out too far
    """
    label = None if style == "none" else place_label(part, name, faces)
    if label is None or (style == "embossed" and not label.upright):
        return part, None
    written = labelled(part, label, style)
    if style == "embossed" and fits(solid.to_mesh(written).vertices) is None:
        return part, None
    volume = solid.volume_mm3(written) - solid.volume_mm3(part)
    return written, {**label.described(), "volume_mm3": round(volume, 2)}
