"""How each part lies on the bed, and which parts share a plate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull

from ..errors import BadParameter
from ..geometry import stl
from ..geometry.distance import SurfaceIndex
from ..geometry.solid import rotation_to
from ..stage import stage
from ..supplies.printer import Printer
from ..workpiece import Finding, Workpiece
from .arranging import Place, arranged
from .flagging import face_angles_deg, hanging_faces
from .parts import listed_parts
from .pose import bed_pose_of, laid
from .standing import Samples, Stand, directions, is_firm, stands, surface_samples

__all__ = ["lay_out"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Turn = Literal["unsupported", "best", "never"]
_ON_PAD_MM = 0.3  # of the pad: the cavity's own face, also where it was smoothed
_CLEARLY = 0.75  # another pose must cost no more than this share of the known one
_WORTH_MM3 = 500.0  # and save as much
_SUPPORT_MORE_MM2 = 20.0  # of overhang that may be new: less is no finding of `overhangs` either
_LEAST_FOOTPRINT_MM2 = 150.0  # a part made to stand on feet may have no more
_OTHER_FOOTPRINT_SHARE = 0.02  # of the part's surface, for a side it was not made to stand on


@dataclass(frozen=True, slots=True)
class _Posed:
    """A part on the bed: its pose, why, and what it was before.

    corners : of the part's convex hull, in its own coordinates
    smoother : a way to stand that was not taken as it needs support
    """

    pose: Floats
    stand: Stand
    known: Stand
    fine_mm2: float
    corners: Floats
    turned: bool
    steady: bool
    smoother: Stand | None


@stage
def lay_out(
    piece: Workpiece,
    *,
    printer: Printer = Printer(),  # noqa: B008 - a frozen value
    spacing_mm: float = 5.0,
    turn: Turn = "unsupported",
) -> Workpiece:
    """Choose how each part lies on the bed, and lay parts out on plates.

    The face that the casting takes its form from comes first: the pose is
    sought that leaves the lowest layer steps on it and no support against it,
    then the least support elsewhere. Tried are the part's flat sides (facets
    of its convex hull) and directions all over a sphere; a pose counts only if
    the part fits the printer and stands firm, its centre of mass over its
    footprint by a tenth of its height. The pose from `split` stays unless
    another costs a quarter less and needs no more support: molds are made so
    that they print without.

    Parameters
    ----------
    printer : its volume, layer height, and the overhang it prints without support
    spacing_mm : between parts on one plate, 0 to 50; twice the brim if that is more
    turn : "unsupported" as above; "best" also takes poses that need support,
        as under keys, for a smoother cavity face; "never" keeps every pose

    Bodies stay as they are; `figures["parts"]` have the poses, which
    `overhangs`, `estimate` and the written parts follow. Their `cusp_mm` is the
    mean over the cavity face (0 where a part has none), `support_mm2` the area
    that needs support.

    Findings: 'turned' and 'smoother-pose' (notes), 'unsteady' (warning).

    Raises
    ------
    BadParameter : a value out of its range, or there are no parts

    Source of the cusp: Dolenc and Mäkelä, Computer-Aided Design 26 (1994) 119-126.
    """
    if not 0 <= spacing_mm <= 50:
        raise BadParameter(f"spacing_mm = {spacing_mm:g}", "Choose 0 to 50 mm")
    if turn not in get_args(Turn):
        raise BadParameter(f'turn = "{turn}"', f"Choose {' or '.join(get_args(Turn))}")
    rows = listed_parts(piece)
    surface = _fine_surface(piece)
    posed = {
        row["body"]: _posed(piece.body(row["body"]), row["pose"], surface, printer, turn)
        for row in rows
    }
    sizes = [_plan_size(part) for part in posed.values()]
    bed = (printer.volume_mm[0], printer.volume_mm[1])
    places = arranged(sizes, bed, max(spacing_mm, 2 * printer.brim_mm))
    figures = {
        "parts": [
            _row(row, piece.body(row["body"]), posed[row["body"]], place, printer)
            for row, place in zip(rows, places, strict=True)
        ],
        "plates": _plates(rows, places),
    }
    findings = [finding for name, part in posed.items() for finding in _findings(name, part)]
    findings += _smoother(posed)
    return piece.note(figures, findings)


def _fine_surface(piece: Workpiece) -> SurfaceIndex | None:
    """The casting's surface, which the parts' fine faces lie on."""
    pad = piece.bodies.get("void", piece.bodies.get("pad"))
    if pad is None:
        return None
    return SurfaceIndex(pad.vertices, pad.faces, spacing_mm=4.0)


def _posed(
    mesh: trimesh.Trimesh,
    pose: ArrayLike,
    surface: SurfaceIndex | None,
    printer: Printer,
    turn: Turn,
) -> _Posed:
    hull = ConvexHull(mesh.vertices)
    samples = surface_samples(mesh)
    fine = _on(surface, samples)
    known = np.asarray(pose, dtype=float)
    ups = np.concatenate([known[2:3, :3], directions(hull)])
    first, *others = stands(samples, fine, hull, ups, printer)
    others = [] if turn == "never" else others
    steady = _steady(mesh, hull, first, printer, _LEAST_FOOTPRINT_MM2)
    cost = first.cost(printer)
    limit = min(_CLEARLY * cost, cost - _WORTH_MM3) if steady else np.inf
    most_mm2 = _hanging_mm2(laid(mesh, known), printer) + _SUPPORT_MORE_MM2
    chosen, final, smoother = first, known, None
    for stand in sorted(others, key=lambda stand: stand.cost(printer)):
        if stand.cost(printer) > limit:
            break
        if smoother is not None and stand.hanging_mm2 > most_mm2 + 3 * samples.area_mm2:
            continue  # needs support beyond doubt, and is no smoother than the one known
        other = _pose_of(mesh, hull, stand, printer)
        if other is None:
            continue
        if turn == "best" or not steady or _hanging_mm2(laid(mesh, other), printer) <= most_mm2:
            chosen, final, steady = stand, other, True
            break
        smoother = smoother or stand
    return _Posed(
        final,
        chosen,
        first,
        float(samples.area_mm2 * fine.sum()),
        np.asarray(hull.points[hull.vertices]),
        chosen is not first,
        steady,
        smoother,
    )


def _steady(
    mesh: trimesh.Trimesh, hull: ConvexHull, stand: Stand, printer: Printer, least_mm2: float
) -> bool:
    if stand.footprint_mm2 < least_mm2:
        return False
    return is_firm(hull, np.asarray(mesh.center_mass), stand.up, printer.layer_mm / 2)


def _pose_of(
    mesh: trimesh.Trimesh, hull: ConvexHull, stand: Stand, printer: Printer
) -> Floats | None:
    """The pose in which a part stands so, if it does, fits, and stays closed in its file."""
    least = max(_LEAST_FOOTPRINT_MM2, _OTHER_FOOTPRINT_SHARE * float(mesh.area))
    if not _steady(mesh, hull, stand, printer, least):
        return None
    rotation = rotation_to(stand.up).T
    pose = bed_pose_of(hull.points[hull.vertices], rotation, printer)
    if pose is None or not _stays_closed(laid(mesh, pose)):
        return None
    return pose


def _hanging_mm2(standing: trimesh.Trimesh, printer: Printer) -> float:
    _, area = face_angles_deg(standing)
    hanging = hanging_faces(standing, printer.overhang_deg, printer.layer_mm)
    return float(area[hanging].sum())


def _stays_closed(mesh: trimesh.Trimesh) -> bool:
    vertices, faces = stl.decode(stl.encode(mesh.vertices, mesh.faces))
    flat = (np.diff(np.sort(faces, axis=1), axis=1) == 0).any(axis=1)
    read = trimesh.Trimesh(vertices, faces[~flat], process=False)
    return bool(read.is_watertight and read.is_winding_consistent)


def _on(surface: SurfaceIndex | None, samples: Samples) -> Mask:
    """Which samples lie on the casting's surface."""
    if surface is None:
        return np.zeros(len(samples.points), dtype=bool)
    near: Mask = surface.closest(samples.points).distance <= _ON_PAD_MM
    return near


