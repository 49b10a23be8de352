"""Known sizes of the wearer, and what the scan measures at the same places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypedDict, cast

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from ..errors import BadParameter
from ..geometry.section import plane_section, tape_girth_mm
from ..workpiece import Vector
from .directions import unit_vector
from .outline import parted

__all__ = [
    "Girth",
    "Length",
    "Target",
    "girth_targets",
    "length_targets",
    "measured_mm",
    "stature_target",
]

Floats = NDArray[np.float64]
Given = Mapping[str, Any]


class _Girth(TypedDict):
    girth_mm: float


class Girth(_Girth, total=False):
    """A girth of the wearer, and where it is taken: `height_mm`, or `at` and perhaps `normal`."""

    height_mm: float
    at: Vector
    normal: Vector


# A length of the wearer, straight between two points of the scan; 'from' is no Python name.
Length = TypedDict("Length", {"from": Vector, "to": Vector, "length_mm": float})

# Largest mean error a scan may measure with: ISO 20685 (as Gupta and Zakaria, eds,
# Anthropometry, Apparel Sizing and Design, p. 41, gives its table), mm.
HEIGHT_MM, SMALL_GIRTH_MM, LARGE_GIRTH_MM, SEGMENT_MM = 4.0, 4.0, 9.0, 5.0
# The standard names examples (neck, chest), no border between the two: ours, between the
# largest calf or neck and the least waist or hip of grown people.
LARGE_FROM_MM = 500.0

_ALIKE = 0.6  # the second section of a plane, by area, from which on 'the larger' tells nothing
_BESIDE_MM = 50.0  # a point farther from the part was not meant for it
_END_MM = 1.0  # a girth nearer to the scan's end is none: the plane touches, or slips off
_GAP = 0.1  # of an outline's length that may be missing: a tape bridges it


@dataclass(frozen=True)
class Target:
    """A known size: where it is taken on the scan, and how long it is on the wearer.

    kind : 'girth', 'length' or 'stature'; points : of a girth the outline it goes
    round (n, 3), else the two ends (2, 3); normal : of a girth's plane. All in
    mm in axes side, depth, up.
    """

    label: str
    kind: str
    wanted_mm: float
    points: Floats
    normal: Floats | None = None

    @property
    def limit_mm(self) -> float:
        """How far off it may be: the limit of ISO 20685."""
        if self.kind == "girth":
            return LARGE_GIRTH_MM if self.wanted_mm >= LARGE_FROM_MM else SMALL_GIRTH_MM
        return HEIGHT_MM if self.kind == "stature" else SEGMENT_MM

    @property
    def is_level(self) -> bool:
        """Whether it is a girth that lies nearer to level than to upright."""
        return self.normal is not None and abs(float(self.normal[2])) > np.sqrt(0.5)

    @property
    def height_mm(self) -> float:
        """The height it is taken at, of a length the middle's."""
        return float((self.points[:, 2].min() + self.points[:, 2].max()) / 2)

    @property
    def centre(self) -> Floats:
        """The mean of its points, which lies in a girth's plane."""
        return np.asarray(self.points.mean(axis=0))

    def size(self, points: Floats) -> tuple[float, Floats]:
        """Its size, were its points where `points` are, and the derivative (n, 3) by them."""
        gradient = np.zeros_like(points)
        if self.kind == "girth":
            order = _hull(points)
            ring = points[order]
            edges = np.roll(ring, -1, axis=0) - ring
            length = np.linalg.norm(edges, axis=1)
            along = edges / np.maximum(length, 1e-12)[:, None]
            gradient[order] = np.roll(along, 1, axis=0) - along
            return float(length.sum()), gradient
        apart = points[1] - points[0]
        size = float(np.linalg.norm(apart))
        gradient[1] = apart / max(size, 1e-12)
        gradient[0] = -gradient[1]
        return size, gradient


def girth_targets(scan: trimesh.Trimesh, girths: Sequence[Girth], axes: Floats) -> list[Target]:
    """The girths asked for, each with the outline it is taken round.

    axes : (3, 3), rows side, depth, up; scan : in those axes
    """
    return [
        _girth(scan, cast("Given", given), f"girths[{k}]", axes)
        for k, given in enumerate(girths, start=1)
    ]


