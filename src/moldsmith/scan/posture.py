"""Which way is up on a body, and which way it looks, told from its shape alone.

Up. A body is its own mirror image in the plane between left and right, so up
lies in that plane, near the longer of the surface's two principal axes there.
A body that stands rests on a plane: that of its soles, or of the cut or opening
at its lower end. The planes of the convex hull at both ends are compared: the
end with the larger one is down (soles against a skull, hips against a neck),
and its plane says how the body leaned in the scanner. Legs settle it: below
the crotch nothing lies in the plane of symmetry.

Facing. Feet stick out farther before the ankle than behind it (heel to ankle
is about a quarter of a foot). The head sits before the neck. What stands out
most in front of a trunk, chest or belly, lies higher than what stands out most
behind, the seat. The feet are sure, the others only hint: neither a trunk nor
a base alone reaches the confidence at which `stand` acts. Proportions from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from ..geometry.symmetry import surface_samples, symmetry_plane
from ..geometry.vectors import unit

__all__ = ["Posture", "Told", "read_posture", "tell_facing", "tell_up"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SAMPLES = 20_000
LEAN_DEG = 15.0  # between the long axis and the floor's normal
FLAT_DEG = 2.5  # hull faces that lie in one plane
RESTING_SHARE = 0.004  # of the squared height: a plane that a body can rest on
FOOT_RATIO = 1.7  # a foot is longer than its ankle by more than this
HEAD_HALF_WIDTH = 0.085  # of the stature, with hair
MIDDLE_SHARE = 0.015  # of the height: what counts as in the plane of symmetry


@dataclass(frozen=True, slots=True)
class Told:
    """A direction (3,), how sure it is (0 to 1), and the hints (-1 to 1) it is told from."""

    direction: Floats
    confidence: float
    hints: dict[str, float]


@dataclass(frozen=True, slots=True)
class Posture:
    """What the directions are told from.

    points (n, 3) spread evenly over the surface, mm; middle (3,) and across (3,):
    the plane of symmetry; residual_mm of its mirror image; hull_points (h, 3)
    """

    points: Floats
    middle: Floats
    across: Floats
    residual_mm: float
    hull_points: Floats

    @property
    def symmetry(self) -> float:
        """How sure the plane of symmetry is: 1 at 0.5 % residual of the size, 0 from 2.5 %."""
        size = float(np.linalg.norm(np.ptp(self.points, axis=0)))
        return float(np.clip((0.025 - self.residual_mm / size) / 0.02, 0, 1))


def read_posture(vertices: Floats, faces: Ints) -> Posture:
    """Sample a surface and find its plane of symmetry."""
    points, _ = surface_samples(vertices, faces, SAMPLES)
    middle, across, residual_mm = symmetry_plane(vertices, faces)
    used = vertices[np.unique(faces)]
    try:
        outer = used[ConvexHull(used).vertices]
    except QhullError:  # flat
        outer = points
    return Posture(points, middle, across, residual_mm, outer)


def tell_up(posture: Posture) -> Told:
    """The wearer's up. Hints: 'base', the larger plane is below; 'legs', the gap is below."""
    axis, longer = _long_axis(posture)
    planes = {sign: _resting_plane(posture, sign * axis) for sign in (-1.0, 1.0)}
    low, high = planes[-1.0][1], planes[1.0][1]
    base = (low - high) / max(low + high, 1e-9)
    legs = _legs(posture, axis)
    total = float(np.clip(0.5 * base + 0.9 * legs, -1, 1))
    sign = 1.0 if total >= 0 else -1.0
    outward, area = planes[-sign]
    rests = area > RESTING_SHARE * np.ptp(posture.points @ axis) ** 2
    up = -outward if rests else sign * axis
    lean = float(np.degrees(np.arccos(np.clip(sign * (up @ axis), -1, 1))))
    upright = float(np.clip((LEAN_DEG - lean) / (LEAN_DEG / 2), 0, 1))
    sure = abs(total) * longer * upright * posture.symmetry
    hints = {"base": sign * base, "legs": sign * legs, "lean_deg": lean}
    return Told(up, sure, hints)


def tell_facing(posture: Posture, up: Floats) -> Told:
    """The wearer's facing, square to `up`. Hints: 'feet', 'head', 'trunk', each > 0 in front."""
    across = unit((posture.across - (posture.across @ up) * up)[None])[0]
    forward = np.cross(across, up)
    place = (posture.points - posture.middle) @ np.stack([across, forward, up], axis=1)
    place[:, 2] -= place[:, 2].min()
    height = float(place[:, 2].max())
    hints = {"trunk": _trunk_hint(place, height)}
    total = 0.4 * hints["trunk"]
    if _legs(posture, up) > 0.3:
        hints["feet"] = _feet_hint(place, height)
        hints["head"] = _head_hint(place, height)
        total += 2.0 * hints["feet"] + 0.8 * hints["head"]
    total = float(np.clip(total, -1, 1))
    sign = 1.0 if total >= 0 else -1.0
    told = {name: sign * value for name, value in hints.items()}
    return Told(sign * forward, abs(total) * posture.symmetry, told)


