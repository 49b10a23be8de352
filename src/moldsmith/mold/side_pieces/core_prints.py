"""What will be cast closed by core prints: the core that fills it, the plug that is both.

A core print is the core's end beyond the trim line: it lies between the side pieces and
holds the core in its place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from ...errors import CannotBuild
from ...geometry import solid
from ...geometry.topology import border_loops
from ...geometry.vectors import unit
from ...workpiece import Vector, Workpiece
from ..casting import told_apart
from ..nested_rims import refuse_nested
from ..parting import eased_trim, trim_plan

__all__ = ["PRINT_TAPER_DEG", "Plugged", "axis_of", "plugged"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
PRINT_TAPER_DEG = 4.0  # per side, narrower outward (common practice: 1 to 5)
_OVERRUN_MM = 1.0
_MOST_RIMS = 2


@dataclass(frozen=True, slots=True)
class Plugged:
    """What will be cast, in the mold frame with the tube's axis upright, and its core.

    vertices (n, 3), show (m, 3) and back : of the cast, and its faces that side pieces and
    core form; rims : its trim lines, vertex numbers, the lower first; pad : the cast;
    core : what fills it, with its prints; plug : both as one solid;
    print_corners (p, 3, 3) : the triangles of the prints' sides, looking outward;
    low_mm, high_mm : heights at which the prints end; the solids run past them by 1 mm
    """

    vertices: Floats
    show: Ints
    back: Ints
    rims: tuple[Ints, ...]
    pad: trimesh.Trimesh
    core: solid.Solid
    plug: solid.Solid
    print_corners: Floats
    low_mm: float
    high_mm: float


def axis_of(piece: Workpiece) -> Vector:
    """The direction in which the pad is hollow: along a sleeve, through the top of a cap.

    It points up the wearer where the pad has two trim lines, else away from the one.
    """
    vertices, show = np.asarray(piece.body("pad").vertices), told_apart(piece)[0]
    rims = _rims(vertices, show)
    if len(rims) == _MOST_RIMS:
        one, other = (vertices[rim].mean(axis=0) for rim in rims)
        axis = unit(other - one)
        if axis @ np.asarray(piece.frame.up) < 0:
            axis = -axis
    else:
        a, b, c = (vertices[show[:, corner]] for corner in range(3))
        axis = unit(np.cross(b - a, c - a).sum(axis=0))
    x, y, z = (float(value) for value in axis)
    return (x, y, z)


def _rims(vertices: Floats, show: Ints) -> list[Ints]:
    rims = border_loops(show)
    if not 1 <= len(rims) <= _MOST_RIMS:
        sizes = ", ".join(f"{np.ptp(vertices[rim], axis=0).max():.0f} mm" for rim in rims)
        raise CannotBuild(
            f"the pad has {len(rims)} trim lines ({sizes} across): side pieces and a core close "
            "round one (a cap) or two (a sleeve)",
            "Fill the holes in heal, or crop so that they stay outside",
        )
    refuse_nested(vertices, rims)
    return rims


def plugged(piece: Workpiece, print_mm: float) -> Plugged:
    """The pad of a piece in its mold frame, closed by prints that reach `print_mm` past it."""
    pad = piece.body("pad")
    show, back = told_apart(piece)
    vertices = np.asarray(pad.vertices)
    rims = _rims(vertices, show)
    rims.sort(key=lambda rim: float(vertices[rim, 2].mean()))
    for rim in rims:
        vertices = eased_trim(vertices, np.asarray(pad.faces), rim)
    low = float(vertices[:, 2].min()) - print_mm
    high = float(vertices[:, 2].max()) + print_mm
    ends = [low - _OVERRUN_MM, high + _OVERRUN_MM][: len(rims)]
    points, sides, closing = vertices, [], []
    for rim, level in zip(rims, ends, strict=True):
        points, side, lid = _closed_by_print(points, rim, level)
        sides.append(side)
        closing += [side, lid]
    cast = trimesh.Trimesh(vertices, np.concatenate([show, back]), process=False)
    made = Plugged(
        vertices,
        show,
        back,
        tuple(rims),
        cast,
        _solid_of(points, np.concatenate([back[:, ::-1], *closing])),
        _solid_of(points, np.concatenate([show, *closing])),
        points[np.concatenate(sides)],
        low,
        high,
    )
    _refuse_crossing(made)
    return made


def _closed_by_print(points: Floats, rim: Ints, level: float) -> tuple[Floats, Ints, Ints]:
    """Points with the print's end added, the faces of its side and of its end, looking out."""
    ring = points[rim]
    plan = trim_plan(ring)
    middle = np.asarray(plan.centroid.coords[0])
    size = float(np.sqrt(plan.area / np.pi))
    narrower = np.tan(np.radians(PRINT_TAPER_DEG)) * np.abs(level - ring[:, 2]) / size
    end = np.empty_like(ring)
    end[:, :2] = middle + (1 - np.minimum(narrower, 0.4))[:, None] * (ring[:, :2] - middle)
    end[:, 2] = level
    far = np.arange(len(rim)) + len(points)
    after, far_after = np.roll(rim, -1), np.roll(far, -1)
    band = [np.stack([after, rim, far], axis=1), np.stack([after, far, far_after], axis=1)]
    anticlockwise = plan.exterior.is_ccw
    order = far if anticlockwise else far[::-1]
    lid = order[solid.triangulate([(end if anticlockwise else end[::-1])[:, :2]])]
    if anticlockwise:  # the lower rim of faces that look outward: its end looks down
        lid = lid[:, ::-1]
    return np.concatenate([points, end]), np.concatenate(band), lid


def _solid_of(points: Floats, faces: Ints) -> solid.Solid:
    used, faces = np.unique(faces, return_inverse=True)
    return solid.from_arrays(points[used], faces.reshape(-1, 3))


def _refuse_crossing(made: Plugged) -> None:
    """`CannotBuild` where a print passes through the pad."""
    pad = solid.from_mesh(made.pad)
    for rim, up in zip(made.rims, (-1.0, 1.0), strict=False):
        # Only as far in as the trim line goes: farther in, core and pad touch all over.
        level = float((up * made.vertices[rim, 2]).min())
        end = solid.trim_by_plane(made.core, (0, 0, up), level)
        shared = solid.intersection(end, pad)
        if solid.volume_mm3(shared) > 1e-4 * float(made.pad.volume) + 1.0:
            low, high = np.reshape(shared.bounding_box(), (2, 3))
            x, y, z = (low + high) / 2
            raise CannotBuild(
                f"a core print would pass through the pad at x {x:.0f}, y {y:.0f}, z {z:.0f}: its "
                "trim line runs too steeply along the axis there",
                "Crop more squarely across the limb, or give block another axis (pull)",
            )
