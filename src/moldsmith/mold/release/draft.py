"""What a straight pull releases and what it drags on: undercut, draft, the best direction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ...geometry.reduction import reduced
from ...geometry.solid import rotation_to
from ...geometry.vectors import unit
from ...geometry.visibility import Grid, grid_over, highest, highest_on_line, lowest, lowest_on_line
from .throats import held_back

__all__ = ["Undercut", "best_pulls", "draft_deg", "undercut"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_GOLDEN = np.pi * (3 - np.sqrt(5))
_MIRRORED = np.array([1.0, 1.0, -1.0])
_CONTACT_MM = 0.02
_APART_DEG = 10.0
_KEPT = 3
_NEAR_DEG = 60.0
_SPREADS_DEG = (4.0, 2.0, 1.0)
_REDUCED_MM = 0.5  # for the search alone


@dataclass(frozen=True, slots=True)
class Undercut:
    """What of a face a pull along `direction` cannot release.

    area_mm2 : of the face's surface that is held; depth_mm : how far the casting
    must flex sideways there, to what it leaves through; stretch_percent : by how much it
    must give in all; where : the deepest place, mm; held (m,) : the faces
    """

    direction: tuple[float, float, float]
    area_mm2: float
    depth_mm: float
    stretch_percent: float
    where: tuple[float, float, float]
    held: Mask


def draft_deg(vertices: Floats, faces: Ints, direction: Floats) -> Floats:
    """Draft angle (m,) of each face in degrees: 90 square to the pull, 0 along it, negative held.

    The faces look into the cavity's material, so those that face away from the
    pull come free.
    """
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    normals = unit(np.cross(b - a, c - a))
    return np.degrees(np.arcsin(np.clip(-normals @ np.asarray(direction), -1, 1)))


def undercut(
    vertices: Floats,
    faces: Ints,
    direction: Floats,
    *,
    step_mm: float = 0.5,
    roughly: bool = False,
) -> Undercut:
    """What of an open face held in a rigid cavity does not come free along a direction.

    The faces look into the cavity's material. A face is held if it looks along the
    pull itself, or if another part of the face that does so lies under it and traps
    the material between (visibility along the pull, by a grid of rays). The depth is
    how far what is held lies from the open throat, seen along the pull; where it is narrower
    than two rays it is 0. Rays find it, lines through the deepest places measure it; roughly :
    leave it at the rays, whose depth errs by up to a ray.
    """
    direction = unit(np.asarray(direction, dtype=float))
    turn = rotation_to(direction).T
    turned = vertices @ turn.T
    corners = turned[faces]
    grid = grid_over(turned[:, :2].min(axis=0), turned[:, :2].max(axis=0), step_mm)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2
    # The lowest place that looks up, on every ray: mirrored, the highest of the same faces.
    shelf = -highest(turned * _MIRRORED, faces, grid)
    middle = corners.mean(axis=1)
    over = shelf.ravel()[_cells(middle, grid)] < middle[:, 2] - _CONTACT_MM
    held = (cross[:, 2] > 1e-6 * area) | over
    # Lone rays left out: a wall met end-on is no undercut.
    caught = ndimage.binary_opening(np.isfinite(shelf), np.ones((2, 2), dtype=bool))
    x, y, z = (float(value) for value in direction)
    held_mm2 = float(area[held].sum())
    if not caught.any():
        return Undercut((x, y, z), held_mm2, 0.0, 0.0, (0.0, 0.0, 0.0), held)
    # Rays left out are no way out either: they lie along an edge.
    bottom = lowest(turned, faces, grid)
    bottom[np.isfinite(shelf) & ~caught] = np.inf

    def look(start: Floats, way: Floats, along: Floats) -> tuple[Floats, Floats]:
        over = -highest_on_line(turned * _MIRRORED, faces, start, way, along)
        return lowest_on_line(turned, faces, start, way, along), over

    back = held_back(caught, bottom, shelf, grid, None if roughly else look)
    place = np.append(grid.places(np.array([back.ray]))[0], shelf.ravel()[back.ray]) @ turn
    where = (float(place[0]), float(place[1]), float(place[2]))
    return Undercut((x, y, z), held_mm2, back.depth_mm, back.stretch_percent, where, held)


def _cells(points: Floats, grid: Grid) -> Ints:
    """The flat number of the ray nearest to each point in plan."""
    at = np.rint((points[:, :2] - grid.low) / grid.step_mm).astype(np.int64)
    at = np.clip(at, 0, np.array(grid.shape) - 1)
    return np.asarray(at[:, 0] * grid.shape[1] + at[:, 1])


def best_pulls(
    vertices: Floats,
    faces: Ints,
    *,
    step_mm: float = 1.5,
    directions: int = 200,
    finalists: int = 6,
) -> list[Undercut]:
    """The best direction to pull a face out of a cavity and two more, 10 degrees apart or more.

    Directions spread evenly over the half sphere round the face's mean (a Fibonacci lattice)
    are measured by rays on a reduced mesh: those within 60 degrees, and of the others those with
    the least area that faces the wrong way; then the neighbours of the best. Those that are left
    are measured as `undercut` does. Where the mean is as good as any the rest is left out.
    """
    a, b, c = vertices[faces[:, 0]], vertices[faces[:, 1]], vertices[faces[:, 2]]
    cross = np.cross(b - a, c - a) / 2
    mean = unit(-cross.sum(axis=0))
    lattice = _half_sphere(directions) @ rotation_to(mean).T
    drag = np.maximum(cross @ lattice.T, 0).sum(axis=0)
    least = np.argsort(drag, kind="stable")[:finalists]

    def rating(item: Undercut) -> tuple[float, float, float]:
        """Depth first, in whole steps of the rays; then the tilt from the mean, in tens of
        degrees, since a tilted mold is a taller one; then the area held."""
        tilt = np.degrees(np.arccos(np.clip(mean @ np.array(item.direction), -1, 1)))
        return (round(item.depth_mm / (2 * step_mm)), round(float(tilt) / 10), item.area_mm2)

    few, shown, _ = reduced(vertices, faces, _REDUCED_MM)

    def rough(ways: Floats) -> list[Undercut]:
        return [undercut(few, shown, way, step_mm=step_mm, roughly=True) for way in ways]

    found = rough(np.array([mean, *lattice[least]]))
    if found[0].depth_mm > 2 * step_mm:  # else no tilt could do better than the mean
        near = lattice @ mean > np.cos(np.radians(_NEAR_DEG))
        near[least] = False
        found += rough(lattice[near])
        for spread in _SPREADS_DEG:
            best = min(found, key=rating)
            found += rough(_neighbours(np.array(best.direction), spread))
    kept = _spread_out(sorted(found, key=rating))[:_KEPT]
    measured = [undercut(vertices, faces, np.array(item.direction)) for item in kept]
    return sorted(measured, key=rating)


def _spread_out(ordered: list[Undercut]) -> list[Undercut]:
    """Those that are no mere neighbours of a better one."""
    least = np.cos(np.radians(_APART_DEG))
    kept: list[Undercut] = []
    for item in ordered:
        if all(np.dot(item.direction, other.direction) < least for other in kept):
            kept.append(item)
    return kept


def _half_sphere(count: int) -> Floats:
    """About `count` unit vectors (n, 3) spread evenly with z > 0."""
    z = 1 - (np.arange(count) + 0.5) / count
    around = _GOLDEN * np.arange(count)
    ring = np.sqrt(1 - z * z)
    return np.stack([ring * np.cos(around), ring * np.sin(around), z], axis=1)


def _neighbours(direction: Floats, spread_deg: float) -> Floats:
    around = np.arange(6) * np.pi / 3
    tilt = np.radians(spread_deg)
    local = np.stack(
        [
            np.sin(tilt) * np.cos(around),
            np.sin(tilt) * np.sin(around),
            np.full(6, np.cos(tilt)),
        ],
        axis=1,
    )
    return local @ rotation_to(direction).T