def _long_axis(posture: Posture) -> tuple[Floats, float]:
    """The longer principal axis in the plane of symmetry, and how sure it is the longer one."""
    centred = posture.points - posture.points.mean(axis=0)
    centred = centred - np.outer(centred @ posture.across, posture.across)
    spread, axes = np.linalg.eigh(centred.T @ centred)
    ratio = float(np.sqrt(spread[2] / max(spread[1], 1e-12)))
    return axes[:, 2], float(np.clip((ratio - 1.0) / 0.5, 0, 1))


def _resting_plane(posture: Posture, outward: Floats) -> tuple[Floats, float]:
    """The largest plane of the hull within the lean of `outward`: its unit normal and area.

    The normal is that of the hull's faces laid into the plane of symmetry.
    """
    try:
        hull = ConvexHull(posture.hull_points)
    except QhullError:
        return outward, 0.0
    corners = hull.points[hull.simplices]
    area = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    ) / 2  # fmt: skip
    normals = hull.equations[:, :3]
    near = normals @ outward > np.cos(np.radians(LEAN_DEG))
    normals, area = normals[near], area[near]
    if len(area) == 0:
        return outward, 0.0
    level = unit(normals - np.outer(normals @ posture.across, posture.across))
    alike = (normals @ level.T > np.cos(np.radians(FLAT_DEG))).T  # faces by directions
    sums = alike @ area
    best = int(np.argmax(sums))
    normal = unit((area[alike[best]] @ normals[alike[best]])[None])
    flat = normal - (normal @ posture.across)[:, None] * posture.across
    return unit(flat)[0], float(sums[best])


def _legs(posture: Posture, up: Floats) -> float:
    """How much of the lower 0.4 of the height has nothing in the middle, less the same above."""
    height = posture.points @ up
    share = (height - height.min()) / np.ptp(height)
    off = np.abs((posture.points - posture.middle) @ posture.across)
    central = share[off < MIDDLE_SHARE * np.ptp(height)]
    filled = np.histogram(central, bins=50, range=(0, 1))[0] > 0
    return float(np.mean(~filled[:20]) - np.mean(~filled[-20:]))


def _feet_hint(place: Floats, height: float) -> float:
    """(before - behind) / length of the foot about the ankle."""
    share = place[:, 2] / height
    foot, ankle = place[share < 0.035, 1], place[(share > 0.05) & (share < 0.08), 1]
    if len(foot) < 20 or len(ankle) < 20:
        return 0.0
    if np.ptp(np.quantile(foot, [0.01, 0.99])) < FOOT_RATIO * np.ptp(
        np.quantile(ankle, [0.01, 0.99])
    ):
        return 0.0  # cut off above
    behind, before = np.quantile(foot, [0.01, 0.99]) - np.median(ankle)
    return float((before + behind) / max(before - behind, 1e-9))


def _head_hint(place: Floats, height: float) -> float:
    """How far the head's middle lies before the neck's, by the head's depth."""
    share, off = place[:, 2] / height, np.abs(place[:, 0])
    head = place[(share > 0.9) & (off < 0.06 * height), 1]
    if np.abs(place[share > 0.92, 0]).max() > HEAD_HALF_WIDTH * height:
        return 0.0  # cut off below
    neck = place[(share > 0.835) & (share < 0.86) & (off < 0.04 * height), 1]
    if len(head) < 20 or len(neck) < 20:
        return 0.0
    low, high = np.quantile(head, [0.02, 0.98])
    neck_low, neck_high = np.quantile(neck, [0.05, 0.95])
    return float((low + high - neck_low - neck_high) / 2 / max(high - low, 1e-9))


def _trunk_hint(place: Floats, height: float) -> float:
    """How much higher the front stands out most than the back, by the trunk's height."""
    central = place[np.abs(place[:, 0]) < 0.1 * height]
    if _has_gap(place, height):  # legs, and so most likely a head
        central = central[(central[:, 2] > 0.47 * height) & (central[:, 2] < 0.80 * height)]
    if len(central) < 50:
        return 0.0
    low, high = np.quantile(central[:, 1], [0.12, 0.88])
    front, back = central[central[:, 1] > high, 2], central[central[:, 1] < low, 2]
    return float(np.clip(2 * (front.mean() - back.mean()) / np.ptp(central[:, 2]), -1, 1))


def _has_gap(place: Floats, height: float) -> bool:
    low = place[(place[:, 2] > 0.1 * height) & (place[:, 2] < 0.3 * height), 0]
    return len(low) > 0 and float(np.mean(np.abs(low) < MIDDLE_SHARE * height)) < 0.01
