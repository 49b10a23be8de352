"""The keys that `block` made between side pieces and core, as joints of the split parts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ...geometry import solid
from ...workpiece import Workpiece

__all__ = ["block_joints", "carried_joints"]

_INSIDE_MM = 0.5
_BESIDE_MM = 1.0


def carried_joints(
    piece: Workpiece, parts: Mapping[str, Mapping[str, solid.Solid]]
) -> list[dict[str, Any]]:
    """The joints of `block` with the parts that hold their pegs and sockets by now.

    parts : body -> part name -> solid
    """
    found: dict[tuple[str, str, str], dict[str, Any]] = {}
    for joint in block_joints(piece):
        for peg in joint["pegs"]:
            axis, base = np.asarray(peg["axis"]), np.asarray(peg["base"])
            aside = np.cross(axis, [0.0, 0.0, 1.0])
            corner = peg["base_mm"] / 2 / np.cos(np.pi / peg["sides"])
            root = base - _INSIDE_MM * axis
            wall = base + 2 * axis + (corner + _BESIDE_MM) * aside
            low = _holder(parts[joint["low"]], root)
            high = _holder(parts[joint["high"]], wall)
            row = found.setdefault((joint["kind"], low, high), {**joint, "low": low, "high": high,
                                                                "pegs": []})  # fmt: skip
            row["pegs"].append(peg)
    return list(found.values())


def block_joints(piece: Workpiece) -> list[dict[str, Any]]:
    """The joints between bodies that `block` keyed, as its log tells them."""
    for record in reversed(piece.records):
        if record["stage"] == "block":
            return list(record["figures"].get("joints", ()))
    return []


def _holder(parts: Mapping[str, solid.Solid], point: Any) -> str:
    """The part with the most material about a point."""
    probe = solid.box(point - 0.3, point + 0.3)
    names = list(parts)
    shares = [solid.volume_mm3(solid.intersection(parts[name], probe)) for name in names]
    return names[int(np.argmax(shares))]