def _plan_size(part: _Posed) -> tuple[float, float]:
    width, depth, _ = np.ptp(part.corners @ part.pose[:3, :3].T, axis=0).tolist()
    return width, depth


def _row(
    row: Mapping[str, Any], mesh: trimesh.Trimesh, part: _Posed, place: Place, printer: Printer
) -> dict[str, Any]:
    standing = laid(mesh, _placed(part, place))
    slope, area = face_angles_deg(standing)
    low = standing.vertices[:, 2][standing.faces].max(axis=1) < printer.layer_mm / 2
    mean_cusp = part.stand.cusp_mm3 / part.fine_mm2 if part.fine_mm2 else 0.0
    return {
        **row,
        "pose": np.round(_placed(part, place), 9).tolist(),
        "plate": place.plate,
        "size_mm": np.round(np.ptp(standing.vertices, axis=0), 3).tolist(),
        "footprint_mm2": round(float(area[low & (slope > 0)].sum()), 1),
        "support_mm2": round(_hanging_mm2(standing, printer), 1),
        "cusp_mm": round(mean_cusp, 4),
        "turned": part.turned,
    }


def _placed(part: _Posed, place: Place) -> Floats:
    """The part's pose at its place on the plate."""
    pose = np.eye(4)
    if place.turned:
        pose[:2, :2] = [[0, -1], [1, 0]]
    pose = pose @ part.pose
    low = (part.corners @ pose[:3, :3].T).min(axis=0)
    pose[:3, 3] = np.array([place.x_mm, place.y_mm, 0.0]) - low
    return pose


