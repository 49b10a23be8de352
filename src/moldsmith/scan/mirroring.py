"""The other side of the wearer: mirror and symmetrise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal, TypeAlias

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray

from ..errors import BadParameter
from ..geometry.distance import SurfaceIndex
from ..geometry.symmetry import symmetry_plane
from ..geometry.topology import border_edges, half_edges
from ..stage import stage
from ..workpiece import Finding, Frame, Vector, Workpiece
from .directions import stated_plane

__all__ = ["Plane", "found_plane", "mirror", "mirrored", "symmetric_within", "symmetrise"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Plane: TypeAlias = Literal["found"] | Sequence[ArrayLike]

SYMMETRIC_SHARE = 0.01  # residual over the size of the scan: above, the found plane means nothing
WIDEST_DEG = 30.0  # between the plane's normal and the wearer's left
ROUNDS = 3  # of averaging: closest points get nearer to corresponding points


@stage
def mirror(piece: Workpiece, *, plane: Plane = "found") -> Workpiece:
    """Make the piece for the other side: all bodies mirrored, facing outward as before.

    plane : 'found', the wearer's plane of symmetry as the scan shows it, or
        (point, normal) in mm. A scan that is not symmetric by itself, as of one
        shoulder, is mirrored in its middle, square to the wearer's left: which plane
        it is changes where the piece lies, not its shape

    Two times in a stated plane gives the piece back.

    Findings: 'plane-assumed' where the scan is not symmetric.

    Raises
    ------
    BadParameter : the plane is none
    """
    scan = piece.body("scan")
    findings = []
    if _is_found(plane):
        point, normal, residual = found_plane(scan, piece.frame)
        if residual > symmetric_within(scan):
            normal = _left(piece.frame)
            point = np.asarray(scan.bounds).mean(axis=0)
            message = (
                "the scan is not symmetric by itself: mirrored in its middle, square to the "
                "wearer's left. Give plane = (point, normal) to have it elsewhere"
            )
            findings.append(Finding("plane-assumed", "note", message, "scan", _triple(point)))
    else:
        point, normal = _stated(plane)
    bodies = {
        name: trimesh.Trimesh(
            mirrored(body.vertices, point, normal), body.faces[:, ::-1], process=False
        )
        for name, body in piece.bodies.items()
    }
    turned = replace(piece.with_named(bodies), frame=_mirrored_frame(piece.frame, point, normal))
    return turned.note(
        {"plane_point_mm": _triple(point), "plane_normal": _triple(normal, 9)}, findings
    )


@stage
def symmetrise(piece: Workpiece, *, plane: Plane = "found", limit_mm: float = 20.0) -> Workpiece:
    """Make the two sides of the scan alike: each point goes half way to its mirror image.

    Parameters
    ----------
    plane : 'found', or (point, normal) in mm
    limit_mm : 0.1 to 100; where the sides are farther apart, as arms held differently,
        the scan is left as it is; from half of that on it moves less and less

    Changes body 'scan'; its triangles stay, and its borders and what is mirrored beyond
    them. Closest points stand for corresponding points, three times over. Figures: root
    mean square distance of the sides before and after, where they were within the limit.

    Findings: 'sides-differ' where more than a tenth of the scan was left as it is.

    Raises
    ------
    BadParameter : the plane is none, limit_mm out of range, or no plane was found
        in which the scan is nearly symmetric
    """
    if not 0.1 <= limit_mm <= 100:
        raise BadParameter(f"limit_mm = {limit_mm!r} is out of range", "Give 0.1 to 100 mm")
    scan = piece.body("scan")
    if _is_found(plane):
        point, normal, residual = found_plane(scan, piece.frame)
        if residual > symmetric_within(scan):
            apart = (
                f"in the best plane its sides lie {residual:.1f} mm apart "
                f"(allowed {symmetric_within(scan):.1f} mm)"
                if np.isfinite(residual)
                else "it is its own mirror image otherwise, if at all"
            )
            raise BadParameter(
                f"the scan is not symmetric left and right: {apart}",
                "Give plane = (point, normal), or symmetrise the whole scan before crop",
            )
    else:
        point, normal = _stated(plane)
    vertices, faces = np.array(scan.vertices), np.asarray(scan.faces)
    away, within = _to_image(vertices, faces, point, normal, limit_mm)
    before = _rms(away, within)
    for _ in range(ROUNDS):
        vertices = vertices + _step(vertices, faces, away, within, limit_mm) / 2
        away, _ = _to_image(vertices, faces, point, normal, limit_mm)
    moved = np.linalg.norm(vertices - scan.vertices, axis=1)
    figures: dict[str, Any] = {
        "plane_point_mm": _triple(point),
        "plane_normal": _triple(normal, 9),
        "residual_before_mm": round(before, 4),
        "residual_after_mm": round(_rms(away, within), 4),
        "max_change_mm": round(float(moved.max()), 4),
        "share_within_limit": round(float(within.mean()), 4),
    }
    findings = []
    if within.mean() < 0.9:
        far = vertices[~within].mean(axis=0)
        message = (
            f"{100 * (1 - within.mean()):.0f} % of the scan has no mirror image within "
            f"{limit_mm:g} mm and was left as it is. Crop first, or choose a larger limit_mm"
        )
        findings.append(Finding("sides-differ", "warning", message, "scan", _triple(far)))
    alike = trimesh.Trimesh(vertices, faces, process=False)
    return piece.with_bodies(scan=alike).note(figures, findings)


def found_plane(scan: trimesh.Trimesh, frame: Frame) -> tuple[Floats, Floats, float]:
    """The wearer's plane of symmetry by the scan: point, normal, residual (mm).

    The residual is infinite where the plane parts no left from right: it is that of
    a limb, say, front against back.
    """
    left = _left(frame)
    point, normal, residual = symmetry_plane(scan.vertices, scan.faces, guess=left)
    across = abs(float(normal @ left)) >= np.cos(np.radians(WIDEST_DEG))
    return point, normal, residual if across else float("inf")


def mirrored(points: ArrayLike, point: Floats, normal: Floats) -> Floats:
    """Points (..., 3) mirrored in the plane through `point`, square to the unit `normal`."""
    place = np.asarray(points, dtype=float)
    return np.asarray(place - 2 * ((place - point) @ normal)[..., None] * normal)


def _is_found(plane: Plane) -> bool:
    if isinstance(plane, str) and plane != "found":
        raise BadParameter(
            f"plane = {plane!r} is not known", "Give 'found', or (point, normal) in mm"
        )
    return isinstance(plane, str)


def _stated(plane: Any) -> tuple[Floats, Floats]:
    remedy = "Give 'found', or ((x, y, z), (nx, ny, nz)): a point in mm and the normal"
    return stated_plane(plane, "plane", remedy)


def _left(frame: Frame) -> Floats:
    return np.asarray(np.cross(frame.up, frame.facing), dtype=float)


def symmetric_within(scan: trimesh.Trimesh) -> float:
    """The largest residual (mm) at which the found plane means something."""
    return SYMMETRIC_SHARE * float(np.linalg.norm(np.ptp(scan.bounds, axis=0)))


def _mirrored_frame(frame: Frame, point: Floats, normal: Floats) -> Frame:
    turn = np.eye(4)
    turn[:3, :3] -= 2 * np.outer(normal, normal)
    turn[:3, 3] = 2 * (point @ normal) * normal
    return frame.turned(turn)


def _to_image(
    vertices: Floats, faces: Ints, point: Floats, normal: Floats, limit_mm: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """From each vertex to the mirror image of the surface, and whether that is within the limit."""
    edges = half_edges(faces)
    edge = float(np.median(np.linalg.norm(vertices[edges[:, 0]] - vertices[edges[:, 1]], axis=1)))
    index = SurfaceIndex(vertices, faces, 2 * edge)
    image = mirrored(vertices, point, normal)
    found = index.closest(image)
    turned = mirrored(index.normals + point, point, normal) - point
    alike = np.einsum("ij,ij->i", turned, index.normal_at(found)) > 0
    within = ~found.on_border & (found.distance <= limit_mm) & alike
    return mirrored(found.point, point, normal) - vertices, within


def _step(
    vertices: Floats, faces: Ints, away: Floats, within: NDArray[np.bool_], limit_mm: float
) -> Floats:
    """The way to go: all of it up to half the limit, none at the limit and on borders."""
    distance = np.linalg.norm(away, axis=1)
    share = np.clip(2 - 2 * distance / limit_mm, 0, 1) * within
    share = share**2 * (3 - 2 * share)
    share[border_edges(faces)] = 0
    edges = half_edges(faces)
    for _ in range(3):  # no step in the surface beside what stays
        least = share.copy()
        np.minimum.at(least, edges[:, 0], (share[edges[:, 1]] + 1 / 3))
        np.minimum.at(least, edges[:, 1], (share[edges[:, 0]] + 1 / 3))
        share = least
    return np.asarray(share[:, None] * away)


def _rms(away: Floats, within: NDArray[np.bool_]) -> float:
    if not within.any():
        return 0.0
    return float(np.sqrt(np.mean((away[within] ** 2).sum(axis=1))))


def _triple(vector: Floats, digits: int = 4) -> Vector:
    x, y, z = (np.round(vector, digits) + 0.0).tolist()
    return (x, y, z)
