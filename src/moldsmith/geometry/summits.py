"""Where a closed surface's room has ceilings that hold air, and how to turn it so that few do.

Summits by persistence (see `peaks`) of the height along a direction; a summit
counts where the surface, its normals pointing out, has a face over it: a hill of
the room's floor holds no air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .peaks import Peak, peaks
from .solid import rotation_to

__all__ = ["Turn", "ceiling_peaks", "floor_lows", "ranked_turns", "turned_upright"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_RING_DEG = 5.0
_AROUND = 8
_COARSE_MM = 0.5


@dataclass(frozen=True, slots=True)
class Turn:
    """A direction to hold upward, and the summits there then are.

    up : unit (x, y, z); tilt_deg : from z; count : of summits; depth_mm : of all but the
    highest, added up; deepest_mm : of the deepest of these
    """

    up: tuple[float, float, float]
    tilt_deg: float
    count: int
    depth_mm: float
    deepest_mm: float


def ceiling_peaks(
    vertices: Floats, faces: Ints, up: Floats, least_mm: float, crown_mm: float = 0.3
) -> list[Peak]:
    """Summits of a closed mesh's room that hold air deeper than `least_mm`, highest first.

    `Peak.height` is along the unit vector `up`.
    """
    roofs = _with_face_toward(vertices, faces, up)
    return [peak for peak in peaks(vertices @ up, faces, least_mm, crown_mm) if roofs[peak.vertex]]


def floor_lows(vertices: Floats, faces: Ints, up: Floats, least_mm: float) -> list[Peak]:
    """Low places of the room's floor deeper than `least_mm`, lowest first.

    `Peak.height` is along `-up`, so that it falls as the place rises.
    """
    floors = _with_face_toward(vertices, faces, -up)
    found = peaks(-(vertices @ up), faces, least_mm, 0.3)
    return [peak for peak in found if floors[peak.vertex]]


def ranked_turns(
    vertices: Floats,
    faces: Ints,
    most_tilt_deg: float,
    least_mm: float,
    mouths: Floats | None = None,
    apart_mm: float = 0.0,
) -> list[Turn]:
    """Directions within a cone about z, fewest and shallowest summits first, upright among equals.

    mouths (k, 3) : places of which one at least must lie over the whole surface, and
        `apart_mm` or more beside its highest point

    Rings 5 degrees apart with 8 directions each, then a closer look round the best. Upright
    (tilt 0) is always among them. Cost: directions times sorting the edges; give a
    simplified mesh.
    """

    def turns(angles: list[tuple[float, float]]) -> list[Turn]:
        ups = [(tilt, _direction(tilt, azimuth)) for tilt, azimuth in angles]
        return [
            _turn(vertices, faces, tilt, up, least_mm)
            for tilt, up in ups
            if mouths is None or tilt == 0 or _reached(vertices, up, mouths, apart_mm)
        ]

    rings = np.arange(_RING_DEG, most_tilt_deg + 1e-9, _RING_DEG).tolist()
    around = (np.arange(_AROUND) * 2 * np.pi / _AROUND).tolist()
    tried = turns([(0.0, 0.0), *((tilt, azimuth) for tilt in rings for azimuth in around)])
    best = min(tried, key=_rank)
    if best.tilt_deg > 0:
        azimuth, half = float(np.arctan2(best.up[1], best.up[0])), np.pi / _AROUND / 2
        near = [
            (best.tilt_deg + tilt * _RING_DEG / 2, azimuth + turn * half)
            for tilt in (-1, 0, 1)
            for turn in (-1, 0, 1)
            if tilt or turn
        ]
        tried += turns([item for item in near if 0 < item[0] <= most_tilt_deg])
    return sorted(tried, key=_rank)


def _reached(vertices: Floats, up: Floats, mouths: Floats, apart_mm: float) -> bool:
    """Whether a mouth lies over the whole surface, not too near its highest point."""
    height = vertices @ up
    beside = np.linalg.norm((mouths - vertices[int(np.argmax(height))])[:, :2], axis=1)
    return bool(((mouths @ up >= height.max()) & (beside >= apart_mm)).any())


def _direction(tilt_deg: float, azimuth: float) -> Floats:
    tilt = np.radians(tilt_deg)
    return np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])


def _turn(vertices: Floats, faces: Ints, tilt_deg: float, up: Floats, least_mm: float) -> Turn:
    found = ceiling_peaks(vertices, faces, up, least_mm)
    depths = [peak.prominence for peak in found[1:]]
    x, y, z = up.tolist()
    return Turn((x, y, z), tilt_deg, len(found), float(sum(depths)), float(max(depths, default=0)))


def _rank(turn: Turn) -> tuple[float, ...]:
    return (
        turn.count,
        round(turn.depth_mm / _COARSE_MM),
        round(turn.tilt_deg, 3),
        round(turn.depth_mm, 3),
        *np.round(turn.up, 6).tolist(),
    )


def _with_face_toward(vertices: Floats, faces: Ints, direction: Floats) -> NDArray[np.bool_]:
    """Which vertices have a face that looks along a direction."""
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    marks = np.zeros(len(vertices), dtype=bool)
    marks[faces[normals @ direction > 0]] = True
    return marks


def turned_upright(vertices: Floats, up: tuple[float, float, float]) -> Floats:
    """The points turned by the shortest way so that `up` becomes z."""
    return np.asarray(vertices @ rotation_to(np.asarray(up, dtype=float)))
