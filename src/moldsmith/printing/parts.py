"""The parts to print, as the stage that saw to them last has them."""

from __future__ import annotations

from typing import Any

from ..workpiece import Workpiece

__all__ = ["listed_parts"]


def listed_parts(piece: Workpiece) -> list[dict[str, Any]]:
    """A row for each part to print: at least its `body` and `pose` (4 x 4, mm).

    From the newest record that lists parts with a pose: `lay_out` or `split`.

    Raises
    ------
    BadParameter : no stage has listed parts
    """
    for record in reversed(piece.records):
        rows = record["figures"].get("parts")
        if isinstance(rows, list) and rows and all("pose" in row for row in rows):
            return [dict(row) for row in rows]
    return [dict(row) for row in piece.record("split")["figures"]["parts"]]
