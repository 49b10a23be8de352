"""What will be cast: the pad in the mold's frame, its faces told apart."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..errors import CannotBuild
from ..geometry import solid
from ..geometry.topology import border_loops
from ..workpiece import Workpiece
from .nested_rims import refuse_nested
from .parting import eased_trim, trim_plan

__all__ = [
    "Cast",
    "cast_of",
    "eased_by",
    "flat_backed",
    "in_mold_frame",
    "told_apart",
    "with_room_for_coat",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Cast:
    """What will be cast, in the mold frame: its surface told apart.

    show : faces that lie in the cavity; back : faces that look at core or lid;
    loop : vertex numbers of the trim line between them, anticlockwise seen from above
    """

    vertices: Floats
    show: Ints
    back: Ints
    loop: Ints

    @property
    def mesh(self) -> trimesh.Trimesh:
        return trimesh.Trimesh(self.vertices, np.concatenate([self.show, self.back]), process=False)


def with_room_for_coat(piece: Workpiece) -> Workpiece:
    """The piece with the pad grown by the seal coat, where shell made such a one, as its pad."""
    if "void" not in piece.bodies:
        return piece
    return piece.with_bodies(pad=piece.body("void")).without("void")


def in_mold_frame(piece: Workpiece, direction: Floats) -> Workpiece:
    """The piece turned so that z is the pull and its plan lies square in x and y, at 0, 0.

    `CannotBuild` for a ring, told in the scan's own coordinates.
    """
    pad = piece.body("pad")
    refuse_nested(np.asarray(pad.vertices), border_loops(told_apart(piece)[0]))
    turn = solid.rotation_to(direction).T
    plan = (pad.vertices @ turn.T)[:, :2]
    square = _square_turn(plan)
    turn = square @ turn
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = -np.floor((pad.vertices @ turn.T).min(axis=0))
    moved = piece.moved(matrix)
    return replace(moved, frame=replace(moved.frame, pull=(0.0, 0.0, 1.0)))


def _square_turn(plan: Floats) -> Floats:
    """The turn about z that lays the smallest rectangle round the plan square, long side in x."""
    box = shapely.minimum_rotated_rectangle(shapely.MultiPoint(plan))
    corners = np.asarray(box.exterior.coords)
    sides = np.diff(corners[:3], axis=0)
    x, y = sides[int(np.argmax(np.linalg.norm(sides, axis=1)))]
    if x < -1e-9 or (abs(x) <= 1e-9 and y < 0):
        x, y = -x, -y
    length = np.hypot(x, y)
    return np.asarray(np.array([[x, y, 0], [-y, x, 0], [0, 0, length]]) / length)


def told_apart(piece: Workpiece) -> tuple[Ints, Ints]:
    """The pad's faces that show on the finished piece, and those of its back."""
    faces = np.asarray(piece.body("pad").faces)
    record = piece.record("shell")
    scanned = int(record["figures"]["scanned_face_triangles"])
    first, rest = faces[:scanned], faces[scanned:]
    return (first, rest) if record["parameters"]["side"] == "inward" else (rest, first)


def cast_of(piece: Workpiece) -> Cast:
    pad = piece.body("pad")
    show, back = told_apart(piece)
    loops = border_loops(show)
    if len(loops) != 1:
        sizes = sorted((_extent(pad.vertices[loop]) for loop in loops), reverse=True)
        raise CannotBuild(
            f"the pad has {len(loops)} trim lines ({', '.join(f'{s:.0f} mm' for s in sizes)} "
            "across): a cavity and a core close round one",
            "Choose style = 'pieces' for a sleeve (two trim lines), crop to a patch with one rim, "
            "or fill the holes in heal",
        )
    loop = loops[0]
    vertices = eased_trim(np.asarray(pad.vertices), np.asarray(pad.faces), loop)
    if not trim_plan(vertices[loop]).exterior.is_ccw:
        loop = loop[::-1]
    return Cast(vertices, show, back, loop)


def eased_by(piece: Workpiece, cast: Cast) -> float:
    """How far the trim line was smoothed at most."""
    before = np.asarray(piece.body("pad").vertices)
    return float(np.abs(cast.vertices[: len(before)] - before).max())


def _extent(points: Floats) -> float:
    return float(np.ptp(points, axis=0).max())


def flat_backed(cast: Cast, edge_mm: float) -> Cast:
    """The cast with its back cut off flat, just over the highest of trim line and face."""
    loop = cast.loop
    used = np.unique(cast.show)
    top = max(cast.vertices[loop, 2].max() + edge_mm, cast.vertices[used, 2].max() + edge_mm)
    count = len(cast.vertices)
    raised = cast.vertices[loop].copy()
    raised[:, 2] = top
    lifted = np.arange(count, count + len(loop))
    following, above = np.roll(loop, -1), np.roll(lifted, -1)
    walls = np.concatenate(
        [
            np.stack([loop, following, above], axis=1),
            np.stack([loop, above, lifted], axis=1),
        ]
    )
    cap = lifted[solid.triangulate([raised[:, :2]])]
    return Cast(
        np.concatenate([cast.vertices, raised]), np.concatenate([cast.show, walls]), cap, lifted
    )
