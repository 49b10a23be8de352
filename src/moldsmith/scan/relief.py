"""Surface detail made deeper, softer or smooth: relief and smooth."""

from __future__ import annotations

from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry.clipping import corner_angles
from ..geometry.filtering import cut_keeping, detail_below
from ..geometry.topology import half_edges
from ..stage import stage
from ..workpiece import Finding, Workpiece

__all__ = ["relief", "smooth"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_HALVINGS = 8  # of the way of vertices whose triangles would turn over
KEPT_SHARE = 0.95  # of the height of a feature of the stated size that smooth leaves


@stage
def relief(
    piece: Workpiece, *, gain: float, small_mm: float = 6.0, large_mm: float = 40.0
) -> Workpiece:
    """Deepen or soften the surface detail between two sizes; form and rims stay.

    Parameters
    ----------
    gain : 0 to 5; what the height of such detail is multiplied by: 0 takes it away,
        1 changes nothing, 2 doubles it
    small_mm, large_mm : 0.5 to 500; the sizes, crest to crest along the surface.
        Detail twice as large or half as small is all but left alone

    Changes body 'scan', open or closed; its triangles and its borders stay. A ripple of
    length l is multiplied by 1 + (gain − 1) (1 / (1 + (small / l)⁸) − 1 / (1 + (large / l)⁸)),
    fading out within about large_mm / 4 of a border.

    Findings: 'finer-than-scan' where small_mm is less than two triangle edges,
    'folded' where deepened detail runs into itself.

    Raises
    ------
    BadParameter : a value out of range, or small_mm not below large_mm
    """
    _check("gain", gain, 0, 5)
    _check("small_mm", small_mm, 0.5, 500)
    _check("large_mm", large_mm, 0.5, 500)
    if small_mm >= large_mm:
        raise BadParameter(
            f"small_mm = {small_mm:g} is not below large_mm = {large_mm:g}",
            "Give the smaller size of the band first, 0.5 to 500 mm",
        )
    scan = piece.body("scan")
    vertices, faces = np.asarray(scan.vertices), np.asarray(scan.faces)
    band = detail_below(vertices, faces, large_mm) - detail_below(vertices, faces, small_mm)
    remedy = "Choose a smaller gain, or smooth first"
    return _changed(piece, vertices + (gain - 1) * band, small_mm, remedy)


@stage
def smooth(piece: Workpiece, *, feature_mm: float = 8.0) -> Workpiece:
    """Take the scanner's noise off the surface; features, volume and rims stay.

    feature_mm : 0.5 to 200, crest to crest along the surface; features of this size keep
        95 % of their height, larger ones more; of those half as large 4 % are left

    Changes body 'scan', open or closed; its triangles and its borders stay. The filter
    is flat for large form (to a millionth at six times feature_mm), so that volume is
    kept as by Taubin, Proc. SIGGRAPH (1995) 351, without its growth of middling waves.

    Findings: 'finer-than-scan' where feature_mm is less than two triangle edges,
    so that there is next to nothing to take away, 'folded' where triangles turned over.

    Raises
    ------
    BadParameter : feature_mm out of range
    """
    _check("feature_mm", feature_mm, 0.5, 200)
    scan = piece.body("scan")
    vertices, faces = np.asarray(scan.vertices), np.asarray(scan.faces)
    cut = cut_keeping(feature_mm, KEPT_SHARE)
    remedy = "Heal the scan there, or choose a larger feature_mm"
    smoothed = _unfolded(vertices, vertices - detail_below(vertices, faces, cut), faces)
    return _changed(piece, smoothed, feature_mm, remedy)


def _check(parameter: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise BadParameter(f"{parameter} = {value!r} is out of range", f"Give {low:g} to {high:g}")


def _changed(piece: Workpiece, vertices: Floats, finest_mm: float, remedy: str) -> Workpiece:
    """The piece with the vertices of its scan put here, and what that changed.

    remedy : where the surface folds over by it
    """
    scan = piece.body("scan")
    before, faces = np.asarray(scan.vertices), np.asarray(scan.faces)
    edges = half_edges(faces)
    edge = float(np.median(np.linalg.norm(before[edges[:, 0]] - before[edges[:, 1]], axis=1)))
    findings = _folds(before, vertices, faces, remedy)
    if finest_mm < 2 * edge:
        findings.append(
            Finding(
                "finer-than-scan",
                "warning",
                f"features of {finest_mm:g} mm are finer than the scan shows: its triangles' "
                f"edges are {edge:.1f} mm. Choose at least {2 * edge:.1f} mm, or load a finer scan",
                "scan",
            )
        )
    changed = trimesh.Trimesh(vertices, faces, process=False)
    return piece.with_bodies(scan=changed).note(_figures(before, vertices, faces), findings)


def _figures(before: Floats, after: Floats, faces: Ints) -> dict[str, Any]:
    """How far the surface moved: over its area, at most, and the volume it swept."""
    moved = np.linalg.norm(after - before, axis=1)
    corners = before[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    weight = np.repeat(np.linalg.norm(cross, axis=1) / 6, 3)
    square = float(np.sum(weight * moved[faces].ravel() ** 2) / max(float(weight.sum()), 1e-30))
    # With fixed borders the cones over both surfaces differ by what lies between them.
    middle = before.mean(axis=0)
    volumes = [
        float(np.linalg.det(vertices[faces] - middle).sum() / 6) for vertices in (before, after)
    ]
    closed = trimesh.Trimesh(before, faces, process=False).is_watertight
    share = (volumes[1] - volumes[0]) / volumes[0] if closed and volumes[0] else None
    return {
        "rms_change_mm": round(float(np.sqrt(square)), 4),
        "max_change_mm": round(float(moved.max(initial=0)), 4),
        "volume_change_mm3": round(volumes[1] - volumes[0], 3),
        "volume_change_share": None if share is None else round(share, 8),
    }


def _folds(before: Floats, after: Floats, faces: Ints, remedy: str) -> list[Finding]:
    """A finding where triangles turned over."""
    turned = _turned(before, after, faces)
    if len(turned) == 0:
        return []
    x, y, z = after[faces[turned[0]]].mean(axis=0).round(2).tolist()
    message = (
        f"{len(turned)} triangles turned over, where the surface is rough or the detail runs "
        f"into itself. {remedy}"
    )
    return [Finding("folded", "warning", message, "scan", (x, y, z))]


def _turned(before: Floats, after: Floats, faces: Ints) -> Ints:
    """Numbers of the triangles that turned over and were no needles before."""
    first, second = (
        np.cross(v[faces[:, 1]] - v[faces[:, 0]], v[faces[:, 2]] - v[faces[:, 0]])
        for v in (before, after)
    )
    turned = np.flatnonzero(np.einsum("ij,ij->i", first, second) < 0)
    sound = corner_angles(before, faces[turned]).min(axis=1) > 5 if len(turned) else turned > 0
    return np.asarray(turned[sound])


def _unfolded(before: Floats, after: Floats, faces: Ints) -> Floats:
    """The moved vertices, those of triangles that turned over moved less, by half and half."""
    share = np.ones((len(before), 1))
    moved = after
    for _ in range(_HALVINGS):
        turned = _turned(before, moved, faces)
        if len(turned) == 0:
            break
        share[np.unique(faces[turned])] /= 2
        moved = before + share * (after - before)
    return np.asarray(moved)
