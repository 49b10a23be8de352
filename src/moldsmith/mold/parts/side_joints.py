"""The keys that `block` made between side pieces and core, as joints of the split parts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ...geometry import solid
from ...workpiece import Workpiece
from ..keys import Peg, peg_solid, socket_solid

__all__ = ["block_joints", "carried_joints", "told_peg"]

_ROUND_MM = 1.0  # of what is round a socket


def carried_joints(
    piece: Workpiece, parts: Mapping[str, Mapping[str, solid.Solid]]
) -> list[dict[str, Any]]:
    """The joints of `block` with the parts that hold their pegs and sockets by now.

    parts : body -> part name -> solid
    """
    found: dict[tuple[str, str, str], dict[str, Any]] = {}
    for joint in block_joints(piece):
        for row in joint["pegs"]:
            peg = told_peg(row)
            low = _holder(parts[joint["low"]], peg_solid(peg))
            high = _holder(
                parts[joint["high"]], socket_solid(peg, joint["clearance_mm"] + _ROUND_MM)
            )
            key = joint["kind"], low, high
            ends = {"low": low, "high": high, "pegs": []}
            found.setdefault(key, {**joint, **ends})["pegs"].append(row)
    return list(found.values())


def told_peg(row: Mapping[str, Any]) -> Peg:
    """A peg as a stage log tells it."""
    x, y, z = row["base"]
    u, v, w = row["axis"]
    return Peg((x, y, z), (u, v, w), row["base_mm"] / 2, row["length_mm"], sides=row["sides"])


def block_joints(piece: Workpiece) -> list[dict[str, Any]]:
    """The joints between bodies that `block` keyed, as its log tells them."""
    for record in reversed(piece.records):
        if record["stage"] == "block":
            return list(record["figures"].get("joints", ()))
    return []


def _holder(parts: Mapping[str, solid.Solid], room: solid.Solid) -> str:
    """The part with the most material in a room."""
    names = list(parts)
    shares = [solid.volume_mm3(solid.intersection(parts[name], room)) for name in names]
    return names[int(np.argmax(shares))]
