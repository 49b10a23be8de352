"""Faces that a filament printer would lay down on air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from ..geometry import colours, ply
from ..geometry.topology import face_pairs
from ..ranges import check_range
from ..stage import stage
from ..supplies.printer import Printer
from ..workpiece import Finding, Workpiece
from .parts import has_parts, listed_parts

__all__ = ["Overhang", "face_angles_deg", "hanging_faces", "overhangs", "patches_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SLACK_DEG = 0.05  # a chamfer of just the limit must not be flagged for its rounding in STL
_LEAST_AREA_MM2 = 20.0  # smaller patches sag less than they show; they count in the total only
_MOST_FINDINGS = 5  # a part
_MOST_LISTED = 50  # patches a part in the log's figures
_BRIDGED_SHARE = 0.98  # of a patch that must hang between two supports to call it a bridge
_MOLD = ("cavity", "core", "lid", "side", "base", "cap")
_DIRECTIONS = 12  # tried for the lines of a bridge, besides those its own edges suggest


@dataclass(frozen=True, slots=True)
class Overhang:
    """One edge-connected patch of flagged faces, in the part's print pose.

    area_mm2, centre (x, y, z) mm by area; steepest_deg from the vertical (90
    is a level ceiling); span_mm between supports if it is a bridge, else None.
    """

    area_mm2: float
    centre: tuple[float, float, float]
    steepest_deg: float
    span_mm: float | None = None


@stage
def overhangs(
    piece: Workpiece,
    *,
    printer: Printer = Printer(),  # noqa: B008 - a frozen value
    limit_deg: float = 45.0,
    bridge_mm: float = 10.0,
) -> Workpiece:
    """Find, on each part as it will be printed, the faces that hang over air.

    A face is flagged where it leans out from the vertical by more than the
    limit: with the unit normal n, where n_z < -sin(limit). Faces resting on
    the bed are left out. Flagged faces that share edges make a patch; a patch
    that is level within a layer and hangs between supports no further apart
    than `bridge_mm`, along some one direction of its lines, is a bridge.

    Parameters
    ----------
    printer : its layer height says what rests on the bed and what is level
    limit_deg : 20 to 80, from the vertical
    bridge_mm : 0 to 50, the longest span printed without support

    Works on the parts of `split` in their print poses, or those of `lay_out`; before `split`, on
    the mold's bodies, the core upside down. Bodies stay as they are.
    Attaches ``<body>-overhangs.ply`` in the print pose: down-facing faces
    coloured by their angle from the vertical, grey the rest.

    Findings: `overhang` (warning) and `bridge` (note) for the largest patches
    of 20 mm2 or more of each part, and `more-overhangs` (note) that sums up
    the rest where they come to as much together.

    Raises
    ------
    BadParameter : a value out of its range, or no body to print

    Source: at most 45 degrees from the vertical without support (Mazlan et
    al., J. Adv. Ind. Technol. Appl. 2020, 38-47); bridges of 10 to 15 mm are
    common practice.
    """
    check_range("limit_deg", limit_deg, 20, 80)
    check_range("bridge_mm", bridge_mm, 0, 50)
    figures, findings, attachments = [], [], {}
    for name, pose in _poses(piece).items():
        mesh = piece.body(name)
        posed = trimesh.Trimesh(_moved(mesh.vertices, pose), mesh.faces, process=False)
        found = patches_of(posed, limit_deg, bridge_mm, printer.layer_mm)
        figures.append(_figures(name, posed, found))
        findings += _findings(name, found, limit_deg, _inverse(pose))
        attachments[f"{name}-overhangs.ply"] = _coloured(posed, printer.layer_mm)
    least = {"least_area_mm2": _LEAST_AREA_MM2}
    return piece.note({**least, "parts": figures}, findings, attachments)


def face_angles_deg(mesh: trimesh.Trimesh) -> tuple[Floats, Floats]:
    """Each face's lean (m,) from the vertical, and its area (m,) in mm2.

    0 is a wall, 90 a level ceiling, -90 a level floor; faces without area are 0.
    """
    corners = mesh.vertices[mesh.faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double = np.linalg.norm(cross, axis=1)
    down = np.divide(-cross[:, 2], double, out=np.zeros(len(cross)), where=double > 0)
    return np.degrees(np.arcsin(np.clip(down, -1, 1))), double / 2


def patches_of(
    mesh: trimesh.Trimesh, limit_deg: float, bridge_mm: float, layer_mm: float
) -> list[Overhang]:
    """The overhanging patches of a part that stands on z = 0, the largest first."""
    angle, area = face_angles_deg(mesh)
    flagged = (angle > limit_deg + _SLACK_DEG) & ~_resting(mesh, angle, layer_mm)
    number, label = _grouped(np.asarray(mesh.faces), flagged)
    if number == 0:
        return []
    faces = np.flatnonzero(flagged)
    weight: Floats = np.bincount(label, area[faces], number).astype(float)
    middle = mesh.vertices[mesh.faces[faces]].mean(axis=1)
    centre = [np.bincount(label, area[faces] * middle[:, axis], number) for axis in range(3)]
    steepest = np.zeros(number)
    np.maximum.at(steepest, label, angle[faces])
    spans = _bridge_spans(mesh, faces, label, weight, bridge_mm, layer_mm)
    found = [
        Overhang(
            float(weight[k]),
            (float(centre[0][k] / weight[k]), float(centre[1][k] / weight[k]),
             float(centre[2][k] / weight[k])),
            float(steepest[k]),
            spans.get(k),
        )
        for k in range(number)
    ]  # fmt: skip
    return sorted(found, key=lambda patch: (-patch.area_mm2, patch.centre))


def hanging_faces(
    mesh: trimesh.Trimesh, limit_deg: float, layer_mm: float, bridge_mm: float = 10.0
) -> NDArray[np.bool_]:
    """Which faces (m,) of a part on z = 0 need support: over the limit, on no bed and no bridge."""
    angle, area = face_angles_deg(mesh)
    flagged = (angle > limit_deg + _SLACK_DEG) & ~_resting(mesh, angle, layer_mm)
    number, label = _grouped(np.asarray(mesh.faces), flagged)
    if number == 0:
        return flagged
    faces = np.flatnonzero(flagged)
    weight: Floats = np.bincount(label, area[faces], number).astype(float)
    spans = _bridge_spans(mesh, faces, label, weight, bridge_mm, layer_mm)
    flagged[faces[np.isin(label, list(spans))]] = False
    return flagged


def _poses(piece: Workpiece) -> dict[str, Floats]:
    """The print pose, 4 x 4, of each body to print: as listed, else one of our own."""
    if has_parts(piece):
        parts = listed_parts(piece)
        return {part["body"]: np.asarray(part["pose"], dtype=float) for part in parts}
    names = [name for name in piece.bodies if name.split("-")[0] in _MOLD]
    if not names:
        piece.body("cavity")  # raises, and says what makes it
    return {name: _own_pose(name, piece.body(name)) for name in names}


def _own_pose(name: str, mesh: trimesh.Trimesh) -> Floats:
    """As assembled and down on the bed; a core turned over, to stand on its back."""
    pose = np.diag([1.0, -1.0, -1.0, 1.0]) if name.split("-")[0] == "core" else np.eye(4)
    pose[2, 3] = -_moved(mesh.vertices, pose)[:, 2].min()
    return pose


def _resting(mesh: trimesh.Trimesh, angle: Floats, layer_mm: float) -> NDArray[np.bool_]:
    """Faces that lie on the bed: down-facing and within a quarter layer of z = 0."""
    low: NDArray[np.bool_] = mesh.vertices[:, 2][mesh.faces].max(axis=1) <= layer_mm / 4
    return low & (angle > 0)


def _grouped(faces: Ints, flagged: NDArray[np.bool_]) -> tuple[int, Ints]:
    """Number of edge-connected patches of flagged faces and the patch of each of these."""
    pairs, _ = face_pairs(faces)
    pairs = pairs[flagged[pairs].all(axis=1)]
    place = np.cumsum(flagged) - 1
    count = int(flagged.sum())
    links = (np.ones(len(pairs), dtype=bool), (place[pairs[:, 0]], place[pairs[:, 1]]))
    number, label = csgraph.connected_components(
        sparse.coo_array(links, shape=(count, count)), directed=False
    )
    return int(number) if count else 0, label.astype(np.int64)


def _bridge_spans(
    mesh: trimesh.Trimesh,
    faces: Ints,
    label: Ints,
    weight: Floats,
    bridge_mm: float,
    layer_mm: float,
) -> dict[int, float]:
    """Patch number -> span in mm, for those of the larger patches that are bridges."""
    corners = mesh.vertices[:, 2][mesh.faces[faces]]
    low, high = np.full(len(weight), np.inf), np.full(len(weight), -np.inf)
    np.minimum.at(low, label, corners.min(axis=1))
    np.maximum.at(high, label, corners.max(axis=1))
    level = (high - low <= layer_mm) & (weight >= _LEAST_AREA_MM2)
    edges, supported, owner = _patch_borders(mesh, faces, label)
    spans = {}
    for patch in np.flatnonzero(level).tolist():
        mine = owner == patch
        span = _span(mesh.vertices[edges[mine], :2], supported[mine], bridge_mm)
        if span is not None:
            spans[patch] = span
    return spans


def _patch_borders(
    mesh: trimesh.Trimesh, faces: Ints, label: Ints
) -> tuple[Ints, NDArray[np.bool_], Ints]:
    """Edges (e, 2) round the patches, whether a face goes down from each, and its patch.

    A face that goes down from the edge is the wall that holds the patch up
    there; one that goes up leaves the edge hanging free.
    """
    every = np.asarray(mesh.faces)
    patch = np.full(len(every), -1, dtype=np.int64)
    patch[faces] = label
    pairs, edges = face_pairs(every)
    both = np.concatenate([pairs, pairs[:, ::-1]])
    edges = np.concatenate([edges, edges])
    rim = (patch[both[:, 0]] >= 0) & (patch[both[:, 1]] != patch[both[:, 0]])
    both, edges = both[rim], edges[rim]
    height = mesh.vertices[:, 2]
    # The three heights of the neighbour less the two of the edge leave its far corner's.
    far = height[every[both[:, 1]]].sum(axis=1) - height[edges].sum(axis=1)
    supported = far < height[edges].mean(axis=1) - 1e-6
    return edges, supported, patch[both[:, 0]]


def _span(edges: Floats, supported: NDArray[np.bool_], bridge_mm: float) -> float | None:
    """The longest line of the best direction for a bridge over a level patch, if there is one.

    edges : (e, 2, 2) of the patch's outline in plan. The outline is hatched
    with lines in one direction after another; each must end on a support at
    both ends and be no longer than `bridge_mm`.
    """
    if not supported.any():
        return None
    across = _headings(edges[supported]) + np.pi / 2
    beside = _headings(edges[~supported])  # lines along an open end leave no loose corner there
    around = np.linspace(0, np.pi, _DIRECTIONS, endpoint=False)
    spans = []
    for turn in np.concatenate([across, beside, around]).tolist():
        chords, held = _hatched(edges, supported, turn)
        total = float(chords.sum())
        if total and float(chords[held].sum()) >= _BRIDGED_SHARE * total:
            spans.append(float(chords.max()))
    best = min(spans, default=np.inf)
    return best if best <= bridge_mm + 1e-6 else None


def _headings(edges: Floats) -> Floats:
    """Directions in the plan of the longest few edges."""
    along = edges[:, 1] - edges[:, 0]
    longest = along[np.argsort(-np.linalg.norm(along, axis=1), kind="stable")[:6]]
    return np.arctan2(longest[:, 1], longest[:, 0]).astype(np.float64)


def _hatched(
    edges: Floats, supported: NDArray[np.bool_], turn: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Lengths of the lines in direction `turn` inside the outline; which are held at both ends."""
    along, beside = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    u, v = edges @ along, edges @ beside
    low, high = v.min(), v.max()
    rows = low + (high - low) * (np.arange(64) + 0.5) / 64
    line, edge = np.nonzero((v[:, 0] <= rows[:, None]) != (v[:, 1] <= rows[:, None]))
    share = (rows[line] - v[edge, 0]) / (v[edge, 1] - v[edge, 0])
    crossing = u[edge, 0] + share * (u[edge, 1] - u[edge, 0])
    order = np.lexsort((crossing, line))
    ends = order[: len(order) // 2 * 2].reshape(-1, 2)
    held = supported[edge[ends[:, 0]]] & supported[edge[ends[:, 1]]]
    return np.abs(np.diff(crossing[ends], axis=1))[:, 0], held


def _figures(name: str, mesh: trimesh.Trimesh, found: list[Overhang]) -> dict[str, Any]:
    flagged = sum(patch.area_mm2 for patch in found if patch.span_mm is None)
    bridged = sum(patch.area_mm2 for patch in found if patch.span_mm is not None)
    return {
        "body": name,
        "flagged_mm2": round(flagged, 2),
        "bridged_mm2": round(bridged, 2),
        "flagged_share": round(flagged / float(mesh.area), 5),
        "patch_count": len(found),
        "patches": [
            {
                "area_mm2": round(patch.area_mm2, 2),
                "centre_in_print_pose_mm": [round(value, 2) for value in patch.centre],
                "steepest_deg": round(patch.steepest_deg, 2),
                "bridge_span_mm": None if patch.span_mm is None else round(patch.span_mm, 2),
            }
            for patch in found[:_MOST_LISTED]
        ],
    }


def _findings(name: str, found: list[Overhang], limit_deg: float, back: Floats) -> list[Finding]:
    large = [patch for patch in found if patch.area_mm2 >= _LEAST_AREA_MM2]
    findings = []
    for patch in large[:_MOST_FINDINGS]:
        x, y, z = _moved(np.array([patch.centre]), back)[0].tolist()
        centre = (round(value) for value in patch.centre)
        place = "x {}, y {}, z {} mm in the print pose".format(*centre)
        if patch.span_mm is None:
            code, severity = "overhang", "warning"
            message = (
                f"{name}: {patch.area_mm2:.0f} mm2 at {place} lean out up to "
                f"{patch.steepest_deg:.0f} degrees from the vertical (limit {limit_deg:g}). "
                "Print support under it, or turn the part"
            )
        else:
            code, severity = "bridge", "note"
            message = (
                f"{name}: {patch.area_mm2:.0f} mm2 at {place} bridge {patch.span_mm:.1f} mm. "
                "It prints without support; set the fan to full there"
            )
        # Severity is one of the two words above, which a type checker widens to any string.
        findings.append(Finding(code, severity, message, name, (x, y, z)))  # type: ignore[arg-type]
    rest = found[len(findings) :]
    area = sum(patch.area_mm2 for patch in rest)
    if area >= _LEAST_AREA_MM2:
        message = (
            f"{name}: {len(rest)} {'more, smaller ' if findings else 'small '}"
            f"patch{'es' * (len(rest) > 1)} hang over air, {area:.0f} mm2 in all, the largest "
            f"{rest[0].area_mm2:.1f} mm2. See {name}-overhangs.ply before printing without support"
        )
        findings.append(Finding("more-overhangs", "note", message, name))
    return findings


def _coloured(mesh: trimesh.Trimesh, layer_mm: float) -> bytes:
    """The part as PLY: down-facing faces by their lean, 0 to 90 degrees, grey the rest."""
    angle, _ = face_angles_deg(mesh)
    shown = np.where((angle > 0) & ~_resting(mesh, angle, layer_mm), angle, np.nan)
    paint = colours.scale(shown, 0, 90)
    return ply.encode(mesh.vertices, np.asarray(mesh.faces), face_colours=paint)


def _inverse(pose: Floats) -> Floats:
    return np.linalg.inv(pose).astype(np.float64)


def _moved(points: Floats, matrix: Floats) -> Floats:
    moved: Floats = points @ matrix[:3, :3].T + matrix[:3, 3]
    return moved
