"""What floats about a scan: fragments and the floor, told from the body."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..workpiece import Finding, Vector

__all__ = ["sort_out"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FLAT_SHARE = 0.03  # of its breadth that a floor patch may be thick
LEVEL = 0.9  # cosine of a floor's tilt from level


def sort_out(
    vertices: Floats, faces: Ints, number: int, label: Ints, share: float, up: Floats
) -> tuple[NDArray[np.bool_], dict[str, Any], list[Finding]]:
    """Which faces (m,) belong to the body, with figures and findings on the rest.

    number, label (m,) : how many pieces there are, and of which one each face is

    The largest piece that is no floor patch is kept, and every other of at least
    `share` of its area.
    """
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(cross, axis=1) / 2
    size: Floats = np.bincount(label, areas, minlength=number).astype(np.float64)
    # A few stray triangles may span a large area: a piece of the body has its share of both.
    many = np.bincount(label, minlength=number)
    fit = (size >= share * size.max() / 10) & (many >= share * many.max() / 10)
    candidates = np.flatnonzero(fit if fit.any() else size == size.max())
    floors = _floors(vertices, faces, label, size, candidates, up)
    body = np.setdiff1d(candidates, floors)
    largest = body[np.argmax(size[body])]
    kept = [int(part) for part in body if size[part] >= share * size[largest] or part == largest]
    figures = {
        "pieces_found": number,
        "fragments_dropped": number - len(kept) - len(floors),
        "floor_patches_dropped": len(floors),
    }
    findings = [_floor_finding(vertices, faces[label == part]) for part in floors]
    for part in kept:
        if part != largest:
            own = faces[label == part]
            findings += [_piece_finding(vertices, own, size[part], size[largest])]
    return np.isin(label, kept), figures, findings


def _floors(
    vertices: Floats, faces: Ints, label: Ints, size: Floats, candidates: Ints, up: Floats
) -> list[int]:
    """Flat, level pieces below all but the lowest tenth of some other piece of comparable area."""
    floors = []
    middles = vertices[faces].mean(axis=1)
    heights = middles @ up
    for part in candidates.tolist():
        own = middles[label == part]
        spread, axes = np.linalg.eigh(np.cov(own.T)) if len(own) > 2 else (np.zeros(3), np.eye(3))
        flat = len(own) > 2 and spread[0] < FLAT_SHARE**2 * spread[1]
        if not flat or abs(axes[:, 0] @ up) < LEVEL:
            continue
        others = np.isin(label, [q for q in candidates.tolist() if q != part])
        if not others.any() or size[label[others]].max() < 0.05 * size[part]:
            continue
        if np.median(own @ up) <= np.quantile(heights[others], 0.1):
            floors.append(part)
    return floors if len(floors) < len(candidates) else []


def _floor_finding(vertices: Floats, faces: Ints) -> Finding:
    message = "a flat, level patch under the body was taken for the floor and dropped"
    return Finding("floor-dropped", "note", message, "scan", _place(vertices, faces))


def _piece_finding(vertices: Floats, faces: Ints, area: float, largest: float) -> Finding:
    message = (
        f"a loose piece of {area:.0f} mm², {100 * area / largest:.0f} % of the largest, was kept. "
        "Raise fragment_share to drop it"
    )
    return Finding("loose-piece-kept", "warning", message, "scan", _place(vertices, faces))


def _place(vertices: Floats, faces: Ints) -> Vector:
    x, y, z = np.round(vertices[np.unique(faces)].mean(axis=0), 2).tolist()
    return (x, y, z)
