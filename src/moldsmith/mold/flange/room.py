"""Where a flange has room: its free plan region, and the material over and under it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from scipy import ndimage

from ...geometry import solid
from ...geometry.visibility import Grid, grid_over, highest, lowest
from ...workpiece import Workpiece
from ..sheet_lids import cut_from_sheet

__all__ = ["Columns", "Flange", "flange_between", "heights", "obstacles", "shadow_of"]

Floats = NDArray[np.float64]
_STOP_RADIUS_MM = 5.0
_LEVEL_MM = 0.01


def shadow_of(piece: Workpiece) -> shapely.Geometry:
    """The pad's shadow along the pull: over it there is no flange."""
    return solid.shadow(piece.body("pad"))


def obstacles(piece: Workpiece, margin_mm: float) -> shapely.Geometry:
    """What stands on the flange already, and a margin round it: stops, channels, hardware."""
    found = []
    for record in piece.records:
        figures = record["figures"]
        if record["stage"] == "block":
            found = [_disc(x, y, _STOP_RADIUS_MM + margin_mm) for x, y in figures.get("stops", ())]
        if record["stage"] == "channels":
            for bore in (*figures["sprues"], *figures["vents"]):
                mouth = max(bore["outside_mm"], bore["funnel_mm"])
                found.append(_disc(bore["x"], bore["y"], mouth / 2 + margin_mm))
        if record["stage"] == "fasten":
            for item in figures["keep_out"]:
                found.append(_disc(item["x"], item["y"], item["radius_mm"] + margin_mm))
            for plan in figures["pocket_plans"]:
                found.append(shapely.Polygon(plan).buffer(margin_mm))
    return shapely.union_all(found)


def _disc(x: float, y: float, radius: float) -> shapely.Geometry:
    return shapely.Point(x, y).buffer(radius)


@dataclass(frozen=True, slots=True)
class Columns:
    """What is free within a radius of each ray, all (n,), mm.

    bottom : the lower body's highest underside; ground : its lowest flange; seat : the
    upper body's highest underside; roof : its lowest top; slope : how much the flange
    rises within the radius
    """

    bottom: Floats
    ground: Floats
    seat: Floats
    roof: Floats
    slope: Floats


@dataclass(frozen=True, slots=True)
class Flange:
    """Where two bodies meet round the void, seen along the pull.

    lower, upper : names of the bodies; outline : of both; shut : void and land, where
    they close on each other; pressed_mm2 : what the mix presses on; sheet : whether the
    upper one is cut from sheet, which can be cut and drilled through only; the rest are
    heights on rays
    """

    lower: str
    upper: str
    outline: shapely.Geometry
    shut: shapely.Geometry
    grid: Grid
    bottom: Floats
    ground: Floats
    seat: Floats
    roof: Floats
    pressed_mm2: float
    sheet: bool = False

    @property
    def floor_z(self) -> float:
        """The lowest underside of the lower body."""
        return float(self.bottom.min())

    @property
    def roof_z(self) -> float:
        """The highest top of the upper body."""
        return float(self.roof.max())

    def region(self, taken: shapely.Geometry, edge_mm: float, land_mm: float) -> shapely.Geometry:
        """The free plan region: inside the edge, off the land, clear of what is taken."""
        inside = self.outline.buffer(-edge_mm).difference(self.shut.buffer(land_mm))
        return inside.difference(taken)

    def columns(self, radius_mm: float) -> Columns:
        reach = int(np.ceil(radius_mm / self.grid.step_mm))
        x, y = np.ogrid[-reach : reach + 1, -reach : reach + 1]
        disc = x**2 + y**2 <= (radius_mm / self.grid.step_mm) ** 2
        most = [ndimage.maximum_filter(z, footprint=disc) for z in (self.bottom, self.seat)]
        least = [ndimage.minimum_filter(z, footprint=disc) for z in (self.ground, self.roof)]
        rise = ndimage.maximum_filter(self.ground, footprint=disc)
        with np.errstate(invalid="ignore"):
            slope = rise - least[0]
        ground, roof = (z.ravel() for z in least)
        bottom, seat = (z.ravel() for z in most)
        return Columns(bottom, ground, seat, roof, np.nan_to_num(slope.ravel(), nan=np.inf))

    def rays_in(self, region: shapely.Geometry) -> NDArray[np.int64]:
        """Numbers of the rays inside a plan region."""
        if region.is_empty:
            return np.empty(0, dtype=np.int64)
        # Only the rays in the region's window are asked for.
        low, high = np.reshape(region.bounds, (2, 2))
        most = np.array(self.grid.shape)
        first = np.clip(np.floor((low - self.grid.low) / self.grid.step_mm), 0, most).astype(int)
        last = np.clip(np.ceil((high - self.grid.low) / self.grid.step_mm) + 1, 0, most).astype(int)
        i, j = np.meshgrid(
            np.arange(first[0], last[0]), np.arange(first[1], last[1]), indexing="ij"
        )
        rays = (i * self.grid.shape[1] + j).ravel()
        x, y = self.grid.places(rays).T
        shapely.prepare(region)
        return np.asarray(rays[shapely.contains_xy(region, x, y)], dtype=np.int64)

    def over(self, plan: shapely.Geometry) -> tuple[float, float, float, float] | None:
        """Highest underside, lowest and highest flange, lowest roof over a plan; None off it."""
        rays = self.rays_in(plan)
        if len(rays) == 0:
            return None
        bottom, ground, seat, roof = (
            z.ravel()[rays] for z in (self.bottom, self.ground, self.seat, self.roof)
        )
        heights = (bottom.max(), ground.min(), max(seat.max(), ground.max()), roof.min())
        if not np.isfinite(heights).all():
            return None
        return tuple(float(height) for height in heights)  # type: ignore[return-value]


