"""Flanges of side pieces that lie in one plane: found, and turned so that the plane is level."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import permutations
from typing import Any

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ...geometry import solid
from ...geometry.visibility import grid_over
from ...workpiece import Workpiece
from .room import Flange, heights

__all__ = ["FlatFlange", "flat_flanges"]

Floats = NDArray[np.float64]
_LEAST_MM2 = 400.0
_TOUCH_MM = 0.05
_LAND_MM = 4.0  # between the void and what stands on the flange
_MARGIN_MM = 3.0
_NORMAL_STEP, _OFFSET_STEP_MM = 0.005, 0.1


@dataclass(frozen=True, slots=True)
class FlatFlange:
    """A flange in one plane, seen with that plane at z = 0; matrix : 4 x 4, back to the mold.

    taken : what stands in the plane or goes through it
    """

    flange: Flange
    matrix: Floats
    taken: shapely.Geometry


def flat_flanges(piece: Workpiece, whole: Mapping[str, solid.Solid]) -> list[FlatFlange]:
    """The planes in which two bodies of a mold meet over 4 cm² or more.

    whole : the bodies as solids
    """
    faces = {name: _large_planes(piece.body(name)) for name in whole}
    found = []
    for lower, upper in permutations(whole, 2):
        for normal, offset in faces[lower]:
            # The other's face looks the other way; each pair is seen from one side only.
            if normal[np.argmax(np.abs(normal))] > 0 and any(
                np.abs(normal + other).max() < 2 * _NORMAL_STEP
                and abs(offset + away) < 2 * _OFFSET_STEP_MM
                for other, away in faces[upper]
            ):
                found += _flanges(piece, whole, (lower, upper), normal, offset)
    return found


def _large_planes(mesh: trimesh.Trimesh) -> list[tuple[Floats, float]]:
    """Normals and offsets of the planes in which a body has much area, largest first."""
    normals = np.asarray(mesh.face_normals)
    offsets = np.einsum("ij,ij->i", normals, np.asarray(mesh.triangles_center))
    key = np.column_stack(
        [np.rint(normals / _NORMAL_STEP), np.rint(offsets / _OFFSET_STEP_MM)]
    ).astype(np.int64)
    _, first, group = np.unique(key, axis=0, return_index=True, return_inverse=True)
    area: Floats = np.bincount(group.ravel(), mesh.area_faces).astype(float)
    order = np.argsort(-area, kind="stable")
    return [
        (normals[first[row]], float(offsets[first[row]]))
        for row in order.tolist()
        if area[row] >= _LEAST_MM2
    ]


def _flanges(
    piece: Workpiece,
    whole: Mapping[str, solid.Solid],
    names: tuple[str, str],
    normal: Floats,
    offset: float,
) -> list[FlatFlange]:
    """The regions of a plane in which the lower body's face lies on the upper one's."""
    matrix = np.eye(4)
    matrix[:3, :3] = solid.rotation_to(normal)
    matrix[:3, 3] = offset * normal
    level: Floats = np.linalg.inv(matrix).astype(np.float64)
    below, above = (solid.moved(whole[name], level) for name in names)
    contact = solid.section(below, -_TOUCH_MM).intersection(solid.section(above, _TOUCH_MM))
    regions = [part for part in shapely.get_parts(contact) if part.area >= _LEAST_MM2]
    if not regions:
        return []
    pad = solid.moved(solid.from_mesh(piece.body("pad")), level)
    # Neither void nor any other body may lie on the way of a bolt.
    void = shapely.union_all(solid.silhouette(pad))
    others = [solid.moved(body, level) for name, body in whole.items() if name not in names]
    blocked = shapely.union_all([shapely.union_all(solid.silhouette(body)) for body in others])
    shut = void.union(blocked).buffer(_LAND_MM)
    taken = _taken(piece, level)
    meshes = [_turned(piece.body(name), level) for name in names]
    pressed = void.area / len(regions)
    return [
        FlatFlange(_flange(names, region, shut, meshes, (below, above), pressed), matrix, taken)
        for region in regions
    ]


def _flange(
    names: tuple[str, str],
    region: shapely.Polygon,
    shut: shapely.Geometry,
    meshes: list[trimesh.Trimesh],
    bodies: tuple[solid.Solid, solid.Solid],
    pressed_mm2: float,
) -> Flange:
    low, high = np.reshape(region.bounds, (2, 2))
    grid = grid_over(low, high, float(np.clip((high - low).max() / 200, 0.75, 1.5)))
    nothing = shapely.Polygon()
    bottom, _ = heights(meshes[0], bodies[0], grid, nothing)
    _, roof = heights(meshes[1], bodies[1], grid, nothing)
    x, y = grid.places(np.arange(bottom.size)).T
    shapely.prepare(region)
    inside = shapely.contains_xy(region, x, y).reshape(grid.shape)
    # In the plane both meet at 0, whatever lies farther out.
    ground, seat = np.where(inside, 0.0, -np.inf), np.where(inside, 0.0, np.inf)
    outline = shapely.Polygon(region.exterior)
    return Flange(*names, outline, shut, grid, bottom, ground, seat, roof, pressed_mm2)


def _turned(mesh: trimesh.Trimesh, level: Floats) -> trimesh.Trimesh:
    vertices = mesh.vertices @ level[:3, :3].T + level[:3, 3]
    return trimesh.Trimesh(vertices, mesh.faces, process=False)


def _taken(piece: Workpiece, level: Floats) -> shapely.Geometry:
    """Keys between bodies, bores, and band grooves, as they lie in or near the plane."""
    found: list[shapely.Geometry] = []
    for record in piece.records:
        figures = record["figures"]
        if record["stage"] == "block":
            pegs = [peg for joint in figures.get("joints", ()) for peg in joint["pegs"]]
            found = [_seen(_key_ends(peg), level, peg["base_mm"] * 0.75) for peg in pegs]
        if record["stage"] == "channels":
            for bore in (*figures["sprues"], *figures["vents"]):
                ends = [[bore["x"], bore["y"], bore[key]] for key in ("void_z", "outside_z")]
                mouth = max(bore["outside_mm"], bore["funnel_mm"])
                found.append(_seen(np.array(ends), level, mouth / 2))
    return shapely.union_all(found)


def _key_ends(peg: Mapping[str, Any]) -> Floats:
    base, axis = np.asarray(peg["base"]), np.asarray(peg["axis"])
    return np.array([base, base + peg["length_mm"] * axis])


def _seen(ends: Floats, level: Floats, radius: float) -> shapely.Geometry:
    """A rod's shadow on the plane, and a margin."""
    turned = ends @ level[:3, :3].T + level[:3, 3]
    return shapely.LineString(turned[:, :2]).buffer(radius + _MARGIN_MM)
