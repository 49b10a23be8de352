"""The parts to print, as the stage that saw to them last has them."""

from __future__ import annotations

from typing import Any

from ..workpiece import Workpiece

__all__ = ["has_parts", "listed_parts"]


def listed_parts(piece: Workpiece) -> list[dict[str, Any]]:
    """A row for each part to print: at least its `body` and `pose` (4 x 4, mm).

    From the newest record that lists parts with a pose: `lay_out` or `split`.

    Raises
    ------
    BadParameter : no stage has listed parts
    """
    rows = _newest(piece) or piece.record("split")["figures"]["parts"]
    return [dict(row) for row in rows]


def has_parts(piece: Workpiece) -> bool:
    """Whether a stage has listed parts with their poses."""
    return bool(_newest(piece))


def _newest(piece: Workpiece) -> list[dict[str, Any]]:
    for record in reversed(piece.records):
        rows = record["figures"].get("parts")
        # Other stages list what they say of parts, or parts of a mix, under the same key.
        if isinstance(rows, list) and rows and all("pose" in row for row in rows):
            return rows
    return []
