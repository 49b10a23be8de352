"""The void of a closed mold: what it holds, measured on the mold's bodies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Any

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..errors import CannotBuild
from ..geometry import solid
from ..geometry.columns import crossings_of, free_lengths
from ..geometry.visibility import grid_over, highest, hits, lowest
from ..mold.bodies import mold_bodies
from ..ranges import check_range
from ..workpiece import Workpiece
from .channels import (
    Row,
    channel_rows,
    fill_level,
    height_mm,
    level_z,
    mouth_mm,
    over_mm3,
    pouring_up,
    radius_mm,
)

__all__ = ["Void", "mold_meshes", "void_by_columns_mm3", "void_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_FILM_MM3 = 1.0  # where flanges meet, rounding leaves films of no volume between them
_LEAST_SHARE = 0.005  # of the largest; smaller rooms are clearances round keys
_OVER_MM = 1.0
_JOINT_MM = 0.25  # gaps between parts that are no room for the mix
_RAYS_ALONG = 140


@dataclass(frozen=True, slots=True)
class Void:
    """What is to be filled: the void, and sprues and vents up to the fill level.

    coat_mm3 : what a seal coat on the mold's face takes up of it; level_mm : height along
    the direction that is up in pouring (mold z unless tilted)
    """

    void_mm3: float
    channels_mm3: float
    coat_mm3: float
    level_mm: float

    @property
    def filled_mm3(self) -> float:
        return self.void_mm3 + self.channels_mm3 - self.coat_mm3


def void_of(piece: Workpiece, fill_level_mm: float | None = None) -> Void:
    """Measure the void: a prism over it less the mold's bodies, channels closed at the fill level.

    fill_level_mm : height up to which sprues and vents stand full, along the direction that
        is up in pouring; left out, the foot of the lowest funnel. The pad only tells where
        the void is, not how large.

    Raises
    ------
    BadParameter : the piece has no mold yet; no channel stands full to that level
    CannotBuild : the bodies enclose nothing
    """
    pad = piece.body("pad")
    bodies = [solid.from_mesh(mesh) for mesh in mold_meshes(piece).values()]
    rows, up = channel_rows(piece), pouring_up(piece)
    level = _level(rows, float((pad.vertices @ up).max()), up, fill_level_mm)
    full = [level_z(row, level, up) for row in rows]
    low, high = float(pad.bounds[0, 2]), float(pad.bounds[1, 2])
    top = max([high, *full]) + _OVER_MM
    region = solid.shadow(pad).buffer(_margin(piece))
    mouths = [
        shapely.Point(row["x"], row["y"]).buffer(radius_mm(row, z) + _OVER_MM)
        for row, z in zip(rows, full, strict=True)
    ]
    prism = solid.extrude(shapely.union_all([region, *mouths]), low - _OVER_MM, top)
    plugs = [_plug(row, z, top) for row, z in zip(rows, full, strict=True)]
    room = solid.difference(prism, *plugs)
    for body in bodies:  # one by one: parts that touch all over cost more as a union
        room = solid.difference(room, body)
    over = sum(over_mm3(row, z) for row, z in zip(rows, full, strict=True))
    channels = max(_drilled_mm3(piece) - over, 0.0)
    void = _pad_room_mm3(solid.to_mesh(room), pad) - channels
    return Void(void, channels, _coat_mm3(piece), level)


def _level(rows: Sequence[Row], void_top: float, up: Floats, asked: float | None) -> float:
    """The level asked for, which lies between the void's top and the highest mouth; else usual."""
    if asked is None:
        return fill_level(rows, void_top, up)
    highest_mm = max([void_top, *(height_mm(row, row["outside_z"], up) for row in rows)])
    # To a hundredth, as it is told and can be given.
    check_range("fill_level_mm", asked, floor(100 * void_top) / 100, ceil(100 * highest_mm) / 100)
    return min(max(asked, void_top), highest_mm)


def mold_meshes(piece: Workpiece) -> dict[str, trimesh.Trimesh]:
    """The mold's bodies as the piece has them: its parts after `split`, else whole.

    Raises
    ------
    BadParameter : the piece has no mold
    """
    rows: list[Mapping[str, Any]] = []
    for record in reversed(piece.records):
        listed = record["figures"].get("parts") or ()
        rows = [row for row in listed if row.get("of") and row["body"] in piece.bodies]
        if rows:
            break
    found = {}
    for name in mold_bodies(piece) or ("cavity",):
        # A lid cut from sheet is no part to print: it is there as it is.
        parts = [row["body"] for row in rows if row["of"] == name]
        for body in parts or [name]:
            found[body] = piece.body(body)
    return found


