"""How far mold bodies give way under the pour, and what they weigh. Estimates, not tests.

The wall over a cell is taken as a plate held at its ribs (`plates`, case 8a); the body as
a whole as a beam that carries the pressure over its weakest section, resting at its
flanges: 5 W L^3 / (384 E I) (any text on strength of materials, as Roark's Table 8.1).
On a table the lower body gives way less than that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from ...geometry import solid
from ..plates import rectangular_plate

__all__ = [
    "INFILL",
    "PRINT_MODULUS_MPA",
    "SKIN_MM",
    "Giving",
    "beam_deflection_mm",
    "giving_way",
    "printed_cm3",
    "second_moment_mm4",
]

Floats = NDArray[np.float64]
PRINT_MODULUS_MPA = 2000.0  # filaments of the PLA class, printed solid (common practice)
_SECTIONS = np.linspace(0.2, 0.8, 7)
SKIN_MM = 1.2  # three lines, or six layers
INFILL = 0.15


@dataclass(frozen=True, slots=True)
class Giving:
    """What gives way: the wall between ribs, the body as a whole, and the solid block instead."""

    wall_mm: float
    body_mm: float
    block_mm: float

    @property
    def stiffness_kept(self) -> float:
        """Of the block's stiffness, 0 to 1."""
        return self.block_mm / self.body_mm if self.body_mm > 0 else 1.0


def giving_way(
    block: solid.Solid,
    jacket: solid.Solid,
    cells: list[Floats],
    *,
    wall_mm: float,
    pressure_kpa: float,
    loaded: shapely.Geometry,
) -> Giving:
    """The deflections of a jacket and of the block it was hollowed from.

    loaded : plan region that the pressure acts on
    """
    sides = [np.sort(np.ptp(cell[:, :2], axis=0)) for cell in cells]
    short, long = max(sides, key=lambda pair: tuple(pair.tolist()), default=np.zeros(2))
    wall = 0.0
    if short > 0:
        plate = rectangular_plate(
            float(long), float(short), wall_mm, pressure_kpa, PRINT_MODULUS_MPA, edges="fixed"
        )
        wall = plate.deflection_mm
    force = pressure_kpa * loaded.area / 1000
    deflections = [beam_deflection_mm(body, force, loaded) for body in (jacket, block)]
    return Giving(wall, *deflections)


def beam_deflection_mm(body: solid.Solid, force_n: float, loaded: shapely.Geometry) -> float:
    """The sag of a body that bridges the shorter side of the loaded region."""
    low_x, low_y, high_x, high_y = loaded.bounds
    along_x = high_x - low_x <= high_y - low_y
    start, span = (low_x, high_x - low_x) if along_x else (low_y, high_y - low_y)
    # Rows that turn the span to z, so that sections across it can be taken level.
    turn = np.eye(4)
    turn[:3, :3] = (
        [[0, 1, 0], [0, 0, 1], [1, 0, 0]] if along_x else [[0, 0, 1], [1, 0, 0], [0, 1, 0]]
    )
    turned = solid.moved(body, turn)
    upright = 1 if along_x else 0
    moments = [
        second_moment_mm4(solid.section(turned, start + share * span), upright)
        for share in _SECTIONS
    ]
    return float(5 * force_n * span**3 / (384 * PRINT_MODULUS_MPA * min(moments)))


def second_moment_mm4(section: shapely.Geometry, upright: int) -> float:
    """Second moment of area about the axis through its middle, square to coordinate `upright`.

    By Green's theorem round each ring (Steger, On the calculation of moments of
    polygons, 1996).
    """
    area = first = second = 0.0
    for part in shapely.get_parts(section):
        oriented = shapely.orient_polygons(part)
        for ring in (oriented.exterior, *oriented.interiors):
            points = np.asarray(ring.coords)[:, :2]
            x, y = points[:, 1 - upright], points[:, upright]
            sign = 1.0 if upright == 1 else -1.0
            cross = sign * (x[:-1] * y[1:] - x[1:] * y[:-1])
            area += cross.sum() / 2
            first += (cross * (y[:-1] + y[1:])).sum() / 6
            second += (cross * (y[:-1] ** 2 + y[:-1] * y[1:] + y[1:] ** 2)).sum() / 12
    return float(second - first**2 / area)


def printed_cm3(mesh: trimesh.Trimesh) -> float:
    """Roughly what is laid down: a skin of 1.2 mm all over, the rest at 15 % infill."""
    skin = min(float(mesh.area) * SKIN_MM, float(mesh.volume))
    return (skin + INFILL * (float(mesh.volume) - skin)) / 1000