def _plates(rows: Sequence[Mapping[str, Any]], places: Sequence[Place]) -> list[dict[str, Any]]:
    names: dict[int, list[str]] = {}
    for row, place in zip(rows, places, strict=True):
        names.setdefault(place.plate, []).append(row["body"])
    return [{"number": number, "parts": names[number]} for number in sorted(names)]


def _findings(name: str, part: _Posed) -> list[Finding]:
    findings = []
    if part.turned:
        before, now = part.known, part.stand
        message = f"{name} is printed on another side than it was split for: "
        if part.fine_mm2:
            message += (
                f"mean steps on the cavity face {before.cusp_mm3 / part.fine_mm2:.3f} -> "
                f"{now.cusp_mm3 / part.fine_mm2:.3f} mm, supported there "
                f"{before.scar_mm2:.0f} -> {now.scar_mm2:.0f} mm2; "
            )
        message += (
            f"room to support {before.support_mm3 / 1000:.0f} -> {now.support_mm3 / 1000:.0f} cm3. "
            'Set turn = "never" to keep the pose'
        )
        findings.append(Finding("turned", "note", message, name))
    if not part.steady:
        message = (
            f"{name} stands on {part.stand.footprint_mm2:.0f} mm2 only, or its weight hangs over "
            "the edge: print it with a brim (printer.brim_mm), or cut it another way"
        )
        findings.append(Finding("unsteady", "warning", message, name))
    return findings


def _smoother(posed: Mapping[str, _Posed]) -> list[Finding]:
    """One note for all parts that another pose, with support, would make smoother."""
    gains = [
        f"{name} {part.stand.cusp_mm3 / part.fine_mm2:.2f} -> "
        f"{part.smoother.cusp_mm3 / part.fine_mm2:.2f}"
        for name, part in posed.items()
        if part.smoother is not None
        and part.fine_mm2
        and part.smoother.cusp_mm3 < _CLEARLY * part.stand.cusp_mm3
    ]
    if not gains:
        return []
    message = (
        f"on another side the steps on the cavity face would be lower (mean, mm): "
        f'{", ".join(gains)}; there, keys or bores need support. Set turn = "best" for it'
    )
    return [Finding("smoother-pose", "note", message)]
