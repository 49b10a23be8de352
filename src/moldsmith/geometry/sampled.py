"""The field whose zero surface is the offset, from a surface's samples alone.

f(x) = s(x) − t(c(x)) as in `offset`, with the nearest sample in place of the closest point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from .distance import SurfaceIndex
from .isosurface import Band, Lattice
from .rim import Rim
from .threads import threads
from .vectors import unit
from .winding import WindingTree

__all__ = ["SampledField"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_WOUND = 0.1  # turns round what is behind: 0.25 and more, 0 and less in front, so at a border too
_TURNED, _TURNED_ROUND = 0.3, -0.4  # cosines to the form: roughness alone stays above the second
_BESIDE_FOLD = 4  # rings of faces
_NEAR = 2.5  # spacings from the surface, within which a sample's neighbour does not stand in for it
_GRID = 2**20  # cells of the grid that slopes are gathered in, whatever the size
_STEEP = 0.1
_STEADY = 0.999  # share of the faces whose slope counts: the rest are slivers


class SampledField:
    """f from the nearest sample; `last` (n,) are the samples it used last.

    Parameters
    ----------
    distance (v,), normals (v, 3) : t and the surface's normals, at its vertices
    form (v, 3) : normals of the surface's form, in which folds do not show
    side : +1 in front of the surface, −1 behind it
    rim : where the surface ends, if it does
    cell_mm : edge of the cells that will be marched

    Noise can fold a scan through itself: there the nearest place may look the wrong way, and
    how often the surface winds round a point tells the side instead.
    """

    def __init__(
        self,
        index: SurfaceIndex,
        distance: Floats,
        normals: Floats,
        form: Floats,
        side: float,
        rim: Rim | None,
        cell_mm: float,
    ) -> None:
        corner = index.faces[index.sample_faces]
        weights = index.sample_weights
        self.normal = unit(side * np.einsum("ij,ijk->ik", weights, normals[corner]))
        self.wanted = np.einsum("ij,ij->i", weights, distance[corner])
        self.side = side
        self.folded = _folded(index, form)[index.sample_faces]
        self.rim = rim
        self.index = index
        self.distance = distance
        self.cell_mm = cell_mm
        slope = _slopes(index, distance)
        self.steepest = float(slope.max(initial=0))
        # The steepest slope within twice the size of the last cells, and of those before.
        reaches = (4 * cell_mm, 8 * cell_mm)
        around = _greatest_around(index.sample_points, slope[index.sample_faces], reaches)
        self.slopes = dict(zip(reaches, around, strict=True))
        self.last: Ints = np.empty(0, np.int64)
        self.count = 0

    def of_cells(self, points: Floats, half_diagonal: float) -> Floats:
        """f over its steepest slope round each point; inf beyond the rim.

        In all but the first call the points come in eights, those of one halved cell.
        """
        halved = len(self.last) > 0
        gap, self.last = self.index.nearest_samples(points)
        self.count += len(points)
        value, step = self._value(points, gap)
        # The closest point moves up to twice as fast as the point. Where it leaps, t may too.
        reaches = [reach for reach in self.slopes if reach > 2 * half_diagonal]
        slope = self.slopes[reaches[0]][self.last] if reaches else self.steepest
        steepness = np.broadcast_to(1 + 2 * slope, value.shape).copy()
        if halved:
            wanted = self.wanted[self.last].reshape(-1, 8)
            leap = wanted.max(axis=1) - wanted.min(axis=1)
            steepness += np.repeat(0.5 * leap / half_diagonal, 8)
        value /= steepness
        if self.rim is None:
            return value
        gap, place = self.rim.tree.query(
            self.index.sample_points[self.last],
            distance_upper_bound=self.index.spacing_mm,
            workers=threads(),
        )
        at_rim = np.flatnonzero(np.isfinite(gap))
        beyond = np.einsum("ij,ij->i", step[at_rim], self.rim.outward[place[at_rim]])
        margin = half_diagonal + 2 * self.index.spacing_mm
        value[at_rim[beyond > margin]] = np.inf
        return value

    def of_nodes(self, lattice: Lattice, band: Band) -> tuple[Floats, Ints]:
        """f (n,) at the nodes of the cells that `of_cells` was asked for last, and the faces (n,)
        near their closest points.

        The nearest of the samples that are nearest to the middles of a node's cells
        stands in for its own, unless the surface is so near that this matters.
        """
        sample = self.last[band.asked]
        place = self.index.sample_points[sample]
        square = np.full(len(lattice.points), np.inf)
        self.last = np.zeros(len(square), dtype=np.int64)
        for node in lattice.of_cell:
            step = lattice.points[node] - place
            found = np.einsum("ij,ij->i", step, step)
            nearer = found < square[node]
            square[node[nearer]], self.last[node[nearer]] = found[nearer], sample[nearer]
        gap = np.sqrt(square)
        close = np.flatnonzero(gap < _NEAR * self.index.spacing_mm)
        gap[close], self.last[close] = self.index.nearest_samples(lattice.points[close])
        self.count += len(gap)
        value, step = self._value(lattice.points, gap)
        face = self.index.sample_faces[self.last]
        # Where t is steep, even half a sample's spacing aside is told by it.
        steep = self.slopes[4 * self.cell_mm][self.last] > _STEEP
        steep &= np.abs(value) < 1.5 * self.cell_mm
        steep[close] = False
        some = np.flatnonzero(steep)
        found = self.index.closest(lattice.points[some], face[some])
        face[some] = found.face
        wanted_side = value[some] + self.wanted[self.last[some]] > 0
        exact = found.distance - self.index.interpolate(self.distance, found)
        value[some] = np.where(wanted_side, exact, value[some])
        return value, face

    def _value(self, points: Floats, gap: Floats) -> tuple[Floats, Floats]:
        step = points - self.index.sample_points[self.last]
        along = np.einsum("ij,ij->i", step, self.normal[self.last])
        # The true distance is at least the height over the tangent plane, and at
        # least what is left when the foot lies a sample's reach aside.
        reach = 0.6 * self.index.spacing_mm
        height = np.copysign(np.sqrt(np.maximum(along**2, gap**2 - reach**2)), along)
        unsure = np.flatnonzero(self.folded[self.last])
        if len(unsure):
            behind = self._winding.number(points[unsure]) > _WOUND
            height[unsure] = np.abs(height[unsure]) * np.where(behind, -self.side, self.side)
        return height - self.wanted[self.last], step

    @cached_property
    def _winding(self) -> WindingTree:
        return WindingTree(self.index.vertices, self.index.faces)


def _folded(index: SurfaceIndex, form: Floats) -> NDArray[np.bool_]:
    """Which faces (m,) lie in or beside a fold; none where no face is turned right round."""
    corners = index.vertices[index.faces]
    flat = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    cosine = np.einsum("ij,ij->i", flat, form[index.faces].mean(axis=1))
    if cosine.min(initial=1) > _TURNED_ROUND:
        return np.zeros(len(cosine), dtype=bool)
    folded = cosine < _TURNED
    for _ in range(_BESIDE_FOLD):
        within = np.zeros(len(form), dtype=bool)
        within[index.faces[folded]] = True
        folded = within[index.faces].any(axis=1)
    return np.asarray(folded)


def _slopes(index: SurfaceIndex, value: Floats) -> Floats:
    """Slope (m,) over each face of a field given at the vertices; of slivers the steepest other."""
    corners, level = index.vertices[index.faces], value[index.faces]
    square = np.zeros(len(corners))
    for one, two in ((0, 1), (1, 2), (2, 0)):
        edge = corners[:, one] - corners[:, two]
        length = np.maximum(np.einsum("ij,ij->i", edge, edge), 1e-18)
        square = np.maximum(square, (level[:, one] - level[:, two]) ** 2 / length)
    slope = np.sqrt(square)
    return np.asarray(np.minimum(slope, np.quantile(slope, _STEADY)))


def _greatest_around(points: Floats, values: Floats, reaches_mm: Sequence[float]) -> list[Floats]:
    """For each reach the greatest value (n,) at points within it, and at some of those beyond."""
    place = points - points.min(axis=0)
    extent = place.max(axis=0)
    size = max(min(reaches_mm), float(np.cbrt((extent + min(reaches_mm)).prod() / _GRID)))
    cell = tuple((place / size).astype(np.int64).T)
    greatest = np.zeros(np.floor(extent / size).astype(np.int64) + 1)
    np.maximum.at(greatest, cell, values)
    cells = [2 * math.ceil(reach / size) + 1 for reach in reaches_mm]
    return [ndimage.maximum_filter(greatest, width, mode="nearest")[cell] for width in cells]