def flange_between(
    piece: Workpiece, bodies: Mapping[str, solid.Solid], lower: str, upper: str
) -> Flange:
    """The flange of a cavity and the core or lid that closes it; bodies : both as solids."""
    figures = piece.record("block")["figures"]
    outline = shapely.Polygon(figures["outline_plan"])
    shut = shadow_of(piece).buffer(figures["land_mm"])
    low_x, low_y, high_x, high_y = outline.bounds
    step = float(np.clip(max(high_x - low_x, high_y - low_y) / 200, 0.75, 1.5))
    grid = grid_over(np.array([low_x, low_y]), np.array([high_x, high_y]), step)
    inside = shut.buffer(-2 * step)
    bottom, ground = heights(piece.body(lower), bodies[lower], grid, inside)
    seat, roof = heights(piece.body(upper), bodies[upper], grid, inside)
    sheet = upper in cut_from_sheet(piece)
    return Flange(lower, upper, outline, shut, grid, bottom, ground, seat, roof, shut.area, sheet)


def heights(
    mesh: trimesh.Trimesh, body: solid.Solid, grid: Grid, skip: shapely.Geometry
) -> tuple[Floats, Floats]:
    """The lowest underside and the highest top on each ray; inf and -inf without material.

    A flat base or top is filled in from its outline: its triangles are long, and rays dear.
    """
    vertices, faces = _outside(mesh, skip)
    height = vertices[:, 2][faces]
    ends = float(mesh.bounds[0, 2]), float(mesh.bounds[1, 2])
    found = []
    for end, inward, rays in ((ends[0], 1, lowest), (ends[1], -1, highest)):
        level = (np.abs(height - end) < _LEVEL_MM).all(axis=1)
        z = rays(vertices, faces[~level], grid).ravel()
        flat = shapely.union_all(solid.section(body, end + inward * _LEVEL_MM))
        shapely.prepare(flat)
        x, y = grid.places(np.arange(z.size)).T
        z = np.where(shapely.contains_xy(flat, x, y), end, z)
        found.append(z.reshape(grid.shape))
    return found[0], found[1]


def _outside(mesh: trimesh.Trimesh, plan: shapely.Geometry) -> tuple[Floats, NDArray[np.int64]]:
    """The mesh without the faces that lie in a plan region: the void's are many."""
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    shapely.prepare(plan)
    within = shapely.contains_xy(plan, vertices[:, 0], vertices[:, 1])
    return vertices, faces[~within[faces].all(axis=1)]
