"""Why something found no room on a flange, and what would give it some."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from ...geometry.placing import largest_disc
from ...workpiece import Finding
from .bolting import STEEPEST
from .room import Flange

__all__ = ["Shortage", "foremost", "no_room", "screw_shortage"]

Floats = NDArray[np.float64]
Cause = Literal["edge", "narrow", "bent", "steep", "thin", "crowded"]
_GATES: tuple[Cause, ...] = ("edge", "narrow", "bent", "steep", "thin", "crowded")
_SLACK_MM = 0.05


@dataclass(frozen=True, slots=True)
class Shortage:
    """What a place lacks: the first of the gates that it does not pass.

    cause : 'edge', the edge is not free there, 'narrow', 'bent', the outside is not straight,
        'steep', 'thin', 'crowded', too near to what stands
    there_mm, needed_mm : what is measured at that gate; body : the thin one; plan : the place
    """

    cause: Cause
    there_mm: float
    needed_mm: float
    plan: tuple[float, float]
    body: str = ""

    @property
    def rank(self) -> tuple[int, float]:
        """Higher for a place that lacks less."""
        return _GATES.index(self.cause), -abs(self.needed_mm - self.there_mm)


def foremost(shortages: Iterable[Shortage]) -> Shortage | None:
    """Of several places the one that lacks least."""
    return max(shortages, key=lambda item: item.rank, default=None)


def screw_shortage(
    flange: Flange, region: shapely.Geometry, reach_mm: float, under_mm: float, over_mm: float
) -> Shortage:
    """Why no more screws stand in a plan region.

    reach_mm : from a screw's middle to where its wall ends; under_mm, over_mm : the
    thickness needed of the lower and of the upper body
    """
    spot, radius = largest_disc(region, 0.5)
    rays = flange.rays_in(region.buffer(-reach_mm))
    x, y = spot.tolist()
    if len(rays) == 0:
        return Shortage("narrow", 2 * radius, 2 * reach_mm, (x, y))
    columns = flange.columns(reach_mm)
    slope, most = columns.slope[rays], 2 * reach_mm * STEEPEST
    if not (slope <= most).any():
        return Shortage("steep", float(slope.min()), most, _plan(flange, rays, -slope))
    rays = rays[slope <= most]
    under, over = ((columns.ground - columns.bottom)[rays], (columns.roof - columns.seat)[rays])
    spare = np.minimum(under - under_mm, over - over_mm)
    best, plan = int(np.argmax(spare)), _plan(flange, rays, spare)
    if spare[best] >= -_SLACK_MM:
        return Shortage("crowded", 0.0, 0.0, plan)
    if under[best] - under_mm <= over[best] - over_mm:
        return Shortage("thin", float(under[best]), under_mm, plan, flange.lower)
    return Shortage("thin", float(over[best]), over_mm, plan, flange.upper)


def _plan(flange: Flange, rays: NDArray[np.int64], worth: Floats) -> tuple[float, float]:
    x, y = flange.grid.places(rays[[int(np.argmax(worth))]])[0].tolist()
    return x, y


def no_room(flange: Flange, kind: str, found: int, count: int, lack: Shortage) -> Finding:
    """Says what there is where the most room is, what is needed, and what would give it."""
    named = kind.replace("_", " ")
    ground = flange.ground[np.isfinite(flange.ground)]
    return Finding(
        f"no-room-for-{kind.replace('_', '-')}",
        "warning",
        f"{found} of {count} {named}s found room: {_said(flange, lack)}, or ask for fewer",
        flange.upper,
        (*lack.plan, float(np.median(ground))),
    )


def _said(flange: Flange, lack: Shortage) -> str:
    there, needed = max(lack.there_mm, 0.0), lack.needed_mm
    wider = "Make flange_mm larger, land_mm smaller"
    if lack.cause == "edge":
        return f"no stretch of the edge is free over the {needed:.0f} mm that each needs. {wider}"
    if lack.cause == "narrow" and there == 0:
        return f"the flange has no free place, each needs {needed:.0f} mm. {wider}"
    if lack.cause == "narrow":
        return (
            f"the widest free place of the flange is {there:.0f} mm wide, each needs "
            f"{needed:.0f} mm. {wider}"
        )
    if lack.cause == "bent":
        return (
            f"the outside is nowhere straight over the {needed:.0f} mm that each needs. Choose "
            "outer = 'rectangle'"
        )
    if lack.cause == "steep":
        return (
            f"where it is wide enough the flange rises by {there:.1f} mm under each, which leaves "
            f"room where it is {needed:.1f} mm at most. Choose another pull, make flange_mm larger"
        )
    if lack.cause == "thin":
        return (
            f"where the flange is wide enough {lack.body} is {there:.1f} mm thick, each needs "
            f"{needed:.1f} mm. Make {_thicker(flange, lack.body)} larger"
        )
    return f"the others would stand too near to those. {wider}"


def _thicker(flange: Flange, body: str) -> str:
    """The parameter that makes a body thicker at its flange."""
    if body == "lid":
        return "lid_thickness_mm"
    return "flange_mm" if body.startswith("side-") else "floor_mm"
