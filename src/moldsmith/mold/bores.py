"""Upright bores from the void to the outside: sprues and vents as solids."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from ..geometry import solid

__all__ = ["Channel", "bore_solid"]

_SIDES = 48
_OVERRUN_MM = 1.0


@dataclass(frozen=True, slots=True)
class Channel:
    """An upright bore from the void to the outside, mold mm: narrow at the void, wide outside."""

    x: float
    y: float
    void_z: float
    outside_z: float
    void_mm: float
    outside_mm: float
    ceiling_z: float
    funnel_mm: float = 0.0
    pocket_mm: float = 0.0

    @property
    def mouth_mm(self) -> float:
        return max(self.outside_mm, self.funnel_mm)

    def described(self) -> dict[str, float]:
        """The bore for the stage log."""
        return {key: round(float(value), 4) for key, value in asdict(self).items()}


def bore_solid(channel: Channel) -> solid.Solid:
    """The bore's solid; its polygon stands round the circle, so that it is never too tight."""
    around = 1 / np.cos(np.pi / _SIDES) / 2
    base = (channel.x, channel.y, channel.void_z)
    length = channel.outside_z - channel.void_z
    flare = (channel.outside_mm - channel.void_mm) / length
    height = length + _OVERRUN_MM
    bore = solid.frustum(
        base,
        (0, 0, height),
        channel.void_mm * around,
        (channel.void_mm + flare * height) * around,
        _SIDES,
    )
    if channel.funnel_mm <= channel.outside_mm:
        return bore
    depth = (channel.funnel_mm - channel.outside_mm) / 2
    width = channel.outside_mm
    foot = (channel.x, channel.y, channel.outside_z - depth)
    funnel = solid.frustum(
        foot,
        (0, 0, depth + _OVERRUN_MM),
        width * around,
        (channel.funnel_mm + 2 * _OVERRUN_MM) * around,
        _SIDES,
    )
    return solid.union(bore, funnel)
