"""What is left to print of a part that stopped on the way, and how it meets what was printed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ..errors import BadParameter
from ..geometry import solid
from ..geometry.placing import spread_discs

__all__ = ["Cut", "LayerGrid", "cut_part", "dowel_places", "drill_template", "with_bores"]

Floats = NDArray[np.float64]
_BORE_SIDES = 32
_WALL_MM = 1.2  # three lines of 0.4 mm round a bore
_TEMPLATE_MM = 4.0
_BAND_MM = 8.0
_EYE_MM = 4.0
_LIP_MM = 6.0
_LIP_GAP_MM = 0.2
_LIP_WALL_MM = 2.4


@dataclass(frozen=True, slots=True)
class LayerGrid:
    """Heights at which layers end: the first layer's, then one more layer each."""

    layer_mm: float
    first_mm: float

    def top_mm(self, layers: int) -> float:
        """The height of so many layers."""
        return 0.0 if layers == 0 else self.first_mm + (layers - 1) * self.layer_mm

    def layers_at(self, height_mm: float) -> int:
        """The number of whole layers in a measured height.

        A quarter layer more or less is an error of measuring; what is beyond is
        a layer begun, which can be sanded off.
        """
        return max(0, math.floor((height_mm - self.first_mm) / self.layer_mm + 0.25) + 1)


@dataclass(frozen=True, slots=True)
class Cut:
    """A part in its print pose, cut level: below what is printed, above what is not.

    section : of the part at the cut; above stays where it was, its underside at `height_mm`
    """

    height_mm: float
    below: solid.Solid
    above: solid.Solid
    section: shapely.MultiPolygon

    @property
    def pieces(self) -> list[solid.Solid]:
        """The connected pieces of what is left, the largest first."""
        return solid.components(self.above)


def cut_part(mesh: trimesh.Trimesh, height_mm: float) -> Cut:
    """Cut a closed part that stands on z = 0, exactly at a height.

    Raises
    ------
    BadParameter : the part is not closed, or the height is not within it
    """
    if not (mesh.is_watertight and mesh.is_winding_consistent):
        raise BadParameter("the part is not closed", "Give the part as moldsmith wrote it")
    top = float(mesh.vertices[:, 2].max())
    whole = solid.from_mesh(mesh)
    above, below = solid.split_by_plane(whole, (0, 0, 1), height_mm)
    if above.is_empty() or below.is_empty():
        raise BadParameter(
            f"height_mm = {height_mm:g} leaves nothing to print or nothing printed",
            f"Choose more than 0 and less than {top:.1f} mm, the part's height",
        )
    return Cut(height_mm, below, above, solid.section(whole, height_mm))


def dowel_places(cut: Cut, radius_mm: float, depth_mm: float, most: int) -> list[Floats]:
    """Centres (k, 2) of upright bores across the cut, for each piece above it.

    There is material round each for three lines and over its depth both up and
    down; the centres of a piece are as far apart as they can be.
    """
    found = []
    clear = radius_mm + _WALL_MM
    depth_mm += _WALL_MM  # a bore stays blind
    for piece in cut.pieces:
        room: shapely.Geometry = _all_through(piece, cut.height_mm, depth_mm)
        room = room.intersection(_all_through(cut.below, cut.height_mm, -depth_mm))
        if room.buffer(-clear).is_empty:
            found.append(np.empty((0, 2)))
            continue
        found.append(spread_discs(room, clear, 3 * radius_mm, most, step_mm=1.0))
    return found


def with_bores(
    body: solid.Solid, centres: Floats, foot_mm: float, radius_mm: float, depth_mm: float
) -> solid.Solid:
    """The body less blind bores from its underside at `foot_mm` up; a pin of the radius clears."""
    corner = radius_mm / np.cos(np.pi / _BORE_SIDES)
    bores = [
        solid.frustum((x, y, foot_mm - 1), (0, 0, depth_mm + 1), corner, corner, _BORE_SIDES)
        for x, y in centres.tolist()
    ]
    return solid.difference(body, *bores)


def drill_template(cut: Cut, centres: Floats, drill_mm: float) -> solid.Solid:
    """A frame with a lip that sits on the printed stump, its holes where to drill.

    A band along the outline, an eye for each hole, and a bar from it to the
    nearest edge. It lies with its upper face on z = 0, as it is printed.
    """
    lip_mm = min(_LIP_MM, 0.8 * cut.height_mm)
    section = _filled(cut.section)
    reach = _filled(section.union(_any_over(cut.below, cut.height_mm - lip_mm, cut.height_mm)))
    inner = reach.buffer(_LIP_GAP_MM)
    outer = inner.buffer(_LIP_WALL_MM)
    eyes = [shapely.Point(*centre).buffer(drill_mm / 2 + _EYE_MM) for centre in centres]
    bars = [
        shapely.shortest_line(shapely.Point(*centre), section.boundary).buffer(_EYE_MM)
        for centre in centres
    ]
    band = outer.difference(section.buffer(-_BAND_MM))
    plate = shapely.union_all([band, *eyes, *bars]).intersection(outer)
    lip = solid.extrude(outer.difference(inner), -lip_mm, _TEMPLATE_MM)
    corner = drill_mm / 2 / np.cos(np.pi / _BORE_SIDES)
    holes = [
        solid.frustum((x, y, -1), (0, 0, _TEMPLATE_MM + 2), corner, corner, _BORE_SIDES)
        for x, y in np.asarray(centres).tolist()
    ]
    body = solid.difference(solid.union(solid.extrude(plate, 0, _TEMPLATE_MM), lip), *holes)
    over = np.diag([1.0, -1.0, -1.0, 1.0])
    over[2, 3] = _TEMPLATE_MM
    return solid.moved(body, over)


def _all_through(body: solid.Solid, foot_mm: float, reach_mm: float) -> shapely.Geometry:
    """The plan region where the body has material all the way from a height, up or down."""
    room: shapely.Geometry | None = None
    for height in _between(foot_mm, foot_mm + reach_mm):
        here = solid.section(body, height)
        room = here if room is None else room.intersection(here)
    return room


def _any_over(body: solid.Solid, low_mm: float, high_mm: float) -> shapely.Geometry:
    """The plan region where the body has material at some height between two."""
    return shapely.union_all([solid.section(body, z) for z in _between(low_mm, high_mm)])


def _between(one_mm: float, two_mm: float) -> list[float]:
    """Heights from one to the other, a little inside both, about 1 mm apart."""
    inside = 0.01 * np.sign(two_mm - one_mm)
    count = int(abs(two_mm - one_mm)) + 2
    heights: list[float] = np.linspace(one_mm + inside, two_mm - inside, count).tolist()
    return heights


def _filled(region: shapely.Geometry) -> shapely.Geometry:
    """The region without its holes."""
    parts = shapely.get_parts(region)
    return shapely.union_all(shapely.polygons(shapely.get_exterior_ring(parts)))