def void_by_columns_mm3(piece: Workpiece, level_mm: float) -> float:
    """The void and its channels once more, by the free length of upright rays.

    No boolean has a part in it: rays go in and out of the bodies as they are.
    """
    pad = piece.body("pad")
    step = float(np.clip(np.ptp(pad.bounds[:, :2], axis=0).max() / _RAYS_ALONG, 0.3, 1.5))
    rows = channel_rows(piece)
    up = pouring_up(piece)
    full = [level_z(row, level_mm, up) for row in rows]
    reach = [radius_mm(row, z) for row, z in zip(rows, full, strict=True)]
    plan = np.array([[row["x"], row["y"]] for row in rows]).reshape(-1, 2)
    spread = np.array(reach)[:, None]
    around = np.concatenate([pad.bounds[:, :2], plan - spread, plan + spread])
    grid = grid_over(around.min(axis=0), around.max(axis=0), step)
    places = grid.places(np.arange(grid.shape[0] * grid.shape[1]))
    tops = np.full(len(places), float(pad.bounds[1, 2]) + _OVER_MM)
    near = [crossings_of(pad, grid)]
    for row, z, radius in zip(rows, full, reach, strict=True):
        over = np.linalg.norm(places - [row["x"], row["y"]], axis=1) <= radius + step
        # Over a channel the void goes on: up to the level, through what the bore widens into.
        tops[over] = z
        on = np.flatnonzero(over)
        ends = np.array([min(float(row["ceiling_z"]), z), z])
        near.append((on.repeat(2), np.tile(ends, len(on)), np.tile([1, -1], len(on))))
    ray, height, into = (np.concatenate(part) for part in zip(*near, strict=True))
    bodies = list(mold_meshes(piece).values())
    lengths = free_lengths(bodies, grid, _JOINT_MM, tops, (ray, height, into))
    return float(lengths.sum()) * step**2


def _pad_room_mm3(room: trimesh.Trimesh, pad: trimesh.Trimesh) -> float:
    """The volume of those parts of the room that lie where the pad does."""
    part, volumes = solid.part_volumes(room)
    large = np.flatnonzero(volumes > max(_FILM_MM3, _LEAST_SHARE * volumes.max(initial=0.0)))
    void = large[_at_pad(room, part, large, pad)]
    if len(void) == 0:
        raise CannotBuild(
            "the mold's bodies enclose no void where the pad is", "Run block and channels anew"
        )
    return float(volumes[void].sum())


def _at_pad(
    room: trimesh.Trimesh, part: Ints, large: Ints, pad: trimesh.Trimesh
) -> NDArray[np.bool_]:
    """Which large parts of the room lie where the pad does, not under or over the mold, by rays."""
    step = float(np.ptp(pad.bounds[:, :2], axis=0).max()) / _RAYS_ALONG
    grid = grid_over(pad.bounds[0, :2], pad.bounds[1, :2], step)
    vertices, triangles = np.asarray(pad.vertices), np.asarray(pad.faces)
    floor, roof = lowest(vertices, triangles, grid), highest(vertices, triangles, grid)
    seen = np.isfinite(floor).ravel()
    middle = np.full(seen.shape, np.nan)
    middle[seen] = (floor.ravel()[seen] + roof.ravel()[seen]) / 2
    place = np.full(int(part.max()) + 1, -1)
    place[large] = np.arange(len(large))
    faces = np.asarray(room.faces)[place[part] >= 0]
    owner = place[part][place[part] >= 0]
    low = np.full((len(large), len(middle)), np.inf)
    high = -low
    for ray, z, face in hits(np.asarray(room.vertices), faces, grid):
        np.minimum.at(low, (owner[face], ray), z)
        np.maximum.at(high, (owner[face], ray), z)
    met = np.isfinite(low) & seen
    within = met & (low <= middle) & (middle <= high)
    return np.asarray(within.sum(axis=1) > met.sum(axis=1) / 2)


def _margin(piece: Workpiece) -> float:
    """How far round the pad's shadow the room is looked for: on the land, short of the relief."""
    return min(float(piece.figures_of("block").get("land_mm", 2.0)) / 2, 1.0)


def _plug(row: Row, level: float, top: float) -> solid.Solid:
    """What closes a channel over the fill level."""
    start = min(level, float(row["outside_z"]) - 0.01)
    radius = mouth_mm(row) / 2 + 2 * _OVER_MM
    height = max(top, float(row["outside_z"])) + _OVER_MM - start
    return solid.frustum((row["x"], row["y"], start), (0, 0, height), radius, radius, 32)


def _drilled_mm3(piece: Workpiece) -> float:
    """What was drilled out of the mold's bodies for the channels."""
    return 1000 * float(piece.figures_of("channels").get("channels_cm3", 0.0))


def _coat_mm3(piece: Workpiece) -> float:
    """The room that `shell` left for a seal coat: the void it made less the pad."""
    shelled = piece.newest("shell")
    if shelled is None or "void" not in shelled["outputs"]:
        return 0.0
    made = shelled["outputs"]
    return float(made["void"]["volume_mm3"] - made["pad"]["volume_mm3"])