def length_targets(lengths: Sequence[Length], axes: Floats) -> list[Target]:
    """The lengths asked for, straight from point to point."""
    targets = []
    for k, table in enumerate(lengths, start=1):
        given = cast("Given", table)
        label = f"lengths[{k}]"
        _keys(given, label, {"from", "to", "length_mm"})
        ends = np.stack([_point(given, label, "from"), _point(given, label, "to")]) @ axes.T
        if np.linalg.norm(ends[1] - ends[0]) < 1:
            raise BadParameter(
                f"{label}: its ends are less than 1 mm apart", "Give two points on the body"
            )
        targets.append(Target(label, "length", _size(given, label, "length_mm"), ends))
    return targets


def stature_target(scan: trimesh.Trimesh, stature_mm: float) -> Target:
    """The wearer's stature, against the whole height of the scan (given in axes)."""
    low, high = (float(f(scan.vertices[:, 2])) for f in (np.min, np.max))
    ends = np.array([[0.0, 0.0, low], [0.0, 0.0, high]])
    return Target("stature_mm", "stature", _positive(stature_mm, "stature_mm"), ends)


def measured_mm(target: Target, scan: trimesh.Trimesh) -> tuple[float, Target]:
    """What the scan measures where the target's points are, and the target on that outline."""
    if target.kind != "girth":
        return target.size(target.points)[0], target
    try:
        outlines = _outlines(scan, target.centre, target.normal, target.label)
    except BadParameter as error:  # it met the scan as given: its numbers would tell nothing
        raise BadParameter(
            f"{target.label}: the girth slips off the scan, or into an opening of it, as the scan "
            "is made the wearer's size",
            "Give a place farther from the scan's ends and openings",
        ) from error
    middles = np.array([line.mean(axis=0) for line in outlines])
    nearest = int(np.argmin(np.linalg.norm(middles - target.centre, axis=1)))
    outline = outlines[nearest]
    return tape_girth_mm(outline), replace(target, points=outline)


def _girth(scan: trimesh.Trimesh, given: Given, label: str, axes: Floats) -> Target:
    _keys(given, label, {"height_mm", "at", "normal", "girth_mm"})
    wanted = _size(given, label, "girth_mm")
    normal = axes @ unit_vector(given.get("normal", axes[2].tolist()), f"{label}.normal")
    if "at" in given:
        if "height_mm" in given:
            raise BadParameter(f"{label} has height_mm and at", "Give one of the two")
        point = axes @ _point(given, label, "at")
    elif "height_mm" in given and "normal" not in given:
        point = np.array([0.0, 0.0, _number(given["height_mm"], f"{label}.height_mm")])
    else:
        raise BadParameter(
            f"{label} does not say where it is taken",
            "Give height_mm, or at = (x, y, z) and, if it is not level, normal",
        )
    _refuse_end(scan, point, normal, label)
    outlines = _outlines(scan, point, normal, label)
    line = _about(outlines, point, label) if "at" in given else _largest(outlines, label, axes)
    return Target(label, "girth", wanted, line, normal)


def _refuse_end(scan: trimesh.Trimesh, point: Floats, normal: Floats, label: str) -> None:
    """`BadParameter` for a plane that only touches the scan: no tape lies round its end."""
    heights, level = scan.vertices @ normal, float(point @ normal)
    low, high = float(heights.min()), float(heights.max())
    if min(abs(level - low), abs(level - high)) < _END_MM:
        raise BadParameter(
            f"{label}: its plane lies at the scan's end, at {level:.1f} mm along its normal, where "
            f"the scan reaches from {low:.1f} to {high:.1f} mm",
            f"Give a place {_END_MM:g} mm or more inside, in the scan's coordinates",
        )


def _outlines(
    scan: trimesh.Trimesh, point: Floats, normal: Floats | None, label: str
) -> list[Floats]:
    """The closed outlines of a section, limbs apart from the trunk; small gaps are bridged."""
    assert normal is not None
    lines = plane_section(scan, point, normal)
    heights = scan.vertices @ normal
    if not lines:
        raise BadParameter(
            f"{label}: its plane does not meet the scan, which reaches from "
            f"{heights.min():.0f} to {heights.max():.0f} mm along the plane's normal; "
            f"the plane lies at {point @ normal:.0f} mm",
            "Give a place on the scan, in its coordinates in mm",
        )
    closed = [line for line in lines if len(line) > 3 and _is_closed(line)]
    if not closed:
        raise BadParameter(
            f"{label}: the scan is open there, no outline goes all round",
            "Fit before crop, close the scan (heal, max_hole_mm), or give lengths instead",
        )
    return [one.points for one in parted(closed, point, normal)] or closed


