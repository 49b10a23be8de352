"""Ways for a part to stand on the bed, and what each costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from ..supplies.printer import Printer

__all__ = ["Samples", "Stand", "directions", "is_firm", "stands", "surface_samples"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
_SAMPLES = 4000
_SPHERE = 128
_FACETS = 24
_SAME_DEG = 1.5
_GOLDEN = (0.7548776662466927, 0.5698402909980532)  # spreads points evenly over a triangle


@dataclass(frozen=True, slots=True)
class Samples:
    """Points (n, 3) spread evenly over a surface, its unit normals there, and mm2 for each."""

    points: Floats
    normals: Floats
    area_mm2: float


@dataclass(frozen=True, slots=True)
class Stand:
    """One way to stand: the direction that is up, in the part's own coordinates.

    footprint_mm2 : of the surface within half a layer of the bed
    hanging_mm2, support_mm3 : what overhangs, and the room under it, counted down to the bed
    scar_mm2 : of the fine face that support would touch
    cusp_mm3 : layer steps on the fine face times its area
    """

    up: Floats
    footprint_mm2: float
    hanging_mm2: float
    support_mm3: float
    scar_mm2: float
    cusp_mm3: float

    def cost(self, printer: Printer) -> float:
        """What is wrong with the pose, in mm3 of support printed for nothing.

        The fine face comes first: a mm3 of steps that must be sanded or filled
        counts ten, and where support touches it that is as bad as steps of 2 mm.
        Elsewhere what hangs comes out rough: 5 for each mm2. Weights of our
        own, none are published.
        """
        fine = 10 * (self.cusp_mm3 + 2 * self.scar_mm2)
        return fine + 5 * self.hanging_mm2 + printer.support_share * self.support_mm3


def surface_samples(mesh: trimesh.Trimesh, count: int = _SAMPLES) -> Samples:
    """Points spread over a surface by area, the same on every run."""
    corners = mesh.vertices[mesh.faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double = np.linalg.norm(cross, axis=1)
    total = double.cumsum()
    face = np.searchsorted(total, (np.arange(count) + 0.5) / count * total[-1])
    one, two = (np.arange(1, count + 1) * step % 1 for step in _GOLDEN)
    folded = one + two > 1
    one, two = np.where(folded, 1 - one, one)[:, None], np.where(folded, 1 - two, two)[:, None]
    a, b, c = (corners[face, k] for k in range(3))
    points = a + one * (b - a) + two * (c - a)
    return Samples(points, cross[face] / double[face, None], float(total[-1]) / 2 / count)


def directions(hull: ConvexHull) -> Floats:
    """Directions (k, 3) that may be up: off the hull's largest facets, and all over a sphere."""
    corners = hull.points[hull.simplices]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1) / 2
    normals = hull.equations[:, :3]
    left = np.ones(len(area), dtype=bool)
    facets: list[tuple[float, Floats]] = []
    while left.any() and len(facets) < _FACETS:
        largest = np.argmax(np.where(left, area, -1))
        alike = left & (normals @ normals[largest] > np.cos(np.radians(_SAME_DEG)))
        facets.append((area[alike].sum(), -normals[largest]))
        left &= ~alike
    facets.sort(key=lambda facet: -facet[0])
    return np.concatenate([[_squared(up) for _, up in facets], _sphere(_SPHERE)])


def stands(
    samples: Samples,
    fine: Mask,
    hull: ConvexHull,
    ups: Floats,
    printer: Printer,
) -> list[Stand]:
    """What it costs to stand with each direction (k, 3) up.

    fine : of the samples, those on the face that is to come out best
    hull : of the part
    """
    heights = samples.points @ ups.T
    heights -= (hull.points[hull.vertices] @ ups.T).min(axis=0)
    slope = samples.normals @ ups.T
    resting = (heights < printer.layer_mm / 2) & (slope < -np.cos(np.radians(5)))
    hanging = (slope < -np.sin(np.radians(printer.overhang_deg + 0.05))) & ~resting
    support = samples.area_mm2 * (hanging * -slope * heights).sum(axis=0)
    scar = samples.area_mm2 * hanging[fine].sum(axis=0)
    cusp = samples.area_mm2 * printer.layer_mm * np.abs(slope[fine]).sum(axis=0)
    area = samples.area_mm2 * hanging.sum(axis=0)
    footprint = samples.area_mm2 * resting.sum(axis=0)
    return [
        Stand(
            up,
            float(footprint[k]),
            float(area[k]),
            float(support[k]),
            float(scar[k]),
            float(cusp[k]),
        )
        for k, up in enumerate(ups)
    ]


def is_firm(hull: ConvexHull, centre: Floats, up: Floats, reach_mm: float) -> bool:
    """Whether a part with this centre of mass does not topple.

    Its weight must be over what it stands on (all of its hull within reach of
    the bed), inside by a tenth of the centre's height.
    """
    corners = hull.points[hull.vertices]
    height = corners @ up
    low = corners[height < height.min() + reach_mm]
    aside = np.cross(up, [1.0, 0, 0] if abs(up[0]) < 0.7 else [0, 1.0, 0])
    frame = np.stack([aside, np.cross(up, aside)]) / np.linalg.norm(aside)
    plan = low @ frame.T
    if len(plan) < 3 or np.linalg.matrix_rank(plan - plan[0], tol=1.0) < 2:
        return False
    edges = ConvexHull(plan).equations
    margin = -(edges[:, :2] @ (frame @ centre) + edges[:, 2]).max()
    return bool(margin >= 0.1 * (float(centre @ up) - float(height.min())))


def _squared(up: Floats) -> Floats:
    """The direction, made one of the axes if it all but is: turns by it are exact."""
    main = int(np.argmax(np.abs(up)))
    if abs(up[main]) < 1 - 1e-6:
        return up
    axis = np.zeros(3)
    axis[main] = np.sign(up[main])
    return axis


def _sphere(count: int) -> Floats:
    """Unit vectors spread evenly over a sphere, on a spiral."""
    place = np.arange(count) + 0.5
    z = 1 - 2 * place / count
    turn = np.pi * (1 + np.sqrt(5)) * place
    ring = np.sqrt(1 - z**2)
    return np.stack([ring * np.cos(turn), ring * np.sin(turn), z], axis=1)
