"""Filling what a straight pull cannot release, so that a rigid mold lets go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from ..geometry import solid

__all__ = ["BlockedOut", "block_out"]

_INSIDE_MM = 0.01


@dataclass(frozen=True, slots=True)
class BlockedOut:
    """Mold bodies and pad after blocking out, and the volume the pad gained."""

    cavity: solid.Solid
    cover: solid.Solid
    pad: solid.Solid
    added_mm3: float


def block_out(
    cavity: solid.Solid, cover: solid.Solid, pad: solid.Solid, region: shapely.Geometry
) -> BlockedOut:
    """Give the pad what hangs over it from the cavity, and what hooks under it from the cover.

    Parameters
    ----------
    region : plan region in which the cavity overhangs the pad

    Over the region the pad parts the cavity into a floor below and an overhang
    above, and the cover into a roof and a hook: overhang and hook become pad, so
    that it can be drawn straight up.
    """
    shadow = shapely.union_all(solid.silhouette(pad)).buffer(-_INSIDE_MM)
    region = region.intersection(shadow)
    if region.is_empty:
        return BlockedOut(cavity, cover, pad, 0.0)
    boxes = np.array([np.reshape(body.bounding_box(), (2, 3)) for body in (cavity, cover)])
    floor, roof = float(boxes[0, 0, 2]), float(boxes[1, 1, 2])
    prism = solid.extrude(region, floor - 1, roof + 1)
    hanging = [
        part
        for part in solid.components(solid.intersection(cavity, prism))
        if part.bounding_box()[2] > floor + _INSIDE_MM
    ]
    hooking = [
        part
        for part in solid.components(solid.intersection(cover, prism))
        if part.bounding_box()[5] < roof - _INSIDE_MM
    ]
    fill = [*hanging, *hooking]
    if not fill:
        return BlockedOut(cavity, cover, pad, 0.0)
    added = sum(solid.volume_mm3(part) for part in fill)
    return BlockedOut(
        solid.difference(cavity, *hanging),
        solid.difference(cover, *hooking),
        solid.union(pad, *fill),
        float(added),
    )
