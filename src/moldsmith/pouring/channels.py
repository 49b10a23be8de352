"""Sprues and vents as `channels` logged them: their room, their volume, what passes them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypedDict

import numpy as np
from numpy.typing import NDArray

from ..geometry import solid
from ..mold.bores import Channel, bore_solid
from ..workpiece import Workpiece

__all__ = [
    "Row",
    "channel_rows",
    "fill_level",
    "filled_channels",
    "foot_z",
    "height_mm",
    "level_z",
    "mouth_mm",
    "over_mm3",
    "pouring_up",
    "radius_mm",
    "vent_bore_mm",
]

Floats = NDArray[np.float64]
_AIR_PA_S = 1.8e-5  # viscosity of air at 20 °C: tables of any handbook
_HOLD_PA = 50.0  # what the air may be held back by: half a centimetre of water


class Row(TypedDict):
    """A channel, mold mm; `vent` tells vents from sprues."""

    x: float
    y: float
    void_z: float
    outside_z: float
    void_mm: float
    outside_mm: float
    ceiling_z: float
    funnel_mm: float
    pocket_mm: float
    vent: bool


def channel_rows(piece: Workpiece) -> list[Row]:
    """Sprues, then vents, as `channels` logged them; none if it has not run."""
    figures = piece.figures_of("channels")
    return [
        Row(
            x=row["x"],
            y=row["y"],
            void_z=row["void_z"],
            outside_z=row["outside_z"],
            void_mm=row["void_mm"],
            outside_mm=row["outside_mm"],
            ceiling_z=row["ceiling_z"],
            funnel_mm=row["funnel_mm"],
            pocket_mm=row["pocket_mm"],
            vent=kind == "vents",
        )
        for kind in ("sprues", "vents")
        for row in figures.get(kind, ())
    ]


def pouring_up(piece: Workpiece) -> Floats:
    """The direction (mold) that is up while the mold is poured: `channels` chose it, else z."""
    return np.asarray(piece.figures_of("channels").get("up", (0.0, 0.0, 1.0)), dtype=float)


def height_mm(row: Row, z: float, up: Floats) -> float:
    """How high along up the channel's axis is at a mold z."""
    return float(np.dot(up, [row["x"], row["y"], z]))


def level_z(row: Row, level: float, up: Floats) -> float:
    """The mold z to which a channel stands full under a level along up, at most its mouth."""
    z = (level - row["x"] * up[0] - row["y"] * up[1]) / up[2]
    return min(float(z), row["outside_z"])


def fill_level(rows: Sequence[Row], top: float, up: Floats) -> float:
    """Height along up to which channels stand full: the foot of the lowest funnel, not under top.

    top : of the void, along up
    """
    feet = [height_mm(row, foot_z(row), up) for row in rows if not row["vent"]]
    return max(min(feet, default=top), top)


def mouth_mm(row: Row) -> float:
    return max(row["outside_mm"], row["funnel_mm"])


def radius_mm(row: Row, z: float) -> float:
    """An upper bound of the channel's radius at a mold z: of its bore outside, or its funnel."""
    return row["outside_mm"] / 2 + max(min(z, row["outside_z"]) - foot_z(row), 0.0)


def foot_z(row: Row) -> float:
    """Where the funnel begins; the outside, without one."""
    return row["outside_z"] - max(row["funnel_mm"] - row["outside_mm"], 0.0) / 2


def filled_channels(
    void: solid.Solid, rows: Sequence[Row], up: Floats, level: float
) -> solid.Solid:
    """The void with what of the channels lies under a level along `up`."""
    bores = [
        solid.trim_by_plane(
            bore_solid(Channel(**{k: v for k, v in row.items() if k != "vent"})),  # type: ignore[arg-type]
            -np.asarray(up),
            -level,
        )
        for row in rows
    ]
    standing = [bore for bore in bores if solid.volume_mm3(bore) > 0]
    return solid.union(void, *standing) if standing else void


def over_mm3(row: Row, level: float) -> float:
    """The volume of a channel between the level (mold z) and the outside, bore and funnel."""
    top, start = row["outside_z"], max(level, row["void_z"])
    if start >= top:
        return 0.0
    wide, narrow = row["outside_mm"], row["void_mm"]

    def bore_mm(z: float) -> float:
        return narrow + (z - row["void_z"]) / (top - row["void_z"]) * (wide - narrow)

    volume = _frustum_mm3(bore_mm(start), wide, top - start)
    if foot_z(row) < top:
        foot = max(start, foot_z(row))
        # The bore's own room in the funnel is not counted twice.
        volume += _frustum_mm3(wide + 2 * (foot - foot_z(row)), row["funnel_mm"], top - foot)
        volume -= _frustum_mm3(bore_mm(foot), wide, top - foot)
    return volume


def vent_bore_mm(air_ml_s: float, length_mm: float) -> float:
    """The bore through which air leaves without being held back by more than 50 Pa.

    Hagen and Poiseuille: pressure = 8 mu L Q / (pi r^4).
    """
    flow, length = air_ml_s * 1e-6, length_mm / 1000
    radius: float = (8 * _AIR_PA_S * length * flow / (math.pi * _HOLD_PA)) ** 0.25
    return 2000 * radius


def _frustum_mm3(one_mm: float, other_mm: float, height: float) -> float:
    return math.pi / 12 * height * (one_mm**2 + one_mm * other_mm + other_mm**2)
