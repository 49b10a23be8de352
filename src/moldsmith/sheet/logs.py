"""What the stages' logs say of a piece, for those who print it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..workpiece import Workpiece

__all__ = ["figures", "parameters", "ran"]


def figures(piece: Workpiece, stage: str) -> Mapping[str, Any]:
    """The figures of the stage's newest log; empty if it has not run."""
    return _of(piece, stage, "figures")


def parameters(piece: Workpiece, stage: str) -> Mapping[str, Any]:
    """The parameters that the stage was run with; empty if it has not run."""
    return _of(piece, stage, "parameters")


def ran(piece: Workpiece, stage: str) -> bool:
    return any(record["stage"] == stage for record in piece.records)


def _of(piece: Workpiece, stage: str, key: str) -> Mapping[str, Any]:
    for record in reversed(piece.records):
        if record["stage"] == stage:
            found: Mapping[str, Any] = record[key]
            return found
    return {}