def _is_closed(line: Floats) -> bool:
    gap = float(np.linalg.norm(line[-1] - line[0]))
    return gap <= _GAP * float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def _largest(outlines: list[Floats], label: str, axes: Floats) -> Floats:
    """The outline of the largest area: the trunk, not an arm beside it."""
    area = np.array([_area_mm2(line) for line in outlines])
    order = np.argsort(-area, kind="stable")
    if len(order) > 1 and area[order[1]] > _ALIKE * area[order[0]]:
        one, two = (outlines[k].mean(axis=0) @ axes for k in order[:2])
        text = " and ".join("(" + ", ".join(f"{v:.0f}" for v in p) + ")" for p in (one, two))
        raise BadParameter(
            f"{label}: the plane meets two parts of like size, at {text} mm",
            "Say which by at = (x, y, z) in place of height_mm",
        )
    return outlines[int(order[0])]


def _about(outlines: list[Floats], point: Floats, label: str) -> Floats:
    """The outline with the point in it, the smallest if there are several; else the nearest."""
    middles = [(line.min(axis=0) + line.max(axis=0)) / 2 for line in outlines]
    reach = [float(np.linalg.norm(m - point)) for m in middles]
    halves = [float(np.linalg.norm(np.ptp(line, axis=0)) / 2) for line in outlines]
    gaps = [float(np.linalg.norm(line - point, axis=1).min()) for line in outlines]
    rank = [
        (0, half) if gap <= half and far <= half else (1, gap)
        for far, half, gap in zip(reach, halves, gaps, strict=True)
    ]
    best = min(range(len(rank)), key=rank.__getitem__)
    outside, gap = rank[best]
    if outside and gap > _BESIDE_MM:
        raise BadParameter(
            f"{label}.at lies {gap:.0f} mm beside the scan (at most {_BESIDE_MM:g} mm)",
            "Give a point on or in the part meant, in the scan's coordinates",
        )
    return outlines[best]


def _area_mm2(line: Floats) -> float:
    middle = line.mean(axis=0)
    loop = np.vstack([line, line[:1]]) - middle
    return float(np.linalg.norm(np.cross(loop[:-1], loop[1:]).sum(axis=0)) / 2)


def _hull(points: Floats) -> NDArray[np.int64]:
    """Which points a tape touches, in order."""
    centred = points - points.mean(axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred)
    return np.asarray(ConvexHull(centred @ axes[:, 1:]).vertices, dtype=np.int64)


def _keys(given: Given, label: str, known: set[str]) -> None:
    if not isinstance(given, Mapping):
        raise BadParameter(f"{label} = {given!r} is no table", f"Give {', '.join(sorted(known))}")
    for key in given:
        if key not in known:
            raise BadParameter(
                f"{label}: no such key {key!r}", f"It can have {', '.join(sorted(known))}"
            )


def _point(given: Given, label: str, key: str) -> Floats:
    try:
        point = np.asarray(given.get(key), dtype=float)
    except (TypeError, ValueError):
        point = np.empty(0)
    if point.shape != (3,) or not np.isfinite(point).all():
        raise BadParameter(
            f"{label}.{key} = {given.get(key)!r} is no point", "Give three numbers, in mm"
        )
    return point


def _size(given: Given, label: str, key: str) -> float:
    if key not in given:
        raise BadParameter(f"{label}.{key} is missing", "Give the wearer's size in mm")
    return _positive(given[key], f"{label}.{key}")


def _positive(value: Any, key: str) -> float:
    size = _number(value, key)
    if not 10 <= size <= 3000:
        raise BadParameter(f"{key} = {size:g} is no size of a wearer", "Give 10 to 3000 mm")
    return size


def _number(value: Any, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise BadParameter(f"{key} = {value!r} is no number", "Give a number, in mm")
    return float(value)
