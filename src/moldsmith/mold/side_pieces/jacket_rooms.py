"""The hollows of side pieces and core that are jackets, from the log of `block`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from ...geometry import solid
from .curtains import Curtain, flange, wedge
from .keys import grooved
from .shell_faces import RUN, Face
from .wedges import far_mm

__all__ = ["hollow_room", "is_round"]

_INTO_MM = 0.05  # into the wall, past all rounding


def is_round(figures: Mapping[str, Any], name: str) -> bool:
    """Whether a body is such a jacket, by the figures of `block`."""
    told = figures.get("jacket") or {}
    return told.get("inside" if name == "core" else "outside") is not None


def hollow_room(
    figures: Mapping[str, Any], name: str, low_mm: float, high_mm: float
) -> solid.Solid:
    """What the body would have as a block besides: its hollows, and a little of the wall.

    Ribs lie in it too. low_mm, high_mm : the mold's ends
    """
    told = figures["jacket"]
    if name == "core":
        inside = Face.read(told["inside"]).moved_out(_INTO_MM, _INTO_MM).solid
        return solid.trim_by_plane(inside, (0, 0, 1), low_mm)
    outline = shapely.Polygon(figures["outline_plan"])
    block, _ = grooved(solid.extrude(outline, low_mm, high_mm), outline, low_mm, high_mm)
    axis = np.asarray(figures["axis"], dtype=float)
    far = far_mm(block, axis)
    hung = [
        Curtain(np.asarray(degrees, dtype=float), bool(plane))
        for degrees, plane in zip(figures["curtains_deg"], figures["plane_curtains"], strict=True)
    ]
    number = int(name.rpartition("-")[2])
    low, high = hung[number - 2], hung[number - 1]
    thick = told["flange_mm"] - _INTO_MM
    beside = [flange(axis, curtain, far, thick, RUN) for curtain in (low, high)]
    wall = Face.read(told["outside"]).moved_out(-_INTO_MM, -_INTO_MM).solid
    own = solid.intersection(block, wedge(axis, low, high, far))
    return solid.difference_or_empty(own, wall, *beside)
