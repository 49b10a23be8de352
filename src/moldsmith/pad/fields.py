"""Thickness that varies over the pad: named points, bumps, limits by region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypedDict, TypeVar

import numpy as np
import potpourri3d
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry.denoising import denoised
from ..geometry.distance import SurfaceIndex
from ..geometry.geodesic import point_distance
from ..geometry.topology import components
from ..workpiece import Vector
from .thickness import THICKEST_MM, THINNEST_MM, Floats, check_range

__all__ = [
    "Bump",
    "Limit",
    "ThicknessPoint",
    "bumps_height",
    "limited",
    "thickness_at_points",
    "widened",
]

Ints = NDArray[np.int64]

OFF_SURFACE_MM = 25.0  # how far beside the scan a point may be given
RELAX_SLOPE = 0.35  # how fast a limit lets go outside its region, mm a mm
RELAX_MM = 20.0  # over which that slope begins


class _Point(TypedDict):
    at: Vector
    thickness_mm: float


class ThicknessPoint(_Point, total=False):
    """The pad is to be `thickness_mm` thick at `at` (mm, on the scan)."""

    name: str


class _Bump(TypedDict):
    at: Vector
    radius_mm: float
    height_mm: float


class Bump(_Bump, total=False):
    """A rise of `height_mm` at `at`, gone at `radius_mm` along the surface."""

    name: str


class Limit(TypedDict, total=False):
    """Least and greatest thickness in a region: a ball (`at`, `radius_mm`) or what lies
    on the side of a plane that its normal points to (`plane`: point, normal)."""

    at: Vector
    radius_mm: float
    plane: tuple[Vector, Vector]
    min_mm: float
    max_mm: float
    name: str


_Region = TypeVar("_Region", Bump, Limit)


def widened(regions: Sequence[_Region], scale: float) -> list[_Region]:
    """Bumps or limits with radii so many times as large; a radius that is no number stays."""
    wide = []
    for region in regions:
        own = region.copy()
        if isinstance(own.get("radius_mm"), int | float):
            own["radius_mm"] *= scale
        wide.append(own)
    return wide


def thickness_at_points(
    patch: trimesh.Trimesh,
    index: SurfaceIndex,
    points: Sequence[ThicknessPoint],
    elsewhere_mm: float | None,
) -> Floats:
    """Thickness (n,) that is at each point what it asks, and between their least and greatest.

    The mean of the points' values weighted by 1 / d², with d the distance along
    the surface (Shepard, Proc. 23rd ACM Nat. Conf. (1968) 517; d by the heat
    method, Crane, Weischedel and Wardetzky, ACM Trans. Graph. 32 (2013) 152): flat
    at each point, smooth elsewhere. A piece of the patch without a point is
    `elsewhere_mm` thick.

    Raises
    ------
    BadParameter : a point off the scan, two at one place, a thickness out of range,
        or a piece without a point and `elsewhere_mm` None
    """
    wanted = np.array([_number(point, "points", k, "thickness_mm", THINNEST_MM, THICKEST_MM)
                       for k, point in enumerate(points, start=1)])  # fmt: skip
    places = [_on_surface(index, point, "points", k) for k, point in enumerate(points, start=1)]
    nearest = np.array([int(index.faces[face][np.argmax(w)]) for face, w in places], dtype=np.int64)
    _refuse_doubled(points, nearest)
    vertices = denoised(index.vertices, index.faces)
    count, label = components(index.faces)
    of_vertex = np.zeros(len(vertices), dtype=np.int64)
    of_vertex[index.faces] = label[:, None]
    thickness = np.empty(len(vertices))
    for piece in range(count):
        here = np.flatnonzero(of_vertex == piece)
        held = np.flatnonzero(of_vertex[nearest] == piece)
        if len(held) == 0:
            thickness[here] = _elsewhere(patch, here, elsewhere_mm)
            continue
        faces = np.searchsorted(here, index.faces[label == piece])
        solver = potpourri3d.MeshHeatMethodDistanceSolver(vertices[here], faces, use_robust=True)
        total, weight_sum = np.zeros(len(here)), np.zeros(len(here))
        for k in held:
            source = int(np.searchsorted(here, nearest[k]))
            gap = np.maximum(np.nan_to_num(solver.compute_distance(source), nan=1e6), 1e-6)
            gap[source] = 1e-6
            total += wanted[k] / gap**2
            weight_sum += 1 / gap**2
        thickness[here] = total / weight_sum
    return thickness


def bumps_height(index: SurfaceIndex, bumps: Sequence[Bump]) -> Floats:
    """How much (n,) mm the bumps add to the thickness.

    h (1 − u²)³ with u the distance along the surface over the radius: level at
    the top, and meets the rest with neither step, kink nor jump of curvature.
    Where bumps overlap their heights add up.

    Raises
    ------
    BadParameter : a point off the scan, a radius or height out of range
    """
    rise = np.zeros(len(index.vertices))
    vertices = denoised(index.vertices, index.faces)
    for k, bump in enumerate(bumps, start=1):
        radius = _number(bump, "bumps", k, "radius_mm", 5, 1000)
        height = _number(bump, "bumps", k, "height_mm", 0, THICKEST_MM)
        face, weights = _on_surface(index, bump, "bumps", k)
        gap = point_distance(vertices, index.faces, face, weights, radius)
        rise += height * (1 - np.minimum(gap / radius, 1) ** 2) ** 3
    return rise


def limited(vertices: Floats, thickness: Floats, limits: Sequence[Limit]) -> Floats:
    """The thickness (n,) held within the limits of each region, eased into its surroundings.

    Outside a region its limits let go, first slowly, then by at most 0.35 mm a mm.

    Raises
    ------
    BadParameter : a region that is none, no limit in it, or limits that contradict
        each other, also where regions overlap (with the place)
    """
    floor, ceiling = np.zeros(len(vertices)), np.full(len(vertices), np.inf)
    for k, limit in enumerate(limits, start=1):
        outside = np.maximum(_outside(vertices, limit, k), 0)
        slack = RELAX_SLOPE * np.where(
            outside < RELAX_MM, outside**2 / (2 * RELAX_MM), outside - RELAX_MM / 2
        )
        low, high = limit.get("min_mm"), limit.get("max_mm")
        if low is None and high is None:
            raise BadParameter(f"limits[{k}] has neither min_mm nor max_mm", "Give one or both")
        if low is not None:
            check_range(f"limits[{k}].min_mm", low, 0, THICKEST_MM)
            floor = np.maximum(floor, low - slack)
        if high is not None:
            check_range(f"limits[{k}].max_mm", high, max(THINNEST_MM, low or 0), THICKEST_MM)
            ceiling = np.minimum(ceiling, high + slack)
        _refuse_crossed(vertices, floor, ceiling, outside <= 0, k)
    held: Floats = np.maximum(np.minimum(thickness, ceiling), np.minimum(floor, ceiling))
    return held


def _refuse_crossed(
    vertices: Floats, floor: Floats, ceiling: Floats, inside: NDArray[np.bool_], number: int
) -> None:
    crossed = np.where(inside, floor - ceiling, 0)
    worst = int(np.argmax(crossed))
    if crossed[worst] > 1e-9:
        x, y, z = vertices[worst]
        raise BadParameter(
            f"limits[{number}] contradicts another: at least {floor[worst]:.1f} mm and at most "
            f"{ceiling[worst]:.1f} mm at x {x:.0f}, y {y:.0f}, z {z:.0f}",
            "Move the regions apart or bring their limits together",
        )


def _outside(vertices: Floats, limit: Limit, number: int) -> Floats:
    """How far (n,) mm vertices lie outside the region, negative within."""
    key = f"limits[{number}]"
    if ("at" in limit) == ("plane" in limit):
        raise BadParameter(
            f"{key} has {'both' if 'at' in limit else 'neither'} at and plane",
            "Give at and radius_mm for a ball, or plane for all on one side of it",
        )
    if "at" in limit:
        radius = _number(limit, "limits", number, "radius_mm", 1, 10_000)
        centre = _vector(limit["at"], f"{key}.at")
        return np.asarray(np.linalg.norm(vertices - centre, axis=1) - radius)
    pair = limit["plane"]
    if len(pair) != 2:
        raise BadParameter(f"{key}.plane = {pair}", "Give it as (point, normal)")
    point, normal = _vector(pair[0], f"{key}.plane"), _vector(pair[1], f"{key}.plane")
    length = float(np.linalg.norm(normal))
    if length < 1e-9:
        raise BadParameter(f"{key}.plane: its normal has no length", "Give a direction")
    return np.asarray((point - vertices) @ (normal / length))


def _elsewhere(patch: trimesh.Trimesh, here: Ints, elsewhere_mm: float | None) -> float:
    if elsewhere_mm is not None:
        return elsewhere_mm
    x, y, z = np.asarray(patch.vertices)[here].mean(axis=0)
    raise BadParameter(
        f"points: none lies on the piece of the scan at x {x:.0f}, y {y:.0f}, z {z:.0f}",
        "Give a point there, or thickness_mm for the pieces without one",
    )


def _refuse_doubled(points: Sequence[ThicknessPoint], nearest: Ints) -> None:
    _, first, inverse = np.unique(nearest, return_index=True, return_inverse=True)
    for k, other in enumerate(first[inverse.reshape(-1)]):
        if k != other:
            raise BadParameter(
                f"points[{k + 1}] lies at the same place as points[{other + 1}] "
                f"({_told(points[k]['at'])})",
                "Leave one of them out, or move them apart",
            )


def _on_surface(
    index: SurfaceIndex, entry: Mapping[str, Any], key: str, number: int
) -> tuple[int, Floats]:
    """Face and weights (3,) of the place on the scan that an entry means."""
    if "at" not in entry:
        raise BadParameter(f"{key}[{number}].at is missing", "Give a point on the scan, in mm")
    at = _vector(entry["at"], f"{key}[{number}].at")
    found = index.closest(at[None])
    if found.distance[0] > OFF_SURFACE_MM:
        raise BadParameter(
            f"{key}[{number}].at = {_told(at)} is {found.distance[0]:.0f} mm off the cropped scan "
            f"(nearest at {_told(found.point[0])})",
            f"Give a point within {OFF_SURFACE_MM:g} mm of it",
        )
    return int(found.face[0]), found.weights[0]


def _number(
    entry: Mapping[str, Any], key: str, number: int, item: str, low: float, high: float
) -> float:
    if item not in entry:
        raise BadParameter(f"{key}[{number}].{item} is missing", f"Choose {low:g} to {high:g} mm")
    check_range(f"{key}[{number}].{item}", entry[item], low, high)
    return float(entry[item])


def _vector(value: Any, key: str) -> Floats:
    try:
        vector = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        vector = np.empty(0)
    if vector.shape != (3,) or not np.isfinite(vector).all():
        raise BadParameter(f"{key} = {value}", "Give three numbers, in mm")
    return vector


def _told(point: Any) -> str:
    x, y, z = (float(value) for value in point)
    return f"x {x:.0f}, y {y:.0f}, z {z:.0f}"
