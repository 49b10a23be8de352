"""Mold bodies to printable parts: flange keys, cuts, pegs and sockets, print poses."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter, CannotBuild
from ..geometry import solid
from ..printing.pose import bed_pose
from ..printing.printer import Printer
from ..stage import stage
from ..workpiece import Finding, Workpiece
from .bodies import mold_bodies
from .cutting import Cut, KeepOut, place_cuts, place_pegs
from .flanges import FLANGE_KEY_MM, flange_pegs
from .keys import Peg, peg_solid, socket_solid
from .side_joints import carried_joints, key_places

__all__ = ["split"]

Floats = NDArray[np.float64]
_TURNED = ("core", "lid")  # lie on a cavity, and are printed the other way up
_CRUMB_MM3 = 1.0


@dataclass(slots=True)
class _Joint:
    """A keyed meeting of two parts, for the log."""

    kind: str
    low: str
    high: str
    pegs: list[Peg]
    axis: int | None = None
    at: float | None = None


@dataclass(slots=True)
class _Split:
    """What the cutting of one body gave."""

    parts: list[solid.Solid]
    joints: list[tuple[int, int, Cut]] = field(default_factory=list)
    weak: list[Cut] = field(default_factory=list)


@stage
def split(
    piece: Workpiece,
    *,
    printer: Printer = Printer(),  # noqa: B008 - frozen, so one default serves all calls
    clearance_mm: float = 0.2,
    flange_keys: int = 4,
) -> Workpiece:
    """Cut the mold bodies into the fewest parts that fit the printer, and key them.

    Parameters
    ----------
    printer : whose volume the parts must fit, turned about z as needed
    clearance_mm : gap between a peg and its socket on every side, 0.05 to 1;
        0.2 slides on a filament printer (common practice)
    flange_keys : pegs between cavity and core or lid, 0 to 8; the first is larger,
        so that they close one way only

    Cuts stand where there is room for keys and away from channels, stops, flange
    keys and thin walls. Pegs are cone frusta placed by largest inscribed circles;
    their number and size follow the section's area.

    Makes a body for each part ('cavity', or 'cavity-1', 'cavity-2', ...), in the
    mold frame; figures hold each part's print pose: cavity and side pieces as they
    stand, a cavity's core and lid upside down, on z = 0 in the middle of the bed.

    Findings: 'no-room-for-flange-key', 'no-room-for-key', 'few-keys'.

    Raises
    ------
    BadParameter : the printer is smaller than a key or would need more than 64 parts
    """
    _check(clearance_mm, flange_keys)
    bodies = {name: solid.from_mesh(piece.body(name)) for name in mold_bodies(piece)}
    cover = "lid" if "lid" in bodies else "core"
    if len(bodies) < 2:
        piece.body("cavity")
        raise BadParameter(f"the piece has no body '{cover}'", "Run block first")
    pegs: list[Peg] = []
    findings: list[Finding] = []
    if "cavity" in bodies:
        pegs, findings = _keyed_flange(piece, bodies, cover, clearance_mm, flange_keys)
    keep_out = _keep_out(piece, pegs)
    made: dict[str, trimesh.Trimesh] = {}
    rows: list[dict[str, Any]] = []
    joints = [_Joint("flange", "cavity", cover, pegs)] if "cavity" in bodies else []
    parts: dict[str, dict[str, solid.Solid]] = {}
    for name, body in bodies.items():
        result = _cut_up(body, place_cuts(body, printer, keep_out), clearance_mm)
        names = [name] if len(result.parts) == 1 else _numbered(name, len(result.parts))
        for part_name, part in zip(names, result.parts, strict=True):
            mesh = solid.printable(part)
            made[part_name] = mesh
            rows.append(
                _row(part_name, name, mesh, printer, name in _TURNED and "cavity" in bodies)
            )
        parts[name] = dict(zip(names, result.parts, strict=True))
        joints += [
            _Joint("cut", names[low], names[high], cut.pegs, cut.axis, cut.at)
            for low, high, cut in result.joints
        ]
        findings += [_few_keys(name, cut, body) for cut in result.weak]
    figures: dict[str, Any] = {
        "parts": rows,
        "joints": [*carried_joints(piece, parts), *(_described(joint) for joint in joints)],
        "clearance_mm": clearance_mm,
        "bodies_cm3": {
            name: round(solid.volume_mm3(body) / 1000, 4) for name, body in bodies.items()
        },
    }
    return piece.without(*bodies).with_named(made).note(figures, findings)


def _check(clearance: float, flange_keys: int) -> None:
    if not 0.05 <= clearance <= 1:
        raise BadParameter(f"clearance_mm = {clearance:g}", "Choose 0.05 to 1 mm")
    if not 0 <= flange_keys <= 8:
        raise BadParameter(f"flange_keys = {flange_keys}", "Choose 0 to 8")


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
        bodies["cavity"] = solid.union(bodies["cavity"], *(peg_solid(peg) for peg in pegs))
        bodies[cover] = solid.difference(
            bodies[cover], *(socket_solid(peg, clearance) for peg in pegs)
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


def _keep_out(piece: Workpiece, pegs: list[Peg]) -> list[KeepOut]:
    """Upright things that no cut should pass through."""
    items = [KeepOut(peg.base[0], peg.base[1], peg.radius_mm + 3) for peg in pegs]
    items += [KeepOut(*place) for place in key_places(piece)]
    for record in piece.records:
        figures = record["figures"]
        if record["stage"] == "channels":
            for bore in (*figures["sprues"], *figures["vents"]):
                mouth = max(bore["outside_mm"], bore["funnel_mm"])
                items.append(KeepOut(bore["x"], bore["y"], mouth / 2 + 3))
        if record["stage"] == "block":
            items += [KeepOut(x, y, 8.0) for x, y in figures.get("stops", ())]
        if record["stage"] == "fasten":
            for item in figures["keep_out"]:
                items.append(KeepOut(item["x"], item["y"], item["radius_mm"] + 3))
            for pocket in (*figures["pry_slots"], *figures["finger_reliefs"]):
                items.append(KeepOut(pocket["x"], pocket["y"], 16.0))
    return items


def _cut_up(body: solid.Solid, cuts: list[Cut], clearance: float) -> _Split:
    """Cut a body at all planes; pegs go to the low side, sockets to the high side."""
    pieces = [body]
    joined: list[Cut] = []
    result = _Split([])
    for cut in cuts:
        pieces, keyed = _cut_all(pieces, cut, cuts, clearance)
        joined += keyed
    parts = [
        part
        for whole in pieces
        for part in solid.components(whole)
        if solid.volume_mm3(part) > _CRUMB_MM3
    ]
    result.parts = sorted(parts, key=lambda part: tuple(np.round(part.bounding_box()[:3], 2)))
    for cut in joined:
        if len(cut.pegs) < 2:
            result.weak.append(cut)
        result.joints += _shared_out(result.parts, cut)
    return result


def _shared_out(parts: list[solid.Solid], cut: Cut) -> list[tuple[int, int, Cut]]:
    """A cut's pegs by the parts they join: later cuts may have divided both sides."""
    pairs: dict[tuple[int, int], list[Peg]] = {}
    for peg in cut.pegs:
        ends = _owners(parts, peg)
        if ends is not None:
            pairs.setdefault(ends, []).append(peg)
    return [(*ends, Cut(cut.axis, cut.at, pegs)) for ends, pegs in sorted(pairs.items())]


