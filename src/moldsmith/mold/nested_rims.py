"""Trim lines one inside the other, as of a flat ring: no mold of this kind closes round both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..errors import CannotBuild

__all__ = ["refuse_nested"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_FLAT = 0.25  # of the rings' distance in plan, what one may lie over the other


def refuse_nested(vertices: Floats, rims: Sequence[Ints]) -> None:
    """`CannotBuild` for two trim lines that lie one inside the other, nearly in a plane.

    A cavity and a core close round one trim line, side pieces and a core round the two ends
    of a tube. Rims of a tube stand over each other by more than one is narrower.
    """
    if len(rims) != 2:
        return
    outer, inner = sorted((vertices[rim] for rim in rims), key=_girth, reverse=True)
    middle, axis = _plane(outer)
    off = inner.mean(axis=0) - middle
    over = abs(float(off @ axis))
    beside = float(np.linalg.norm(off - (off @ axis) * axis))
    wide, narrow = _radius(outer, axis), _radius(inner, axis)
    if beside + narrow >= wide or over >= _FLAT * (wide - narrow):
        return
    x, y, z = inner.mean(axis=0).tolist()
    raise CannotBuild(
        f"the pad is a ring: its trim lines lie one inside the other, {2 * wide:.0f} and "
        f"{2 * narrow:.0f} mm across, the inner round x {x:.0f}, y {y:.0f}, z {z:.0f}. A cavity "
        "and a core close round one trim line, side pieces round the two ends of a tube",
        "Fill the hole in the middle in heal and cut it out of the casting, or crop the ring into "
        "parts with one trim line each",
    )


def _girth(ring: Floats) -> float:
    return float(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum())


def _plane(ring: Floats) -> tuple[Floats, Floats]:
    """Middle and unit normal of the plane nearest to a ring, by its area."""
    middle = ring.mean(axis=0)
    away = ring - middle
    area = np.cross(away, np.roll(away, -1, axis=0)).sum(axis=0)
    return middle, area / max(float(np.linalg.norm(area)), 1e-12)


def _radius(ring: Floats, axis: Floats) -> float:
    away = ring - ring.mean(axis=0)
    return float(np.linalg.norm(away - (away @ axis)[:, None] * axis, axis=1).mean())