def _cut_all(
    pieces: list[solid.Solid], cut: Cut, cuts: list[Cut], clearance: float
) -> tuple[list[solid.Solid], list[Cut]]:
    """Cut every piece that the plane passes through."""
    after: list[solid.Solid] = []
    keyed: list[Cut] = []
    normal = np.eye(3)[cut.axis]
    for whole in pieces:
        high, low = solid.split_by_plane(whole, normal, cut.at)
        if high.is_empty() or low.is_empty():
            after.append(whole)
            continue
        groups = place_pegs(whole, cut, cuts, clearance)
        pegs = [peg for group in groups for peg in group]
        if pegs:
            low = solid.union(low, *(peg_solid(peg) for peg in pegs))
            high = solid.difference(high, *(socket_solid(peg, clearance) for peg in pegs))
        keyed += [Cut(cut.axis, cut.at, group) for group in groups]
        after += [low, high]
    return after, keyed


def _owners(parts: list[solid.Solid], peg: Peg) -> tuple[int, int] | None:
    """The parts that hold a peg's root and the material round its socket."""
    axis, base = np.asarray(peg.axis), np.asarray(peg.base)
    side = np.roll(axis, 1)
    root = base - 0.5 * axis
    corner = peg.radius_mm / np.cos(np.pi / peg.sides)
    wall = base + 2 * axis + (corner + 1.0) * side
    found = [_holder(parts, point) for point in (root, wall)]
    if None in found:
        return None
    return int(found[0] or 0), int(found[1] or 0)


def _holder(parts: list[solid.Solid], point: Floats) -> int | None:
    probe = solid.box(point - 0.05, point + 0.05)
    shares = [solid.volume_mm3(solid.intersection(part, probe)) for part in parts]
    best = int(np.argmax(shares))
    return best if shares[best] > 0 else None


def _numbered(name: str, count: int) -> list[str]:
    return [f"{name}-{number}" for number in range(1, count + 1)]


def _row(
    name: str, of: str, mesh: trimesh.Trimesh, printer: Printer, upside_down: bool
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


def _described(joint: _Joint) -> dict[str, Any]:
    return {
        "kind": joint.kind,
        "low": joint.low,
        "high": joint.high,
        "axis": None if joint.axis is None else "xyz"[joint.axis],
        "at_mm": joint.at,
        "pegs": [peg.described() for peg in joint.pegs],
    }


def _few_keys(name: str, cut: Cut, body: solid.Solid) -> Finding:
    low, high = np.reshape(body.bounding_box(), (2, 3))
    where = (low + high) / 2
    where[cut.axis] = cut.at
    x, y, z = where.tolist()
    place = f"the cut of {name} at {'xyz'[cut.axis]} = {cut.at:.0f} mm"
    remedy = "line the parts up by hand, or make wall_mm and floor_mm larger"
    if cut.pegs:
        return Finding("few-keys", "note", f"{place} holds one key only: {remedy}", name, (x, y, z))
    return Finding("no-room-for-key", "warning", f"{place} has no key: {remedy}", name, (x, y, z))
